"""The permanents of one basis as dense arrays: series × days, series × days × hours."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from countmap.annual.expand import ALL_HOURS, Block

Array = np.ndarray[Any, np.dtype[np.float64]]


@dataclass(frozen=True)
class Pool:
    """Permanent series over a run of days.

    Attributes
    ----------
    series : list of (station_id, sense)
    owner : int array, shape (series,)
        Number of the series' station, in order of first appearance.
    first : int
        First day of the axis, days since 1970.
    day : array, shape (series, days)
        Vehicles on complete civil days, NaN otherwise.
    hour : array, shape (series, days, 24)
        Vehicles by civil hour, NaN where missing.
    """

    series: list[tuple[str, str]]
    owner: np.ndarray[Any, np.dtype[np.intp]]
    first: int
    day: Array
    hour: Array

    @property
    def stations(self) -> int:
        """Return how many stations there are."""
        return int(self.owner.max()) + 1 if len(self.owner) else 0

    def days_of(self, year: int) -> slice:
        """Return where the days of ``year`` lie on the axis."""
        start = day_number(f"{year}-01-01") - self.first
        return slice(start, day_number(f"{year + 1}-01-01") - self.first)


def day_number(text: str) -> int:
    """Return a date as days since 1970-01-01.

    Examples
    --------
    >>> day_number("1970-02-01")
    31
    """
    return int(np.datetime64(text, "D").astype(np.int64))


def date_text(day: int) -> str:
    """Return days since 1970-01-01 as an ISO date.

    Examples
    --------
    >>> date_text(31)
    '1970-02-01'
    """
    return str(np.datetime64(day, "D"))


def gather(hours: pd.DataFrame, days: pd.DataFrame, first: int, last: int) -> Pool:
    """Lay out permanents' counts on an axis of days from ``first`` to ``last``, both included.

    Parameters
    ----------
    hours, days : DataFrame
        HOUR_CELLS and DAY_TOTALS of the permanents and senses wanted, with ``day`` as days since
        1970. A day without a total that has all 24 hours is their sum.
    """
    keys = pd.concat([hours[["station_id", "sense"]], days[["station_id", "sense"]]])
    keys = keys.drop_duplicates().sort_values(["station_id", "sense"])
    series = list(keys.itertuples(index=False, name=None))
    index = pd.MultiIndex.from_frame(keys) if series else None
    size = last - first + 1
    day = np.full((len(series), size), np.nan)
    hour = np.full((len(series), size, 24), np.nan)
    if index is not None:
        inside = hours[hours["day"].between(first, last)]
        row = index.get_indexer(pd.MultiIndex.from_frame(inside[["station_id", "sense"]]))
        hour[row, inside["day"] - first, inside["hour"]] = inside["count"]
        inside = days[days["day"].between(first, last)]
        row = index.get_indexer(pd.MultiIndex.from_frame(inside[["station_id", "sense"]]))
        day[row, inside["day"] - first] = inside["count"]
    day = np.where(np.isnan(day), hour.sum(axis=2), day)
    _, owner = np.unique([station for station, _ in series], return_inverse=True)
    return Pool([(str(a), str(b)) for a, b in series], owner, first, day, hour)


def block_counts(pool: Pool, window: tuple[Block, ...]) -> Array:
    """Return every series' vehicles over the hours of each block, shape (series, blocks)."""
    out = np.full((len(pool.series), len(window)), np.nan)
    for at, block in enumerate(window):
        total = np.zeros(len(pool.series))
        for day, mask in block.cells:
            i = day - pool.first
            if not 0 <= i < pool.day.shape[1]:
                total = np.full(len(pool.series), np.nan)
            elif mask == ALL_HOURS:
                total = total + pool.day[:, i]
            else:
                hours = [h for h in range(24) if mask >> h & 1]
                total = total + pool.hour[:, i, hours].sum(axis=1)
        out[:, at] = total
    return out
