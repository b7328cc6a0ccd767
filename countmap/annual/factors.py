"""The textbook route: month × weekday shares of a group of permanents; and growth between years."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import pandas as pd

from countmap.annual.expand import ALL_HOURS, Block
from countmap.annual.intervals import student_multiplier
from countmap.annual.pool import Pool, block_counts

Array = np.ndarray[Any, np.dtype[np.float64]]
Indices = np.ndarray[Any, np.dtype[np.intp]]
Form = Literal["month_weekday", "separate", "week"]
FALLBACK: Form = "week"
"""Where no date can be matched: chosen on a motorway station's other year (tests/bench/bench_annual_motorway.py)."""
FORMS = {
    "month_weekday": "month × weekday",
    "separate": "month and weekday",
    "week": "week and weekday",
}
WEEKS = 52
YEAR_OF_WEEKS_DAYS = 364
STAND_IN_DAYS = (0, -7, 7, -14, 14, -21, 21, -28, 28, -35, 35, -42, 42)
"""Where to look for days on which the permanents were counted: the same weekdays, the nearest first."""


@dataclass(frozen=True)
class Shares:
    """Volume over AADT by series, season, weekday and hour; NaN where nothing was counted.

    Attributes
    ----------
    day : array, shape (series, seasons, 7)
        Seasons are the 12 months, or 52 weeks from 1 January (the last has eight or nine days).
    hour : array, shape (series, seasons, 7, 24)
    """

    day: Array
    hour: Array


def shares(
    pool: Pool, levels: Array, days: slice, skip: set[int], form: Form = "month_weekday"
) -> Shares:
    """Return each series' mean share of its AADT by season and weekday, over ``days``.

    Parameters
    ----------
    levels : array, shape (series,)
        AADT; NaN for a series that may not teach.
    skip : set of int
        Days (since 1970) that are no ordinary days: public holidays.
    form : {'month_weekday', 'separate', 'week'}
        One share for each weekday of each month; a month's share times a weekday's; a week's times
        a weekday's.
    """
    at = np.arange(pool.day.shape[1])[days]
    at = at[~np.isin(at + pool.first, list(skip))]
    month, weekday = _calendar(at + pool.first)
    both = (pool.day, pool.hour)
    if form == "month_weekday":
        day, hour = (_by_cell(at, month, weekday, values) for values in both)
    else:
        season = _by_month(pool, at, month) if form == "separate" else _by_week(pool, at, weekday)
        day, hour = (_crossed(season, at, weekday, values) for values in both)
    return Shares(day / levels[:, None, None], hour / levels[:, None, None, None])


def _by_cell(at: Indices, month: Indices, weekday: Indices, values: Array) -> Array:
    """Return month × weekday means, shape (series, 12, 7, …); NaN where no such day is."""
    out = np.full((len(values), 12, 7, *values.shape[2:]), np.nan)
    for m in range(12):
        for j in range(7):
            out[:, m, j] = mean_of_seen(values[:, at[(month == m) & (weekday == j)]])
    return out


def _by_month(pool: Pool, at: Indices, month: Indices) -> Array:
    mean = mean_of_seen(pool.day[:, at])
    found = [mean_of_seen(pool.day[:, at[month == m]]) / mean for m in range(12)]
    return np.stack(found, axis=1)


def _by_week(pool: Pool, at: Indices, weekday: Indices) -> Array:
    """Return the mean of volume over the weekday's own mean, by week: an unfinished week is no bias."""
    course = np.stack([mean_of_seen(pool.day[:, at[weekday == j]]) for j in range(7)], axis=1)
    relative = pool.day[:, at] / course[:, weekday]
    week = _week(at + pool.first)
    return np.stack([mean_of_seen(relative[:, week == w]) for w in range(WEEKS)], axis=1)


def _crossed(season: Array, at: Indices, weekday: Indices, values: Array) -> Array:
    """Return season × weekday means, shape (series, seasons, 7, …): what the days teach apart.

    The hours of a weekday follow its own course all year; the season is that of whole days.
    """
    course = np.stack([mean_of_seen(values[:, at[weekday == j]]) for j in range(7)], axis=1)
    lead = (slice(None), slice(None), slice(None), *[None] * (values.ndim - 2))
    return season[:, :, None][lead] * course[:, None]


def block_shares(found: Shares, window: tuple[Block, ...]) -> Array:
    """Return each series' share of its AADT over the hours of each block, shape (series, blocks)."""
    out = np.zeros((len(found.day), len(window)))
    for at, block in enumerate(window):
        for day, mask in block.cells:
            one = np.array([day])
            month, weekday = (int(v[0]) for v in _calendar(one))
            season = int(_week(one)[0]) if found.day.shape[1] == WEEKS else month
            if mask == ALL_HOURS:
                out[:, at] += found.day[:, season, weekday]
            else:
                hours = [h for h in range(24) if mask >> h & 1]
                out[:, at] += found.hour[:, season, weekday][:, hours].sum(axis=1)
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
    pool: Pool,
    levels: Array,
    share: Array,
    window: tuple[Block, ...],
    keep: Any,
    *,
    group: Any = None,
) -> tuple[Indices, Array]:
    """Estimate every series of ``keep`` from the others' shares on the same blocks.

    Parameters
    ----------
    group : bool array, shape (series,), optional
        The series whose shares are taken; by default all of ``keep``.

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
    group = keep if group is None else group
    rows, errors = [], []
    for k in np.flatnonzero(keep & (np.nan_to_num(total) > 0)):
        others = group & (pool.owner != pool.owner[k])
        if not others.any():
            continue
        found = level(float(total[k]), share, others)
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
    """Growth between two years: ln ratio, its standard error for a station of its own, and whose.

    ``group`` names the factor group it is drawn to, ``own_weight`` (0..1) by how much; None and 0
    where no group is known.
    """

    log_ratio: float
    log_se: float
    stations: tuple[str, ...]
    group: str | None = None
    own_weight: float = 0.0


def growth(
    annual: pd.DataFrame,
    sense: str,
    years: tuple[int, int],
    groups: Mapping[str, str] | None = None,
    group: str | None = None,
) -> Growth | None:
    """Return the permanents' growth between two years, or None without two that have both.

    Parameters
    ----------
    annual : DataFrame
        ``station_id, sense, year, aadt`` of permanent stations.
    years : (start, end)
    groups : mapping, optional
        Station id → factor group of the permanents.
    group : str, optional
        The group wanted.

    Notes
    -----
    The mean of ln(AADT_end / AADT_start), every station alike. A group's mean ḡ of n stations is
    shrunk to that of all: w ḡ + (1 − w) ḡ_all with w = τ²/(τ² + s²/n); s² is the variance within
    groups and τ² the variance between their means beyond what s² explains. The standard error is
    that of a new station's growth, not of the mean: √(s²(1 + 1/N)) with no group, else
    √(s² + (1 − w) τ² + s²/N).

    References
    ----------
    Efron, Morris: Data Analysis Using Stein's Estimator and its Generalizations, JASA 70, 1975.

    Examples
    --------
    >>> rows = [("a", 2024, 1000.0), ("a", 2025, 1020.0), ("b", 2024, 500.0), ("b", 2025, 520.0)]
    >>> frame = pd.DataFrame(rows, columns=["station_id", "year", "aadt"]).assign(sense="both")
    >>> round(float(np.exp(growth(frame, "both", (2024, 2025)).log_ratio)), 4)
    1.03
    """
    start, end = years
    rows = annual[(annual["sense"] == sense) & annual["aadt"].gt(0)]
    table = rows.pivot_table(index="station_id", columns="year", values="aadt")
    if start not in table or end not in table:
        return None
    ratio = np.log(table[end] / table[start]).dropna()
    number = len(ratio)
    if number < 2:
        return None
    stations, every = tuple(str(s) for s in ratio.index), float(ratio.mean())
    alone = Growth(every, float(ratio.std(ddof=1)) * float(np.sqrt(1 + 1 / number)), stations)
    named = ratio.groupby(ratio.index.map(dict(groups or {})))
    means, sizes = named.mean(), named.size()
    free = int((sizes - 1).sum())
    if group not in means.index or len(means) < 2 or free < 1:
        return alone
    within = float(((ratio - named.transform("mean")) ** 2).sum()) / free
    between = max(float(means.var(ddof=1)) - within * float((1 / sizes).mean()), 0.0)
    noise = within / int(sizes[group])
    weight = between / (between + noise) if between + noise > 0 else 0.0
    spread = float(np.sqrt(within + (1 - weight) * between + within / number))
    value = weight * float(means[group]) + (1 - weight) * every
    return Growth(value, spread, stations, str(group), weight)


def _week(days: Any) -> Indices:
    """Return the week of the year from 1 January, 0..51; the last has eight or nine days."""
    dates = np.asarray(days).astype("datetime64[D]")
    since = (dates - dates.astype("datetime64[Y]").astype("datetime64[D]")).astype(np.intp)
    return np.asarray(np.minimum(since // 7, WEEKS - 1))


def _calendar(days: Any) -> tuple[Indices, Indices]:
    dates = pd.DatetimeIndex(np.asarray(days).astype("datetime64[D]"))
    return dates.month.to_numpy() - 1, dates.day_of_week.to_numpy()


def mean_of_seen(values: Array) -> Array:
    """Return the mean over axis 1 of what is there; NaN where nothing is."""
    seen = np.isfinite(values)
    count = seen.sum(axis=1)
    total = np.where(seen, values, 0.0).sum(axis=1)
    return np.asarray(np.where(count > 0, total / np.maximum(count, 1), np.nan))
