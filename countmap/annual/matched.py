"""The date-matched estimator: a short count against permanent stations on the very same hours.

For every permanent series k and every block t of the short count (a day, or some hours of it) the
same hours are summed, y_k(t) = ln V_k(t) − ln AADT_k. Across stations y is a random function with
mean μ_t and covariance C = B B' + diag(noise): B holds how the block answers to each of a few
patterns (a commuter road, a weekend road …) that are learned from the permanents' whole year. The
short count's level is the generalised least squares mean of ln v(t) − μ_t.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

Array = np.ndarray[Any, np.dtype[np.float64]]
Mask = np.ndarray[Any, np.dtype[np.bool_]]


@dataclass(frozen=True)
class Patterns:
    """What the permanents teach, once with all of them and once without each.

    Attributes
    ----------
    owner : int array, shape (series,)
        Which station a series belongs to: a station's two senses are left out together.
    scores : array, shape (1 + stations, series, 1 + rank)
        Column 0 is 1, the others the pattern scores (mean 0, variance 1). Entry 0 knows every
        series, entry 1 + k is learned without station k.
    weight : array, shape (1 + stations, series)
        1 for a sound series, less for a doubtful one, 0 where left out.
    """

    owner: np.ndarray[Any, np.dtype[np.intp]]
    scores: Array
    weight: Array


@dataclass(frozen=True)
class Blocks:
    """Mean, loadings and noise of one set of blocks, for every entry of `Patterns.scores`.

    Attributes
    ----------
    mean : array, shape (entries, blocks)
    loadings : array, shape (entries, rank, blocks)
    noise : array, shape (entries, blocks)
        Variance of ln V that the patterns do not explain.
    used : bool array, shape (series,)
        The series that were counted in all blocks.
    """

    mean: Array
    loadings: Array
    noise: Array
    used: Mask


@dataclass(frozen=True)
class Fit:
    """A level with its standard error, as the generalised least squares mean.

    Attributes
    ----------
    log_level, log_se : float
        ln AADT and its standard error by the model alone.
    misfit : float
        Residual sum of squares in units of the model, expected to be blocks − 1.
    weights : array, shape (blocks,)
        Weight of each block, summing to 1.
    """

    log_level: float
    log_se: float
    misfit: float
    weights: Array


def rank_for(stations: int) -> int:
    """Return how many patterns so many stations can carry."""
    return int(min(3, max(0, (stations - 2) // 3)))


def learn(logs: Array, owner: Any, weight: Array) -> Patterns:
    """Learn the pattern scores of the permanent series, with and without each station.

    Parameters
    ----------
    logs : array, shape (series, days)
        ln V − ln AADT, NaN where missing.
    owner : int array, shape (series,)
        Station number of each series.
    weight : array, shape (series,)
        Trust in each series, 0 to 1.
    """
    stations = int(owner.max()) + 1
    rank = rank_for(stations - 1)
    scores = np.zeros((stations + 1, len(logs), rank + 1))
    trust = np.repeat(weight[None, :], stations + 1, axis=0)
    for entry in range(stations + 1):
        trust[entry, owner == entry - 1] = 0.0
        keep = trust[entry] > 0
        scores[entry, :, 0] = 1.0
        if keep.sum() > rank + 1:
            scores[entry, keep, 1:] = _scores(logs[keep], trust[entry, keep], rank)
    return Patterns(owner, scores, trust)


def _scores(logs: Array, weight: Array, rank: int) -> Array:
    """Return standardised scores of the leading patterns; gaps are filled by the model itself."""
    root = np.sqrt(weight)[:, None]
    seen = np.isfinite(logs)
    filled = np.where(seen, logs, 0.0)
    count = (seen * weight[:, None]).sum(axis=0)
    mean = (filled * weight[:, None]).sum(axis=0) / np.maximum(count, 1e-9)
    filled = np.where(seen, logs, mean)
    left = np.zeros((len(logs), rank))
    for _ in range(1 if seen.all() else 20):
        mean = (filled * weight[:, None]).sum(axis=0) / weight.sum()
        u, s, vt = np.linalg.svd(root * (filled - mean), full_matrices=False)
        left = u[:, :rank] / root
        if not seen.all():
            filled = np.where(seen, logs, mean + left @ (s[:rank, None] * vt[:rank]))
    spread = np.sqrt((weight[:, None] * left**2).sum(axis=0) / weight.sum())
    return left / np.where(spread > 0, spread, 1.0)


def blocks(patterns: Patterns, logs: Array) -> Blocks:
    """Regress each block on the pattern scores, for every entry of ``patterns``.

    Parameters
    ----------
    logs : array, shape (series, blocks)
        ln V over the block's own hours − ln AADT; NaN where a series was not counted in full.
    """
    used: Mask = np.asarray(np.isfinite(logs).all(axis=1))
    y = np.where(used[:, None], logs, 0.0)
    w = patterns.weight * used
    design = patterns.scores * w[:, :, None]
    normal = np.einsum("ksr,kst->krt", design, patterns.scores)
    rank = patterns.scores.shape[2] - 1
    normal += np.diag([0.0] + [1.0] * rank) + 1e-12 * np.eye(rank + 1)
    coefficients = np.linalg.solve(normal, np.einsum("ksr,sb->krb", design, y))
    residual = y[None] - np.einsum("ksr,krb->ksb", patterns.scores, coefficients)
    free = np.maximum(w.sum(axis=1) - 1 - 0.7 * rank, 1.0)
    noise = np.einsum("ks,ksb->kb", w, residual**2) / free[:, None]
    noise = 0.5 * noise + 0.5 * noise.mean(axis=1, keepdims=True) + 1e-6
    return Blocks(coefficients[:, 0], coefficients[:, 1:], noise, used)


def fit(found: Blocks, entry: int, log_counts: Array, extra: Array | None = None) -> Fit:
    """Return the level of one short count over ``found``'s blocks.

    Parameters
    ----------
    entry : int
        0, or 1 + k to leave station k out.
    log_counts : array, shape (blocks,)
    extra : array, shape (blocks,), optional
        Variance of the count itself beyond what the permanents show (few vehicles).
    """
    load = found.loadings[entry]
    n = log_counts.size
    noise = found.noise[entry] + (0.0 if extra is None else extra)
    few = max(float(found.used.sum()), 2.0)
    covariance = (load.T @ load + np.diag(noise)) * (1 + 1 / few)
    x = log_counts - found.mean[entry]
    solved = np.linalg.solve(covariance, np.column_stack([np.ones(n), x]))
    precision = float(solved[:, 0].sum())
    level = float(solved[:, 1].sum()) / precision
    misfit = float((x - level) @ (solved[:, 1] - level * solved[:, 0]))
    return Fit(level, precision**-0.5, misfit, solved[:, 0] / precision)


def left_out(patterns: Patterns, found: Blocks, logs: Array) -> tuple[Array, Array, Array]:
    """Estimate every permanent series from the others over the same blocks.

    Returns
    -------
    errors, log_se, misfit : arrays, shape (series used,)
        ln estimate − ln AADT, the model's standard error, the residual in units of the model.
    """
    rows = np.flatnonzero(found.used & (patterns.weight[0] > 0.5))
    fits = [fit(found, int(patterns.owner[row]) + 1, logs[row]) for row in rows]
    return (
        np.array([f.log_level for f in fits]),
        np.array([f.log_se for f in fits]),
        np.array([f.misfit for f in fits]),
    )
