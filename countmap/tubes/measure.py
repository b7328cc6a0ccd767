"""What a vehicle measures: speed from all its axles, spacings from both tubes (kernels)."""
# ruff: noqa: PLR0917  # kernels take their arrays one by one

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numba import njit

from countmap.tubes.model import Model

VEHICLE = np.dtype(
    [
        ("time", "i8"), ("speed", "f8"), ("change", "f8"), ("lever", "f8"), ("confidence", "f4"),
        ("axles", "i2"), ("complete", "i2"), ("pulses", "i2"), ("sense", "?"), ("accelerating", "?"),
    ],
    align=True,
)  # fmt: skip


class Out(NamedTuple):
    """What is handed out: vehicles, their spacings one after the other, stamps of orphans."""

    vehicles: Any
    spacings: Any
    orphans: Any


def new_out(pulses: int) -> Out:
    """Return room for what ``pulses`` pulses can give."""
    n = pulses + 1
    return Out(np.empty(n, VEHICLE), np.empty(n), np.empty(n, np.int64))


@njit(cache=True)  # type: ignore[untyped-decorator]
def measure(
    t: Any,
    firsts: Any,
    seconds: Any,
    axles: int,
    sense: int,
    model: Model,
    lag_guess: float,
    first_us: float,
    margin: float,
    out: Out,
    counts: Any,
) -> None:
    """Write one vehicle: speed from all axles, spacings from both tubes."""
    way = model.way[sense]
    complete, seen = 0, 0
    total, first_lag, last_lag, first_at, last_at = 0.0, 0.0, 0.0, 0.0, 0.0
    change, lever = np.nan, np.nan
    for k in range(axles):
        seen += (firsts[k] >= 0) + (seconds[k] >= 0)
        if firsts[k] < 0 or seconds[k] < 0:
            continue
        lag = (t[seconds[k]] - t[firsts[k]]) * 1e-6
        here = (t[firsts[k]] - first_us) * 1e-6
        if complete == 0:
            first_lag, first_at = lag, here
        elif complete == 1:
            change = lag - first_lag
            lever = first_lag * (here - first_at) / (way / first_lag)
        last_lag, last_at = lag, here
        total += lag
        complete += 1
    lag = total / complete if complete else lag_guess
    v = way / lag
    at = counts[0]
    out.vehicles[at].accelerating = False
    pull = 0.0
    if complete >= 2:
        pull = way / last_lag - way / first_lag
        noise = 2 * model.jitter_s * v / lag
        out.vehicles[at].accelerating = abs(pull) > 0.03 * v and abs(pull) > 4 * noise
        pull = pull / (last_at - first_at) if abs(pull) > 4 * noise else 0.0
    middle = 0.5 * (first_at + last_at)
    # half-seen axles are set where the speed at their place puts them
    before = 0.0
    for k in range(axles):
        if firsts[k] >= 0:
            here = (t[firsts[k]] - first_us) * 1e-6
            if seconds[k] >= 0:
                here = 0.5 * (here + (t[seconds[k]] - first_us) * 1e-6 - lag)
        else:
            local = v + pull * ((t[seconds[k]] - first_us) * 1e-6 - lag - middle)
            here = (t[seconds[k]] - first_us) * 1e-6 - way / max(local, 0.3 * v)
        if k:
            local = v + pull * (0.5 * (here + before) + 0.5 * lag - middle - 0.5 * lag)
            out.spacings[counts[1]] = (here - before) * local
            counts[1] += 1
        before = here
    out.vehicles[at].time = np.int64(np.floor(first_us + 0.5))
    out.vehicles[at].sense = sense == 1
    out.vehicles[at].speed = v * 3.6
    out.vehicles[at].axles = axles
    out.vehicles[at].complete = complete
    out.vehicles[at].pulses = seen
    sure = 1.0 / (1.0 + np.exp(-margin))
    out.vehicles[at].confidence = (
        sure if complete else 0.5
    )  # no axle on both tubes: the sense is a toss
    out.vehicles[at].change = change
    out.vehicles[at].lever = lever
    counts[0] += 1
