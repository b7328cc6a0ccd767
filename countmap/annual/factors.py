"""The textbook route: month × weekday shares of a group of permanents; and growth between years."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import pandas as pd

from countmap.annual.expand import ALL_HOURS, Block
from countmap.annual.intervals import student_multiplier
from countmap.annual.pool import Pool, block_counts

Array = np.ndarray[Any, np.dtype[np.float64]]
Indices = np.ndarray[Any, np.dtype[np.intp]]
Form = Literal["month_weekday", "separate"]
YEAR_OF_WEEKS_DAYS = 364
STAND_IN_DAYS = (0, -7, 7, -14, 14, -21, 21, -28, 28, -35, 35, -42, 42)
"""Where to look for days on which the permanents were counted: the same weekdays, the nearest first."""


@dataclass(frozen=True)
class Shares:
    """Volume over AADT by series, month, weekday and hour; NaN where nothing was counted.

    Attributes
    ----------
    day : array, shape (series, 12, 7)
    hour : array, shape (series, 12, 7, 24)
    """

    day: Array
    hour: Array


def shares(
    pool: Pool, levels: Array, days: slice, skip: set[int], form: Form = "month_weekday"
) -> Shares:
    """Return each series' mean share of its AADT by month and weekday, over ``days``.

    Parameters
    ----------
    levels : array, shape (series,)
        AADT; NaN for a series that may not teach.
    skip : set of int
        Days (since 1970) that are no ordinary days: public holidays.
    form : {'month_weekday', 'separate'}
        One share for each weekday of each month, or a month's share times a weekday's.
    """
    at = np.arange(pool.day.shape[1])[days]
    at = at[~np.isin(at + pool.first, list(skip))]
    month, weekday = _calendar(at + pool.first)
    day = np.full((len(levels), 12, 7), np.nan)
    hour = np.full((len(levels), 12, 7, 24), np.nan)
    for m in range(12):
        for j in range(7):
            pick = at[(month == m) & (weekday == j)]
            if len(pick):
                day[:, m, j] = mean_of_seen(pool.day[:, pick])
                hour[:, m, j] = mean_of_seen(pool.hour[:, pick])
    if form == "separate":
        day, hour = (
            _separate(pool, at, month, weekday, values) for values in (pool.day, pool.hour)
        )
    return Shares(day / levels[:, None, None], hour / levels[:, None, None, None])


def _separate(pool: Pool, at: Indices, month: Indices, weekday: Indices, values: Array) -> Array:
    """Return season × weekday means, shape (series, 12, 7, …): what the days teach apart.

    The hours of a weekday follow its own course all year; the season is that of whole days.
    """
    mean = mean_of_seen(pool.day[:, at])
    season = np.stack([mean_of_seen(pool.day[:, at[month == m]]) / mean for m in range(12)], axis=1)
    course = np.stack([mean_of_seen(values[:, at[weekday == j]]) for j in range(7)], axis=1)
    lead = (slice(None), slice(None), slice(None), *[None] * (values.ndim - 2))
    return season[:, :, None][lead] * course[:, None]


def block_shares(found: Shares, window: tuple[Block, ...]) -> Array:
    """Return each series' share of its AADT over the hours of each block, shape (series, blocks)."""
    out = np.zeros((len(found.day), len(window)))
    for at, block in enumerate(window):
        for day, mask in block.cells:
            month, weekday = (int(v[0]) for v in _calendar(np.array([day])))
            if mask == ALL_HOURS:
                out[:, at] += found.day[:, month, weekday]
            else:
                hours = [h for h in range(24) if mask >> h & 1]
                out[:, at] += found.hour[:, month, weekday][:, hours].sum(axis=1)
    return out


def level(total: float, share: Array, keep: Any) -> float:
    """Return AADT = Σ count / Σ group mean share; null (NaN) where the group has no share.

    Parameters
    ----------
    total : float
        Vehicles over all blocks.
    share : array, shape (series, blocks)
    keep : bool array, shape (series,)
        The group.

    Examples
    --------
    >>> round(level(2200.0, np.array([[1.1, 1.2], [0.9, 1.2]]), np.array([True, True])), 6)
    1000.0
    """
    return float(total / mean_of_seen(share[keep].T).sum())


def precision(cv: float, stations: int, confidence: float = 0.95) -> float:
    """Return the precision D of a factor group as a share: t(1 − α/2, n − 1) · CV / √n.

    References
    ----------
    FHWA, *Traffic Monitoring Guide*: 10 % at 95 % confidence is the usual target.

    Examples
    --------
    >>> round(precision(0.10, 7), 4)
    0.0925
    """
    return student_multiplier(confidence, stations - 1) * cv / float(np.sqrt(stations))


def left_out(
    pool: Pool, levels: Array, share: Array, window: tuple[Block, ...], keep: Any
) -> tuple[Indices, Array]:
    """Estimate every series of the group from the others' shares on the same blocks.

    Returns
    -------
    rows : int array
        The series that were counted. Where fewer than three were, the same weekdays some weeks
        away stand in, and a window outside the pool's year is first moved into it by 52 weeks.
    errors : array
        ln estimate − ln AADT.
    """
    middle = pool.first + pool.day.shape[1] // 2
    away = middle - window[0].first
    years = round(away / YEAR_OF_WEEKS_DAYS) * YEAR_OF_WEEKS_DAYS
    counts = np.full((len(levels), len(window)), np.nan)
    for days in STAND_IN_DAYS:
        counts = block_counts(pool, _moved(window, years + days))
        if np.isfinite(counts[keep]).all(axis=1).sum() >= 3:
            break
    total = counts.sum(axis=1)
    rows, errors = [], []
    for k in np.flatnonzero(keep & (np.nan_to_num(total) > 0)):
        found = level(float(total[k]), share, keep & (pool.owner != pool.owner[k]))
        if np.isfinite(found):
            rows.append(k)
            errors.append(np.log(found / levels[k]))
    return np.array(rows, dtype=np.intp), np.array(errors)


def _moved(window: tuple[Block, ...], days: int) -> tuple[Block, ...]:
    return tuple(
        replace(b, cells=tuple((day + days, mask) for day, mask in b.cells)) for b in window
    )


@dataclass(frozen=True)
class Growth:
    """Growth between two years: ln ratio, its standard error for a station of its own, and whose."""

    log_ratio: float
    log_se: float
    stations: tuple[str, ...]


def growth(annual: pd.DataFrame, sense: str, start: int, end: int) -> Growth | None:
    """Return the permanents' growth from ``start`` to ``end``, or None without two that have both.

    Parameters
    ----------
    annual : DataFrame
        ``station_id, sense, year, aadt`` of permanent stations.

    Notes
    -----
    The mean of ln(AADT_end / AADT_start), every station alike. The standard error is that of a new
    station's growth, s·√(1 + 1/n), not of the mean.

    Examples
    --------
    >>> rows = [("a", 2024, 1000.0), ("a", 2025, 1020.0), ("b", 2024, 500.0), ("b", 2025, 520.0)]
    >>> frame = pd.DataFrame(rows, columns=["station_id", "year", "aadt"]).assign(sense="both")
    >>> round(float(np.exp(growth(frame, "both", 2024, 2025).log_ratio)), 4)
    1.03
    """
    rows = annual[(annual["sense"] == sense) & annual["aadt"].gt(0)]
    table = rows.pivot_table(index="station_id", columns="year", values="aadt")
    if start not in table or end not in table:
        return None
    ratio = np.log(table[end] / table[start]).dropna()
    if len(ratio) < 2:
        return None
    spread = float(ratio.std(ddof=1)) * float(np.sqrt(1 + 1 / len(ratio)))
    return Growth(float(ratio.mean()), spread, tuple(str(s) for s in ratio.index))


def _calendar(days: Any) -> tuple[Indices, Indices]:
    dates = pd.DatetimeIndex(np.asarray(days).astype("datetime64[D]"))
    return dates.month.to_numpy() - 1, dates.day_of_week.to_numpy()


def mean_of_seen(values: Array) -> Array:
    """Return the mean over axis 1 of what is there; NaN where nothing is."""
    seen = np.isfinite(values)
    count = seen.sum(axis=1)
    total = np.where(seen, values, 0.0).sum(axis=1)
    return np.asarray(np.where(count > 0, total / np.maximum(count, 1), np.nan))
