"""Candidate vehicles that begin with a given pulse, grown axle by axle (kernels).

The lag of the next axle is expected from the last complete one, so a vehicle that brakes holds
together; an axle seen on one tube alone costs a miss. A candidate is a bit mask over the next 64
pulses with the log density of what it explains.
"""
# ruff: noqa: PLR0917  # kernels take their arrays one by one

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

from countmap.tubes.model import BIN_M, BINS, CAR_M, CLOSE_M, MOST_AXLES, TOP_KMH, Model

WINDOW = 64  # pulses a candidate can reach over
REACH_US = 10_000_000  # and time: 13 m at 5 km/h
POOL = 8192
PER_START = 60
SHORTEST_M, LONGEST_M = 0.75, 13.5
LONGEST_FIRST_M = 9.0
WEAK = 14.0  # a candidate so far behind the best of its start is given up
HOPELESS = 22.0  # beginnings so far behind usual cars are not grown
PLAIN = -7.0  # whole first axles are grown at once down to here, the others beside half-seen ones
CLEAN = 4.0  # a best candidate within this of a usual car leaves no room for half-seen beginnings
NEVER = -1e300


# Candidates since the last commit, those still growing among them. ``seen``: its pulses by axle and
# tube, counted from ``start``; -1 for a miss.
CANDIDATE = np.dtype(
    [
        ("mask", "u8"), ("start", "i8"), ("score", "f8"), ("ended", "f8"), ("hope", "f8"),
        ("lag", "f8"), ("first_us", "f8"), ("last_us", "f8"), ("first_lag", "f8"), ("d1", "f8"),
        ("d", "f8"), ("sense", "i4"), ("axles", "i4"), ("halves", "i4"),
        ("seen", "i1", (MOST_AXLES, 2)),
    ],
    align=True,
)  # fmt: skip
Pool = Any


def new_pool() -> Any:
    """Return an empty pool."""
    return np.zeros(POOL, CANDIDATE)


@njit(cache=True, inline="always")  # type: ignore[untyped-decorator]
def speed_density(model: Model, v: float) -> float:
    """Return the log density of a speed in m/s, per m/s."""
    return model.speed[min(int(v * 3.6), TOP_KMH)]


@njit(cache=True)  # type: ignore[untyped-decorator]
def further(model: Model, n: int, d1: float, before: float, d: float) -> float:
    """Return the log density of another axle ``d`` metres behind the ``n``-th, per metre."""
    if n == 1:
        context = 0
    elif n == 2:
        context = 1 if d1 < CAR_M else 2
    else:
        context = 3 if before < CLOSE_M else 4
    place = min(int(d / BIN_M), BINS - 1)
    side = 0 if n > 1 and d1 < CAR_M else 1
    return model.more[n, side] + model.spacing[context, place]


@njit(cache=True, inline="always")  # type: ignore[untyped-decorator]
def ending(model: Model, n: int, d1: float) -> float:
    """Return the log chance that a vehicle of ``n`` axles ends there."""
    return model.last[n, 0 if n > 1 and d1 < CAR_M else 1]


@njit(cache=True)  # type: ignore[untyped-decorator]
def spread_of_lag(model: Model, lag: float, v: float, apart: float) -> float:
    """Return the standard deviation (s) of the next lag, ``apart`` seconds on."""
    drift = lag * apart / v * model.pull
    return np.sqrt(4 * model.jitter_s**2 + drift * drift)


@njit(cache=True)  # type: ignore[untyped-decorator]
def lag_density(model: Model, off: float, spread: float) -> float:
    """Return the log density of a lag that is ``off`` seconds off what was expected."""
    near = 0.96 / spread * np.exp(-0.5 * (off / spread) ** 2)
    wide = 6 * spread
    far = 0.04 / wide * np.exp(-0.5 * (off / wide) ** 2)
    return np.log(0.3989423 * (near + far) + 1e-12)


@njit(cache=True)  # type: ignore[untyped-decorator]
def _begin(
    pool: Pool, at: int, i: int, sense: int, first: int, second: int, lag: float, when: float
) -> None:
    pool[at].start = i
    pool[at].sense = sense
    pool[at].axles = 1
    pool[at].lag = lag
    pool[at].first_lag = lag
    pool[at].first_us = when
    pool[at].last_us = when
    pool[at].d1 = 0.0
    pool[at].d = 0.0
    pool[at].halves = 0 if first >= 0 and second >= 0 else 1
    pool[at].seen[0, 0] = first - i if first >= 0 else -1
    pool[at].seen[0, 1] = second - i if second >= 0 else -1
    mask = np.uint64(0)
    if first >= 0:
        mask |= np.uint64(1) << np.uint64(first - i)
    if second >= 0:
        mask |= np.uint64(1) << np.uint64(second - i)
    pool[at].mask = mask


@njit(cache=True)  # type: ignore[untyped-decorator]
def _append(
    model: Model,
    pool: Pool,
    source: int,
    at: int,
    first: int,
    second: int,
    lag: float,
    when: float,
    d: float,
    score: float,
) -> None:
    pool[at] = pool[source]
    i = pool[source].start
    n = pool[source].axles
    pool[at].axles = n + 1
    pool[at].seen[n, 0] = first - i if first >= 0 else -1
    pool[at].seen[n, 1] = second - i if second >= 0 else -1
    mask = pool[at].mask
    if first >= 0:
        mask |= np.uint64(1) << np.uint64(first - i)
    if second >= 0:
        mask |= np.uint64(1) << np.uint64(second - i)
    pool[at].mask = mask
    if first < 0 or second < 0:
        pool[at].halves += 1
    if n == 1:
        pool[at].d1 = d
    pool[at].d = d
    pool[at].lag = lag
    pool[at].last_us = when
    pool[at].score = score
    pool[at].ended = score + ending(model, n + 1, pool[at].d1)


@njit(cache=True)  # type: ignore[untyped-decorator]
def candidates(t: Any, tube: Any, i: int, model: Model, pool: Pool, begin: int) -> int:
    """Fill ``pool`` from row ``begin`` with candidates that begin with pulse ``i``.

    Returns the row after the last. A row with ``ended == NEVER`` is no vehicle by itself.
    """
    top = min(len(t), i + WINDOW)
    most = min(begin + PER_START, POOL)
    end = _first_axles(t, tube, i, top, model, pool, begin)
    end, best = _grown(t, tube, top, model, pool, begin, begin, end, most, NEVER, PLAIN)
    if best < -CLEAN:
        middle = end
        end = _half_first(t, tube, i, top, model, pool, end, most)
        end, best = _grown(t, tube, top, model, pool, begin, middle, end, most, best, NEVER)
    kept = begin
    for at in range(begin, end):
        if _worth(model, pool, at, pool[at].ended) >= best - WEAK:
            if kept != at:
                pool[kept] = pool[at]
            kept += 1
    return kept


@njit(cache=True)  # type: ignore[untyped-decorator]
def _worth(model: Model, pool: Pool, at: int, score: float) -> float:
    """Return a score less what its pulses are worth in usual cars: 0 is as good as those."""
    return score - model.per_pulse * (2 * pool[at].axles - pool[at].halves)


@njit(cache=True)  # type: ignore[untyped-decorator]
def _hope(model: Model, pool: Pool, at: int) -> float:
    """Return the worth of a candidate that may grow, NEVER if it cannot."""
    if pool[at].lag <= 0 or pool[at].axles >= MOST_AXLES:
        return NEVER
    return _worth(model, pool, at, pool[at].score)


@njit(cache=True)  # type: ignore[untyped-decorator]
def _grown(
    t: Any,
    tube: Any,
    top: int,
    model: Model,
    pool: Pool,
    begin: int,
    fresh: int,
    end: int,
    most: int,
    best: float,
    floor: float,
) -> tuple[int, float]:
    """Grow candidates, the most promising first; those from ``fresh`` on are new.

    First axles alone that promise less than ``floor`` wait.
    Returns the end and the best worth.
    """
    for k in range(fresh, end):
        best = max(best, _worth(model, pool, k, pool[k].ended))
        pool[k].hope = _hope(model, pool, k)
    while end < most:
        pick = -1
        for k in range(begin, end):
            if pool[k].axles == 1 and pool[k].hope < floor:
                continue
            if pick < 0 or pool[k].hope > pool[pick].hope:
                pick = k
        if pick < 0 or pool[pick].hope <= best - WEAK:
            break
        pool[pick].hope = NEVER
        had = end
        end = _grow(t, tube, pick, top, model, pool, end, most)
        for k in range(had, end):
            best = max(best, _worth(model, pool, k, pool[k].ended))
            pool[k].hope = _hope(model, pool, k)
    return end, best


@njit(cache=True)  # type: ignore[untyped-decorator]
def _first_axles(t: Any, tube: Any, i: int, top: int, model: Model, pool: Pool, end: int) -> int:
    """Add the candidates whose first axle is whole: pulse ``i`` and one on the other tube."""
    sense = tube[i]
    way = model.way[sense]
    added = 0
    for j in range(i + 1, top):
        lag = (t[j] - t[i]) * 1e-6
        if lag * 1.1 > way:  # below 4 km/h
            break
        if tube[j] == sense or lag * 66.0 < way:
            continue
        v = way / lag
        _begin(pool, end, i, sense, i, j, lag, float(t[i]))
        score = model.start[sense] + speed_density(model, v) + np.log(v / lag) + 2 * model.hit
        pool[end].score = score
        pool[end].ended = score + ending(model, 1, 0.0)
        end += 1
        added += 1
        if added == 10:
            break
    return end


@njit(cache=True)  # type: ignore[untyped-decorator]
def _half_first(
    t: Any, tube: Any, i: int, top: int, model: Model, pool: Pool, end: int, most: int
) -> int:
    """Add the candidates whose first axle was missed on one tube.

    Pulse ``i`` is the first tube's (H2) or the second's (H3); the lag comes from the next axle, or
    from the usual speeds where that was half seen too.
    """
    slowest = model.usual[0] * 0.6
    base = model.miss + model.hit
    for k in range(i + 1, min(top, i + 12)):
        apart = (t[k] - t[i]) * 1e-6
        if apart * slowest > LONGEST_FIRST_M:
            break
        if end + 4 >= most:
            break
        end = _two_halves(i, k, apart, tube, t, model, pool, end)
        first_tube = tube[k]
        way = model.way[first_tube]
        taken = 0
        for m in range(k + 1, min(top, k + 10)):
            lag = (t[m] - t[k]) * 1e-6
            if lag * slowest > way:
                break
            if tube[m] == first_tube or lag * 66.0 < way:
                continue
            v = way / lag
            seen_first = tube[i] == first_tube
            d = (apart if seen_first else (t[m] - t[i]) * 1e-6) * v
            if d < SHORTEST_M or d > LONGEST_FIRST_M:
                continue
            when = float(t[i]) if seen_first else t[i] - lag * 1e6
            score = (
                model.start[first_tube] + base + speed_density(model, v) + np.log(v / lag)
                + further(model, 1, 0.0, 0.0, d) + np.log(v) + 2 * model.hit
            )  # fmt: skip
            if score - 3 * model.per_pulse < -HOPELESS:
                continue
            if seen_first:
                _begin(pool, end, i, first_tube, i, -1, 0.0, when)
            else:
                _begin(pool, end, i, first_tube, -1, i, 0.0, when)
            pool[end].first_lag = lag
            _append(model, pool, end, end, k, m, lag, float(t[k]), d, score)
            end += 1
            taken += 1
            if taken == 3 or end + 4 >= most:
                break
    return end


@njit(cache=True)  # type: ignore[untyped-decorator]
def _two_halves(
    i: int, k: int, apart: float, tube: Any, t: Any, model: Model, pool: Pool, end: int
) -> int:
    """Add vehicles of two axles each seen on one tube: on the same, or on one each."""
    cost = 2 * (model.miss + model.hit)
    if tube[i] == tube[k]:
        # the sense is a toss, drawn by the share of the senses: no sense gains by it
        draw = ((t[i] // 7) * 2654435761 % 1000) / 1000.0
        sense = 0 if draw < model.first_share else 1
        score = NEVER
        for v in model.usual:
            d = apart * v
            if SHORTEST_M < d < LONGEST_FIRST_M:
                score = np.logaddexp(score, further(model, 1, 0.0, 0.0, d) + np.log(v))
        score += cost + np.logaddexp(model.start[0], model.start[1]) - np.log(len(model.usual))
        if score - 2 * model.per_pulse < -HOPELESS:
            return end
        lag = model.way[sense] / model.usual[2]
        on_first = tube[i] == sense
        when = float(t[i]) if on_first else t[i] - lag * 1e6
        _begin(pool, end, i, sense, i if on_first else -1, -1 if on_first else i, 0.0, when)
        pool[end].first_lag = lag
        _append(
            model, pool, end, end, k if on_first else -1, -1 if on_first else k,
            0.0, when + apart * 1e6, apart * model.usual[2], score,
        )  # fmt: skip
        return end + 1
    for sense in range(2):
        way = model.way[sense]
        on_first = tube[i] == sense
        sign = -1.0 if on_first else 1.0
        score, mean, total = NEVER, 0.0, 0.0
        for v in model.usual:
            d = apart * v + sign * way
            if SHORTEST_M < d < LONGEST_FIRST_M:
                one = further(model, 1, 0.0, 0.0, d) + np.log(v)
                score = np.logaddexp(score, one)
                mean += v * np.exp(one)
                total += np.exp(one)
        score += cost + model.start[sense] - np.log(len(model.usual))
        if total <= 0 or score - 2 * model.per_pulse < -HOPELESS:
            continue
        v = mean / total
        lag = way / v
        when = float(t[i]) if on_first else t[i] - lag * 1e6
        _begin(pool, end, i, sense, i if on_first else -1, -1 if on_first else i, 0.0, when)
        pool[end].first_lag = lag
        d = apart * v + sign * way
        _append(
            model, pool, end, end, -1 if on_first else k, k if on_first else -1,
            0.0, when + d / v * 1e6, d, score,
        )  # fmt: skip
        end += 1
    return end


@njit(cache=True)  # type: ignore[untyped-decorator]
def _grow(
    t: Any, tube: Any, at: int, top: int, model: Model, pool: Pool, end: int, most: int
) -> int:
    """Add every continuation of candidate ``at`` by one axle."""
    i, sense, n = pool[at].start, pool[at].sense, pool[at].axles
    lag, last = pool[at].lag, pool[at].last_us
    v = model.way[sense] / lag
    lag_us = lag * 1e6
    near, far = last + SHORTEST_M / v * 1e6, last + LONGEST_M / v * 1e6
    far = min(far, float(t[i] + REACH_US))
    mask, score, log_v = pool[at].mask, pool[at].score, np.log(v)
    for q in range(i + 1, top):
        if t[q] < near:
            continue
        if t[q] > far + lag_us or end >= most:
            break
        if (mask >> np.uint64(q - i)) & np.uint64(1):
            continue
        on_first = tube[q] == sense
        when = float(t[q]) if on_first else t[q] - lag_us
        if when < near or when > far:
            continue
        apart = (when - last) * 1e-6
        d = apart * v
        spread = spread_of_lag(model, lag, v, apart)
        wide_us = min(8 * spread, 0.3 * lag) * 1e6
        partner, off = _partner(t, tube, q, i, top, mask, on_first, lag_us, wide_us)
        if partner >= 0 and not on_first:
            continue  # that axle is taken up from its pulse on the first tube
        step = score + further(model, n, pool[at].d1, pool[at].d, d) + log_v
        if partner >= 0:
            new_lag = lag + off * 1e-6
            full = step + 2 * model.hit + lag_density(model, off * 1e-6, spread)
            if full > score + 2 * model.per_pulse - WEAK:
                _append(model, pool, at, end, q, partner, new_lag, when, d, full)
                end += 1
            if abs(off) * 1e-6 < 3.0 * spread:
                if n == 1 and end + 2 <= most:  # one of the two may be another vehicle's
                    half = step + model.miss + model.hit
                    _append(model, pool, at, end, q, -1, lag, when, d, half)
                    _append(model, pool, at, end + 1, -1, partner, lag, when, d, half)
                    end += 2
                break  # an axle of the same lag cannot be passed over
        if end < most and (partner < 0 or abs(off) * 1e-6 > 2.5 * spread):
            half = step + model.miss + model.hit
            if half > score + model.per_pulse - WEAK:
                first, second = (q, -1) if on_first else (-1, q)
                _append(model, pool, at, end, first, second, lag, when, d, half)
                end += 1
    return end


@njit(cache=True)  # type: ignore[untyped-decorator]
def _partner(
    t: Any,
    tube: Any,
    q: int,
    i: int,
    top: int,
    mask: Any,
    on_first: bool,
    lag_us: float,
    wide_us: float,
) -> tuple[int, float]:
    """Return the pulse on the other tube nearest to where it is expected, and how far off."""
    best, off = -1, 0.0
    expected = t[q] + lag_us if on_first else t[q] - lag_us
    step = 1 if on_first else -1
    p = q + step
    while i < p < top:
        away = t[p] - expected
        if (step > 0 and away > wide_us) or (step < 0 and away < -wide_us):
            break
        if (
            tube[p] != tube[q]
            and abs(away) <= wide_us
            and not (mask >> np.uint64(p - i)) & np.uint64(1)
            and (best < 0 or abs(away) < abs(off))
        ):
            best, off = p, away
        p += step
    return best, off
