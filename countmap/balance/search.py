"""The search among faults: the likeliest set, each member with its rivals, posterior and power."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from countmap.balance.evidence import ODDS, Evidence, Fault
from countmap.balance.solve import NON_CENTRALITY
from countmap.balance.views import Ground, View, lost, view

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
_ROUNDS = 3
_BEGINNINGS = 6


@dataclass(frozen=True, eq=False)
class Found:
    """A fault, its size, what else it could be.

    ``amplitude`` and ``sd`` are the posterior of 1/scale − 1 or of the swap; ``power`` the
    non-centrality of the hours at that amplitude plus twice the log likelihood ratio of the no-U-turn
    rules; ``min_amplitude`` what the hours alone would show; ``rivals`` other hypotheses with their log
    posterior less the best.
    """

    fault: Fault
    amplitude: float
    sd: float
    z: float
    power: float
    min_amplitude: float
    posterior: float
    rivals: tuple[tuple[Fault, float], ...]


def search(base: Ground) -> list[Found]:
    """Return the counters' faults that the balance by pattern names, strongest first.

    Notes
    -----
    A fault is a linear disturbance with a Gaussian size, so the evidence for it beside those already
    taken is exact. The likeliest is taken while its posterior odds exceed ``LEAST_GAIN``; after each,
    every other is looked at again without itself and gives way to what explains more, or to nothing.
    At the end one or two members give way to two others where those explain more together: two
    neighbours that lose alike look at first like one fault between them.
    """
    near = _Neighbours(base.evidence)
    members = _grow(base, near, [])
    tried: set[tuple[tuple[int, ...], frozenset[int]]] = set()
    for _ in range(_MOST):
        better = _regroup(base, near, members, tried)
        if better is None:
            break
        members = _grow(base, near, _retest(base, near, better, better[-1]))
    members = _prune(base, members)
    found = [_describe(base, members, j) for j in members if base.counter[j]]
    return sorted(found, key=lambda one: (-one.power, one.fault.key))


def reach(base: Ground) -> dict[str, float]:
    """Return how clearly a loss of both senses would show at each station.

    Returns
    -------
    dict
        By station the non-centrality of the hours plus twice the log likelihood ratio of the no-U-turn
        rules, for 1/scale − 1 = ``LOST_35``.
    """
    alone = view(base, [])
    told = lost(base, LOST_35)
    return {
        fault.at: float(alone.information[j] * LOST_35**2) + told.get(fault.at, 0.0)
        for j, fault in enumerate(base.evidence.faults)
        if fault.kind == "scale"
    }


def _grow(base: Ground, near: _Neighbours, members: list[int]) -> list[int]:
    """Take the likeliest hypothesis, look at those around it again, until nothing is likely enough."""
    for _ in range(max(_MOST, len(base.evidence.stations))):
        seen = view(base, members)
        best = int(np.argmax(seen.gain))
        if seen.gain[best] < LEAST_GAIN:
            break
        members = _retest(base, near, [*members, best], best)
    return members


def _retest(base: Ground, near: _Neighbours, members: list[int], new: int) -> list[int]:
    """Exchange and drop: each member around the new one against all others, the rest held."""
    for _ in range(_ROUNDS):
        before = members
        for j in [i for i in before if near.touch(i, new)]:
            rest = [i for i in members if i != j]
            if len(rest) == len(members):
                continue
            gain = view(base, rest).gain
            best = int(np.argmax(gain))
            if gain[j] < LEAST_GAIN / 2 and gain[best] < LEAST_GAIN:
                members = rest
            elif best != j and gain[best] > gain[j] + 1e-9:
                members = [*rest, best]
        if members == before:
            break
    return members


def _prune(base: Ground, members: list[int]) -> list[int]:
    """Drop what is not likely enough beside all others, the least likely first."""
    while members:
        gain = [float(view(base, [i for i in members if i != j]).gain[j]) for j in members]
        if min(gain) >= LEAST_GAIN:
            break
        members = [j for k, j in enumerate(members) if k != int(np.argmin(gain))]
    return members


def _regroup(
    base: Ground,
    near: _Neighbours,
    members: list[int],
    tried: set[tuple[tuple[int, ...], frozenset[int]]],
) -> list[int] | None:
    """Return members with one or two replaced by two others that explain clearly more; null if none do.

    ``tried`` are groups, with the members around them, for which nothing better was found; it grows.
    """
    groups: list[tuple[int, ...]] = [(j,) for j in members]
    groups += [(i, j) for i, j in combinations(members, 2) if near.touch(i, j)]
    for group in groups:
        around = frozenset(i for i in members if any(near.touch(i, j) for j in group))
        if (group, around) in tried:
            continue
        tried.add((group, around))
        rest = [i for i in members if i not in group]
        alone = view(base, rest)
        if len(group) == 1:
            old = float(alone.hours[group[0]]) + float(alone.told[group[0]])
        else:
            old = _together(base, rest, group, alone, view(base, [*rest, group[0]]))
        close = near.stations(group)
        firsts = [i for i in close if base.counter[i] and np.isfinite(alone.gain[i])]
        hope = alone.hours + np.maximum(alone.told, 0.0)
        for first in sorted(firsts, key=lambda i: -float(hope[i]))[:_BEGINNINGS]:
            beside = view(base, [*rest, first])
            seconds = [i for i in near.stations((first,)) if np.isfinite(beside.gain[i])]
            if not seconds:
                continue
            second = max(seconds, key=lambda i: float(beside.gain[i]))
            pair = (first, second)
            if set(pair) == set(group):
                continue
            if _together(base, rest, pair, alone, beside) > old + RIVAL_WIDTH:
                return [*rest, *pair]
    return None


def _together(
    base: Ground, rest: list[int], pair: tuple[int, ...], alone: View, beside: View
) -> float:
    """Return the log posterior odds of two faults together, beside the rest.

    The hours one after the other; of the no-U-turn rules what they say of each while the other is in
    doubt. ``alone`` is the view beside the rest, ``beside`` that beside the rest and the first.
    """
    first, second = pair
    other = view(base, [*rest, second])
    return (
        float(alone.hours[first])
        + float(other.told[first])
        + float(beside.hours[second])
        + float(beside.told[second])
    )


class _Neighbours:
    """Which hypotheses share an area, or lie around areas that share a station."""

    def __init__(self, evidence: Evidence) -> None:
        self._areas = [set(f.areas) for f in evidence.faults]
        self._at: dict[int, list[int]] = {}
        for j, areas in enumerate(self._areas):
            for i in sorted(areas):
                self._at.setdefault(i, []).append(j)
        self._around = [
            set(np.flatnonzero(evidence.legs[:, legs].any(axis=1)).tolist())
            for legs in evidence.legs
        ]

    def touch(self, a: int, b: int) -> bool:
        """Whether a station lies between the areas of two hypotheses, or they share one."""
        wide = set().union(*(self._around[i] for i in self._areas[a]))
        return bool(wide & self._areas[b])

    def stations(self, group: tuple[int, ...]) -> list[int]:
        """Return the hypotheses that touch an area of the group, in order."""
        areas = set().union(*(self._areas[j] for j in group))
        return sorted({j for i in areas for j in self._at[i]})


def _describe(base: Ground, members: list[int], j: int) -> Found:
    rest = [i for i in members if i != j]
    seen = view(base, rest)
    faults = base.evidence.faults
    gain = seen.gain
    top = float(gain[j])
    share = np.exp(gain - max(top, gain.max()))
    posterior = float(share[j] / (share.sum() + np.exp(-max(top, float(gain.max())))))
    near = [i for i in np.argsort(-gain, kind="stable") if i != j and gain[i] >= top - RIVAL_WIDTH]
    return Found(
        faults[j],
        float(seen.amplitude[j]),
        float(seen.sd[j]),
        float(seen.amplitude[j] * np.sqrt(seen.information[j])),
        float(seen.information[j] * seen.amplitude[j] ** 2) + 2.0 * float(seen.told[j]),
        NON_CENTRALITY / float(np.sqrt(max(seen.information[j], 1e-12))),
        posterior,
        tuple((faults[i], float(gain[i] - top)) for i in near),
    )
