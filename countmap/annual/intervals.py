"""Intervals from leave-one-station-out errors, and how their parts add up."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from scipy import stats


@dataclass(frozen=True)
class Interval:
    """An interval on the log scale: half-widths of its parts at one level.

    Attributes
    ----------
    parts : mapping
        Name → half-width of that part alone, on the log scale.
    level : float
        0..1.
    offset : float
        Added to the root of the sum of squares: a doubt that has no distribution.
    """

    parts: Mapping[str, float]
    level: float
    offset: float = 0.0

    @property
    def half_width(self) -> float:
        """Return the half-width: the root of the sum of squares, plus the offset."""
        return float(np.sqrt(sum(part**2 for part in self.parts.values()))) + self.offset

    @property
    def log_se(self) -> float:
        """Return the standard error whose normal interval has this half-width."""
        return self.half_width / normal_multiplier(self.level)

    def columns(self, value: float) -> dict[str, float]:
        """Return ``lower, upper, level, log_se`` of ANNUAL around ``value``.

        Examples
        --------
        >>> found = Interval({"pattern": 0.08, "count": 0.06}, 0.95).columns(1000.0)
        >>> [round(found[name], 1) for name in ("lower", "upper")]
        [904.8, 1105.2]
        """
        half = self.half_width
        return {
            "lower": value * float(np.exp(-half)),
            "upper": value * float(np.exp(half)),
            "level": self.level,
            "log_se": self.log_se,
        }


@cache
def normal_multiplier(level: float) -> float:
    """Return the half-width of a normal interval in standard errors."""
    return float(stats.norm.ppf((1 + level) / 2))


@cache
def student_multiplier(level: float, free: float) -> float:
    """Return the half-width of a Student interval in standard errors, for ``free`` ≥ 1 degrees."""
    return float(stats.t.ppf((1 + level) / 2, max(free, 1.0)))


def from_errors(errors: Any, stations: int, level: float) -> tuple[float, str]:
    """Return the half-width for a new station, in the unit of the errors, and the rule used.

    Parameters
    ----------
    errors : array of float
        Leave-one-out errors of the permanents (log, or in units of their standard errors).
    stations : int
        How many stations they come from, at least 2; a station's senses count once.
    level : float
        0..1.

    Notes
    -----
    ``conformal`` where (stations + 1)·level ≤ stations, that is from 19 stations on at 95 %: the
    ⌈(stations + 1)·level⌉-th of ``stations`` ordered absolute errors, which covers at least
    ``level`` of exchangeable stations whatever the shape of the errors. Below, ``student``: their
    root mean square times Student's t with stations − 1 degrees of freedom.

    Examples
    --------
    >>> from_errors(range(1, 20), 19, 0.95)
    (19.0, 'conformal')
    >>> width, rule = from_errors([-0.1, 0.1, 0.1, -0.1], 4, 0.95)
    >>> round(width, 4), rule
    (0.3182, 'student')
    """
    size = np.sort(np.abs(np.asarray(errors, dtype=np.float64)))
    share = np.ceil((stations + 1) * level - 1e-9) / stations
    if share > 1:
        scale = float(np.sqrt(np.mean(size**2)))
        return scale * student_multiplier(level, stations - 1), "student"
    at = int(np.ceil(share * len(size) - 1e-9)) - 1
    return float(size[min(at, len(size) - 1)]), "conformal"
