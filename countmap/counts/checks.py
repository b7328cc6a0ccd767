"""The checks of counts: every rule run, its findings as flags. A check never changes a count."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from countmap import tables
from countmap.counts import bench as benches
from countmap.counts import rules_context, rules_files, rules_gaps, rules_level, rules_pattern
from countmap.counts.rules import RULES, Finding, Rule
from countmap.errors import InvalidInput

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Importing a room of rules registers them.
ROOMS = (rules_gaps, rules_level, rules_pattern, rules_context)
Settings = Mapping[str, Mapping[str, Any]]


def run(  # noqa: PLR0917  # the door's frames in their order
    hour_cells: pd.DataFrame,
    day_totals: pd.DataFrame,
    periods: pd.DataFrame,
    stations: pd.DataFrame,
    links: pd.DataFrame,
    days: pd.DataFrame,
    settings: Settings | None = None,
    *,
    holidays: Mapping[date, str] | None = None,
    tz: str = "",
    differing: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Run every rule over the counts.

    Parameters
    ----------
    hour_cells, day_totals, periods : DataFrame
        HOUR_CELLS, DAY_TOTALS, PERIODS; missing is null. Empty ``periods`` leave out what is judged
        period by period where hours do not say it.
    stations, links, days : DataFrame
        STATIONS, LINKS (lanes, one-way, and ``cul_de_sac`` where that is known, see
        ``roads.sections.cul_de_sacs``), DAYS. The latter two may be empty.
    settings : mapping, optional
        Rule id → numbers that replace the rule's defaults; ``{"off": True}`` leaves a rule out.
    holidays : mapping of date to name, optional
        Public holidays beside those in ``days``.
    tz : str
        Zone of the civil hours; by default the offsets of ``periods`` serve.
    differing : DataFrame, optional
        Periods that two files count differently, see ``rules_files.conflicts``.

    Returns
    -------
    DataFrame
        FLAGS in state open, sorted by station, first and rule; each finding once.

    Raises
    ------
    InvalidInput
        If the settings name a rule or a number that does not exist.
    """
    chosen = {name: _numbers(RULES[name], settings or {}) for name in sorted(RULES)}
    _refuse_unknown(settings or {})
    if hour_cells.empty:
        return tables.empty(tables.FLAGS)
    bench = benches.build(hour_cells, day_totals, periods, stations, links, days, holidays or {})
    found = [
        (name, finding)
        for name, numbers in chosen.items()
        if numbers is not None
        for finding in RULES[name].function(bench, numbers)
    ]
    if differing is not None:
        found += [(rules_files.RULE, finding) for finding in rules_files.conflicts(differing)]
    return _flags(found, periods, tz)


def _numbers(rule: Rule, settings: Settings) -> dict[str, float] | None:
    own = dict(settings.get(rule.id, {}))
    if own.pop("off", False):
        return None
    return {**rule.defaults, **own}


def _refuse_unknown(settings: Settings) -> None:
    for name, numbers in settings.items():
        if name not in RULES:
            raise InvalidInput(
                f"checks: the rule {name!r} is unknown. Use one of {', '.join(sorted(RULES))}"
            )
        for number in numbers:
            if number != "off" and number not in RULES[name].defaults:
                known = ", ".join(["off", *RULES[name].defaults])
                raise InvalidInput(
                    f"checks: the rule {name!r} has no number {number!r}. Use one of {known}"
                )


def flag_id(rule: str, station_id: str, sense: str | None, first: str, last: str) -> str:
    """Return the stable id of a finding.

    Examples
    --------
    >>> flag_id("zero_run", "S1", "with", "2025-03-04T06:00Z", "2025-03-04T15:00Z")
    'zero_run-4398c8765d'
    """
    text = "\x1f".join([rule, station_id, sense or "", first, last])
    return f"{rule}-{hashlib.sha256(text.encode()).hexdigest()[:10]}"


def _flags(found: list[tuple[str, Finding]], periods: pd.DataFrame, tz: str) -> pd.DataFrame:
    if not found:
        return tables.empty(tables.FLAGS)
    frame = pd.DataFrame(
        {
            "rule": [name for name, _ in found],
            "severity": [f.severity for _, f in found],
            "station_id": [f.station_id for _, f in found],
            "sense": pd.array([f.sense for _, f in found], dtype="str"),
            "first_utc": _utc([f.first for _, f in found], periods, tz),
            "last_utc": _utc([f.last for _, f in found], periods, tz),
            "why": [f.why for _, f in found],
            "state": "open",
            "reason": pd.array([None] * len(found), dtype="str"),
        }
    )
    times = {n: frame[n].dt.strftime("%Y-%m-%dT%H:%MZ") for n in ("first_utc", "last_utc")}
    frame["flag_id"] = [
        flag_id(r, s, None if pd.isna(w) else w, a, b)
        for r, s, w, a, b in zip(
            frame["rule"],
            frame["station_id"],
            frame["sense"],
            times["first_utc"],
            times["last_utc"],
            strict=True,
        )
    ]
    frame = frame.drop_duplicates("flag_id").sort_values(
        ["station_id", "first_utc", "rule", "flag_id"]
    )
    return frame[list(tables.FLAGS.names)].reset_index(drop=True)


def _utc(times: list[pd.Timestamp], periods: pd.DataFrame, tz: str) -> pd.Series:
    aware = np.array([t.tzinfo is not None for t in times])
    naive = pd.Series([t.tz_convert("UTC").tz_localize(None) if t.tzinfo else t for t in times])
    naive = naive.dt.as_unit("us")
    if tz:
        # A day that begins with a skipped hour begins at the next that exists.
        index = pd.DatetimeIndex(naive)
        first = np.ones(len(index), dtype=bool)
        utc = index.tz_localize(tz, ambiguous=first, nonexistent="shift_forward").tz_convert("UTC")
        shifted = pd.Series(utc.tz_localize(None)).dt.as_unit("us")
    else:
        shifted = naive - pd.to_timedelta(_offsets(naive, periods), unit="m")
    return naive.where(aware, shifted).dt.tz_localize("UTC").dt.as_unit("us")


def _offsets(local: pd.Series, periods: pd.DataFrame) -> NDArray[np.int64]:
    """Return local minus UTC in minutes at local times, told by the periods' own offsets."""
    if periods.empty:
        return np.zeros(len(local), dtype=np.int64)
    steps = periods[["start_utc", "utc_offset_min"]].drop_duplicates().sort_values("start_utc")
    offset = steps["utc_offset_min"].to_numpy()
    begin = steps["start_utc"].dt.tz_localize(None).to_numpy().astype("datetime64[us]")
    changes = np.concatenate([[True], offset[1:] != offset[:-1]])
    offset, begin = offset[changes], begin[changes]
    at = begin + offset.astype("timedelta64[m]")
    place = np.searchsorted(at, local.to_numpy().astype("datetime64[us]"), side="right") - 1
    return np.asarray(offset[np.maximum(place, 0)], dtype=np.int64)


def described() -> pd.DataFrame:
    """Return every rule: ``rule, looks_for, source``, and ``numbers`` with their defaults."""
    rows = [
        (r.id, r.doc, r.source, ", ".join(f"{k} = {v:g}" for k, v in r.defaults.items()))
        for r in (RULES[name] for name in sorted(RULES))
    ]
    return pd.DataFrame(rows, columns=["rule", "looks_for", "source", "numbers"])
