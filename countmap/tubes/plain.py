"""Plain stretches in linear time: vehicles whose axles all agree, and nothing near that does not (kernels).

A chain is a vehicle of whole axles, each lag as the last one leads to expect. Lags agree to tenths of
a millisecond in windows of a tenth of a second, so a pulse rarely begins two chains. A chain is handed
out when it is the only one that begins there and every other pulse within its reach is explained: by
a chain of its own, whichever sense, or as a repeat. Any other reading then leaves four pulses that
agree to chance. Whatever is not so plain goes to the search.
"""
# ruff: noqa: PLR0917  # kernels take their arrays one by one

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

from countmap.tubes.candidates import (
    LONGEST_FIRST_M,
    LONGEST_M,
    REACH_US,
    SHORTEST_M,
    WINDOW,
    ending,
    further,
    lag_density,
    speed_density,
    spread_of_lag,
)
from countmap.tubes.geometry import KMH
from countmap.tubes.measure import Out, measure
from countmap.tubes.model import CAR_M, MOST_AXLES, REPEAT_S, TOP_KMH, Model
from countmap.tubes.worth import SURE, TIGHT, behind, kin

UNLIKELY = -7.0
USUAL = 5.0  # speeds this far below the likeliest are not plain
AGREE = 3.5  # standard deviations
NONE, ONE = np.uint64(0), np.uint64(1)


def new_room() -> Any:
    """Return room for the chain at hand, one beside it and one that is tried: (row, tube, axle)."""
    return np.full((3, 2, MOST_AXLES + 1), -1, np.int64)


@njit(cache=True)  # type: ignore[untyped-decorator]
def usual_speeds(model: Model) -> tuple[float, float]:
    """Return the least and the greatest speed (m/s) that a plain vehicle has."""
    best = model.speed.max() - USUAL
    low, high = 0, TOP_KMH
    while low < TOP_KMH and model.speed[low] < best:
        low += 1
    while high > 0 and model.speed[high] < best:
        high -= 1
    return max(low, 5) * KMH, (high + 1) * KMH


@njit(cache=True)  # type: ignore[untyped-decorator]
def _repeats(t: Any, tube: Any, q: int, pos: int, earlier: float, within_us: float) -> bool:
    """Return whether a pulse came on the same tube within this time before."""
    k = q - 1
    while k >= pos:
        if t[q] - t[k] >= within_us:
            return False
        if tube[k] == tube[q]:
            return True
        k -= 1
    return t[q] - earlier < within_us


@njit(cache=True)  # type: ignore[untyped-decorator]
def _chain_at(
    t: Any,
    tube: Any,
    pos: int,
    p: int,
    n: int,
    mask: Any,
    band: tuple[float, float],
    model: Model,
    carry: Any,
    seen: Any,
    row: int,
) -> int:
    """Write into ``row`` the one chain that begins with pulse ``p``; return its axles.

    0: none, 1: several. ``mask`` holds the pulses from ``pos`` on that are taken.
    """
    x = tube[p]
    way = model.way[x]
    slow_us, fast_us = way / band[0] * 1e6, way / band[1] * 1e6
    found = 0
    for j in range(p + 1, n):
        lag_us = float(t[j] - t[p])
        if lag_us > slow_us:
            break
        if tube[j] == x or lag_us < fast_us or (mask >> np.uint64(j - pos)) & ONE:
            continue
        if _repeats(t, tube, j, pos, carry[0].last[tube[j]], model.repeat_us):
            continue
        axles = _extended(t, tube, pos, p, j, n, mask, model, carry, seen[2])
        if axles < 2:
            continue
        if found:
            return 1
        found = axles
        for k in range(axles):
            seen[row, 0, k] = seen[2, 0, k]
            seen[row, 1, k] = seen[2, 1, k]
    return found


@njit(cache=True)  # type: ignore[untyped-decorator]
def _extended(
    t: Any,
    tube: Any,
    pos: int,
    p: int,
    j: int,
    n: int,
    mask: Any,
    model: Model,
    carry: Any,
    seen: Any,
) -> int:
    """Write the axles that follow the first one (``p``, ``j``); return how many there are."""
    x = tube[p]
    way = model.way[x]
    seen[0, 0], seen[1, 0] = p, j
    axles, last, k = 1, p, p + 1
    lag = (t[j] - t[p]) * 1e-6
    v = way / lag
    d1, before = 0.0, 0.0
    while k < n and axles < MOST_AXLES:
        apart = (t[k] - t[last]) * 1e-6
        d = apart * v
        if d > (LONGEST_FIRST_M if axles == 1 else LONGEST_M):
            break
        if (
            tube[k] != x
            or d < SHORTEST_M
            or (mask >> np.uint64(k - pos)) & ONE
            or _repeats(t, tube, k, pos, carry[0].last[x], model.repeat_us)
        ):
            k += 1
            continue
        spread = spread_of_lag(model, lag, v, apart)
        m = _mate(t, tube, pos, k, n, mask, seen[1, axles - 1], lag * 1e6, AGREE * spread * 1e6)
        step = further(model, axles, d1, before, d) if m >= 0 else 0.0
        if m >= 0 and step >= UNLIKELY - (2.0 if axles > 1 else 0.0):
            seen[0, axles], seen[1, axles] = k, m
            if axles == 1:
                d1 = d
            axles, last, before = axles + 1, k, d
            lag = (t[m] - t[k]) * 1e-6
            v = way / lag
        k += 1
    return axles


@njit(cache=True)  # type: ignore[untyped-decorator]
def _mate(
    t: Any, tube: Any, pos: int, k: int, n: int, mask: Any, after: int, lag_us: float, off_us: float
) -> int:
    """Return the pulse on the other tube where the lag says it is, -1 if there is none."""
    for m in range(max(k, after) + 1, n):
        off = t[m] - t[k] - lag_us
        if off > off_us:
            break
        if off >= -off_us and tube[m] != tube[k] and not (mask >> np.uint64(m - pos)) & ONE:
            return m
    return -1


@njit(cache=True)  # type: ignore[untyped-decorator]
def _bits(seen: Any, axles: int, pos: int) -> Any:
    """Return the pulses of a chain as a set."""
    bits = NONE
    for k in range(axles):
        bits |= (ONE << np.uint64(seen[0, k] - pos)) | (ONE << np.uint64(seen[1, k] - pos))
    return bits


@njit(cache=True)  # type: ignore[untyped-decorator]
def plain(
    t: Any,
    tube: Any,
    pos: int,
    band: tuple[float, float],
    model: Model,
    carry: Any,
    out: Out,
    counts: Any,
    seen: Any,
) -> int:
    """Hand out what begins at ``pos`` if it is plain; return the pulse after it, or ``pos``."""
    n = min(len(t), pos + WINDOW)
    mask = carry[0].mask
    x = tube[pos]
    since = t[pos] - carry[0].last[x]
    axles = _chain_at(t, tube, pos, pos, n, mask, band, model, carry, seen, 0)
    if since < REPEAT_S * 1e6:
        if axles:
            return pos
        until = t[pos] + 0.5e6
        if not _explained(t, tube, pos, until, n, mask | ONE, band, model, carry, seen, 0.0):
            return pos
        counts[3] += 1
        carry[0].mask = mask >> ONE
        carry[0].last[x] = float(t[pos])
        return pos + 1
    if axles < 2:
        if axles == 0 and mask == NONE:
            return _lone(t, tube, pos, band, model, carry, out, counts, seen[0])
        return pos
    if axles > 2:
        axles = _one_or_two(t, seen[0], axles, model, x)
        if axles == 0:
            return pos
    if behind(carry[0].ends[x], carry[0].speeds[x], float(t[pos]), model) < 2 * TIGHT:
        return pos
    first, last = seen[0, 0, 0], seen[0, 0, axles - 1]
    lag = (t[seen[0, 1, 0]] - t[first]) * 1e-6
    v = model.way[x] / lag
    mine = mask | _bits(seen[0], axles, pos)
    car = axles == 2 and (t[last] - t[first]) * 1e-6 * v < CAR_M
    until = t[last] + ((LONGEST_FIRST_M if car else LONGEST_M) + model.way[x]) / v * 1e6
    if until > t[pos] + 0.4 * REACH_US or not _explained(
        t, tube, pos, until, n, mine, band, model, carry, seen, v
    ):
        return pos
    measure(
        t, seen[0, 0], seen[0, 1], axles, x, model, lag, float(t[pos]), SURE, out, counts
    )  # fmt: skip
    carry[0].ends[x], carry[0].speeds[x] = float(t[last]), v
    carry[0].last[x] = float(t[pos])
    carry[0].mask = mine >> ONE
    return pos + 1


@njit(cache=True)  # type: ignore[untyped-decorator]
def _explained(
    t: Any,
    tube: Any,
    pos: int,
    until: float,
    n: int,
    mask: Any,
    band: tuple[float, float],
    model: Model,
    carry: Any,
    seen: Any,
    v: float,
) -> bool:
    """Return whether every pulse until then is taken, or a repeat, or begins a chain of its own."""
    for q in range(pos + 1, n):
        if t[q] > until:
            return True
        if (mask >> np.uint64(q - pos)) & ONE:
            continue
        axles = _chain_at(t, tube, pos, q, n, mask, band, model, carry, seen, 1)
        if axles >= 2:
            mask |= _bits(seen[1], axles, pos)
            continue
        close_us = max(model.repeat_us, min(SHORTEST_M / max(v, 1.0) * 1e6, REPEAT_S * 1e6))
        if axles or not _repeats(t, tube, q, pos, carry[0].last[tube[q]], close_us):
            return False
    return n < pos + WINDOW


@njit(cache=True)  # type: ignore[untyped-decorator]
def _one_or_two(t: Any, seen: Any, axles: int, model: Model, x: int) -> int:
    """Return how many of a chain's axles are the first vehicle's, 0 where that is not sure."""
    whole = _density(t, seen, 0, axles, model, x)
    best, second, cut = whole, -1e300, axles
    for k in range(2, axles - 1):
        front, rear = _density(t, seen, 0, k, model, x), _density(t, seen, k, axles, model, x)
        end, start = float(t[seen[0, k - 1]]), float(t[seen[0, k]])
        v = model.way[x] / (t[seen[1, k - 1]] - t[seen[0, k - 1]]) * 1e6
        new = model.way[x] / (t[seen[1, k]] - t[seen[0, k]]) * 1e6
        both = front + rear + behind(end, v, start, model) + kin(end, v, start, new, model)
        if both > best:
            best, second, cut = both, best, k
        elif both > second:
            second = both
    return cut if best - second > SURE else 0


@njit(cache=True)  # type: ignore[untyped-decorator]
def _density(t: Any, seen: Any, begin: int, end: int, model: Model, x: int) -> float:
    """Return the log density of axles ``begin`` to ``end`` as one vehicle."""
    lag = (t[seen[1, begin]] - t[seen[0, begin]]) * 1e-6
    v = model.way[x] / lag
    score = model.start[x] + speed_density(model, v) + np.log(v / lag)
    d1, before = 0.0, 0.0
    for k in range(begin + 1, end):
        apart = (t[seen[0, k]] - t[seen[0, k - 1]]) * 1e-6
        spread = spread_of_lag(model, lag, v, apart)
        d = apart * v
        new_lag = (t[seen[1, k]] - t[seen[0, k]]) * 1e-6
        score += further(model, k - begin, d1, before, d) + np.log(v)
        score += lag_density(model, new_lag - lag, spread)
        if k == begin + 1:
            d1 = d
        before, lag = d, new_lag
        v = model.way[x] / lag
    return score + ending(model, end - begin, d1)


@njit(cache=True)  # type: ignore[untyped-decorator]
def _lone(
    t: Any,
    tube: Any,
    pos: int,
    band: tuple[float, float],
    model: Model,
    carry: Any,
    out: Out,
    counts: Any,
    seen: Any,
) -> int:
    """Hand out three pulses that stand alone: two axles of which one tube missed one."""
    if pos + 3 > len(t):
        return pos
    x, y, z = tube[pos], tube[pos + 1], tube[pos + 2]
    if x == y == z:
        return pos
    # the pulses of each reading: front axle's first and second tube, rear axle's
    if x != y and x == z:
        one = _three(t, pos, 0, 2, x, 0, 1, band, model)  # the last was missed
        other = _three(t, pos, 0, 2, y, 1, 2, band, model)  # or the first, the other way
        sense, rear = (x, False) if one >= other else (y, True)
        best, second = max(one, other), min(one, other)
        first, last = (pos, pos + 1) if not rear else (pos + 1, pos + 2)
    else:
        sense, rear = x, x == y
        first, last = (pos, pos + 1) if not rear else (pos + 1, pos + 2)
        apart = (0, 1) if rear else (1, 2)
        best = _three(t, pos, apart[0], apart[1], x, first - pos, last - pos, band, model)
        second = -1e300
    if best - second < SURE:
        return pos
    lag = (t[last] - t[first]) * 1e-6
    v = model.way[sense] / lag
    alone_us = LONGEST_M / v * 1e6
    if t[pos] - max(carry[0].last[0], carry[0].last[1]) < alone_us:
        return pos
    if pos + 3 < len(t) and t[pos + 3] - t[pos + 2] < alone_us:
        return pos
    start = float(t[pos])
    whole, half = (1, 0) if rear else (0, 1)
    seen[0, whole], seen[1, whole] = first, last
    single = pos if rear else pos + 2
    on_first = tube[single] == sense
    seen[0, half], seen[1, half] = (single, -1) if on_first else (-1, single)
    if rear and not on_first:
        start -= lag * 1e6
    measure(t, seen[0], seen[1], 2, sense, model, lag, start, SURE, out, counts)
    carry[0].ends[sense] = float(t[single] if on_first else t[single] - lag * 1e6)
    if rear:
        carry[0].ends[sense] = float(t[first])
    carry[0].speeds[sense] = v
    for k in range(pos, pos + 3):
        carry[0].last[tube[k]] = float(t[k])
    return pos + 3


@njit(cache=True)  # type: ignore[untyped-decorator]
def _three(
    t: Any, pos: int, a: int, b: int, sense: int, first: int, last: int, band: Any, model: Model
) -> float:
    """Return the log density of two axles: one strikes at ``first``, ``last``; ``a``, ``b`` are an axle apart.

    Those two pulses are of the same tube.
    """
    lag = (t[pos + last] - t[pos + first]) * 1e-6
    v = model.way[sense] / lag if lag > 0 else 1e9
    apart = (t[pos + b] - t[pos + a]) * 1e-6
    d = apart * v
    if not band[0] <= v <= band[1] or d < 1.0 or d > LONGEST_FIRST_M or apart < REPEAT_S:
        return -1e300
    score = model.start[sense] + speed_density(model, v) + np.log(v / lag)
    return score + further(model, 1, 0.0, 0.0, d) + np.log(v) + ending(model, 2, d)
