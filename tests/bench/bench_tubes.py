"""Errors and time of the decoder on seeds never used to tune it, beside nearest-pulse pairing.

python tests/bench/bench_tubes.py > tests/bench/tubes.txt
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

sys.path.insert(0, str(Path(__file__).parent.parent))

from made_tubes import World, score, simulate

from countmap.jobs.decoding import Epoch, Stay
from countmap.jobs.tubes import decode as tubes_job
from countmap.schemes.reader import load
from countmap.tubes.geometry import Geometry
from countmap.tubes.pulses import Decoded, decode, decode_chunks
from countmap.tubes.vehicles import Vehicles

SEED, FRESH = 9107, 52361  # neither was ever used to tune anything
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
            ("plain", lambda t=times, x=tubes: decode(t, x, GEOMETRY)),
            ("nearest", lambda t=times, x=tubes: nearest(t, x)),
        ):
            began = time.process_time()
            found = run()
            print(row(name, world, how, found, truth, time.process_time() - began), flush=True)
    for name in ("600 veh/h", "1200 veh/h"):
        times, tubes, truth = simulate(CASES[name], FRESH)
        began = time.process_time()
        found = decode(times, tubes, GEOMETRY)
        took = time.process_time() - began
        print(row(f"{name}, seed {FRESH}", CASES[name], "plain", found, truth, took), flush=True)
    for flow in (600, 1200):
        print(speed(flow), flush=True)
    print(day_of_storms(), flush=True)
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, __file__, "large", folder]
        print(subprocess.run(command, check=True, capture_output=True, text=True).stdout, end="")


def speed(flow: int) -> str:
    """Return pulses a second of the decoder and of the baseline, and their times side by side."""
    times, tubes, _ = simulate(World(flow=flow, hours=12_000 / flow), SEED)
    step = int(times[-1]) + 60_000_000
    copies = 30
    taken = {}
    for how, run in (
        (
            "plain",
            lambda: decode_chunks([(times + k * step, tubes) for k in range(copies)], GEOMETRY),
        ),
        (
            "nearest",
            lambda: nearest(
                np.concatenate([times + k * step for k in range(copies)]), np.tile(tubes, copies)
            ),
        ),
    ):
        best = []
        for _ in range(3):
            cpu, wall = time.process_time(), time.perf_counter()
            run()
            best.append((time.process_time() - cpu, time.perf_counter() - wall))
        taken[how] = min(best)
    n = copies * len(times)
    (cpu, wall), (slow, _) = taken["plain"], taken["nearest"]
    return (
        f"{flow} veh/h: {n:,} pulses in {cpu:.2f} s CPU, {wall:.2f} s wall (best of 3): "
        f"{n / cpu / 1e6:.2f} M pulses/s; nearest {n / slow / 1e6:.2f} M/s; "
        f"ours takes {cpu / slow:.2f} times as long"
    )


def day_of_storms() -> str:
    """Return how long a million random pulses within a second take."""
    rng = np.random.default_rng(SEED)
    times, tubes = rng.integers(0, 1_000_000, 1_000_000), rng.integers(0, 2, 1_000_000)
    began = time.process_time()
    found = decode(times, tubes.astype(np.int8), GEOMETRY)
    took = time.process_time() - began
    v = found.vehicles
    ended = v.pulses.sum() + found.repeats + len(found.orphans_us) + len(found.alone_us)
    assert ended == len(times)
    return f"a million random pulses within a second: {took:.0f} s CPU, every pulse accounted for"


def large(folder: Path) -> None:
    """Decode 80 million pulses from one file into another and print the memory it took."""
    times, tubes, _ = simulate(World(hours=40), SEED)
    step = int(times[-1]) + 60_000_000
    copies = -(-80_000_000 // len(times))
    path = folder / "pulses.parquet"
    names = np.array(["A", "B"])[tubes]
    schema = pa.schema([("time_us", pa.int64()), ("tube", pa.string())])
    with pq.ParquetWriter(path, schema, use_dictionary=["tube"]) as file:
        for k in range(copies):
            file.write_table(pa.table([times + k * step, names], schema=schema))
    epoch = Epoch(0, GEOMETRY)
    started = pd.Timestamp("2025-03-04T06:00Z").as_unit("us")
    stay = Stay((epoch,), started, "A", "Europe/Berlin")
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    began, cpu = time.perf_counter(), time.process_time()
    found = tubes_job([path], stay, out=folder / "vehicles.parquet", counts=folder / "counts.csv")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"file to file, {found['pulses']:,} pulses, {found['vehicles']:,} vehicles: "
        f"{time.process_time() - cpu:.0f} s CPU, {time.perf_counter() - began:.0f} s wall; "
        f"peak {peak:,.0f} MB ({before:,.0f} MB before it began)"
    )


if __name__ == "__main__":
    if sys.argv[1:2] == ["large"]:
        large(Path(sys.argv[2]))
    else:
        main()
