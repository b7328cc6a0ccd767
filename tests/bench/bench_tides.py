"""What the hours give away on invented towns that no number was tuned on: found, named, falsely accused.

Run: python tests/bench/bench_tides.py [report|fresh|tuning] [TOWNS [MODE …]]; the last tables lie in
tides.txt. Seeds and fault sizes are fixed in bench_tides_town.py; ``tuning`` are the seeds used while
building, ``fresh`` those run once.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path

import bench_tides_town as made
import numpy as np
import pandas as pd

from countmap.balance import assess, tides
from countmap.balance.evidence import Evidence, weigh
from countmap.balance.hours import timeline
from countmap.balance.patterns import basis, coefficients
from countmap.balance.search import FIRM, NEEDED, reach, search
from countmap.balance.views import COUNTER, ground

MODES = {
    "hourly, the rest stated quiet": {},
    "hourly, contracted": {"quiet": False},
    "hourly, 3 % side access at every junction, modelled": {"access": 0.03},
    "hourly, every street counted": {"counted": 1.0},
    "day totals": {"by": "totals"},
    "day totals and no-U-turn rules": {"by": "rules"},
}
SEEDS = {"report": made.REPORT_SEEDS, "fresh": made.FRESH_SEEDS, "tuning": made.TUNING_SEEDS}
KINDS = {"under_count": ("scale",), "swap": ("swap",), "clock": ("clock",)}


def judge(mode: str, seed: int) -> dict:
    """Hold what is found in one town against what was planted."""
    options = dict(MODES[mode])
    by = options.pop("by", "hours")
    town = made.town(seed, **options)
    if by == "hours":
        found = tides.study(town.hour_cells, town.inputs).suspects
    else:
        found = assess.assess(town.inputs).suspects
        found = found[~found["hypothesis"].eq("leak")]
        if by == "rules":
            found = pd.concat([found, by_rules(town)], ignore_index=True)
    sets = [set(s.split()) for s in found["set"]]
    power = reach_of(town) if not MODES[mode] else {}
    faults = []
    for station, (kind, size) in town.faults.items():
        mine = found[found["station_id"].eq(station)]
        right = mine[mine["hypothesis"].isin(KINDS[kind])]
        faults.append(
            {
                "kind": kind,
                "accused": len(mine) > 0,
                "right": len(right) > 0,
                "named": any(station in s for s in sets),
                "power": power.get(station, np.nan),
                "error": abs(1 + right["size"].iloc[0] - size)
                if len(right) and kind == "under_count"
                else np.nan,
            }
        )
    wrong = found[~found["station_id"].isin(town.faults)]
    return {
        "faults": faults,
        "sound": len(town.inputs.stations) - len(town.faults),
        "false": len(set(wrong["station_id"])),
        "firm": int((wrong["posterior"] > FIRM).sum()),
        "set": [len(s) for s in sets],
    }


def by_rules(town: made.Town) -> pd.DataFrame:
    """Return whom the no-U-turn rules accuse alone: the hours are made to say nothing."""
    silent = [replace(one, covariance=one.covariance * 1e8) for one in regions(town)]
    found = [one for evidence in silent for one in search(ground(evidence))]
    return pd.DataFrame(
        [
            {
                "station_id": one.fault.at,
                "hypothesis": "scale",
                "size": 1 / (1 + one.amplitude) - 1,
                "posterior": one.posterior,
                "set": " ".join(
                    [one.fault.at, *(f.at for f, _ in one.rivals if f.kind in COUNTER)]
                ),
            }
            for one in found
        ],
        columns=["station_id", "hypothesis", "size", "posterior", "set"],
    )


def reach_of(town: made.Town) -> dict[str, float]:
    """Return the printed power of a 35 % loss at each station."""
    return {
        station: power for one in regions(town) for station, power in reach(ground(one)).items()
    }


def regions(town: made.Town) -> tuple[Evidence, ...]:
    """Return the evidence of a town."""
    line = timeline(town.hour_cells)
    kinds = town.inputs.stations
    base = basis(line, sorted(kinds.loc[kinds["kind"].eq("permanent"), "station_id"]))
    return weigh(town.inputs, base, coefficients(line, base, line.stations())).regions


def summary(mode: str, towns: list[dict]) -> list[str]:
    """Return the lines of one mode."""
    faults = [f for t in towns for f in t["faults"]]
    lines = [f"{mode} ({len(towns)} towns)"]
    for kind in KINDS:
        mine = [f for f in faults if f["kind"] == kind]
        share = [np.mean([f[c] for f in mine]) for c in ("accused", "named")]
        lines.append(
            f"  {kind:12} {len(mine):4} planted   accused {share[0]:.2f}   in a named set {share[1]:.2f}"
        )
    scales = [f for f in faults if f["kind"] == "under_count"]
    for low, high in ((0, NEEDED), (NEEDED, 30), (30, np.inf)):
        mine = [f["named"] for f in scales if low <= f["power"] < high]
        if mine:
            lines.append(
                f"    under-counts with printed power {low:.0f} to {high:.0f}: {len(mine)}, named {np.mean(mine):.2f}"
            )
    accused = [f for f in faults if f["accused"]]
    if accused:
        lines.append(f"  right kind of the accused {np.mean([f['right'] for f in accused]):.2f}")
    errors = [f["error"] for f in scales if np.isfinite(f["error"])]
    if errors:
        lines.append(f"  scale, median absolute error {np.median(errors):.3f}")
    sets = [n for t in towns for n in t["set"]]
    if sets:
        lines.append(
            f"  set size: median {np.median(sets):.0f}, 95 % at most {np.quantile(sets, 0.95):.0f}"
        )
    sound = sum(t["sound"] for t in towns)
    wrong, firm = (sum(t[c] for t in towns) for c in ("false", "firm"))
    lines.append(
        f"  sound stations accused {wrong} of {sound}: {100 * wrong / sound:.2f} in 100 (firm {100 * firm / sound:.2f})"
    )
    return lines


def table(which: str, seeds: list[int], modes: list[str]) -> list[str]:
    """Return the lines of some modes, printed as they come."""
    lines = [f"invented towns, {which} seeds {seeds[0]} to {seeds[-1]}, counts of different weeks"]
    print(lines[0])
    with ProcessPoolExecutor(2) as pool:
        for mode in modes:
            part = summary(mode, list(pool.map(partial(judge, mode), seeds)))
            print("\n".join(part), flush=True)
            lines += part
    return lines


def main(words: list[str]) -> None:
    """Print the tables; without words all of them, kept beside this file."""
    if words:
        which = words.pop(0) if words[0] in SEEDS else "report"
        seeds = list(SEEDS[which])[: int(words[0]) if words else None]
        table(which, seeds, words[1:] or list(MODES))
        return
    lines = table("report", list(SEEDS["report"]), list(MODES))
    lines += ["", *table("fresh", list(SEEDS["fresh"]), list(MODES)[:1])]
    (Path(__file__).parent / "tides.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
