"""Simulated traffic over a pair of tubes: vehicles as the truth, pulses as a counter stamps them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from countmap.schemes.reader import Scheme
from countmap.tubes.classify import classify
from countmap.tubes.pulses import Decoded

TUNING_SEEDS = (101, 102, 103)
FRESH_SEEDS = (9001, 9002, 9003, 9004)  # for reports alone

# share of the heavy fleet, axle spacings (m), relative spread of each
LORRIES = (
    (0.38, (4.6,), 0.16),
    (0.08, (6.1,), 0.05),
    (0.14, (4.4, 1.35), 0.08),
    (0.05, (1.9, 3.6, 1.35), 0.04),
    (0.07, (3.7, 7.2), 0.06),
    (0.06, (3.7, 6.6, 1.3), 0.05),
    (0.10, (3.7, 5.6, 1.31, 1.31), 0.04),
    (0.08, (3.8, 1.35, 7.5, 1.3), 0.05),
    (0.04, (4.7, 1.35, 5.2, 1.3, 1.3), 0.03),
)
CARS = ((0.80, 2.65, 0.11), (0.16, 3.02, 0.09), (0.01, 1.42, 0.06))  # share, wheelbase, spread
TRAILER = 0.015  # of the cars tow one axle, 4.2 m behind
TOWED_TWO = 0.005


@dataclass(frozen=True)
class World:
    """What traffic and tubes are like. Lengths in metres, times in seconds."""

    flow: float = 600.0  # both senses, vehicles an hour
    hours: float = 4.0
    heavy: float = 0.10
    speed: float = 60.0
    spread: float = 10.0
    share_ab: float = 0.5
    gap: float = 0.8  # least time from a rear axle to the next front axle
    platoon: float = 0.0  # share of vehicles that follow at the least gap
    pull: float = 0.0  # acceleration, m/s², of either sign
    spacing: float = 1.0
    longer_b: float = 0.05
    skew: float = 0.0
    taper: float = 0.0  # far kerb less near kerb; A first drives near
    miss: float = 0.02
    bounce: float = 0.01
    jitter: float = 1e-4
    noise: float = 0.0  # pulses an hour on each tube
    dead: float = 5e-3
    c: float = 340.0


@dataclass(frozen=True)
class Truth:
    """The vehicles that crossed, by time of the front axle on its first tube."""

    time: np.ndarray
    b_first: np.ndarray
    speed: np.ndarray
    axles: np.ndarray
    spacings: np.ndarray
    starts: np.ndarray


def _fleet(rng, n, heavy):
    """Return the spacings of ``n`` vehicles as a list of arrays."""
    kinds = rng.random(n) < heavy
    shares = np.array([s for s, *_ in CARS])
    which = rng.choice(len(CARS), n, p=shares / shares.sum())
    lorry = rng.choice(len(LORRIES), n, p=np.array([s for s, *_ in LORRIES]) / 1.0)
    tows = rng.random(n)
    layouts = []
    for k in range(n):
        if kinds[k]:
            _, spacings, spread = LORRIES[lorry[k]]
            d = np.array(spacings)
            wide = np.where(d < 2, 0.02, spread)
            layouts.append(d * (1 + wide * rng.standard_normal(len(d))))
            continue
        _, mean, spread = CARS[which[k]]
        d = [mean + spread * rng.standard_normal()]
        if mean > 2 and tows[k] < TRAILER:
            d += [4.2 + 0.4 * rng.standard_normal()]
        elif mean > 2 and tows[k] < TRAILER + TOWED_TWO:
            d += [4.8 + 0.4 * rng.standard_normal(), 0.85 + 0.02 * rng.standard_normal()]
        layouts.append(np.array(d))
    return layouts


def simulate(world: World, seed: int) -> tuple[np.ndarray, np.ndarray, Truth]:
    """Return stamps (µs, sorted), tubes (0 A, 1 B) and the truth."""
    rng = np.random.default_rng(seed)
    when, tube = [], []
    cars = {"time": [], "b_first": [], "speed": [], "layout": []}
    for sense, share in ((0, world.share_ab), (1, 1 - world.share_ab)):
        n = rng.poisson(world.flow * share * world.hours)
        if n == 0:
            continue
        layouts = _fleet(rng, n, world.heavy)
        speed = np.clip(rng.normal(world.speed, world.spread, n), 8, 160) / 3.6
        free = rng.exponential(1.0, n)
        close = rng.random(n) < world.platoon
        wobble = rng.normal(0, 1.0, n)
        lengths = np.array([d.sum() for d in layouts])
        starts = np.empty(n)
        rear = -10.0
        scale = world.hours * 3600 / n
        spent = 0.0
        for k in range(n):
            spent += free[k] * scale
            start = rear + world.gap if close[k] else max(spent, rear + world.gap)
            if start - rear < 3.0 and k:
                speed[k] = np.clip(speed[k - 1] + wobble[k] * 0.6, 2.2, 45)
            starts[k] = start
            rear = start + lengths[k] / speed[k]
        pull = world.pull * rng.choice([-1.0, 1.0], n)
        offset = world.taper * (0.25 if sense == 0 else 0.75)
        way = (world.spacing + offset) / np.cos(np.deg2rad(world.skew))
        side = 1.0 if sense == 0 else -1.0
        for k in range(n):
            behind = np.concatenate([[0.0], np.cumsum(layouts[k])])
            half = way / 2
            for line, first in ((0.0, True), (way, False)):
                at = (0 if first else 1) ^ sense
                for y in (-0.75, 0.75):
                    x = behind + line + y * np.tan(np.deg2rad(world.skew)) * side - half
                    if pull[k]:
                        root = np.maximum(speed[k] ** 2 + 2 * pull[k] * x, 0.25)
                        t = 2 * x / (speed[k] + np.sqrt(root))
                    else:
                        t = x / speed[k]
                    t = t + half / speed[k] + starts[k]
                    t = t + (y + 0.75) / world.c + (world.longer_b / world.c if at else 0.0)
                    when.append(t)
                    tube.append(np.full(len(t), at))
        cars["time"].append(starts)
        cars["b_first"].append(np.full(n, sense == 1))
        cars["speed"].append(speed * 3.6)
        cars["layout"] += layouts
    times, tubes = _stamped(np.concatenate(when), np.concatenate(tube), world, rng)
    return times, tubes, _truth(cars)


def _truth(cars):
    time = np.concatenate(cars["time"])
    order = np.argsort(time, kind="stable")
    layouts = [cars["layout"][k] for k in order]
    counts = np.array([len(d) for d in layouts])
    return Truth(
        time[order],
        np.concatenate(cars["b_first"])[order],
        np.concatenate(cars["speed"])[order],
        counts + 1,
        np.concatenate(layouts),
        np.cumsum(counts) - counts,
    )


def _stamped(times, tubes, world, rng):
    """Merge wheels within the dead time, then miss, bounce, add noise, jitter, stamp."""
    kept_t, kept_x = [], []
    for x in (0, 1):
        t = np.sort(times[tubes == x])
        close = np.diff(t, prepend=-1e9) < world.dead
        t = t[~close]
        t = t[rng.random(len(t)) >= world.miss]
        again = t[rng.random(len(t)) < world.bounce]
        again = again + rng.uniform(world.dead + 1e-3, 0.04, len(again))
        strange = rng.uniform(0, world.hours * 3600, rng.poisson(world.noise * world.hours))
        t = np.concatenate([t, again, strange])
        t = t + world.jitter * rng.standard_normal(len(t))
        kept_t.append(t)
        kept_x.append(np.full(len(t), x, np.int8))
    t, x = np.concatenate(kept_t), np.concatenate(kept_x)
    stamps = np.round((t + 100) * 1e6).astype(np.int64)
    order = np.lexsort((x, stamps))
    return stamps[order], x[order]


def score(found: Decoded, truth: Truth, scheme: Scheme, *, hours: float) -> dict[str, float]:
    """Return how right the decoded vehicles are, as shares of the true ones.

    A decoded vehicle is a true one's if its front axle lies within 0.2 s and the sense is right;
    true vehicles left over are sought among those of the other sense.
    """
    v = found.vehicles
    time = v.time_us * 1e-6 - 100
    mate = np.full(len(truth.time), -1)
    used = np.zeros(len(v), bool)
    for same in (True, False):
        for b in (False, True):
            left = np.flatnonzero((truth.b_first == b) & (mate < 0))
            pool = np.flatnonzero((v.b_first == (b if same else not b)) & ~used)
            for k in left:
                at = np.searchsorted(time[pool], truth.time[k])
                near = [p for p in pool[max(at - 2, 0) : at + 2] if not used[p]]
                near = [p for p in near if abs(time[p] - truth.time[k]) < 0.2]
                if near:
                    best = min(near, key=lambda p: abs(time[p] - truth.time[k]))
                    mate[k], used[best] = best, True
    got = mate >= 0
    m = mate[got]
    right_sense = v.b_first[m] == truth.b_first[got]
    axles = np.zeros(len(truth.time), bool)
    axles[got] = v.axles[m] == truth.axles[got]
    true_class = classify(truth.axles, truth.spacings, truth.starts, scheme)
    read_class = classify(v.axles, v.spacings_m, v.starts, scheme)
    classes = np.zeros(len(truth.time), bool)
    classes[got] = read_class[m] == true_class[got]
    heavy_ids = [n for n, c in enumerate(scheme.classes) if c.heavy]
    heavy = np.isin(true_class, heavy_ids)
    edges = np.arange(0, hours * 3600 + 1, 900.0)
    off, total, day = 0.0, 0.0, 0.0
    for b in (False, True):
        a = np.histogram(truth.time[truth.b_first == b], edges)[0]
        d = np.histogram(time[v.b_first == b], edges)[0]
        off += np.abs(a - d).sum()
        total += a.sum()
        day = max(day, abs(a.sum() - d.sum()) / max(a.sum(), 1))
    both = np.isfinite(v.speed_kmh[m]) & right_sense
    return {
        "quarter": off / total,
        "day": day,
        "sense": float(right_sense.sum() / max(got.sum(), 1)),
        "speed": float(np.abs(v.speed_kmh[m] - truth.speed[got])[both].mean()),
        "axles": float(axles.mean()),
        "class": float(classes.mean()),
        "heavy": float(classes[heavy].mean()),
    }


__all__ = ["FRESH_SEEDS", "TUNING_SEEDS", "Truth", "World", "replace", "score", "simulate"]
