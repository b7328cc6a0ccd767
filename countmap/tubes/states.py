"""Competing states of the cover: one for each set of pulses explained ahead (kernels)."""
# ruff: noqa: PLR0917  # kernels take their arrays one by one

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

from countmap.tubes.candidates import NEVER, PER_START

BEAM = 24
BEHIND = 14.0  # a state this far behind the best is given up
OPEN, SHUT = np.uint64(0), np.uint64(1)


STATE = np.dtype(
    [
        ("mask", "u8"), ("score", "f8"), ("worth", "f8"), ("margin", "f8"), ("node", "i8"),
        ("ends", "f8", 4),
    ],
    align=True,
)  # fmt: skip
States = Any


def new_states() -> Any:
    """Return two generations of room for states."""
    return np.zeros((2, BEAM * (PER_START + 3)), STATE)


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
        worth = states[after, k].score - per_pulse * _ones(states[after, k].mask)
        states[after, k].worth = worth
        best = max(best, worth)
    kept = 0
    for k in range(made):
        if states[after, k].worth > best - BEHIND:
            if kept != k:
                states[after, kept] = states[after, k]
            kept += 1
    while kept > BEAM:
        worst = 0
        for k in range(1, kept):
            if states[after, k].worth < states[after, worst].worth:
                worst = k
        kept -= 1
        if worst != kept:
            states[after, worst] = states[after, kept]
    return kept


@njit(cache=True)  # type: ignore[untyped-decorator]
def keep_best(states: States, now: int, count: int) -> int:
    """Keep the best state alone, and how far the next one was behind."""
    best, second = 0, NEVER
    for s in range(1, count):
        if states[now, s].worth > states[now, best].worth:
            second = states[now, best].worth
            best = s
        elif states[now, s].worth > second:
            second = states[now, s].worth
    if count > 1:
        off = states[now, best].worth - second
        states[now, best].margin = min(states[now, best].margin, off)
    states[now, 0] = states[now, best]
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
    margin = states[now, source].margin
    for k in range(made):
        if states[after, k].mask == mask:
            old = states[after, k].score
            if score <= old:
                states[after, k].margin = min(states[after, k].margin, old - score)
                return made
            margin = min(margin, score - old)
            slot = k
            break
    states[after, slot].mask = mask
    states[after, slot].score = score
    states[after, slot].node = node
    states[after, slot].margin = margin
    for k in range(4):
        states[after, slot].ends[k] = states[now, source].ends[k]
    return made + 1 if slot == made else made
