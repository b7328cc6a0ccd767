"""A year without gaps: what a permanent would have counted on the days it lacks."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy import linalg

Array = np.ndarray[Any, np.dtype[np.float64]]
Mask = np.ndarray[Any, np.dtype[np.bool_]]

RANK_MAX = 4
ROUNDS = 8
RIDGE_DAYS = 5.0
"""A series' answer to a pattern is drawn to nothing as if by so many days."""
OWN_MEMORY_DAYS = 14.0
"""What a series has of its own fades e-fold in so many days …"""
OWN_RIDGE_DAYS = 5.0
"""… and is drawn to nothing as if by so many days. Both chosen on towns and rail years no bench reports."""
SCATTER_MIN = 0.3
"""No series counts as calmer than this share of the usual scatter (variance)."""


def complete(logs: Array, trust: Array, stations: int) -> Array:
    """Fill the gaps of several series by their common patterns.

    Parameters
    ----------
    logs : array, shape (series, days)
        ln V; NaN where missing. Every series has some days.
    trust : array, shape (series,)
        Above 0.
    stations : int
        How many stations the series belong to.

    Returns
    -------
    array, shape (series, days)

    Notes
    -----
    ln V_k(t) = a_k + m(t) + Σ_r u_kr p_r(t): a level, the mean course, a few patterns (the weekend
    road, the summer road …). A series weighs by the root of its precision, so that one with a
    scatter of its own cannot lead. To a gap is added what the series has of its own on the days
    around it.
    """
    seen = np.isfinite(logs)
    rank = min(RANK_MAX, max(0, (stations - 2) // 3))
    weight = trust.copy()
    level = np.nanmean(logs, axis=1, keepdims=True)
    filled = np.where(seen, logs, level + _column_mean(logs - level, seen, trust))
    for _ in range(ROUNDS):
        level = filled.mean(axis=1, keepdims=True)
        mean = weight @ (filled - level) / weight.sum()
        patterns = leading(np.sqrt(weight)[:, None] * (filled - level - mean), rank)
        model = mean + _answers(np.where(seen, logs - mean, 0.0), seen, patterns)
        filled = np.where(seen, logs, model)
        scatter = np.nanmedian(np.where(seen, (logs - model) ** 2, np.nan), axis=1)
        relative = scatter / max(float(np.median(scatter)), 1e-12)
        weight = trust / np.sqrt(np.maximum(relative, SCATTER_MIN))
    return np.asarray(np.where(seen, logs, model + _own(np.where(seen, logs - model, 0.0), seen)))


def _own(rest: Array, seen: Mask) -> Array:
    """Return each series' own weekday and slow drift: residuals of the days around, fading."""
    day = np.arange(rest.shape[1])
    weekday = (day[:, None] % 7 == np.arange(7)).astype(np.float64)
    own = (rest @ weekday / (seen @ weekday + OWN_RIDGE_DAYS)) @ weekday.T
    near = np.exp(-np.abs(day[:, None] - day) / OWN_MEMORY_DAYS)
    drift = np.where(seen, rest - own, 0.0) @ near / (seen @ near + OWN_RIDGE_DAYS)
    return np.asarray(own + drift)


def _column_mean(values: Array, seen: Mask, trust: Array) -> Array:
    used = seen * trust[:, None]
    return np.where(seen, values, 0.0).T @ trust / np.maximum(used.sum(axis=0), 1e-9)


def leading(values: Array, rank: int) -> Array:
    """Return the leading patterns over the days, shape (rank, days), each of mean square 1.

    By way of the small Gram matrix of the series.
    """
    if rank == 0:
        return np.zeros((0, values.shape[1]))
    most = [len(values) - rank, len(values) - 1]
    square, left = linalg.eigh(values @ values.T, subset_by_index=most)
    size = np.sqrt(np.maximum(square, 1e-18))
    return np.asarray((left / size).T @ values * np.sqrt(values.shape[1]))


def _answers(y: Array, seen: Mask, patterns: Array) -> Array:
    """Return level and patterns as each series answers to them on the days it has."""
    base = np.vstack([np.ones(patterns.shape[1]), patterns])
    ridge = np.diag([1e-9] + [RIDGE_DAYS] * len(patterns))
    whole = seen.all(axis=1)
    normal = np.empty((len(y), len(base), len(base)))
    normal[whole] = base @ base.T
    for k in np.flatnonzero(~whole):
        normal[k] = (base * seen[k]) @ base.T
    found = np.linalg.solve(normal + ridge, (y @ base.T)[..., None])[..., 0]
    return found @ base
