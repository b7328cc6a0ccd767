"""The search among faults: the likeliest set, each member with its rivals, posterior and power."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import log_ndtr

from countmap.balance.evidence import ODDS, Evidence, Fault
from countmap.balance.solve import NON_CENTRALITY, inverse

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

COUNTER = ("scale", "over", "scale_one", "swap")
LEAST_GAIN = 2.0
"""Log posterior odds that a fault needs against none (project default)."""

RIVAL_WIDTH = 2.3
"""Hypotheses within this of the best log posterior are named beside it (odds of ten to one)."""

FIRM = 0.9
LOST_35 = 0.54
"""1/scale − 1 of a counter that misses 35 %."""

NEEDED = 2.0 * (LEAST_GAIN - float(np.log(ODDS["scale"])))
"""The non-centrality at which a scale is as likely to be named as not."""

_MOST = 40
_GRID = np.linspace(-3.0, 3.0, 31)
_NONE = np.zeros(1)


@dataclass(frozen=True, eq=False)
class Found:
    """A fault, its size, what else it could be.

    ``amplitude`` and ``sd`` are the posterior of 1/scale − 1 or of the swap; ``power`` the
    non-centrality of the hours at that amplitude plus twice the log likelihood ratio of the no-U-turn
    rules; ``min_amplitude`` what the hours alone would show; ``rivals`` other hypotheses with their log posterior less the best.
    """

    fault: Fault
    amplitude: float
    sd: float
    z: float
    power: float
    min_amplitude: float
    posterior: float
    rivals: tuple[tuple[Fault, float], ...]


@dataclass(frozen=True, eq=False)
class _Ground:
    """What no search changes: H⁻¹, all designs side by side, and H⁻¹ times them."""

    weight: Floats
    stacked: Floats
    pulled: Floats


@dataclass(frozen=True, eq=False)
class _View:
    """The candidates against the residuals with other faults taken into account."""

    gain: Floats
    amplitude: Floats
    sd: Floats
    information: Floats
    told: Floats


def search(evidence: Evidence) -> list[Found]:
    """Return the counters' faults that the balance by pattern names, strongest first.

    Notes
    -----
    A fault is a linear disturbance with a Gaussian size, so the evidence for it beside those already
    taken is exact. The likeliest is taken while its posterior odds exceed ``LEAST_GAIN``; after each,
    every other is looked at again without itself and gives way to what explains more, or to nothing.
    """
    ground = _ground(evidence)
    members: list[int] = []
    for _ in range(_MOST):
        view = _view(evidence, members, ground)
        allowed = np.where(_taken(evidence, members), -np.inf, view.gain)
        best = int(np.argmax(allowed))
        if allowed[best] < LEAST_GAIN:
            break
        members = _retest(evidence, [*members, best], ground)
    named = [j for j in members if evidence.faults[j].kind in COUNTER]
    found = [_describe(evidence, members, j, ground) for j in named]
    return sorted(found, key=lambda one: (-one.power, one.fault.key))


def reach(evidence: Evidence, amplitude: float = LOST_35) -> dict[str, float]:
    """Return how clearly a loss of both senses would show at each station.

    Returns
    -------
    dict
        By station the non-centrality of the hours plus twice the log likelihood that the no-U-turn
        rules would lose, for 1/scale − 1 = ``amplitude`` and counts as they are.
    """
    view = _view(evidence, [], _ground(evidence))
    found = {}
    for j, fault in enumerate(evidence.faults):
        if fault.kind == "scale":
            k = evidence.stations.index(fault.at)
            told = 0.0
            for i, legs in _ruled(evidence, k):
                less = np.array([1.0 / (1.0 + amplitude) - 1.0])
                sound = _rules(evidence, i, legs, legs == k)
                told += max(float((sound - _rules(evidence, i, legs, legs == k, less))[0]), 0.0)
            found[fault.at] = float(view.information[j] * amplitude**2) + 2.0 * told
    return found


def _retest(evidence: Evidence, members: list[int], ground: _Ground) -> list[int]:
    """Exchange and drop: each member against all others, the rest held."""
    for _ in range(3):
        before = members
        for j in before:
            rest = [i for i in members if i != j]
            view = _view(evidence, rest, ground)
            allowed = np.where(_taken(evidence, rest), -np.inf, view.gain)
            best = int(np.argmax(allowed))
            if allowed[j] < LEAST_GAIN / 2 and allowed[best] < LEAST_GAIN:
                members = rest
            elif best != j and allowed[best] > allowed[j] + 1e-9:
                members = [*rest, best]
        if members == before:
            break
    return members


def _taken(evidence: Evidence, members: list[int]) -> NDArray[np.bool_]:
    """Return the hypotheses about a place that already has a fault."""
    busy = {_place(evidence.faults[j]) for j in members}
    return np.array([_place(fault) in busy for fault in evidence.faults])


def _place(fault: Fault) -> tuple[str, str]:
    return ("station" if fault.kind in COUNTER else fault.kind, fault.at)


def _ground(evidence: Evidence) -> _Ground:
    weight = inverse(evidence.covariance * _spread(evidence))
    stacked = np.concatenate([f.design for f in evidence.faults], axis=1)
    return _Ground(weight, stacked, weight @ stacked)


def _spread(evidence: Evidence) -> float:
    """Return by how much the patterns scatter beyond their errors, median based, at least 1."""
    factor = np.linalg.cholesky(evidence.covariance)
    white = np.linalg.solve(factor, evidence.residual)
    return max(1.0, float(np.median(white**2)) / 0.455)


def _view(evidence: Evidence, members: list[int], ground: _Ground) -> _View:
    """Weigh every hypothesis beside the members; a swap or scale is one number, unseen traffic three."""
    taken = [evidence.faults[j] for j in members]
    residual = evidence.residual.copy()
    weight, stacked, pulled = ground.weight, ground.stacked, ground.pulled
    for fault in taken:
        residual = residual - fault.design.sum(axis=1) * fault.mean
    towards = weight @ residual
    if taken:
        # Woodbury: what the members may take up leaves the weights.
        own = np.concatenate([f.design * f.sd for f in taken], axis=1)
        drawn = weight @ own
        inner = np.linalg.inv(np.eye(own.shape[1]) + own.T @ drawn)
        towards = towards - drawn @ (inner @ (drawn.T @ residual))
        pulled = pulled - drawn @ (inner @ (drawn.T @ stacked))
    faults = evidence.faults
    n = len(faults)
    gain, amplitude = np.zeros(n), np.zeros(n)
    sd, information = np.zeros(n), np.zeros(n)
    first = 0
    for j, fault in enumerate(faults):
        k = fault.design.shape[1]
        design = fault.design
        mean = np.full(k, fault.mean) if fault.mean else np.zeros(k)
        score = design.T @ towards
        power = design.T @ pulled[:, first : first + k]
        first += k
        score = score - power @ mean
        post = np.linalg.inv(power + np.eye(k) / fault.sd**2)
        log_bf = 0.5 * score @ post @ score + 0.5 * np.linalg.slogdet(post / fault.sd**2)[1]
        log_bf += mean @ (design.T @ towards) - 0.5 * mean @ power @ mean
        gain[j] = log_bf + np.log(ODDS[fault.kind])
        if k == 1:
            amplitude[j] = fault.mean + float(post[0, 0] * score[0])
            sd[j] = float(np.sqrt(post[0, 0]))
            information[j] = float(power[0, 0])
    told = _turns(evidence, members, amplitude, sd)
    return _View(gain + told, amplitude, sd, information, told)


def _turns(evidence: Evidence, members: list[int], amplitude: Floats, sd: Floats) -> Floats:
    """Return what the no-U-turn rules add to each scale: no leg exceeds the sum of the others.

    The rules have no linear form: they are summed over a grid of the scale's posterior, whose mean and
    standard deviation (both overwritten) then hold both kinds of evidence.
    """
    place = {s: i for i, s in enumerate(evidence.stations)}
    doubt = np.zeros(len(place), dtype=bool)
    result = np.zeros(len(evidence.faults))
    leaks = set[int]()
    for j in members:
        fault = evidence.faults[j]
        if fault.kind in COUNTER:
            doubt[place[fault.at]] = fault.kind != "swap"
        elif fault.kind == "leak":
            leaks.update(fault.areas)
    for j, fault in enumerate(evidence.faults):
        if fault.kind not in ("scale", "over"):
            continue
        k = place[fault.at]
        u = np.maximum(amplitude[j] + sd[j] * _GRID, -0.9)
        told = np.zeros(len(u))
        for i, legs in _ruled(evidence, k):
            if i in leaks or doubt[legs[legs != k]].any():
                continue
            told += _rules(evidence, i, legs, legs == k, u) - _rules(evidence, i, legs, legs == k)
        log_weight = told - 0.5 * _GRID**2
        weight = np.exp(log_weight - log_weight.max())
        result[j] = log_weight.max() + np.log(weight.sum() / np.exp(-0.5 * _GRID**2).sum())
        amplitude[j] = float(weight @ u / weight.sum())
        sd[j] = float(np.sqrt(weight @ (u - amplitude[j]) ** 2 / weight.sum())) + 1e-6
    return result


def _ruled(evidence: Evidence, station: int) -> list[tuple[int, NDArray[np.intp]]]:
    """Return the areas at a station where the no-U-turn rules hold, each with its stations."""
    at = np.flatnonzero(evidence.legs[:, station] & evidence.closed)
    legs = [(int(i), np.flatnonzero(evidence.legs[i])) for i in at]
    return [(i, those) for i, those in legs if len(those) > 1]


def _rules(
    evidence: Evidence,
    area: int,
    legs: NDArray[np.intp],
    mine: NDArray[np.bool_],
    u: Floats = _NONE,
) -> Floats:
    """Return the log likelihood of the rules at an area when leg ``mine`` is raised by each of ``u``."""
    flow = evidence.total[legs][None, :] * np.where(mine[None, :], 1 + u[:, None], 1.0)
    sd = evidence.total_sd[legs][None, :] * np.where(mine[None, :], 1 + u[:, None], 1.0)
    spread = np.sqrt((sd**2).sum(axis=1) + evidence.access_sd[area] ** 2)
    result: Floats = log_ndtr((flow.sum(axis=1)[:, None] - 2 * flow) / spread[:, None]).sum(axis=1)
    return result


def _describe(evidence: Evidence, members: list[int], j: int, ground: _Ground) -> Found:
    rest = [i for i in members if i != j]
    view = _view(evidence, rest, ground)
    gain = np.where(_taken(evidence, rest), -np.inf, view.gain)
    top = float(gain[j])
    share = np.exp(gain - max(top, gain.max()))
    posterior = float(share[j] / (share.sum() + np.exp(-max(top, float(gain.max())))))
    near = [i for i in np.argsort(-gain, kind="stable") if i != j and gain[i] >= top - RIVAL_WIDTH]
    return Found(
        evidence.faults[j],
        float(view.amplitude[j]),
        float(view.sd[j]),
        float(view.amplitude[j] * np.sqrt(view.information[j])),
        float(view.information[j] * view.amplitude[j] ** 2) + 2.0 * float(view.told[j]),
        NON_CENTRALITY / float(np.sqrt(max(view.information[j], 1e-12))),
        posterior,
        tuple((evidence.faults[i], float(gain[i] - top)) for i in near),
    )
