"""Counters as things: where each stood, how its clock drifts, and whether it disagrees wherever it stands."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

FEWEST = 3
LIMIT = 3.0
"""One chance in 370 that a sound counter is named, were its stations independent of each other."""


def register(surveys: pd.DataFrame, flows: pd.DataFrame) -> pd.DataFrame:
    """Return one row a counter.

    Parameters
    ----------
    surveys : DataFrame
        SURVEYS. Rows without a ``counter_id`` are of no counter.
    flows : DataFrame
        FLOWS of the year looked at; may be empty.

    Returns
    -------
    DataFrame
        ``counter_id``, ``surveys`` (number), ``stations`` (list), ``first``, ``last`` (text as in
        the surveys, null where unknown), ``drift_s_day`` (seconds its clock gains a day, the median
        of its surveys; NaN where no survey has both offsets), ``tested`` (stations with a test),
        ``z`` (all of them together; NaN below one), ``verdict``.

    Notes
    -----
    The test values of a station's senses, then of the stations, are put together as Σz/√n (Stouffer).
    A counter is said to disagree where it stood at three stations or more, all of them lean to the
    same side, and together they lie beyond 3. A count that is wrong for another reason leans at one
    station; a counter that misses vehicles leans at each.

    References
    ----------
    Stouffer and others 1949, The American Soldier, vol. 1, p. 45 (from memory).
    """
    known = surveys[surveys["counter_id"].notna()]
    by_station = _tests(flows)
    rows = [_counter(str(name), part, by_station) for name, part in known.groupby("counter_id")]
    columns = [
        "counter_id", "surveys", "stations", "first", "last", "drift_s_day", "tested", "z", "verdict",
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def _counter(name: str, part: pd.DataFrame, tests: dict[str, float]) -> dict[str, Any]:
    stations = sorted(part["station_id"].unique())
    found = np.array([tests[s] for s in stations if s in tests])
    together = float(found.sum() / np.sqrt(len(found))) if len(found) else np.nan
    one_sided = len(found) >= FEWEST and abs(np.sign(found).sum()) == len(found)
    verdict = ""
    if one_sided and abs(together) > LIMIT:
        side = "more" if together > 0 else "fewer"
        verdict = (
            f"counts {side} than its neighbours at all {len(found)} stations (z {together:+.1f})"
        )
    return {
        "counter_id": name,
        "surveys": int(part["survey_id"].nunique()),
        "stations": stations,
        "first": _edge(part["started"], "min"),
        "last": _edge(part["ended"], "max"),
        "drift_s_day": _drift(part),
        "tested": len(found),
        "z": together,
        "verdict": verdict,
    }


def _edge(texts: pd.Series, which: str) -> str | None:
    there = texts.dropna()
    return str(getattr(there, which)()) if len(there) else None


def _drift(part: pd.DataFrame) -> float:
    days = _days(part["ended"]) - _days(part["started"])
    gained = part["clock_offset_end_s"] - part["clock_offset_start_s"]
    rates = (gained / days)[days > 0].dropna()
    return float(rates.median()) if len(rates) else np.nan


def _days(texts: pd.Series) -> pd.Series:
    times = pd.to_datetime(texts, format="ISO8601", errors="coerce", utc=True)
    return (times - pd.Timestamp(0, tz="UTC")) / pd.Timedelta(days=1)


def _tests(flows: pd.DataFrame) -> dict[str, float]:
    """Return each counted station's test value, its senses put together."""
    tested = flows[flows["z"].notna() & flows["counted"].notna() & flows["sources"].notna()]
    tested = tested[tested["sense"] != "both"]
    values: dict[str, list[float]] = {}
    for sources, z in zip(tested["sources"], tested["z"], strict=True):
        for station in str(sources).split():
            values.setdefault(station, []).append(float(z))
    return {station: sum(zs) / len(zs) ** 0.5 for station, zs in values.items()}
