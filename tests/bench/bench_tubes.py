"""Errors and time of the decoder on seeds never used to tune it, beside nearest-pulse pairing.

python tests/bench/bench_tubes.py > tests/bench/tubes.txt
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent.parent))

from made_tubes import World, score, simulate

from countmap.schemes.reader import load
from countmap.tubes.geometry import Geometry
from countmap.tubes.pulses import Decoded, decode, decode_chunks
from countmap.tubes.vehicles import Vehicles

SEED = 9107
GEOMETRY = Geometry(1.0, 1.0, 0.05)
SCHEME = load("austroads12")
CASES = {
    "100 veh/h": World(flow=100, hours=24),
    "300 veh/h": World(flow=300, hours=12),
    "600 veh/h": World(hours=16),
    "1200 veh/h": World(flow=1200, hours=8),
    "no misses": World(hours=6, miss=0.0),
    "5 % misses": World(hours=6, miss=0.05),
    "10 % misses": World(hours=6, miss=0.1),
    "2° skew": World(hours=6, skew=2),
    "5° skew": World(hours=6, skew=5),
    "0.3 m longer, not entered": World(hours=6, longer_b=0.35),
    "0.8 m/s²": World(hours=6, pull=0.8),
    "0.4 s behind, 30 % follow": World(hours=6, gap=0.4, platoon=0.3),
    "30 noise pulses/h a tube": World(hours=6, noise=30),
    "all unkind at once": World(
        hours=6, pull=0.8, gap=0.4, platoon=0.3, noise=30, miss=0.1, skew=5
    ),
}


def nearest(times: np.ndarray, tubes: np.ndarray) -> Decoded:
    """Pair each pulse on A with the nearest on B, group axles of a sense by gaps: the baseline."""
    a = pd.DataFrame({"t": times[tubes == 0]})
    b = pd.DataFrame({"t": times[tubes == 1] - round(GEOMETRY.delay_s * 1e6)})
    b["b"] = b["t"]
    pairs = pd.merge_asof(a, b, on="t", direction="nearest", tolerance=250_000).dropna()
    lag = (pairs["b"] - pairs["t"]).to_numpy() * 1e-6
    pairs = pairs.assign(lag=np.abs(lag), b_first=lag < 0)[np.abs(lag) > 0.015]
    pairs["when"] = np.minimum(pairs["t"], pairs["b"])
    pairs = pairs.sort_values(["b_first", "when"])
    gap = pairs.groupby("b_first")["when"].diff() * 1e-6 / pairs["lag"]
    pairs["vehicle"] = (~(gap < 12)).cumsum()
    pairs["d"] = gap.where(gap < 12)
    grouped = pairs.groupby("vehicle")
    head = grouped.agg(
        when=("when", "first"), b=("b_first", "first"), lag=("lag", "mean"), n=("lag", "size")
    )
    order = np.argsort(head["when"].to_numpy(), kind="stable")
    n = head["n"].to_numpy().astype(np.int16)[order]
    lists = grouped["d"].apply(lambda s: s.to_numpy()[1:]).to_numpy()[order]
    none = np.full(len(n), np.nan)
    vehicles = Vehicles(
        time_us=head["when"].to_numpy().astype(np.int64)[order],
        b_first=head["b"].to_numpy(bool)[order], speed_kmh=3.6 / head["lag"].to_numpy()[order],
        accelerating=np.zeros(len(n), bool), axles=n, spacings_m=np.concatenate(lists),
        confidence=none.astype(np.float32), complete=n, pulses=2 * n, lag_change_s=none,
        lag_lever=none,
    )  # fmt: skip
    empty = np.empty(0, np.int64)
    return Decoded(vehicles, empty, empty, empty.astype(bool), 0, len(times))


def row(name: str, world: World, how: str, found: Decoded, truth: object, took: float) -> str:
    """Return one line of the table."""
    r = score(found, truth, SCHEME, hours=world.hours)
    return (
        f"{name:26s} {how:8s} {100 * r['quarter']:8.2f} {100 * r['day']:7.2f} "
        f"{100 * r['sense']:7.2f} {r['speed']:7.3f} {100 * r['axles']:7.2f} "
        f"{100 * r['class']:7.2f} {100 * r['heavy']:7.2f} {took:8.2f}"
    )


def main() -> None:
    """Print the tables."""
    decode(*simulate(World(hours=0.3), 1)[:2], GEOMETRY)
    print(f"seed {SEED}; errors in %, speed in km/h, CPU seconds (learning included)")
    print(
        f"{'case':26s} {'how':8s} {'quarter':>8s} {'day':>7s} {'sense':>7s} {'speed':>7s} "
        f"{'axles':>7s} {'class':>7s} {'heavy':>7s} {'seconds':>8s}"
    )
    for name, world in CASES.items():
        times, tubes, truth = simulate(world, SEED)
        for how, run in (
            ("cover", lambda t=times, x=tubes: decode(t, x, GEOMETRY)),
            ("nearest", lambda t=times, x=tubes: nearest(t, x)),
        ):
            began = time.process_time()
            found = run()
            print(row(name, world, how, found, truth, time.process_time() - began), flush=True)
    for flow in (600, 1200):
        times, tubes, _ = simulate(World(flow=flow, hours=12_000 / flow), SEED)
        step = int(times[-1]) + 60_000_000
        copies = 30
        began = time.process_time()
        decode_chunks([(times + k * step, tubes) for k in range(copies)], GEOMETRY)
        took = time.process_time() - began
        began = time.process_time()
        nearest(np.concatenate([times + k * step for k in range(copies)]), np.tile(tubes, copies))
        slow = time.process_time() - began
        number = copies * len(times)
        print(
            f"{flow} veh/h: {number:,} pulses, cover {number / took / 1e6:.2f} M/s, "
            f"nearest {number / slow / 1e6:.2f} M/s; cover takes {took / slow:.1f} times as long"
        )


if __name__ == "__main__":
    main()
