"""A whole state on one machine: from the import of the roads to the map, and how time grows.

    python tests/bench/bench_scale.py [SHARE …]        default: 1/64 1/32 1/16; the whole state is 1

The whole state is 50 k two-way links (100 k arcs) in a grid, 10 k stations, 300 of them permanent with
three years of hours in both senses, and a week of each of the others. Every street carries one flow from
end to end, so junctions balance but for the noise of the counts. Each step is the command a person would
run, in a process of its own; times are wall and processor seconds, memory is the step's highest. The
last table lies in scale.txt.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from fractions import Fraction
from pathlib import Path
from time import perf_counter

import numpy as np
import pandas as pd

LINKS, STATIONS, PERMANENTS, YEARS = 50_000, 10_000, 300, (2023, 2024, 2025)
SPACING_DEG, NORTH, EAST = 0.002, 48.0, 9.0
SHAPE = np.exp(-0.5 * ((np.arange(24) - 8) / 2.5) ** 2) + np.exp(
    -0.5 * ((np.arange(24) - 17) / 3) ** 2
)
SHAPE /= SHAPE.sum()
WEEK = np.array([1.05, 1.05, 1.05, 1.05, 1.1, 0.9, 0.8])
LAYOUT = """[columns]
station_id = "station"
date = "date"
direction = "sense"
[hours]
pattern = "h{hour:02d}"
"""


def make(folder, share):
    """Write the inputs of a share of the state."""
    rng = np.random.default_rng(11)
    links, stations = int(LINKS * share), int(STATIONS * share)
    permanents = max(4, int(PERMANENTS * share))
    side = round(np.sqrt(links / 2)) + 1
    flow = np.exp(rng.uniform(np.log(300), np.log(9000), (2, side)))
    street(folder, side)
    # Away from the edge, so that no station stands where a street ends.
    places = [(d, i, j) for d in range(2) for i in range(side) for j in range(1, side - 2)]
    chosen = [places[k] for k in rng.choice(len(places), stations, replace=False)]
    rows, flows = [], []
    for n, (d, i, j) in enumerate(chosen):
        x, y = (j + 0.5, i) if d == 0 else (i, j + 0.5)
        kind = "permanent" if n < permanents else "short"
        place = (EAST + x * SPACING_DEG, NORTH + y * SPACING_DEG)
        rows.append((f"{'P' if n < permanents else 'S'}{n:05d}", *place, 90 - 90 * d, kind))
        flows.append(flow[d, i])
    frame = pd.DataFrame(rows, columns=["station_id", "lon", "lat", "bearing_deg", "kind"])
    frame.to_csv(folder / "stations.csv", index=False)
    (folder / "layout.toml").write_text(LAYOUT)
    years = pd.date_range(f"{YEARS[0]}-01-01", f"{YEARS[-1]}-12-31")
    for n in range(permanents):
        counts(folder / f"long-{n:03d}.csv", [(frame["station_id"][n], flows[n], years)], rng)
    weeks = pd.date_range("2025-03-03", "2025-11-24", freq="7D")
    shorts = [
        (frame["station_id"][n], flows[n], pd.date_range(weeks[n % len(weeks)], periods=7))
        for n in range(permanents, stations)
    ]
    for at in range(0, len(shorts), 100):
        counts(folder / f"short-{at // 100:03d}.csv", shorts[at : at + 100], rng)
    return links, stations, permanents


def street(folder, side):
    """Write the grid of streets."""
    features = []
    for d in range(2):
        for i in range(side):
            for j in range(side - 1):
                ends = [(j, i), (j + 1, i)] if d == 0 else [(i, j), (i, j + 1)]
                line = [[EAST + x * SPACING_DEG, NORTH + y * SPACING_DEG] for x, y in ends]
                properties = {
                    "link_id": f"{'ew'[d]}{i}-{j}",
                    "name": f"{'Row' if d == 0 else 'Line'} {i}",
                }
                properties |= {"road_class": "secondary", "oneway": "no"}
                shape = {"type": "LineString", "coordinates": line}
                features.append({"type": "Feature", "properties": properties, "geometry": shape})
    text = json.dumps({"type": "FeatureCollection", "features": features})
    (folder / "roads.geojson").write_text(text)


def counts(path, parts, rng):
    """Write the counts of some stations, a line a day and sense."""
    frames = []
    for station, flow, days in parts:
        for sense in ("with", "against"):
            season = 1 + 0.1 * np.cos(2 * np.pi * (days.day_of_year.to_numpy() - 200) / 365)
            level = (
                flow / 2 * WEEK[days.day_of_week] * season * np.exp(rng.normal(0, 0.03, len(days)))
            )
            cells = rng.poisson(level[:, None] * SHAPE)
            frame = pd.DataFrame(cells, columns=[f"h{h:02d}" for h in range(24)])
            frame.insert(0, "sense", sense)
            frame.insert(0, "date", days.strftime("%Y-%m-%d"))
            frame.insert(0, "station", station)
            frames.append(frame)
    pd.concat(frames).to_csv(path, index=False)


def step(*words):
    """Run a command; return wall seconds, processor seconds and its highest memory in GB."""
    began = perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-m", "countmap", *map(str, words)], stdout=subprocess.DEVNULL
    )
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0, words[:2]
    return perf_counter() - began, used.ru_utime + used.ru_stime, used.ru_maxrss / 1e6


def run(share):
    """Do the job on a share of the state; return what was there and each step's figures."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        made = make(folder, share)
        ws = folder / "ws"
        steps = {
            "init": ("init", ws, "--timezone", "UTC"),
            "roads import": ("roads", "import", folder / "roads.geojson", "-w", ws),
            "stations import": ("stations", "import", folder / "stations.csv", "-w", ws),
            "counts import": (
                "counts", "import", *sorted(folder.glob("long-*.csv")), *sorted(folder.glob("short-*.csv")),
                "--layout", folder / "layout.toml", "-w", ws,
            ),
            "counts check": ("counts", "check", "-w", ws),
            "annual estimate": ("annual", "estimate", "--year", 2025, "-w", ws),
            "balance run": ("balance", "run", "--year", 2025, "-w", ws),
            "publish map": ("publish", "map", "--year", 2025, "-w", ws),
        }  # fmt: skip
        found = {}
        for name, words in steps.items():
            found[name] = step(*words)
            print(
                f"{share}: {name} {found[name][0]:.1f} s, {found[name][1]:.1f} s processor, {found[name][2]:.2f} GB",
                file=sys.stderr,
                flush=True,
            )
        return made, found


def main(shares):
    """Print the table and keep it."""
    ran = {share: run(share) for share in shares}
    lines = [f"{'':<18}" + "".join(f"{share!s:>24}" for share in shares)]
    for at, what in enumerate(("links", "stations", "permanents")):
        lines.append(f"{what:<18}" + "".join(f"{ran[s][0][at]:>24,}" for s in shares))
    lines.append(f"{'':<18}" + f"{'wall s':>9}{'proc. s':>8}{'GB':>7}" * len(shares))
    totals = dict.fromkeys(shares, (0.0, 0.0, 0.0))
    for name in ran[shares[0]][1]:
        cells = ""
        for share in shares:
            wall, cpu, memory = ran[share][1][name]
            totals[share] = (
                totals[share][0] + wall,
                totals[share][1] + cpu,
                max(totals[share][2], memory),
            )
            cells += f"{wall:>9.1f}{cpu:>8.1f}{memory:>7.2f}"
        lines.append(f"{name:<18}{cells}")
    lines.append(
        f"{'all':<18}" + "".join(f"{w:>9.1f}{c:>8.1f}{m:>7.2f}" for w, c, m in totals.values())
    )
    text = "\n".join(lines) + "\n"
    print(text)
    (Path(__file__).parent / "scale.txt").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main([Fraction(word) for word in sys.argv[1:]] or [Fraction(1, n) for n in (64, 32, 16)])
