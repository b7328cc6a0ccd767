"""The date-matched estimator: a short count against permanent stations on the very same hours.

For every permanent series k and every block b of a short count (a day, or some hours of one) the
same hours are summed: y_k(b) = ln V_k(b) − ln AADT_k. Across stations y is a random function with
mean μ_b and covariance C = B'B + diag(noise): B holds how block b answers to each of a few patterns
(the weekend road, the summer road …) that are learned from the permanents' whole year. The level of
the short count is the generalised least squares mean of x_b = ln v(b) over its blocks.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

Array = np.ndarray[Any, np.dtype[np.float64]]
Indices = np.ndarray[Any, np.dtype[np.intp]]
Mask = np.ndarray[Any, np.dtype[np.bool_]]

RANK_MAX = 4
FOLDS_FROM = 40
"""Up to so many stations each is left out alone; beyond, they are left out in twenty folds."""
FOLDS = 20
OWN_SCALE_DF = 5.0
"""How firmly a station's own scatter is believed to be everyone's (degrees of freedom)."""
COVERED = 0.8
"""A permanent takes part in the leave-one-out experiment with this share of the blocks."""

# RANK_MAX, the weights' square root, the even split of the noise and OWN_SCALE_DF were chosen on
# daily rail entries of 2004–2012 (tests/bench/bench_annual.py); accuracy is flat around them.


@dataclass(frozen=True)
class Patterns:
    """What the permanents teach, once with all of them and once without each fold.

    Attributes
    ----------
    fold : int array, shape (series,)
        A series' fold, from 1; the senses of a station share one.
    scores : array, shape (1 + folds, series, 1 + rank)
        Column 0 is 1, the others the pattern scores (mean 0, variance 1). Entry 0 knows every
        series; entry f is learned without fold f.
    weight : array, shape (1 + folds, series)
        Trust in each series; 0 where left out.
    """

    fold: Indices
    scores: Array
    weight: Array


@dataclass(frozen=True)
class Blocks:
    """Mean, loadings and noise of one set of blocks, for every entry of `Patterns.scores`.

    Attributes
    ----------
    mean, noise : array, shape (entries, blocks)
        ``noise`` is the variance of ln V that no pattern explains.
    loadings : array, shape (entries, rank, blocks)
    few : array, shape (entries, blocks)
        Effective number of series behind the block.
    """

    mean: Array
    loadings: Array
    noise: Array
    few: Array


@dataclass(frozen=True)
class Fit:
    """Generalised least squares means of several counts over the same blocks, one row each.

    Attributes
    ----------
    level, log_se : array, shape (rows,)
        ln AADT and its standard error by the model, own scatter included.
    misfit, free : array, shape (rows,)
        Residual sum of squares in units of the model, and what it is expected to be.
    score : array, shape (rows, rank)
        The counts' own pattern scores.
    weight : array, shape (rows, blocks)
        Weights ω of the identity in `explain`; they sum to 1.
    """

    level: Array
    log_se: Array
    misfit: Array
    free: Array
    score: Array
    weight: Array


def learn(logs: Array, owner: Indices, trust: Array, *, each: bool = True) -> Patterns:
    """Learn the pattern scores of the permanent series, with and without each station.

    Parameters
    ----------
    logs : array, shape (series, days)
        ln V − ln AADT, NaN where missing.
    owner : int array, shape (series,)
        Station number of each series, 0 … stations − 1.
    trust : array, shape (series,)
        1 for a sound series, less for a doubtful one, 0 for one that may not teach.
    each : bool
        Also learn without each station; needed for `left_out`.
    """
    stations = len(np.unique(owner[trust > 0]))
    number = np.unique(owner, return_inverse=True)[1]
    fold = (number if stations <= FOLDS_FROM else number % FOLDS) + 1
    entries = int(fold.max()) + 1 if each else 1
    rank = min(RANK_MAX, max(0, (stations - 2) // 3))
    scores = np.zeros((entries, len(logs), rank + 1))
    scores[:, :, 0] = 1.0
    weight = np.zeros((entries, len(logs)))
    for entry in range(entries):
        keep = (fold != entry) & (trust > 0)
        factors, precision = _factors(logs[keep], trust[keep], rank)
        scores[entry, keep, 1:] = factors
        weight[entry, keep] = precision
    return Patterns(fold, scores, weight)


def _factors(logs: Array, trust: Array, rank: int) -> tuple[Array, Array]:
    """Return standardised scores of the leading patterns, and the weight of each series.

    Gaps are filled by the model itself. A series weighs by the root of its precision, so that one
    with a scatter of its own cannot lead.
    """
    seen = np.isfinite(logs)
    weight = trust.copy()
    filled = np.where(seen, logs, 0.0)
    count = np.maximum((seen * weight[:, None]).sum(axis=0), 1e-9)
    mean = (filled * weight[:, None]).sum(axis=0) / count
    filled = np.where(seen, logs, mean)
    left = np.zeros((len(logs), rank))
    for _ in range(8 if seen.all() else 16):
        mean = weight @ filled / weight.sum()
        root = np.sqrt(weight)[:, None]
        left, size, right = _leading(root * (filled - mean), rank)
        left = left / root
        model = mean + (left * size) @ right
        filled = np.where(seen, logs, model)
        scatter = np.nanmedian(np.where(seen, (logs - model) ** 2, np.nan), axis=1)
        relative = scatter / max(float(np.median(scatter)), 1e-12)
        weight = trust / np.sqrt(np.maximum(relative, 0.3))
    spread = np.sqrt(weight @ left**2 / weight.sum())
    return left / np.where(spread > 0, spread, 1.0), weight / weight.max()


def _leading(values: Array, rank: int) -> tuple[Array, Array, Array]:
    """Return the leading singular triplets by way of the small Gram matrix of the series."""
    square, vectors = np.linalg.eigh(values @ values.T)
    left = vectors[:, ::-1][:, :rank]
    size = np.sqrt(np.maximum(square[::-1][:rank], 1e-18))
    return left, size, (left / size).T @ values


def blocks(patterns: Patterns, logs: Array) -> Blocks:
    """Regress every block on the pattern scores, for every entry of ``patterns``.

    Parameters
    ----------
    logs : array, shape (series, blocks)
        ln V over the block's own hours − ln AADT; NaN where a series was not counted in full.
    """
    seen = np.isfinite(logs)
    y = np.where(seen, logs, 0.0)
    rank = patterns.scores.shape[2] - 1
    normal, weight = _normal(patterns, seen)
    right = np.einsum("ksb,ksr,sb->kbr", weight, patterns.scores, y)
    coefficients = np.linalg.solve(normal, right[..., None])[..., 0]
    residual = y[None] - np.einsum("ksr,kbr->ksb", patterns.scores, coefficients)
    few = weight.sum(axis=1) ** 2 / np.maximum((weight**2).sum(axis=1), 1e-12)
    free = np.maximum(few - 1 - 0.7 * rank, 1.0) / np.maximum(few, 1.0)
    noise = (weight * residual**2).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-12) / free
    noise = 0.5 * noise + 0.5 * noise.mean(axis=1, keepdims=True) + 1e-8
    return Blocks(coefficients[..., 0], np.swapaxes(coefficients[..., 1:], 1, 2), noise, few)


def _normal(patterns: Patterns, seen: Mask) -> tuple[Array, Array]:
    """Return the normal matrices (entries, blocks, 1 + rank, 1 + rank) and weights behind them."""
    weight = patterns.weight[:, :, None] * seen[None]
    rank = patterns.scores.shape[2] - 1
    normal = np.einsum("ksb,ksr,kst->kbrt", weight, patterns.scores, patterns.scores, optimize=True)
    return normal + np.diag([1e-12] + [0.3] * rank), weight


def fit(learned: Blocks, entry: Indices, counts: Array, extra: Array | float = 0.0) -> Fit:
    """Return the levels of counts over ``learned``'s blocks.

    Parameters
    ----------
    entry : int array, shape (rows,)
        The entry to use for each row: 0, or the fold of a permanent that is estimated itself.
    counts : array, shape (rows, blocks)
        ln v; NaN where the row lacks the block.
    extra : array, shape (rows, blocks), optional
        Variance of ln v beyond what the permanents show (few vehicles).

    Notes
    -----
    C is multiplied by 1 + 1/n for the mean's own error. With residual sum of squares q on ν blocks
    beyond the first, the squared standard error is multiplied by (5 + q) / (5 + ν): a station whose
    pattern no permanent has contradicts itself, and widens its own interval.
    """
    seen = np.isfinite(counts)
    load = learned.loadings[entry]
    inflation = 1 + 1 / np.maximum(learned.few[entry].min(axis=1), 1.0)
    noise = np.where(seen, learned.noise[entry] + extra, 1e12) * inflation[:, None]
    load = load * np.sqrt(inflation)[:, None, None] * seen[:, None, :]
    x = np.where(seen, counts - learned.mean[entry], 0.0)
    rank, rows = load.shape[1], len(x)
    # Woodbury: everything in the small space of the patterns.
    scaled = load / noise[:, None, :]
    inner = np.linalg.inv(np.eye(rank) + np.einsum("ark,ask->ars", scaled, load))
    one = np.ones_like(x) * seen

    def solve(v: Array) -> Array:
        small = np.einsum("ars,ask,ak->ar", inner, scaled, v, optimize=True)
        return v / noise - np.einsum("ark,ar->ak", scaled, small)

    precision_one = solve(one) if rank else one / noise
    precision = (precision_one * one).sum(axis=1)
    level = (precision_one * x).sum(axis=1) / precision
    rest = (x - level[:, None]) * seen
    solved = solve(rest) if rank else rest / noise
    misfit = (rest * solved).sum(axis=1)
    free = seen.sum(axis=1) - 1.0
    own = (OWN_SCALE_DF + misfit) / (OWN_SCALE_DF + free)
    score = np.einsum("ark,ak->ar", load, solved).reshape(rows, rank)
    weight = np.where(seen, 1 / noise, 0.0)
    weight /= weight.sum(axis=1, keepdims=True)
    root = np.sqrt(inflation)[:, None]
    return Fit(level, np.sqrt(own / precision), misfit, free, score * root, weight)


def left_out(patterns: Patterns, learned: Blocks, logs: Array, trust: Array) -> tuple[Indices, Fit]:
    """Estimate every sound permanent series from the others over the same blocks.

    Returns
    -------
    rows : int array
        The series: those with at least four fifths of the blocks.
    fit : Fit
        Their levels are errors, ln estimate − ln AADT.
    """
    rows = np.flatnonzero((np.isfinite(logs).mean(axis=1) >= COVERED) & (trust >= 1.0))
    return rows, fit(learned, patterns.fold[rows], logs[rows])


def row(found: Fit, at: int) -> Fit:
    """Return one row of a fit."""
    one = slice(at, at + 1)
    return Fit(*(getattr(found, name)[one] for name in found.__dataclass_fields__))


def pool_weights(patterns: Patterns, logs: Array, found: Fit, entry: int = 0) -> Array:
    """Return how much each permanent series contributes to the level of ``found``'s first row.

    Returns
    -------
    array, shape (series,)
        Weights h that sum to 1: ln AADT = Σ_b ω_b ln v(b) + Σ_k h_k ln ρ_k holds to rounding where
        every series was counted in every block, with ln ρ_k = −Σ_b ω_b y_k(b), the series' own
        ratio of AADT to its mean over the same hours.
    """
    seen = np.isfinite(logs)
    normal, weight = _normal(patterns, seen)
    at = np.concatenate([[1.0], found.score[0]])
    solved = np.linalg.solve(normal[entry], at[:, None])[..., 0]
    each = np.einsum("br,sr,sb->sb", solved, patterns.scores[entry], weight[entry])
    return np.asarray(each @ found.weight[0])
