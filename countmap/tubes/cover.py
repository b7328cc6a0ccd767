"""Exact cover of the pulses in time order: each one an axle's, a repeat, or an orphan (kernels).

A state is the first pulse not yet explained and the set of later ones that are. States with the
same set compete; when one is left, what led to it is certain and is handed out. Isolated vehicles
whose pulses alternate cleanly need no states at all.
"""
# ruff: noqa: PLR0917  # kernels take their arrays one by one

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

from countmap.tubes.candidates import NEVER, PER_START, POOL, REACH_US, WINDOW, Pool, candidates
from countmap.tubes.measure import Out, measure
from countmap.tubes.model import REPEAT_S, Model
from countmap.tubes.plain import plain, usual_speeds
from countmap.tubes.states import BEAM, OPEN, SHUT, States, add, keep_best, prune
from countmap.tubes.worth import SURE, behind, kin

NODES = 16384
ORPHAN, REPEAT = -1, -2


# How each state came about: parent, candidate or ORPHAN or REPEAT, pulse.
STEP = np.dtype([("parent", "i8"), ("action", "i8"), ("pulse", "i8")])
Trail = Any


# Where the cover stands at a commit. ``ends``, ``speeds``: of the last vehicle by sense (µs, m/s);
# ``last``: the last pulse by tube (µs); ``mask``: pulses from here on that are explained already.
CARRY = np.dtype([("mask", "u8"), ("ends", "f8", 2), ("speeds", "f8", 2), ("last", "f8", 2)])
Carry = Any


def new_carry() -> Any:
    """Return the state before the first pulse."""
    carry = np.zeros(1, CARRY)
    carry["ends"], carry["speeds"], carry["last"] = -1e18, 15.0, -1e18
    return carry


def new_trail() -> Any:
    """Return an empty trail."""
    return np.zeros(NODES, STEP)


@njit(cache=True)  # type: ignore[untyped-decorator]
def cover(
    t: Any,
    tube: Any,
    final: bool,
    models: Any,
    carry: Carry,
    out: Out,
    pool: Pool,
    states: States,
    trail: Trail,
    seen: Any,
    counts: Any,
) -> int:
    """Explain pulses from the first on; return how many of them are explained for good.

    ``counts`` receives vehicles, spacings, orphans, repeats handed out. With ``final`` all pulses
    are explained; without, those whose explanation more pulses could change are left.
    """
    n = len(t)
    model = models[0]
    band = usual_speeds(model)
    pos = 0
    while pos < n:
        if not final and n - pos <= WINDOW and t[n - 1] - t[pos] <= REACH_US:
            break
        if carry[0].mask & SHUT:
            carry[0].last[tube[pos]] = float(t[pos])
            carry[0].mask = carry[0].mask >> SHUT
            pos += 1
            continue
        after = plain(t, tube, pos, band, model, carry, out, counts, seen)
        if after > pos:
            pos = after
            continue
        done = _search(t, tube, pos, final, model, carry, out, pool, states, trail, seen, counts)
        if done == pos:
            break
        pos = done
    return pos


@njit(cache=True)  # type: ignore[untyped-decorator]
def _search(
    t: Any,
    tube: Any,
    begin: int,
    final: bool,
    model: Model,
    carry: Carry,
    out: Out,
    pool: Pool,
    states: States,
    trail: Trail,
    seen: Any,
    counts: Any,
) -> int:
    """Run states from ``begin`` until one is left; hand out what it explains.

    Returns the pulse where it stands, ``begin`` if pulses that are not there yet could matter.
    """
    n = len(t)
    now, count, nodes, rows = 0, 1, 0, 0
    states[0, 0].mask = carry[0].mask
    states[0, 0].score = 0.0
    states[0, 0].node = -1
    states[0, 0].margin = SURE
    for k in range(2):
        states[0, 0].ends[k], states[0, 0].ends[2 + k] = carry[0].ends[k], carry[0].speeds[k]
    before0, before1 = carry[0].last[0], carry[0].last[1]
    pos = begin
    while pos < n:
        if not final and n - pos <= WINDOW and t[n - 1] - t[pos] <= REACH_US:
            return begin
        if rows + PER_START >= POOL or nodes + BEAM * (PER_START + 2) >= NODES:
            count = keep_best(states, now, count)
            break
        last_same = before0 if tube[pos] == 0 else before1
        first_row = rows
        for s in range(count):
            if states[now, s].mask & SHUT == OPEN:
                rows = candidates(t, tube, pos, model, pool, rows)
                break
        after = 1 - now
        count, nodes = _step(
            t, pos, model, pool, first_row, rows, states, now, count, trail, nodes, last_same
        )
        now = after
        if tube[pos] == 0:
            before0 = float(t[pos])
        else:
            before1 = float(t[pos])
        pos += 1
        if count == 1:
            break
    if count > 1:
        count = keep_best(states, now, count)
    carry[0].mask = states[now, 0].mask
    for k in range(2):
        carry[0].ends[k], carry[0].speeds[k] = states[now, 0].ends[k], states[now, 0].ends[2 + k]
    carry[0].last[0], carry[0].last[1] = before0, before1
    _hand_out(t, states[now, 0].node, states[now, 0].margin, model, pool, trail, seen, out, counts)
    return pos


@njit(cache=True)  # type: ignore[untyped-decorator]
def _step(
    t: Any,
    pos: int,
    model: Model,
    pool: Pool,
    first_row: int,
    rows: int,
    states: States,
    now: int,
    count: int,
    trail: Trail,
    nodes: int,
    last_same: float,
) -> tuple[int, int]:
    """Take every state past pulse ``pos``; return how many there are then, and trail nodes used."""
    after = 1 - now
    made = 0
    alone = model.noise
    action = ORPHAN
    if t[pos] - last_same < REPEAT_S * 1e6 and model.repeat > alone:
        alone, action = model.repeat, REPEAT
    for s in range(count):
        mask, score = states[now, s].mask, states[now, s].score
        if mask & SHUT:
            made = add(states, now, s, after, made, mask >> SHUT, score, states[now, s].node)
            continue
        trail[nodes].parent = states[now, s].node
        trail[nodes].action = action
        trail[nodes].pulse = pos
        made = add(states, now, s, after, made, mask >> SHUT, score + alone, nodes)
        nodes += 1
        for c in range(first_row, rows):
            if pool[c].ended == NEVER or mask & pool[c].mask:
                continue
            x = pool[c].sense
            new = score + pool[c].ended
            new += behind(
                states[now, s].ends[x], states[now, s].ends[2 + x], pool[c].first_us, model
            )
            new += kin(
                states[now, s].ends[x], states[now, s].ends[2 + x], pool[c].first_us,
                model.way[x] / pool[c].first_lag, model,
            )  # fmt: skip
            had = made
            made = add(states, now, s, after, made, (mask | pool[c].mask) >> SHUT, new, nodes)
            # the slot that took it, new or won, carries the end of this vehicle
            slot = had if made > had else _slot(states, after, made, nodes)
            if slot >= 0:
                states[after, slot].ends[x] = pool[c].last_us
                lag = pool[c].lag if pool[c].lag > 0 else pool[c].first_lag
                states[after, slot].ends[2 + x] = model.way[x] / lag
                trail[nodes].parent = states[now, s].node
                trail[nodes].action = c
                trail[nodes].pulse = pos
                nodes += 1
    return prune(states, after, made, model.per_pulse), nodes


@njit(cache=True)  # type: ignore[untyped-decorator]
def _slot(states: States, after: int, made: int, node: int) -> int:
    for k in range(made):
        if states[after, k].node == node:
            return k
    return -1


@njit(cache=True)  # type: ignore[untyped-decorator]
def _hand_out(
    t: Any,
    node: int,
    margin: float,
    model: Model,
    pool: Pool,
    trail: Trail,
    seen: Any,
    out: Out,
    counts: Any,
) -> None:
    """Write what the trail to ``node`` explains, in time order."""
    after, k = -1, node  # the trail is turned round
    while k >= 0:
        before = trail[k].parent
        trail[k].parent = after
        after, k = k, before
    k = after
    while k >= 0:
        c = trail[k].action
        if c == ORPHAN:
            out.orphans[counts[2]] = t[trail[k].pulse]
            counts[2] += 1
        elif c == REPEAT:
            counts[3] += 1
        else:
            axles, start = pool[c].axles, pool[c].start
            for m in range(axles):
                for x in range(2):
                    place = pool[c].seen[m, x]
                    seen[0, x, m] = start + place if place >= 0 else -1
            measure(
                t, seen[0, 0], seen[0, 1], axles, pool[c].sense, model, pool[c].first_lag,
                pool[c].first_us, margin, out, counts,
            )  # fmt: skip
        k = trail[k].parent
