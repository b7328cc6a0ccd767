"""The annual level of permanents that may have gaps: the year filled by its own model."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from countmap.annual.health import Health, examine
from countmap.annual.matched import Patterns, blocks, learn
from countmap.annual.pool import Pool

Array = np.ndarray[Any, np.dtype[np.float64]]
ROUNDS = 6
STATIONS_MIN = 3
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
    patterns : Patterns or None
        None when fewer than three stations may teach.
    """

    year: int
    health: Health
    level: Array
    weekday_level: Array
    patterns: Patterns | None

    @property
    def pool(self) -> Pool:
        """Return the counts that may teach."""
        return self.health.pool

    @property
    def stations(self) -> int:
        """Return how many stations may teach."""
        return len(np.unique(self.pool.owner[self.health.trust > 0]))


def study(pool: Pool, year: int) -> Lessons:
    """Examine the permanents of one year, find their levels and learn their patterns.

    Notes
    -----
    A day without a count is filled by the model (mean of the others and the series' own pattern),
    so that AADT is the plain mean of 365 or 366 days. With a complete year nothing is filled.
    """
    health = examine(pool, year)
    trust, days = health.trust, pool.days_of(year)
    level = np.full(len(pool.series), np.nan)
    weekday_level = level.copy()
    if len(np.unique(pool.owner[trust > 0])) < STATIONS_MIN:
        return Lessons(year, health, level, weekday_level, None)
    counts = health.pool.day
    logs = np.log(np.where(counts > 0, counts, np.nan))
    logs[trust == 0] = np.nan
    volume = np.exp(_filled(logs, pool.owner, trust, days))[:, days]
    workday = (np.arange(days.start, days.stop) + pool.first + MONDAY) % 7 < 5
    level, weekday_level = volume.mean(axis=1), volume[:, workday].mean(axis=1)
    patterns = learn(logs - np.log(level)[:, None], pool.owner, trust)
    return Lessons(year, health, level, weekday_level, patterns)


def _filled(logs: Array, owner: Any, trust: Array, days: slice) -> Array:
    """Return ln V with the gaps filled, by alternating patterns and levels."""
    seen = np.isfinite(logs)
    if seen[trust > 0][:, days].all():
        return logs
    safe = np.where(seen.any(axis=1, keepdims=True), logs, 0.0)
    level = np.log(np.nanmean(np.exp(safe), axis=1))
    filled = logs
    for _ in range(ROUNDS):
        y = logs - level[:, None]
        patterns = learn(y, owner, trust, each=False)
        known = blocks(patterns, y)
        model = known.mean[0] + patterns.scores[0][:, 1:] @ known.loadings[0]
        filled = np.where(seen, logs, model + level[:, None])
        filled[trust == 0] = np.nan
        level = np.log(np.exp(filled[:, days]).mean(axis=1))
    return filled
