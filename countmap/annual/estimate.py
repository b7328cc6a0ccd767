"""Annual averages with intervals for every station, sense and `both`; and how each came about."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Literal

import numpy as np
import pandas as pd

from countmap import tables
from countmap.annual import continuous, expand, intervals, matched
from countmap.annual import pool as pools
from countmap.annual.expand import Block

MARGIN_DAYS = 31
Key = tuple[str, str]


@dataclass(frozen=True)
class AnnualSettings:
    """How annual averages are estimated.

    Attributes
    ----------
    method : {'matched', 'textbook'}
        Same dates at the permanents, or month × weekday shares.
    estimator : {'fhwa', 'aashto'}
        For permanent stations.
    level : float
        Of the intervals, 0..1.
    count_error : float
        Standard error of a count as a share, where a station has none of its own. 0.02 is this
        project's default.
    one_way : mapping
        Station id → its only sense.
    axles_per_vehicle : mapping
        Station id → axles per vehicle, for counts of axles and axle pairs.
    min_permanents : int
        Below this no short count is adjusted.
    min_hours : int
        A short count below this is not adjusted.
    """

    method: Literal["matched", "textbook"] = "matched"
    estimator: Literal["fhwa", "aashto"] = "fhwa"
    level: float = 0.95
    count_error: float = 0.02
    one_way: Mapping[str, str] = field(default_factory=dict)
    axles_per_vehicle: Mapping[str, float] = field(default_factory=dict)
    min_permanents: int = 3
    min_hours: int = 12


@dataclass(frozen=True)
class AnnualInputs:
    """Everything `estimate` reads.

    Attributes
    ----------
    hour_cells, day_totals, stations : DataFrame
        HOUR_CELLS, DAY_TOTALS (of as many years as there are) and STATIONS with ``kind``.
    year : int
        The year wanted.
    holidays : mapping of date to name
    days : DataFrame, optional
        DAYS: closures and events are left out, school terms are noted.
    count_error : mapping
        Station id → standard error of its counts as a share.
    other_years : DataFrame, optional
        ANNUAL rows of permanent stations from elsewhere, for growth.
    """

    hour_cells: pd.DataFrame
    day_totals: pd.DataFrame
    stations: pd.DataFrame
    year: int
    holidays: Mapping[date, str] = field(default_factory=dict)
    days: pd.DataFrame | None = None
    count_error: Mapping[str, float] = field(default_factory=dict)
    other_years: pd.DataFrame | None = None
    settings: AnnualSettings = field(default_factory=AnnualSettings)


@dataclass(frozen=True)
class AnnualResult:
    """ANNUAL, and for every (station, sense) the chain of numbers behind its row."""

    annual: pd.DataFrame
    explanations: dict[Key, dict[str, Any]]


def estimate(inputs: AnnualInputs) -> AnnualResult:
    """Estimate the annual averages of every station and sense.

    Parameters
    ----------
    inputs : AnnualInputs

    Returns
    -------
    AnnualResult
        One row for each station and sense that was counted. Permanents are `measured`, short counts
        `estimated`; where there is no honest factor the row is `unadjusted`, its ``aadt`` the plain
        mean of the complete days (or null) and its interval null, with the ``reason``.

    Notes
    -----
    `both` is estimated from the totals; the two senses of a short count are then scaled so that
    they add up to it, each keeping its own relative interval.
    """
    work = _prepare(inputs)
    rows: dict[Key, dict[str, Any]] = {}
    notes: dict[Key, dict[str, Any]] = {}
    for senses in (("both",), ("with", "against")):
        _permanents(work, senses, rows, notes)
        _shorts(work, senses, rows, notes)
    for station, reason in work.refused.items():
        rows[(station, "both")] = _row((station, "both"), inputs.year, reason=reason)
        notes[(station, "both")] = {"reason": reason}
    _reconcile(rows, notes)
    frame = pd.DataFrame([rows[key] for key in sorted(rows)], columns=list(tables.ANNUAL.names))
    empty = tables.empty(tables.ANNUAL)
    return AnnualResult(frame.astype(empty.dtypes.to_dict()), dict(sorted(notes.items())))


@dataclass(frozen=True)
class _Work:
    inputs: AnnualInputs
    hours: pd.DataFrame
    days: pd.DataFrame
    permanents: set[str]
    refused: dict[str, str]
    averages: pd.DataFrame
    skip: set[int]


def _prepare(inputs: AnnualInputs) -> _Work:
    settings = inputs.settings
    per_vehicle = dict(settings.axles_per_vehicle)
    hours, refused = expand.to_vehicles(inputs.hour_cells, per_vehicle)
    days, also = expand.to_vehicles(inputs.day_totals, per_vehicle)
    kinds = inputs.stations.set_index("station_id")["kind"]
    permanents = set(kinds.index[kinds.eq("permanent")].astype("str"))
    hours, days = _numbered(hours), _numbered(days)
    door = continuous.fhwa_hourly if settings.estimator == "fhwa" else continuous.aashto
    base = hours if settings.estimator == "fhwa" else days
    averages = door(base[base["station_id"].isin(permanents)])
    skip = {pools.day_number(str(day)) for day in inputs.holidays}
    return _Work(inputs, hours, days, permanents, refused | also, averages, skip)


def _numbered(frame: pd.DataFrame) -> pd.DataFrame:
    day = frame["date"].to_numpy().astype("datetime64[D]").astype(np.int64)
    return frame.assign(day=day)


def _row(key: Key, year: int, **more: Any) -> dict[str, Any]:
    base = dict.fromkeys(tables.ANNUAL.names)
    base |= {"station_id": key[0], "sense": key[1], "year": year, "status": "unadjusted"}
    return base | more


def _count_error(inputs: AnnualInputs, station: str) -> float:
    return float(inputs.count_error.get(station, inputs.settings.count_error))


def _permanents(work: _Work, senses: tuple[str, ...], rows: Any, notes: Any) -> None:
    inputs = work.inputs
    wanted = work.averages[
        (work.averages["year"] == inputs.year) & work.averages["sense"].isin(senses)
    ]
    z = intervals.normal_multiplier(inputs.settings.level)
    for found in wanted.dropna(subset="aadt").itertuples(index=False):
        key = (found.station_id, found.sense)
        part = intervals.Parts(0.0, _count_error(inputs, found.station_id), 0.0, z)
        lower, upper = intervals.bounds(found.aadt, part.half_width)
        rows[key] = _row(
            key,
            inputs.year,
            aadt=found.aadt,
            aawt=found.aawt,
            lower=lower,
            upper=upper,
            level=inputs.settings.level,
            log_se=part.log_se,
            status="measured",
            method=inputs.settings.estimator,
            days=found.days,
        )
        notes[key] = {"method": inputs.settings.estimator, "days": found.days}


def _shorts(work: _Work, senses: tuple[str, ...], rows: Any, notes: Any) -> None:
    inputs, settings = work.inputs, work.inputs.settings
    first = pools.day_number(f"{inputs.year}-01-01") - MARGIN_DAYS
    last = pools.day_number(f"{inputs.year + 1}-01-01") + MARGIN_DAYS - 1
    hours = work.hours[work.hours["sense"].isin(senses)]
    days = work.days[work.days["sense"].isin(senses)]
    pooled = pools.gather(
        hours[hours["station_id"].isin(work.permanents)],
        days[days["station_id"].isin(work.permanents)],
        first,
        last,
    )
    levels = np.array([rows[key]["aadt"] if key in rows else np.nan for key in pooled.series])
    groups: dict[Any, list[Key]] = defaultdict(list)
    windows: dict[Key, tuple[Block, ...]] = {}
    hour_groups = dict(list(hours.groupby(["station_id", "sense"])))
    day_groups = dict(list(days.groupby(["station_id", "sense"])))
    for key in sorted(set(hour_groups) | set(day_groups)):
        if key in rows:
            continue
        found, dropped = expand.blocks_of(
            hour_groups.get(key, hours.iloc[:0]), day_groups.get(key, days.iloc[:0])
        )
        found = [b for b in found if first <= b.first <= last]
        windows[key] = tuple(found)
        notes[key] = {"dropped": dropped}
        groups[tuple(b.cells for b in found)].append(key)
    sound = np.isfinite(levels)
    if sound.sum() == 0 or len(np.unique(pooled.owner[sound])) < settings.min_permanents:
        for key, window in windows.items():
            rows[key] = _unadjusted(key, inputs, window, "too few permanent stations")
        return
    logs = np.log(np.where(pooled.day > 0, pooled.day, np.nan)) - np.log(levels)[:, None]
    patterns = matched.learn(logs[sound], pooled.owner[sound], np.ones(int(sound.sum())))
    for members in groups.values():
        window = windows[members[0]]
        if sum(b.hours for b in window) < settings.min_hours:
            for key in members:
                rows[key] = _unadjusted(key, inputs, windows[key], "too few hours")
            continue
        counts = pools.block_counts(pooled, window)[sound]
        y = np.log(np.where(counts > 0, counts, np.nan)) - np.log(levels[sound])[:, None]
        learned = matched.blocks(patterns, y)
        errors, log_se, _ = matched.left_out(patterns, learned, y)
        scale, multiplier, rule = intervals.spread(
            errors / log_se, len(np.unique(pooled.owner[sound])), settings.level
        )
        for key in members:
            v = np.array([b.count for b in windows[key]])
            fit = matched.fit(learned, 0, np.log(np.maximum(v, 0.5)))
            part = intervals.Parts(
                fit.log_se * scale, _count_error(inputs, key[0]), 0.0, multiplier
            )
            aadt = float(np.exp(fit.log_level))
            lower, upper = intervals.bounds(aadt, part.half_width)
            rows[key] = _row(
                key,
                inputs.year,
                aadt=aadt,
                lower=lower,
                upper=upper,
                level=settings.level,
                log_se=part.log_se,
                status="estimated",
                method="matched",
                days=sum(b.hours for b in window) / 24,
            )
            notes[key] |= {"rule": rule, "misfit": fit.misfit}


def _unadjusted(key: Key, inputs: AnnualInputs, window: Any, reason: str) -> dict[str, Any]:
    whole = [b.count for b in window if b.kind == "day"]
    mean = float(np.mean(whole)) if whole else None
    return _row(key, inputs.year, aadt=mean, days=float(len(whole)), reason=reason)


def _reconcile(rows: dict[Key, dict[str, Any]], notes: dict[Key, dict[str, Any]]) -> None:
    """Scale the senses of a short count so that they add up to `both`."""
    for station, sense in list(rows):
        if sense != "both":
            continue
        parts = [rows.get((station, s)) for s in tables.SENSES]
        both = rows[(station, "both")]
        if any(p is None or not p["aadt"] for p in parts) or not both["aadt"]:
            continue
        factor = both["aadt"] / sum(p["aadt"] for p in parts if p)
        for s, part in zip(tables.SENSES, parts, strict=True):
            for name in ("aadt", "lower", "upper", "aawt"):
                if part and part[name] is not None:
                    part[name] *= factor
            notes[(station, s)]["scaled_to_both"] = factor
