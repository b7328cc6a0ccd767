"""Exact cover of the pulses in time order: each one an axle's, a repeat, or an orphan (kernels).

A state is the first pulse not yet explained and the set of later ones that are. States with the
same set compete; when one is left, what led to it is certain and is handed out. Isolated vehicles
whose pulses alternate cleanly need no states at all.
"""
# ruff: noqa: PLR0917  # kernels take their arrays one by one

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numba import njit

from countmap.tubes.candidates import (
    LONGEST_M,
    NEVER,
    PER_START,
    POOL,
    REACH_US,
    WINDOW,
    Pool,
    candidates,
    ending,
    further,
    lag_density,
    speed_density,
    spread_of_lag,
)
from countmap.tubes.measure import Out, measure
from countmap.tubes.model import CAR_M, FOLLOW_S, MOST_AXLES, REPEAT_S, Model
from countmap.tubes.states import BEAM, OPEN, SHUT, States, add, keep_best, prune

NODES = 16384
CAR_REACH_M = 9.0
SURE = 6.9  # odds of 1000 to 1
UNLIKELY = -7.0
ORPHAN, REPEAT = -1, -2
KIN, KIN_US, KIN_M_S = 0.4, 4e6, 0.8  # so many of those within 4 s drive as fast as the one ahead
KIN_NOT = float(np.log(1 - KIN))
OVERLAP, TIGHT = -25.0, -6.0


class Carry(NamedTuple):
    """Where the cover stands at a commit: the one state left and the last pulses on each tube.

    ``floats``: end of the last vehicle by sense (µs), its speed (m/s) by sense, last pulse by tube
    (µs). ``mask``: pulses from here on that are explained already.
    """

    floats: Any
    mask: Any


class Trail(NamedTuple):
    """How each state came about: parent, candidate or ORPHAN or REPEAT, pulse."""

    parent: Any
    action: Any
    pulse: Any


def new_carry() -> Carry:
    """Return the state before the first pulse."""
    return Carry(np.array([-1e18, -1e18, 15.0, 15.0, -1e18, -1e18]), np.zeros(1, np.uint64))


def new_trail() -> Trail:
    """Return an empty trail."""
    return Trail(np.zeros(NODES, np.int64), np.zeros(NODES, np.int64), np.zeros(NODES, np.int64))


@njit(cache=True)  # type: ignore[untyped-decorator]
def cover(
    t: Any,
    tube: Any,
    final: bool,
    model: Model,
    carry: Carry,
    out: Out,
    pool: Pool,
    states: States,
    trail: Trail,
    counts: Any,
) -> int:
    """Explain pulses from the first on; return how many of them are explained for good.

    ``counts`` receives vehicles, spacings, orphans, repeats handed out. With ``final`` all pulses
    are explained; without, those whose explanation more pulses could change are left.
    """
    n = len(t)
    peak = _peak(model)
    pos = 0
    while pos < n:
        if not final and n - pos <= WINDOW and t[n - 1] - t[pos] <= REACH_US:
            break
        if carry.mask[0] == OPEN:
            after = _isolated(t, tube, pos, model, carry, out, counts, peak)
            if after > pos:
                pos = after
                continue
        done = _search(t, tube, pos, final, model, carry, out, pool, states, trail, counts)
        if done == pos:
            break
        pos = done
    return pos


@njit(cache=True)  # type: ignore[untyped-decorator]
def _peak(model: Model) -> float:
    best = NEVER
    for k in range(len(model.speed)):
        best = max(best, model.speed[k])
    return best


@njit(cache=True)  # type: ignore[untyped-decorator]
def _isolated(
    t: Any, tube: Any, pos: int, model: Model, carry: Carry, out: Out, counts: Any, peak: float
) -> int:
    """Hand out the vehicle that begins at ``pos`` if its pulses alternate cleanly and stand alone.

    Returns the pulse after it, or ``pos`` where it is not so plain.
    """
    n = min(len(t), pos + WINDOW)
    x = tube[pos]
    if t[pos] - carry.floats[4 + x] < REPEAT_S * 1e6:
        return pos
    way = model.way[x]
    firsts = np.empty(MOST_AXLES, np.int64)
    seconds = np.empty(MOST_AXLES, np.int64)
    axles, repeats = 0, 0
    first, at = pos, pos + 1
    v, lag0, d1, before = 0.0, 0.0, 0.0, 0.0
    whole, last_lag = 0.0, 0.0
    while True:
        while at < n and tube[at] == x and t[at] - t[at - 1] < model.repeat_us:
            at += 1
            repeats += 1
        if at >= n or tube[at] == x or axles == MOST_AXLES:
            return pos
        second = at
        lag = (t[second] - t[first]) * 1e-6
        if axles == 0:
            if lag * 66.0 < way or lag * 0.9 > way:
                return pos
            v, lag0 = way / lag, lag
            if speed_density(model, v) < peak - 5.0:
                return pos
        else:
            apart = (t[first] - t[firsts[axles - 1]]) * 1e-6
            spread = spread_of_lag(model, last_lag, v, apart)
            if abs(lag - last_lag) > 3.5 * spread:
                return pos
            d = apart * v
            step = further(model, axles, d1, before, d)
            if d < 0.9 or step < UNLIKELY - (2.0 if axles > 1 else 0.0):
                return pos
            whole += step + np.log(v) + lag_density(model, lag - last_lag, spread)
            if axles == 1:
                d1 = d
            before = d
        last_lag = lag
        firsts[axles], seconds[axles] = first, second
        axles += 1
        at = second + 1
        while at < n and tube[at] != x and t[at] - t[at - 1] < model.repeat_us:
            at += 1
            repeats += 1
        if at >= len(t):
            break
        if at >= n:
            return pos
        reach = CAR_REACH_M if axles == 2 and d1 < CAR_M else LONGEST_M
        if (t[at] - t[first]) * 1e-6 * v > reach + way:
            break
        if tube[at] != x:
            return pos
        first = at
        at += 1
    if axles < 2 or (axles > 2 and not _one_not_two(t, firsts, seconds, axles, model, x)):
        return pos
    gap = _gap(carry.floats[x], carry.floats[2 + x], float(t[pos]), model)
    if gap < 2 * TIGHT:
        return pos
    measure(t, firsts, seconds, axles, x, model, lag0, float(t[pos]), SURE, out, counts)
    counts[3] += repeats
    carry.floats[x] = float(t[firsts[axles - 1]])
    carry.floats[2 + x] = v
    for k in range(pos, at):
        carry.floats[4 + tube[k]] = float(t[k])
    return at


@njit(cache=True)  # type: ignore[untyped-decorator]
def _one_not_two(t: Any, firsts: Any, seconds: Any, axles: int, model: Model, x: int) -> bool:
    """Return whether one vehicle is far likelier than the same axles as two, one behind the other."""
    whole = _chain(t, firsts, seconds, 0, axles, model, x)
    for cut in range(2, axles - 1):
        front = _chain(t, firsts, seconds, 0, cut, model, x)
        rear = _chain(t, firsts, seconds, cut, axles, model, x)
        if front + rear > whole - SURE:
            return False
    return True


@njit(cache=True)  # type: ignore[untyped-decorator]
def _chain(t: Any, firsts: Any, seconds: Any, begin: int, end: int, model: Model, x: int) -> float:
    """Return the log density of axles ``begin`` to ``end`` as one vehicle."""
    lag = (t[seconds[begin]] - t[firsts[begin]]) * 1e-6
    v = model.way[x] / lag
    score = model.start[x] + speed_density(model, v) + np.log(v / lag)
    d1, before = 0.0, 0.0
    for k in range(begin + 1, end):
        apart = (t[firsts[k]] - t[firsts[k - 1]]) * 1e-6
        spread = spread_of_lag(model, lag, v, apart)
        d = apart * v
        new_lag = (t[seconds[k]] - t[firsts[k]]) * 1e-6
        score += further(model, k - begin, d1, before, d) + np.log(v)
        score += lag_density(model, new_lag - lag, spread)
        if k == begin + 1:
            d1 = d
        before, lag = d, new_lag
        v = model.way[x] / lag
    return score + ending(model, end - begin, d1)


@njit(cache=True, inline="always")  # type: ignore[untyped-decorator]
def _gap(end_us: float, v: float, start_us: float, model: Model) -> float:
    """Return what it is worth that a vehicle starts so soon behind one of the same sense."""
    seconds = (start_us - end_us) * 1e-6
    metres = seconds * v
    if metres < 1.0:
        return OVERLAP
    place = int(seconds / FOLLOW_S)
    follow = model.follow[place] if place < len(model.follow) else 0.0
    return follow + (TIGHT if metres < 2.5 else 0.0)


@njit(cache=True)  # type: ignore[untyped-decorator]
def _kin(end_us: float, v_ahead: float, start_us: float, v: float, model: Model) -> float:
    """Return what it is worth that a vehicle close behind another drives nearly as fast."""
    if start_us - end_us > KIN_US:
        return 0.0
    off = (v - v_ahead) / KIN_M_S
    if off * off > 20.0:
        return KIN_NOT
    alike = 0.3989423 / KIN_M_S * np.exp(-0.5 * off * off)
    return np.log(1 - KIN + KIN * alike / np.exp(speed_density(model, v)))


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
    counts: Any,
) -> int:
    """Run states from ``begin`` until one is left; hand out what it explains.

    Returns the pulse where it stands, ``begin`` if pulses that are not there yet could matter.
    """
    n = len(t)
    now, count, nodes, rows = 0, 1, 0, 0
    states.mask[0, 0] = carry.mask[0]
    states.score[0, 0] = 0.0
    states.node[0, 0] = -1
    states.margin[0, 0] = SURE
    for k in range(4):
        states.ends[0, 0, k] = carry.floats[k]
    before0, before1 = carry.floats[4], carry.floats[5]
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
            if states.mask[now, s] & SHUT == OPEN:
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
    carry.mask[0] = states.mask[now, 0]
    for k in range(4):
        carry.floats[k] = states.ends[now, 0, k]
    carry.floats[4], carry.floats[5] = before0, before1
    _hand_out(t, states.node[now, 0], states.margin[now, 0], model, pool, trail, out, counts)
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
        mask, score = states.mask[now, s], states.score[now, s]
        if mask & SHUT:
            made = add(states, now, s, after, made, mask >> SHUT, score, states.node[now, s])
            continue
        trail.parent[nodes] = states.node[now, s]
        trail.action[nodes] = action
        trail.pulse[nodes] = pos
        made = add(states, now, s, after, made, mask >> SHUT, score + alone, nodes)
        nodes += 1
        for c in range(first_row, rows):
            if pool.ended[c] == NEVER or mask & pool.mask[c]:
                continue
            x = pool.sense[c]
            new = score + pool.ended[c]
            new += _gap(states.ends[now, s, x], states.ends[now, s, 2 + x], pool.first_us[c], model)
            new += _kin(
                states.ends[now, s, x], states.ends[now, s, 2 + x], pool.first_us[c],
                model.way[x] / pool.first_lag[c], model,
            )  # fmt: skip
            had = made
            made = add(states, now, s, after, made, (mask | pool.mask[c]) >> SHUT, new, nodes)
            # the slot that took it, new or won, carries the end of this vehicle
            slot = had if made > had else _slot(states, after, made, nodes)
            if slot >= 0:
                states.ends[after, slot, x] = pool.last_us[c]
                lag = pool.lag[c] if pool.lag[c] > 0 else pool.first_lag[c]
                states.ends[after, slot, 2 + x] = model.way[x] / lag
                trail.parent[nodes] = states.node[now, s]
                trail.action[nodes] = c
                trail.pulse[nodes] = pos
                nodes += 1
    return prune(states, after, made, model.per_pulse), nodes


@njit(cache=True)  # type: ignore[untyped-decorator]
def _slot(states: States, after: int, made: int, node: int) -> int:
    for k in range(made):
        if states.node[after, k] == node:
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
    out: Out,
    counts: Any,
) -> None:
    """Write what the trail to ``node`` explains, in time order."""
    length = 0
    k = node
    while k >= 0:
        length += 1
        k = trail.parent[k]
    path = np.empty(length, np.int64)
    k = node
    while k >= 0:
        length -= 1
        path[length] = k
        k = trail.parent[k]
    for step in range(len(path)):
        k = path[step]
        c = trail.action[k]
        if c == ORPHAN:
            out.orphans[counts[2]] = t[trail.pulse[k]]
            counts[2] += 1
        elif c == REPEAT:
            counts[3] += 1
        else:
            m = pool.axles[c]
            measure(
                t, pool.seen[c, :m, 0], pool.seen[c, :m, 1], m, pool.sense[c], model,
                pool.first_lag[c], pool.first_us[c], margin, out, counts,
            )  # fmt: skip
