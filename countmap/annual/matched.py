"""The date-matched estimator: a short count against permanent stations on the very same hours.

For every permanent series k and every block b of a short count (a day, or some hours of one) the
same hours are summed: y_k(b) = ln V_k(b) − ln AADT_k. Across stations y is a random function with
mean m and covariance C over the blocks, learned locally: a permanent weighs by how alike the shape
of its blocks is to the short count's. The level of the short count is the generalised least squares
mean of x = ln v over its blocks:

    ln AADT = Σ_b ω_b (x_b − m_b),   ω = C⁻¹1 / 1'C⁻¹1,   m_b = Σ_k h_k y_k(b).

The weights h are also those of the stations' own ratios: ln AADT = Σ_b ω_b x_b + Σ_k h_k ln ρ_k with
ln ρ_k = −Σ_b ω_b y_k(b).

Two things beside the shape say which permanents a count is like. Busy roads have other weeks than
quiet ones: m leans with ln V, by as much as the permanents' own scatter allows (James & Stein's
positive part), and a permanent of like volume weighs more. And ρ has heavy tails (a road that
sleeps on Sundays among others): its mean is that of Student's t. Both keep the form above: they
only move h, which may be negative for a permanent at the other end of the volumes.

References
----------
James, Stein: Estimation with Quadratic Loss, 4th Berkeley Symposium, 1961. Lange, Little, Taylor:
Robust Statistical Modeling Using the t Distribution, JASA 84, 1989.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

Array = np.ndarray[Any, np.dtype[np.float64]]
Indices = np.ndarray[Any, np.dtype[np.intp]]
Mask = np.ndarray[Any, np.dtype[np.bool_]]

FOLDS_FROM = 40
"""Up to so many stations each is left out alone; beyond, they are left out in twenty folds."""
FOLDS = 20
KERNEL = 0.4
"""Width of the likeness of shapes, in standard deviations a block."""
KERNEL_FLOOR = 0.2
"""A permanent of quite another shape still has this share of the weight of an equal one."""
VOLUME_KERNEL = 1.0
"""Width of the likeness of volumes, in standard deviations of ln V."""
VOLUME_FLOOR = 0.5
"""A permanent of quite another volume has a third of the weight of an equal one: F / (1 + F)."""
RATIO_DF = 4.0
"""Degrees of freedom of the t that the permanents' ratios are taken to follow."""
RATIO_ROUNDS = 4
OWN_DATES = 0.6
"""Weight of the covariance over the count's own dates; the rest is that of the whole year's."""
RIDGE = 0.2
"""Share of a block's variance that is added as noise of its own."""
OWN_SCALE_DF = 5.0
"""How firmly a station's own scatter is believed to be everyone's (degrees of freedom)."""
TESTED_MAX = 200
"""So many left-out series are enough for a 95 % quantile."""
COVERED = 0.8
"""A permanent takes part in the leave-one-out experiment with this share of the blocks."""

# The constants were chosen on daily rail entries of 2003–2012 (tests/bench/bench_annual.py);
# accuracy is flat around them.


@dataclass(frozen=True)
class Teachers:
    """What the permanents of one year teach.

    Attributes
    ----------
    deviation : array, shape (series, days)
        ln V − ln AADT less its weighted mean over the series of the day; without gaps.
    weight : array, shape (series,)
        Trust in each series; 0 where it may not teach.
    level : array, shape (series,)
        ln AADT; anything where the weight is 0.
    owner, fold : int array, shape (series,)
        Station of each series; the fold that is left out when the series is itself estimated.
    ordinary : bool array, shape (days,)
        Days that may stand for others: inside the year and no public holiday.
    """

    deviation: Array
    weight: Array
    level: Array
    owner: Indices
    fold: Indices
    ordinary: Mask


@dataclass(frozen=True)
class Blocks:
    """The permanents over one set of blocks.

    Attributes
    ----------
    y : array, shape (series, blocks)
        ln V − ln AADT, without gaps.
    covered : array, shape (series,)
        The share of the blocks that were counted.
    year : array, shape (series, blocks, blocks)
        Each series' mean square deviation over the same weekdays of the whole year.
    """

    y: Array
    covered: Array
    year: Array


@dataclass(frozen=True)
class Fit:
    """Generalised least squares means of several counts over the same blocks, one row each.

    Attributes
    ----------
    level, log_se : array, shape (rows,)
        ln AADT and its standard error by the model, own scatter included.
    misfit, free : array, shape (rows,)
        Residual sum of squares in units of the model, and what it is expected to be.
    weight : array, shape (rows, blocks)
        ω; sums to 1.
    share : array, shape (rows, series)
        h; sums to 1, negative where the lean with volume says so.
    """

    level: Array
    log_se: Array
    misfit: Array
    free: Array
    weight: Array
    share: Array


def teach(logs: Array, weight: Array, level: Array, owner: Indices, ordinary: Mask) -> Teachers:
    """Return what permanent series teach.

    Parameters
    ----------
    logs : array, shape (series, days)
        ln V − ln AADT, gaps filled; anything for a series of weight 0.
    weight, level : array, shape (series,)
        Trust and ln AADT.
    owner : int array, shape (series,)
        Station number of each series.
    ordinary : bool array, shape (days,)
    """
    logs = np.where(weight[:, None] > 0, logs, 0.0)
    mean = weight @ logs / weight.sum()
    number = np.unique(owner, return_inverse=True)[1]
    stations = len(np.unique(owner[weight > 0]))
    fold = number if stations <= FOLDS_FROM else number % FOLDS
    level = np.where(weight > 0, level, 0.0)
    return Teachers(logs - mean, weight, level, owner, fold, ordinary)


def blocks(teachers: Teachers, logs: Array, days: Indices, join: Array | None = None) -> Blocks:
    """Lay the permanents over a set of blocks.

    Parameters
    ----------
    logs : array, shape (series, parts)
        ln V over the part's own hours − ln AADT; NaN where a series was not counted in full.
    days : int array, shape (parts,)
        The day of each part, as an index of the days taught.
    join : array, shape (parts, blocks), optional
        Weights by which parts are averaged to blocks; by default each part is a block.

    Notes
    -----
    A part that a series lacks is filled by its own deviation of that day as the year has it, on top
    of the mean of those that were counted. Over the rest of the year whole days stand for parts.
    """
    seen = np.isfinite(logs)
    y = np.where(seen, logs, 0.0)
    used = seen * teachers.weight[:, None]
    mean = (used * y).sum(axis=0) / np.maximum(used.sum(axis=0), 1e-12)
    y = np.where(seen, y, mean + teachers.deviation[:, days])
    moved = teachers.deviation[:, _moved(teachers, days)]
    if join is not None:
        y, moved = y @ join, moved @ join
    squares = np.swapaxes(moved, 1, 2) @ moved / moved.shape[1]
    return Blocks(y, seen.mean(axis=1), squares)


def _moved(teachers: Teachers, days: Indices) -> Indices:
    """Return the days moved by whole weeks, shape (moves, parts), ordinary days where possible."""
    size = teachers.deviation.shape[1]
    weeks = np.arange(-(size // 7), size // 7 + 1)
    at = days[None, :] + 7 * weeks[:, None]
    at = at[((at >= 0) & (at < size)).all(axis=1)]
    ordinary = teachers.ordinary[at].all(axis=1)
    return at[ordinary] if ordinary.any() else at


def fit(
    teachers: Teachers,
    learned: Blocks,
    counts: Array,
    without: Indices,
    *,
    extra: Array | None = None,
    prior: Array | None = None,
) -> Fit:
    """Return the levels of counts over ``learned``'s blocks.

    Parameters
    ----------
    counts : array, shape (rows, blocks)
        ln v.
    without : int array, shape (rows,)
        The fold each row is to be estimated without; −1 for none.
    extra : array, shape (rows, blocks), optional
        Variance of ln v that no permanent has (few vehicles): expected in the misfit. It moves no
        weight, so that levels scale with the counts.
    prior : array, shape (rows, series), optional
        Multipliers of the permanents' weights, from what is known beside the counts.

    Notes
    -----
    With residual sum of squares q on ν blocks beyond the first, the squared standard error is
    multiplied by (5 + q) / (5 + ν): a station whose pattern no permanent has contradicts itself,
    and widens its own interval.
    """
    rows, number = counts.shape
    base = np.where(teachers.fold[None] == without[:, None], 0.0, teachers.weight[None])
    lean = _lean(teachers, learned, counts, base)
    year = _mean_squares(base, learned.year)
    weight = base * (_likeness(teachers, learned, counts, lean) + KERNEL_FLOOR)
    weight = weight if prior is None else weight * prior
    share = weight / weight.sum(axis=1, keepdims=True)
    mean, own = _moments(learned.y, share, lean)
    few = 1 / (share**2).sum(axis=1)
    own *= (few / np.maximum(few - 1, 1.0))[:, None, None]
    covariance = OWN_DATES * own + (1 - OWN_DATES) * year
    diagonal = np.einsum("aii->ai", covariance)
    diagonal *= 1 + RIDGE
    diagonal += 1e-9
    x = counts - lean.own[:, None] * lean.slope
    omega, _, misfit = _least_squares(covariance, x - mean)
    precision = omega.sum(axis=1)
    omega = omega / precision[:, None]
    ratio = lean.volume * (omega * lean.slope).sum(axis=1, keepdims=True) - omega @ learned.y.T
    share = _student_share(share, ratio)
    level = (omega * x).sum(axis=1) + (share * ratio).sum(axis=1)
    if extra is not None:
        diagonal += extra
        misfit = _least_squares(covariance, x - mean)[2]
    free = np.full(rows, number - 1.0)
    scale = (OWN_SCALE_DF + misfit) / (OWN_SCALE_DF + free) * (1 + 1 / few)
    away = lean.own - (share * lean.volume).sum(axis=1)
    share = share + away[:, None] * lean.pull
    return Fit(level, np.sqrt(scale / precision), misfit, free, omega, share)


def _moments(y: Array, share: Array, lean: _Lean) -> tuple[Array, Array]:
    """Return mean and covariance by rows of what is left of ``y`` beside the lean with volume.

    Written out in products of two-dimensional arrays: rows × series × blocks would not fit.
    """
    number = y.shape[1]
    leaning = share * lean.volume
    mean = share @ y - leaning.sum(axis=1, keepdims=True) * lean.slope
    outer = (y[:, :, None] * y[:, None, :]).reshape(-1, number**2)
    square = (share @ outer).reshape(-1, number, number)
    crossed = (leaning @ y)[:, :, None] * lean.slope[:, None]
    both = (leaning * lean.volume).sum(axis=1)[:, None, None]
    square += both * lean.slope[:, :, None] * lean.slope[:, None]
    square -= crossed + np.swapaxes(crossed, 1, 2)
    return mean, square - mean[:, :, None] * mean[:, None]


@dataclass(frozen=True)
class _Lean:
    """How the mean leans with volume, one row a count.

    ``volume`` (rows, series) and ``own`` (rows,): ln V over the blocks less the permanents' mean, that of
    the count held inside their range. ``slope`` (rows, blocks). ``pull`` (rows, series): the slope as
    a sum over the permanents, slope = Σ_k pull_k y_k. ``spread`` (rows,): mean square volume.
    """

    volume: Array
    own: Array
    slope: Array
    pull: Array
    spread: Array


def _lean(teachers: Teachers, learned: Blocks, counts: Array, base: Array) -> _Lean:
    """Regress the permanents' y on ln V over the same blocks, shrunk to what is beyond chance.

    With F = explained over residual mean square, all blocks together, the slope keeps (1 − 1/F)⁺.
    """
    share = base / base.sum(axis=1, keepdims=True)
    volume = learned.y.mean(axis=1) + teachers.level
    centre = share @ volume
    taught = base > 0
    low = np.where(taught, volume, np.inf).min(axis=1)
    high = np.where(taught, volume, -np.inf).max(axis=1)
    own = np.clip(counts.mean(axis=1), low, high) - centre
    volume = volume[None] - centre[:, None]
    spread = np.maximum((share * volume**2).sum(axis=1), 1e-12)
    pull = share * volume / spread[:, None]
    slope = pull @ learned.y
    explained = spread * (slope**2).sum(axis=1)
    mean = share @ learned.y
    total = share @ (learned.y**2).sum(axis=1) - (mean**2).sum(axis=1)
    free = np.maximum(1 / (share**2).sum(axis=1) - 2, 0.0)
    chance = np.maximum(total - explained, 0.0)
    kept = np.maximum(1 - chance / np.maximum(explained * free, 1e-12), 0.0)[:, None]
    return _Lean(volume, own, slope * kept, pull * kept, spread)


def _student_share(share: Array, ratio: Array) -> Array:
    """Return the weights that give the mean of ``ratio`` as Student's t has it."""
    out = share
    for _ in range(RATIO_ROUNDS):
        square = (ratio - (out * ratio).sum(axis=1, keepdims=True)) ** 2
        scale = (share * square).sum(axis=1, keepdims=True) + 1e-18
        out = share / (RATIO_DF + square / scale)
        out = out / out.sum(axis=1, keepdims=True)
    return out


def _least_squares(covariance: Array, x: Array) -> tuple[Array, Array, Array]:
    """Return C⁻¹1, the mean by generalised least squares, and the residual sum of squares."""
    sides = np.stack([np.ones_like(x), x], axis=2)
    solved = np.asarray(np.linalg.solve(covariance, sides), dtype=np.float64)
    omega, pulled = solved[..., 0], solved[..., 1]
    level = (omega * x).sum(axis=1) / omega.sum(axis=1)
    return omega, level, (x * (pulled - level[:, None] * omega)).sum(axis=1)


def _mean_squares(base: Array, squares: Array) -> Array:
    """Return the covariance over the year by rows, for a mean that is estimated itself."""
    share = base / base.sum(axis=1, keepdims=True)
    few = 1 / (share**2).sum(axis=1)
    flat = share @ squares.reshape(len(squares), -1)
    flat *= (few / np.maximum(few - 1, 1.0))[:, None]
    return flat.reshape(len(base), *squares.shape[1:])


def _likeness(teachers: Teachers, learned: Blocks, counts: Array, lean: _Lean) -> Array:
    """Return how alike counts and series are in shape and volume, shape (rows, series).

    The distance between two shapes (blocks less their mean and the lean with volume) is measured in
    their covariance over all permanents, a fifth of the mean variance added.
    """
    number = counts.shape[1]
    away = (lean.own[:, None] - lean.volume) ** 2 / lean.spread[:, None]
    alike = np.exp(-0.5 * away / VOLUME_KERNEL**2) + VOLUME_FLOOR
    if number == 1:
        return np.asarray(alike)
    weight = teachers.weight / teachers.weight.sum()
    mean = weight @ learned.y
    rest = learned.y - mean
    covariance = 0.5 * (rest * weight[:, None]).T @ rest
    covariance += 0.5 * np.tensordot(weight, learned.year, 1)
    centre = np.eye(number) - 1 / number
    ridge = RIDGE * np.trace(covariance) / number + 1e-9
    metric = centre @ np.linalg.cholesky(
        np.linalg.inv(centre @ covariance @ centre + ridge * np.eye(number))
    )
    one, other, slope = (v @ metric for v in (counts - mean, rest, lean.slope))
    away = lean.own[:, None] - lean.volume
    square = (one**2).sum(axis=1)[:, None] + (other**2).sum(axis=1) - 2 * one @ other.T
    square += away**2 * (slope**2).sum(axis=1)[:, None]
    square -= 2 * away * ((one * slope).sum(axis=1)[:, None] - slope @ other.T)
    square = np.maximum(square, 0.0)
    return np.asarray(alike * np.exp(-0.5 * square / (number - 1) / KERNEL**2))


def left_out(
    teachers: Teachers, learned: Blocks, trust: Array, prior: Array | None = None
) -> tuple[Indices, Fit]:
    """Estimate every sound permanent series from the others over the same blocks.

    Parameters
    ----------
    prior : array, shape (series, series), optional
        As for `fit`.

    Returns
    -------
    rows : int array
        The series: those with at least four fifths of the blocks; of many, every second, third …
    fit : Fit
        Their levels are errors, ln estimate − ln AADT.
    """
    rows = np.flatnonzero((learned.covered >= COVERED) & (trust >= 1.0))
    rows = rows[:: -(-len(rows) // TESTED_MAX) or 1]
    own = teachers.level[rows, None]
    prior = None if prior is None else prior[rows]
    counts = learned.y[rows] + own
    found = fit(teachers, learned, counts, teachers.fold[rows], prior=prior)
    return rows, replace(found, level=found.level - own[:, 0])
