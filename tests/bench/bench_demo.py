"""Twenty invented towns: what is found, who is accused, what the intervals cover.

Run: python tests/bench/bench_demo.py [SEEDS]; the last table lies in demo.txt.
"""

from __future__ import annotations

import json
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from time import perf_counter

import pandas as pd

from countmap.demo import town
from countmap.jobs import demo

KINDS = (
    "under_count",
    "swapped_directions",
    "copied_day",
    "outage_zeros",
    "clock",
    "wrong_carriageway",
    "hidden_access",
    "level_shift",
)


def one(seed: int) -> dict:
    """Work through one town and hold it against its truth."""
    began = perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder) / "town"
        town.write(home / "inputs", seed=seed)
        document = demo.work(home, home / "inputs")
        truth = home / "inputs" / "truth"
        faults = json.loads((truth / "faults.json").read_text())
        judged = demo.judge(document, faults, pd.read_csv(truth / "aadt.csv"))
    found = {f["kind"]: f["found"] for f in judged["faults"]}
    sets = [len(f["set"]) for f in judged["faults"] if f["found"]]
    return {
        "seed": seed,
        **{kind: found[kind] for kind in KINDS},
        "largest_set": max(sets),
        "accused": judged["accused"],
        "intervals": judged["intervals"],
        "covered": judged["covered"],
        "shorts": judged["shorts"],
        "shorts_covered": judged["shorts_covered"],
        "seconds": perf_counter() - began,
    }


def main() -> None:
    """Print the table and keep it."""
    seeds = range(1, 1 + int(sys.argv[1]) if len(sys.argv) > 1 else 21)
    with ProcessPoolExecutor(2) as pool:
        rows = list(pool.map(one, seeds))
    lines = [
        "seed  " + "  ".join(k[:10].ljust(10) for k in KINDS) + "  set  cover   shorts  accused"
    ]
    for row in rows:
        marks = "  ".join(("found" if row[k] else "–").ljust(10) for k in KINDS)
        cover = row["covered"] / row["intervals"]
        shorts = row["shorts_covered"] / row["shorts"]
        lines.append(
            f"{row['seed']:>4}  {marks}  {row['largest_set']:>3}  {cover:5.1%}  {shorts:6.1%}"
            f"  {' '.join(row['accused'])}"
        )
    marks = "  ".join(f"{sum(row[k] for row in rows)}/{len(rows)}".ljust(10) for k in KINDS)
    cover = sum(r["covered"] for r in rows) / sum(r["intervals"] for r in rows)
    shorts = sum(r["shorts_covered"] for r in rows) / sum(r["shorts"] for r in rows)
    accused = sum(len(r["accused"]) for r in rows)
    lines.append(f" all  {marks}       {cover:5.1%}  {shorts:6.1%}  {accused} in all")
    lines.append(
        "cover: 95 % intervals that hold the true AADT, stations with a planted level fault apart;"
        " shorts: the short stations' alone"
    )
    lines.append(
        f"seconds a town, two at a time on two cores: {sum(r['seconds'] for r in rows) / len(rows):.0f}"
    )
    text = "\n".join(lines)
    print(text)
    (Path(__file__).parent / "demo.txt").write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
