"""The annual level of permanents that may have gaps: the year filled by its own model."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from countmap.annual import gaps
from countmap.annual.health import Health, examine
from countmap.annual.kin import Kin
from countmap.annual.matched import Teachers, teach
from countmap.annual.pool import Pool

Array = np.ndarray[Any, np.dtype[np.float64]]
STATIONS_MIN = 3
SEEN_MIN = 0.5
"""A day stands for others where this share of the series was counted."""
WORKDAYS = 5
MONDAY = 3
"""The weekday of day n since 1970, Monday 0, is (n + 3) mod 7."""


@dataclass(frozen=True)
class Lessons:
    """A pool that has been examined, levelled and learned from: all that a short count needs.

    Attributes
    ----------
    year : int
        The year the levels belong to.
    health : Health
        Its pool holds the counts that may teach.
    level, weekday_level : array, shape (series,)
        AADT and AAWT of the examined counts, gaps filled; NaN for a series that may not teach.
    teachers : Teachers or None
        None when fewer than three stations may teach.
    kin : Kin, optional
        What road class and distance say.
    """

    year: int
    health: Health
    level: Array
    weekday_level: Array
    teachers: Teachers | None
    kin: Kin | None = None

    @property
    def pool(self) -> Pool:
        """Return the counts that may teach."""
        return self.health.pool

    @property
    def stations(self) -> int:
        """Return how many stations may teach."""
        return len(np.unique(self.pool.owner[self.health.trust > 0]))


def study(pool: Pool, year: int, holidays: frozenset[int] = frozenset()) -> Lessons:
    """Examine the permanents of one year, find their levels and learn from them.

    Parameters
    ----------
    holidays : set of int
        Days since 1970 that stand for no other day.

    Notes
    -----
    A day without a count is filled by the series' own pattern (see `gaps.complete`), so that AADT is
    the plain mean of 365 or 366 days. With a complete year nothing is filled.
    """
    health = examine(pool, year)
    days = pool.days_of(year)
    level = np.full(len(pool.series), np.nan)
    weekday_level = level.copy()
    counts = health.pool.day
    sound = np.flatnonzero(health.trust > 0)
    stations = len(np.unique(pool.owner[sound]))
    if stations < STATIONS_MIN:
        return Lessons(year, health, level, weekday_level, None)
    logs = np.log(np.where(counts > 0, counts, np.nan))
    seen = np.isfinite(logs[sound])
    filled = np.zeros_like(logs)
    filled[sound] = gaps.complete(logs[sound], health.trust[sound], stations)
    volume = np.exp(filled[sound][:, days])
    axis = np.arange(pool.day.shape[1]) + pool.first
    workday = (axis[days] + MONDAY) % 7 < WORKDAYS
    level[sound], weekday_level[sound] = volume.mean(axis=1), volume[:, workday].mean(axis=1)
    ordinary = (seen.mean(axis=0) >= SEEN_MIN) & ~np.isin(axis, list(holidays))
    ordinary &= (axis >= axis[days.start]) & (axis <= axis[days.stop - 1])
    own = np.where(health.trust > 0, np.log(level), 0.0)
    teachers = teach(filled - own[:, None], health.trust, own, pool.owner, ordinary)
    return Lessons(year, health, level, weekday_level, teachers)
