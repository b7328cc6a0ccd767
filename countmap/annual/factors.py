"""The textbook route: month × weekday shares of a group of permanents, and growth between years."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from countmap.annual.expand import ALL_HOURS, Block
from countmap.annual.pool import Pool, block_counts

Array = np.ndarray[Any, np.dtype[np.float64]]


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


def shares(pool: Pool, levels: Array, days: slice, skip: set[int]) -> Shares:
    """Return each series' mean share of its AADT by month and weekday, over ``days``.

    Parameters
    ----------
    levels : array, shape (series,)
        AADT.
    skip : set of int
        Days (since 1970) that are no ordinary days: public holidays.
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
                day[:, m, j] = _mean(pool.day[:, pick])
                hour[:, m, j] = _mean(pool.hour[:, pick])
    return Shares(day / levels[:, None, None], hour / levels[:, None, None, None])


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


def left_out(pool: Pool, levels: Array, found: Shares, window: tuple[Block, ...]) -> Array:
    """Return ln estimate − ln AADT of each permanent series from the others' shares.

    Where the permanents did not count on the window's dates, the same weekdays 52 weeks earlier or
    later stand in. Series that were not counted then give NaN.
    """
    share = block_shares(found, window)
    counts = block_counts(pool, window)
    for shift in (-364, 364):
        if np.isfinite(counts).all(axis=1).sum() < 2:
            moved = tuple(
                Block(b.kind, tuple((day + shift, mask) for day, mask in b.cells), b.count)
                for b in window
            )
            counts = block_counts(pool, moved)
    total = counts.sum(axis=1)
    out = np.full(len(levels), np.nan)
    for k in range(len(levels)):
        others = pool.owner != pool.owner[k]
        mean = _mean(share[others].T).sum() if others.any() else np.nan
        if total[k] > 0 and mean > 0:
            out[k] = np.log(total[k] / mean / levels[k])
    return out


@dataclass(frozen=True)
class Growth:
    """Growth from one year to another: ln ratio, its standard error for a new station, and n."""

    log_ratio: float
    log_se: float
    stations: tuple[str, ...]


def growth(annual: pd.DataFrame, sense: str, start: int, end: int) -> Growth | None:
    """Return the permanents' growth from ``start`` to ``end``, or None without two that have both.

    Parameters
    ----------
    annual : DataFrame
        ``station_id, sense, year, aadt`` of permanent stations.
    """
    rows = annual[(annual["sense"] == sense) & annual["aadt"].gt(0)]
    table = rows.pivot_table(index="station_id", columns="year", values="aadt")
    if start not in table or end not in table:
        return None
    ratio = np.log(table[end] / table[start]).dropna()
    if len(ratio) < 2:
        return None
    spread = float(ratio.std(ddof=1)) * float(np.sqrt(1 + 1 / len(ratio)))
    return Growth(float(ratio.mean()), spread, tuple(ratio.index))


def _calendar(days: Any) -> tuple[Any, Any]:
    dates = pd.DatetimeIndex(np.asarray(days, dtype="datetime64[D]"))
    return dates.month.to_numpy() - 1, dates.day_of_week.to_numpy()


def _mean(values: Array) -> Array:
    """Return the mean over axis 1 (or the only one) of what is there; NaN where nothing is."""
    seen = np.isfinite(values)
    count = seen.sum(axis=1)
    total = np.where(seen, values, 0.0).sum(axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)
