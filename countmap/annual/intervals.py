"""Intervals from leave-one-station-out errors, and how their parts add up."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import stats

CONFORMAL_FROM = 19
"""So many stations make the largest of their errors a 95 % bound: 1 − 1/(19 + 1)."""


@dataclass(frozen=True)
class Parts:
    """The parts of an interval on the log scale; each is a standard error but the multipliers."""

    pattern: float
    count: float
    growth: float
    multiplier: float
    widening: float = 1.0

    @property
    def log_se(self) -> float:
        """Return the standard error of ln AADT."""
        return float(np.sqrt((self.pattern * self.widening) ** 2 + self.count**2 + self.growth**2))

    @property
    def half_width(self) -> float:
        """Return half the interval's width on the log scale."""
        return self.multiplier * self.log_se


def spread(scaled: Any, stations: int, level: float) -> tuple[float, float, str]:
    """Turn leave-one-out errors, in units of the model's standard error, into scale and multiplier.

    Parameters
    ----------
    scaled : array of float
        Errors of the permanents, each over its own standard error.
    stations : int
        How many stations they come from.
    level : float
        Of the interval, 0..1.

    Returns
    -------
    scale : float
        Root mean square: by how much the model's standard errors are to be multiplied.
    multiplier : float
        Half-width in units of the scaled standard error.
    rule : str
        ``student`` or ``conformal``.

    Notes
    -----
    From 19 stations (at 95 %) on, the multiplier is the conformal quantile: the
    ⌈(stations + 1) level⌉-th of ``stations`` ordered absolute errors. Below, Student's t with
    stations − 1 degrees of freedom and the root mean square error as its scale.
    """
    size = np.sort(np.abs(np.asarray(scaled, dtype=np.float64)))
    scale = float(np.sqrt(np.mean(size**2)))
    share = np.ceil((stations + 1) * level - 1e-9) / stations
    if share > 1:
        factor = np.sqrt(1 + 1 / stations)
        return scale, float(stats.t.ppf((1 + level) / 2, stations - 1) * factor), "student"
    at = min(int(np.ceil(share * len(size) - 1e-9)), len(size)) - 1
    return scale, float(size[at] / scale) if scale > 0 else 0.0, "conformal"


def normal_multiplier(level: float) -> float:
    """Return the half-width of a normal interval in standard errors."""
    return float(stats.norm.ppf((1 + level) / 2))


def bounds(level_value: float, half_width: float) -> tuple[float, float]:
    """Return the interval around ``level_value``, symmetric on the log scale.

    Examples
    --------
    >>> [round(v, 1) for v in bounds(1000.0, 0.1)]
    [904.8, 1105.2]
    """
    return level_value * float(np.exp(-half_width)), level_value * float(np.exp(half_width))
