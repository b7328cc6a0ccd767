"""Rows of permanent stations: the annual average of the year and how sure it is."""

from __future__ import annotations

from typing import Any

import numpy as np

from countmap.annual.health import Health
from countmap.annual.inputs import Key, Rows, Work, blank
from countmap.annual.intervals import Interval, normal_multiplier
from countmap.annual.levels import Lessons
from countmap.annual.pool import Pool

Array = np.ndarray[Any, np.dtype[np.float64]]


def measure(work: Work, raw: Pool, lessons: Lessons, rows: Rows, notes: Rows) -> None:
    """Fill ``rows`` and ``notes`` with every permanent series whose average can be computed.

    Notes
    -----
    The interval of a sound station has two parts: the count error, and the days that are missing
    (see `missing_days`). A station with outage zeros or a level shift keeps the average of what was
    counted; the distance to the average without the zeros, or with the whole year at either level,
    is added to the half-width, and the reason says so.
    """
    settings, year = work.settings, work.inputs.year
    averages = work.averages[work.averages["year"] == year].dropna(subset="aadt")
    known = {(str(a.station_id), str(a.sense)): a for a in averages.itertuples(index=False)}
    z = normal_multiplier(settings.level)
    for at, key in enumerate(raw.series):
        if key not in known:
            continue
        found = known[key]
        missing = missing_days(raw, at, year)
        offset, why = _doubt(lessons.health, raw, at, year)
        parts = {"count": z * work.count_error(key[0]), "missing_days": z * missing}
        interval = Interval(parts, settings.level, offset)
        aawt = float(found.aawt) if np.isfinite(found.aawt) else None
        rows[key] = blank(
            key,
            year,
            aadt=float(found.aadt),
            aawt=aawt,
            status="measured",
            method=str(found.method),
            days=float(found.days),
            reason=why,
        ) | interval.columns(float(found.aadt))
        notes[key] = {
            "method": str(found.method),
            "days_used": float(found.days),
            "complete_days": int(np.isfinite(raw.day[at, raw.days_of(year)]).sum()),
            "interval": parts | {"doubt": offset},
            "findings": lessons.health.notes[at],
        }


def missing_days(pool: Pool, at: int, year: int) -> float:
    """Return the relative standard error that missing days leave in a series' annual average.

    Notes
    -----
    A month's N days of one weekday, n of them counted, leave N² s² (1/n − 1/N) in the year's sum;
    s² is the mean square deviation of days from the mean of their month and weekday.
    """
    days = pool.days_of(year)
    count = pool.day[at, days]
    dates = np.arange(days.start, days.stop) + pool.first
    months = dates.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64)
    cell = (months - months.min()) * 7 + (dates + 3) % 7
    seen = np.isfinite(count)
    total = np.bincount(cell, minlength=84).astype(np.float64)
    n = np.bincount(cell, seen, minlength=84)
    mean = np.bincount(cell, np.where(seen, count, 0), minlength=84) / np.maximum(n, 1)
    squares = np.where(seen, (count - mean[cell]) ** 2, 0.0).sum()
    free = float(np.maximum(n - 1, 0).sum())
    if free < 1:
        return 0.0
    variance = squares / free * (total**2 * (1 / np.maximum(n, 0.5) - 1 / total))[total > 0].sum()
    return float(np.sqrt(max(variance, 0.0)) / max(total @ mean, 1e-9))


def _doubt(health: Health, raw: Pool, at: int, year: int) -> tuple[float, str | None]:
    """Return what outage zeros and a level shift may have done to the average, on the log scale."""
    days = raw.days_of(year)
    counted, clean = raw.day[at, days], health.pool.day[at, days]
    says, offset = [], 0.0
    if health.zeros[at]:
        offset += abs(np.log(np.nanmean(clean) / max(float(np.nanmean(counted)), 1e-9)))
        says.append("counted as they stand")
    shift = health.shifts[at]
    if shift is not None:
        before = np.nanmean(clean)
        both = [np.log(before / np.nanmean(counted)), 0.0]
        both[1] = both[0] + shift.log_size
        offset = max(offset, float(np.max(np.abs(both))))
        says.append("the average is that of what was counted, the interval holds either level")
    note = health.notes[at]
    return float(offset), f"{note}: {'; '.join(says)}" if says and note else note


def measured_level(work: Work, key: Key, year: int) -> float | None:
    """Return a permanent series' average of another year, or None."""
    at = work.averages
    found = at[(at["station_id"] == key[0]) & (at["sense"] == key[1]) & (at["year"] == year)]
    value = found["aadt"].to_numpy(dtype=np.float64)
    return float(value[0]) if len(value) and np.isfinite(value[0]) else None
