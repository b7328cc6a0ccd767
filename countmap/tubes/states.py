"""Competing states of the cover: one for each set of pulses explained ahead (kernels)."""
# ruff: noqa: PLR0917  # kernels take their arrays one by one

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numba import njit

from countmap.tubes.candidates import NEVER, PER_START

BEAM = 24
BEHIND = 14.0  # a state this far behind the best is given up
OPEN, SHUT = np.uint64(0), np.uint64(1)


class States(NamedTuple):
    """Competing states, two generations in turn."""

    mask: Any
    score: Any
    ends: Any
    node: Any
    margin: Any
    worth: Any


def new_states() -> States:
    """Return two generations of room for states."""
    n = BEAM * (PER_START + 3)
    return States(
        mask=np.zeros((2, n), np.uint64),
        score=np.zeros((2, n)),
        ends=np.zeros((2, n, 4)),
        node=np.zeros((2, n), np.int64),
        margin=np.zeros((2, n)),
        worth=np.zeros((2, n)),
    )


@njit(cache=True)  # type: ignore[untyped-decorator]
def move(states: States, a: int, source: int, b: int, target: int) -> None:
    """Copy one state to another place."""
    states.mask[b, target] = states.mask[a, source]
    states.score[b, target] = states.score[a, source]
    states.node[b, target] = states.node[a, source]
    states.margin[b, target] = states.margin[a, source]
    states.worth[b, target] = states.worth[a, source]
    for k in range(4):
        states.ends[b, target, k] = states.ends[a, source, k]


@njit(cache=True)  # type: ignore[untyped-decorator]
def _ones(mask: Any) -> int:
    """Return how many bits are set."""
    found = 0
    while mask != OPEN:
        mask &= mask - SHUT
        found += 1
    return found


@njit(cache=True)  # type: ignore[untyped-decorator]
def prune(states: States, after: int, made: int, per_pulse: float) -> int:
    """Keep the best states, no more than the beam holds and none far behind.

    States explain different numbers of pulses ahead: each of those counts as one of a usual car.
    """
    best = NEVER
    for k in range(made):
        worth = states.score[after, k] - per_pulse * _ones(states.mask[after, k])
        states.worth[after, k] = worth
        best = max(best, worth)
    kept = 0
    for k in range(made):
        if states.worth[after, k] > best - BEHIND:
            if kept != k:
                move(states, after, k, after, kept)
            kept += 1
    while kept > BEAM:
        worst = 0
        for k in range(1, kept):
            if states.worth[after, k] < states.worth[after, worst]:
                worst = k
        kept -= 1
        if worst != kept:
            move(states, after, kept, after, worst)
    return kept


@njit(cache=True)  # type: ignore[untyped-decorator]
def keep_best(states: States, now: int, count: int) -> int:
    """Keep the best state alone, and how far the next one was behind."""
    best, second = 0, NEVER
    for s in range(1, count):
        if states.worth[now, s] > states.worth[now, best]:
            second = states.worth[now, best]
            best = s
        elif states.worth[now, s] > second:
            second = states.worth[now, s]
    if count > 1:
        off = states.worth[now, best] - second
        states.margin[now, best] = min(states.margin[now, best], off)
    move(states, now, best, now, 0)
    return 1


@njit(cache=True)  # type: ignore[untyped-decorator]
def add(
    states: States,
    now: int,
    source: int,
    after: int,
    made: int,
    mask: Any,
    score: float,
    node: int,
) -> int:
    """Add a state, or let it compete with the one of the same set; return how many there are."""
    slot = made
    margin = states.margin[now, source]
    for k in range(made):
        if states.mask[after, k] == mask:
            old = states.score[after, k]
            if score <= old:
                states.margin[after, k] = min(states.margin[after, k], old - score)
                return made
            margin = min(margin, score - old)
            slot = k
            break
    states.mask[after, slot] = mask
    states.score[after, slot] = score
    states.node[after, slot] = node
    states.margin[after, slot] = margin
    for k in range(4):
        states.ends[after, slot, k] = states.ends[now, source, k]
    return made + 1 if slot == made else made
