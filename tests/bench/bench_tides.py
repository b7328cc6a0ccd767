"""What the hours give away on invented towns that no number was tuned on: found, named, falsely accused.

Run: python tests/bench/bench_tides.py [TOWNS [MODE …]]; the last table lies in tides.txt. Seeds and fault
sizes are fixed in bench_tides_town.py; ``tuning`` as first word runs the seeds used while building.
"""

from __future__ import annotations

import sys
from pathlib import Path

import bench_tides_town as made
import numpy as np

from countmap.balance import assess, tides
from countmap.balance.evidence import weigh
from countmap.balance.hours import timeline
from countmap.balance.patterns import basis, coefficients
from countmap.balance.search import NEEDED, reach

MODES = {
    "hourly, the rest stated quiet": {},
    "hourly, contracted": {"quiet": False},
    "hourly, 3 % side access at every junction, modelled": {"access": 0.03},
    "day totals": {"hourly": False},
}
KINDS = {"under_count": ("scale",), "swap": ("swap",), "clock": ("clock",)}


def judge(town: made.Town, *, hourly: bool, powers: bool) -> dict:
    """Hold what is found in one town against what was planted."""
    if hourly:
        found = tides.study(town.hour_cells, town.inputs).suspects
    else:
        found = assess.assess(town.inputs).suspects
        found = found[~found["hypothesis"].eq("leak")]
    sets = [set(s.split()) for s in found["set"]]
    power = reach_of(town) if powers else {}
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
        "firm": int((wrong["posterior"] > 0.9).sum()),
        "set": [len(s) for s in sets],
    }


def reach_of(town: made.Town) -> dict[str, float]:
    """Return the printed power of a 35 % loss at each station."""
    line = timeline(town.hour_cells)
    kinds = town.inputs.stations
    base = basis(line, sorted(kinds.loc[kinds["kind"].eq("permanent"), "station_id"]))
    regions = weigh(town.inputs, base, coefficients(line, base, line.stations()))
    return {station: power for one in regions for station, power in reach(one).items()}


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


def main(words: list[str]) -> None:
    """Print the table and keep it."""
    tuning = words[:1] == ["tuning"]
    words = words[1:] if tuning else words
    seeds = made.TUNING_SEEDS if tuning else made.REPORT_SEEDS
    seeds = list(seeds)[: int(words[0]) if words else len(seeds)]
    chosen = [m for m in MODES if not words[1:] or any(w in m for w in words[1:])]
    lines = [
        f"invented towns, seeds {seeds[0]} to {seeds[-1]}, about 60 % of streets counted, each in a week of its own"
    ]
    for mode in chosen:
        options = dict(MODES[mode])
        hourly = options.pop("hourly", True)
        lines += summary(
            mode,
            [judge(made.town(s, **options), hourly=hourly, powers=not MODES[mode]) for s in seeds],
        )
        print("\n".join(lines), flush=True)
        if not tuning:
            text = "\n".join(lines) + "\n"
            (Path(__file__).parent / "tides.txt").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
