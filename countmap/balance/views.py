"""Every hypothesis about the hours beside those already taken: how likely, how large, how clear."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.linalg import solve_triangular
from scipy.special import log_ndtr

from countmap.balance.evidence import ODDS, Evidence
from countmap.balance.patterns import PATTERNS
from countmap.balance.solve import inverse

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.intp]

COUNTER = ("scale", "over", "scale_one", "swap")
_RULED = {"scale": (0.0, 3.0), "over": (-0.9, 0.0)}
"""Hypotheses that the no-U-turn rules judge, each with the amplitudes it means."""

_MOST_LEGS = 30
"""With more legs around an area none can come near the sum of the others."""

_RARE = 0.01
_WIDE = 3.0
"""One rule in a hundred errs three times as much: small streets have weeks of their own."""

_EASY = 6.0
"""A rule kept by so many standard errors says nothing."""

_GRID = np.linspace(0.0, 1.0, 49)
_WIDTH = 3.0
_MEDIAN_CHI2 = 0.455


@dataclass(frozen=True, eq=False)
class _Alike:
    """Hypotheses with as many unknowns: ``index`` (n,) in the evidence, ``rows`` (n, R) they touch.

    ``design`` (n, R, k), ``power`` (n, k, k) = design'H⁻¹design with nothing taken.
    """

    index: Ints
    rows: Ints
    design: Floats
    power: Floats
    mean: Floats
    sd: Floats


@dataclass(frozen=True, eq=False)
class _Rules:
    """The no-U-turn rules around each ruled hypothesis, one line for each area.

    ``ruled`` (h,) are positions in the evidence, ``low`` and ``high`` the sizes they mean; ``line`` (p,)
    the hypothesis and ``area`` (p,) of each line, ``others`` (p, stations) who else stands there; ``own``
    and ``apart`` (p,) the variances of the hypothesis's own count and of the rest. Each leg of a line is a
    rule: (fixed + slope · (1 + size)) is what the others carry beyond it; ``first`` (p,) is where a line's
    legs begin. ``sound`` (p,): log likelihood for the counts as they are.
    """

    ruled: Ints
    low: Floats
    high: Floats
    line: Ints
    area: Ints
    others: NDArray[np.bool_]
    own: Floats
    apart: Floats
    of: Ints
    first: Ints
    fixed: Floats
    slope: Floats
    sound: Floats


@dataclass(frozen=True, eq=False)
class Ground:
    """What no search changes: the evidence, H⁻¹, H⁻¹ r and the hypotheses laid out for one pass."""

    evidence: Evidence
    weight: Floats
    towards: Floats
    alike: tuple[_Alike, ...]
    rules: _Rules
    log_odds: Floats
    place: Ints
    counter: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class View:
    """The hypotheses beside the members, each (n,).

    ``hours`` is the log posterior odds by the balance of the hours, ``told`` what the no-U-turn rules add,
    ``gain`` both, −∞ where the place is taken; ``amplitude`` and ``sd`` the posterior of the size,
    ``information`` its precision by the hours alone.
    """

    hours: Floats
    told: Floats
    gain: Floats
    amplitude: Floats
    sd: Floats
    information: Floats


def ground(evidence: Evidence) -> Ground:
    """Lay out the evidence of a region for :func:`view`."""
    weight = inverse(evidence.covariance * _spread(evidence))
    faults = evidence.faults
    places: dict[tuple[str, str], int] = {}
    named = [("station" if f.kind in COUNTER else f.kind, f.at) for f in faults]
    place = np.array([places.setdefault(name, len(places)) for name in named], dtype=np.intp)
    sizes = sorted({f.design.shape[1] for f in faults})
    return Ground(
        evidence,
        weight,
        weight @ evidence.residual,
        tuple(_alike(evidence, weight, k) for k in sizes),
        _rules(evidence),
        np.log([ODDS[f.kind] for f in faults]),
        place,
        np.array([f.kind in COUNTER for f in faults], dtype=bool),
    )


def _spread(evidence: Evidence) -> float:
    """Return by how much the patterns scatter beyond their errors, median based, at least 1."""
    factor = np.linalg.cholesky(evidence.covariance)
    white = solve_triangular(factor, evidence.residual, lower=True)
    return max(1.0, float(np.median(white**2)) / _MEDIAN_CHI2)


def _alike(evidence: Evidence, weight: Floats, k: int) -> _Alike:
    index = [j for j, f in enumerate(evidence.faults) if f.design.shape[1] == k]
    faults = [evidence.faults[j] for j in index]
    wide = max(len(f.areas) for f in faults) * PATTERNS
    rows = np.zeros((len(faults), wide), dtype=np.intp)
    design = np.zeros((len(faults), wide, k))
    for i, fault in enumerate(faults):
        at = _rows(fault.areas)
        rows[i, : len(at)] = at
        design[i, : len(at)] = fault.design
    power = np.stack([d.T @ weight[np.ix_(at, at)] @ d for at, d in zip(rows, design, strict=True)])
    mean = np.array([f.mean for f in faults])
    sd = np.array([f.sd for f in faults])
    return _Alike(np.array(index, dtype=np.intp), rows, design, power, mean, sd)


def _rows(areas: tuple[int, ...]) -> Ints:
    at = np.array(areas, dtype=np.intp)
    return (at[:, None] * PATTERNS + np.arange(PATTERNS)).ravel()


def view(ground: Ground, members: list[int]) -> View:
    """Weigh every hypothesis beside the members (positions in the evidence).

    Notes
    -----
    A swap or scale is one number, unseen traffic one for each pattern and area; sizes are Gaussian, so
    the odds are exact. What the members may take up leaves the weights (Woodbury).
    """
    n = len(ground.place)
    taken = [ground.evidence.faults[j] for j in members]
    towards = ground.towards
    drawn = np.zeros((len(towards), 0))
    inner = np.zeros((0, 0))
    if taken:
        places = [_rows(f.areas) for f in taken]
        weight = ground.weight
        for at, fault in zip(places, taken, strict=True):
            towards = towards - weight[at].T @ (fault.design.sum(axis=1) * fault.mean)
        drawn = np.concatenate(
            [weight[at].T @ (f.design * f.sd) for at, f in zip(places, taken, strict=True)], axis=1
        )
        own = [(f.design * f.sd).T for f in taken]
        met = np.concatenate([d @ drawn[at] for at, d in zip(places, own, strict=True)])
        inner = np.linalg.inv(np.eye(len(met)) + met)
        left = np.concatenate([d @ towards[at] for at, d in zip(places, own, strict=True)])
        towards = towards - drawn @ (inner @ left)
    hours, amplitude = np.zeros(n), np.zeros(n)
    sd, information = np.ones(n), np.zeros(n)
    for group in ground.alike:
        pulled = np.einsum("nrk,nrc->nkc", group.design, drawn[group.rows])
        power = group.power - pulled @ inner @ pulled.transpose(0, 2, 1)
        score = np.einsum("nrk,nr->nk", group.design, towards[group.rows])
        # With one unknown the prior's mean shifts the score; elsewhere it is zero.
        flat = power.sum(axis=(1, 2))
        bonus = group.mean * score.sum(axis=1) - 0.5 * group.mean**2 * flat
        score = score - power.sum(axis=2) * group.mean[:, None]
        precision = np.eye(power.shape[1]) / group.sd[:, None, None] ** 2
        post = np.linalg.inv(power + precision)
        best = np.einsum("nkl,nl->nk", post, score)
        hours[group.index] = (
            bonus
            + 0.5 * np.einsum("nk,nk->n", score, best)
            + 0.5 * np.linalg.slogdet(post * precision.max(axis=(1, 2))[:, None, None])[1]
        )
        if power.shape[1] == 1:
            amplitude[group.index] = group.mean + best[:, 0]
            sd[group.index] = np.sqrt(post[:, 0, 0])
            information[group.index] = power[:, 0, 0]
    hours += ground.log_odds
    told = _turns(ground, members, amplitude, sd)
    busy = np.isin(ground.place, ground.place[members])
    return View(hours, told, np.where(busy, -np.inf, hours + told), amplitude, sd, information)


def _rules(evidence: Evidence) -> _Rules:
    """List the rules that hold around each station: no leg exceeds the sum of the others."""
    place = {s: i for i, s in enumerate(evidence.stations)}
    width = evidence.legs.sum(axis=1)
    fit = evidence.closed & (width > 1) & (width <= _MOST_LEGS)
    ruled = [j for j, f in enumerate(evidence.faults) if f.kind in _RULED]
    station = [place[evidence.faults[j].at] for j in ruled]
    found = [
        (h, i) for h, k in enumerate(station) for i in np.flatnonzero(evidence.legs[:, k] & fit)
    ]
    line, area = np.array(found, dtype=np.intp).reshape(-1, 2).T
    mine = np.array(station, dtype=np.intp)[line]
    others = evidence.legs[area].copy()
    others[np.arange(len(mine)), mine] = False
    flow, variance = evidence.total, evidence.total_sd**2
    rest = others @ flow
    of, leg = np.nonzero(evidence.legs[area])
    own = leg == mine[of]
    bounds = np.array([_RULED[evidence.faults[j].kind] for j in ruled]).reshape(-1, 2)
    rules = _Rules(
        ruled=np.array(ruled, dtype=np.intp),
        low=bounds[:, 0],
        high=bounds[:, 1],
        line=line,
        area=area,
        others=others,
        own=variance[mine],
        apart=others @ variance + evidence.access_sd[area] ** 2,
        of=of,
        first=np.searchsorted(of, np.arange(len(line))),
        fixed=rest[of] - np.where(own, 0.0, 2.0 * flow[leg]),
        slope=np.where(own, -1.0, 1.0) * flow[mine][of],
        sound=np.zeros(len(line)),
    )
    return replace(rules, sound=_likelihood(rules, np.zeros((len(ruled), 1)))[:, 0])


def _likelihood(rules: _Rules, size: Floats) -> Floats:
    """Return the log likelihood of each line (p, g) when its station is raised by ``size`` (h, g)."""
    if not len(rules.line):
        return np.zeros((0, size.shape[1]))
    factor = 1.0 + size[rules.line]
    spread = np.sqrt(rules.apart[:, None] + rules.own[:, None] * factor**2)
    slack = (rules.fixed[:, None] + rules.slope[:, None] * factor[rules.of]) / spread[rules.of]
    told = np.zeros(slack.shape)
    near = (slack < _EASY).any(axis=1)
    close = slack[near]
    told[near] = np.logaddexp(
        np.log1p(-_RARE) + log_ndtr(close), np.log(_RARE) + log_ndtr(close / _WIDE)
    )
    result: Floats = np.add.reduceat(told, rules.first, axis=0)
    return result


def _turns(ground: Ground, members: list[int], amplitude: Floats, sd: Floats) -> Floats:
    """Return what the no-U-turn rules and the meaning of each kind add to a scale.

    The rules have no linear form: they are summed over a grid of the size's posterior, whose mean and
    standard deviation (both overwritten) then hold both kinds of evidence. A rule is silent where
    another of its stations is in doubt or an access is taken.
    """
    evidence, rules = ground.evidence, ground.rules
    result = np.zeros(len(amplitude))
    if not len(rules.ruled):
        return result
    doubt = np.zeros(len(evidence.stations), dtype=bool)
    open_ = np.zeros(len(evidence.closed), dtype=bool)
    for j in members:
        fault = evidence.faults[j]
        if fault.kind in COUNTER and fault.kind != "swap":
            doubt[evidence.stations.index(fault.at)] = True
        elif fault.kind == "leak":
            open_[list(fault.areas)] = True
    at = rules.ruled
    middle, wide = amplitude[at], sd[at]
    low = np.clip(middle - _WIDTH * wide, rules.low, rules.high)
    high = np.clip(middle + _WIDTH * wide, rules.low, rules.high)
    size = low[:, None] + (high - low)[:, None] * _GRID
    heard = ~(open_[rules.area] | (rules.others & doubt).any(axis=1))
    told = np.zeros(size.shape)
    change = _likelihood(rules, size) - rules.sound[:, None]
    np.add.at(told, rules.line[heard], change[heard])
    log_weight = told - 0.5 * ((size - middle[:, None]) / wide[:, None]) ** 2
    top = log_weight.max(axis=1)
    weight = np.exp(log_weight - top[:, None])
    share = (high - low) / len(_GRID) / (wide * np.sqrt(2.0 * np.pi))
    with np.errstate(divide="ignore"):
        result[at] = top + np.log(weight.sum(axis=1) * share)
    whole = weight.sum(axis=1)
    mean = (weight * size).sum(axis=1) / whole
    amplitude[at] = mean
    sd[at] = np.sqrt((weight * (size - mean[:, None]) ** 2).sum(axis=1) / whole) + 1e-6
    return result


def lost(ground: Ground, amplitude: float) -> dict[str, float]:
    """Return by station twice the log likelihood ratio by which the rules tell a loss from none.

    A loss of ``amplitude`` (1/scale − 1) is held against the counts as they are: rules that a counter
    with that loss would break, or that it breaks, tell; rules that hold either way do not.
    """
    evidence, rules = ground.evidence, ground.rules
    if not len(rules.ruled):
        return {}
    size = np.full((len(rules.ruled), 1), amplitude)
    change = _likelihood(rules, size)[:, 0] - rules.sound
    told = np.bincount(rules.line, weights=change, minlength=len(rules.ruled))
    return {
        evidence.faults[j].at: 2.0 * abs(float(value))
        for j, value in zip(rules.ruled, told, strict=True)
        if evidence.faults[j].kind == "scale"
    }
