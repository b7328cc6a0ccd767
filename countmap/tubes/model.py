"""How likely a reading of pulses is: what holds for roads at large, then what the file itself shows.

All densities are logarithms, per second and metre: pulses are points in time, each explained by a
vehicle, as the repeat of a pulse just before, or as noise. The sum over all of them ranks readings.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from countmap.tubes.geometry import KMH, Geometry

if TYPE_CHECKING:
    from countmap.tubes.vehicles import Vehicles

Floats = NDArray[Any]

TOP_KMH = 240  # faster is no vehicle
BOTTOM_KMH = 4.0
BIN_M = 0.1
BINS = 160  # spacings up to 16 m, the longest axle spacing of road vehicles with a margin
CAR_M = 3.15  # a first spacing up to here is a car's: few of them go on to a third axle
CLOSE_M = 2.1  # closer axles are one group
CONTEXTS = 5  # first spacing; second after short, after long; later after close, after far
MOST_AXLES = 12
FOLLOW_S, FOLLOW_BINS = 0.2, 30  # time from a rear axle to the next front axle of the same sense
REPEAT_S = 0.06  # a bounce comes within this time after the pulse it repeats


# What the kernels need to score a reading, one record: ``way``, ``start`` by sense (A first, B first);
# ``speed`` by km/h, per m/s; ``spacing`` by context and 0.1 m, per m; ``more``, ``last`` by axles so far
# and context: the vehicle goes on to another axle, or ends. ``per_pulse`` is what a pulse of a usual
# car is worth; ``repeat_us`` the time within which no axle follows another; ``follow`` how much more
# often than at random a vehicle starts so soon behind another of its sense, by 0.2 s. Records, not
# arrays side by side: a kernel takes them by one pointer.
MODEL = np.dtype(
    [
        ("way", "f8", 2), ("start", "f8", 2), ("speed", "f8", TOP_KMH + 1),
        ("spacing", "f8", (CONTEXTS, BINS)), ("more", "f8", (MOST_AXLES + 1, 2)),
        ("last", "f8", (MOST_AXLES + 1, 2)), ("usual", "f8", 5), ("follow", "f8", FOLLOW_BINS),
        *((name, "f8") for name in (
            "miss", "hit", "repeat", "noise", "jitter_s", "pull", "first_share", "per_pulse",
            "repeat_us",
        )),
    ],
    align=True,
)  # fmt: skip
Model = Any


class Rates(NamedTuple):
    """What a decoded stretch shows beside its vehicles: seconds, pulses and what became of them."""

    seconds: float
    pulses: int
    repeats: int
    orphans: int
    halves: int


def _bell(x: NDArray[Any], mean: float, spread: float) -> Floats:
    return np.exp(-0.5 * ((x - mean) / spread) ** 2) / (spread * np.sqrt(2 * np.pi))


def _spacings() -> Floats:
    """Return densities of spacings for vehicles at large, (context, bin)."""
    x = (np.arange(BINS) + 0.5) * BIN_M
    flat = np.where((x > 0.7) & (x < 14), 1 / 13.3, 1e-6)
    car = 0.86 * _bell(x, 2.68, 0.22) + 0.08 * _bell(x, 3.4, 0.45) + 0.015 * _bell(x, 1.4, 0.15)
    far = 0.4 * _bell(x, 5.0, 1.0) + 0.6 * _bell(x, 7.5, 2.5)
    close = _bell(x, 1.32, 0.13)
    return np.stack(
        [
            car + 0.035 * _bell(x, 5.0, 0.9) + 0.01 * flat,
            0.80 * _bell(x, 3.8, 0.9) + 0.15 * close + 0.05 * flat,
            0.60 * close + 0.36 * far + 0.04 * flat,
            0.30 * close + 0.64 * far + 0.06 * flat,
            0.65 * close + 0.30 * far + 0.05 * flat,
        ]
    )


# at large: rarely within 0.4 s, more often than at random within 3 s
FOLLOW = np.array([0.1, 0.4, 0.9, *[1.5] * 12, *[1.0] * (FOLLOW_BINS - 15)])


def _goes_on() -> Floats:
    """Return the chance of a further axle, (axles so far, car or not)."""
    chance = np.full((MOST_AXLES + 1, 2), 0.55)
    chance[1] = 0.9985
    chance[2] = (0.012, 0.40)
    chance[3] = (0.40, 0.65)
    chance[4] = (0.10, 0.65)
    chance[5:] = 0.30
    chance[6:] = 0.12
    chance[MOST_AXLES] = 1e-9
    return chance


def generic(geometry: Geometry, rate_s: float) -> Model:
    """Return the model for a pair of which nothing is known but its geometry and pulse rate."""
    speeds = np.arange(TOP_KMH + 1) + 0.5
    density = 0.5 * _bell(speeds, 50, 14) + 0.4 * _bell(speeds, 80, 20) + 0.1 / TOP_KMH
    vehicles = max(rate_s / 4.3, 1e-4)
    return _model(
        geometry,
        starts=np.full(2, vehicles / 2),
        speed=density,
        spacing=_spacings(),
        goes_on=_goes_on(),
        rates=(0.03, 0.015, 0.01),
        jitter_s=1.2e-4,
        pull=0.3,
        follow=FOLLOW,
    )


def _model(
    geometry: Geometry,
    *,
    starts: Floats,
    speed: Floats,
    spacing: Floats,
    goes_on: Floats,
    rates: tuple[float, float, float],
    jitter_s: float,
    pull: float,
    follow: Floats,
) -> Model:
    miss, repeat, noise = rates
    speed = speed / speed.sum()
    heap = np.cumsum(speed)
    usual = np.searchsorted(heap, [0.1, 0.3, 0.5, 0.7, 0.9]) + 0.5
    spacing = np.maximum(spacing, 1e-7)
    spacing /= spacing.sum(axis=1, keepdims=True) * BIN_M
    v = usual[2] * KMH
    car = (
        np.log(starts.mean()) + np.log(speed[int(usual[2])] / KMH) + np.log(v * v / geometry.spacing_ab_m)
        + np.log(v) + np.log(spacing[0].max()) + np.log(0.4 / (2 * jitter_s)) + 4 * np.log1p(-miss)
    )  # fmt: skip
    model = np.zeros(1, MODEL)
    values = {
        "way": np.array([geometry.spacing_ab_m, geometry.spacing_ba_m]),
        "start": np.log(starts),
        "speed": np.log(np.maximum(speed, 1e-9) / KMH),
        "spacing": np.log(spacing),
        "more": np.log(goes_on),
        "last": np.log1p(-goes_on),
        "usual": usual * KMH,
        "miss": float(np.log(miss)),
        "hit": float(np.log1p(-miss)),
        "repeat": float(np.log(repeat / REPEAT_S)),
        "noise": float(np.log(noise)),
        "jitter_s": jitter_s,
        "pull": pull,
        "first_share": float(starts[0] / starts.sum()),
        "per_pulse": float(car / 4),
        "repeat_us": float(np.clip(0.45e6 / (usual[4] * KMH), 8e3, 25e3)),
        "follow": np.log(follow),
    }
    for name, value in values.items():
        model[name][0] = value
    return model


def learned(geometry: Geometry, found: Vehicles, seen: Rates) -> Model:
    """Return the model as the first pulses show it, what is thin filled from roads at large."""
    sure = found.complete >= 2
    speed = np.bincount(
        np.clip(found.speed_kmh[sure], 0, TOP_KMH).astype(int), minlength=TOP_KMH + 1
    ).astype(float)
    kernel = np.exp(-0.5 * (np.arange(-6, 7) / 2.0) ** 2)
    speed = np.convolve(speed, kernel / kernel.sum(), mode="same")
    total = max(speed.sum(), 1.0)
    speed = 0.97 * (speed + 1e-3) / total + 0.03 / TOP_KMH
    jitter, pull = _noise_of_lags(found)
    starts = np.array([np.sum(found.b_first == s) for s in (False, True)]) + 1.0
    pulses = max(seen.pulses, 1)
    return _model(
        geometry,
        starts=starts / max(seen.seconds, 1.0),
        speed=speed,
        spacing=_learned_spacings(found, sure),
        goes_on=_learned_lengths(found, sure),
        rates=(
            float(np.clip((seen.halves + 2) / (pulses + 100), 0.002, 0.2)),
            float(np.clip((seen.repeats + 1) / (pulses + 100), 0.001, 0.6)),
            float(np.clip((seen.orphans + 2) / (2 * max(seen.seconds, 60.0)), 1e-4, 5.0)),
        ),
        jitter_s=jitter,
        pull=pull,
        follow=_following(found, sure),
    )


def _following(found: Vehicles, sure: NDArray[np.bool_]) -> Floats:
    """Return how much more often than at random vehicles start so soon behind another."""
    owner = np.repeat(np.arange(len(found.axles)), np.maximum(found.axles - 1, 0))
    length = np.bincount(owner, found.spacings_m, minlength=len(found.axles))
    seen, out_of = np.zeros(FOLLOW_BINS), np.zeros(FOLLOW_BINS)
    for side in (False, True):
        here = np.flatnonzero(sure & (found.b_first == side))
        if len(here) < 2:
            continue
        rear = found.time_us[here] * 1e-6 + length[here] / (found.speed_kmh[here] * KMH)
        gap = found.time_us[here[1:]] * 1e-6 - rear[:-1]
        gap = gap[gap > 0]
        place = (gap / FOLLOW_S).astype(np.int64)
        hits = np.bincount(place[place < FOLLOW_BINS], minlength=FOLLOW_BINS)
        seen += hits
        left = len(gap) - np.cumsum(hits) + hits
        rate = len(gap) / max(float(gap.sum()), 1.0)
        out_of += left * rate * FOLLOW_S
    return (seen + 4 * FOLLOW) / (out_of + 4)


def _noise_of_lags(found: Vehicles) -> tuple[float, float]:
    """Return the jitter of one stamp (s) and the spread of accelerations (m/s²)."""
    # a lag differs from the next by four stamps' jitter, and by L·a·τ/v
    good = (found.complete >= 2) & np.isfinite(found.lag_change_s)
    change = np.abs(found.lag_change_s[good])
    if len(change) < 50:
        return 1.5e-4, 0.5
    jitter = float(np.clip(1.4826 * np.median(change) / 2, 2e-5, 1.5e-4))
    lever = found.lag_lever[good]
    pulls = np.median(change / np.maximum(lever, 1e-9)) * 1.4826
    own = np.median(2 * jitter / np.maximum(lever, 1e-9))
    return jitter, float(np.clip(np.sqrt(max(pulls**2 - own**2, 0.0)), 0.15, 1.5))


def _learned_spacings(found: Vehicles, sure: NDArray[np.bool_]) -> Floats:
    counts = np.zeros((CONTEXTS, BINS))
    owner = np.repeat(np.arange(len(found.axles)), np.maximum(found.axles - 1, 0))
    place = np.arange(len(owner)) - found.starts[owner]
    d = found.spacings_m
    keep = sure[owner] & np.isfinite(d) & (d > 0) & (d < BINS * BIN_M)
    before = np.where(place > 0, np.roll(d, 1), np.nan)
    context = np.where(
        place == 0,
        0,
        np.where(place == 1, np.where(before < CAR_M, 1, 2), np.where(before < CLOSE_M, 3, 4)),
    )
    np.add.at(counts, (context[keep], (d[keep] / BIN_M).astype(int)), 1.0)
    kernel = np.array([0.15, 0.7, 0.15])
    for row in counts:
        row[:] = np.convolve(row, kernel, mode="same")
    prior = _spacings() * BIN_M
    weight = np.array([40.0, 15.0, 15.0, 15.0, 15.0])[:, None]
    return counts + weight * prior


def _learned_lengths(found: Vehicles, sure: NDArray[np.bool_]) -> Floats:
    first = np.full(len(found.axles), np.nan)
    some = found.axles >= 2
    first[some] = found.spacings_m[found.starts[some]]
    column = np.where(first < CAR_M, 0, 1)
    chance = _goes_on()
    for n in range(2, 9):
        for side in (0, 1):
            here = sure & (column == side) & (found.axles >= n)
            more = int(np.sum(found.axles[here] > n))
            weight = 30.0
            chance[n, side] = (more + weight * chance[n, side]) / (int(here.sum()) + weight)
    return chance
