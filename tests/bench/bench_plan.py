"""Next counts: on a network of 100,000 arcs, and against random and oldest-first where the truth is known."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))

import made_plan  # noqa: E402

from countmap.plan import choose, field, units  # noqa: E402

TOWNS = 20
FIRST_SEED = 5000
BUDGETS = (6, 12, 18)


def realised(made, at, years, weight, rng):
    """Return the error left once ``at`` is counted: the root of the weighted mean squared log error."""
    found = made.field(made.counted(at, rng, years=years))
    there = (found.units.of_arc >= 0).any(axis=1)
    truth = made.section_truth().to_numpy()[there]
    error = np.log(found.section_flow()[there]) - np.log(truth)
    return (
        float(np.sqrt(np.average(error**2, weights=weight[there]))),
        float(np.average(np.abs(error) <= np.log(1.1), weights=weight[there])),
    )


def simulate(seed):
    """Return the realised errors of one town by method and budget."""
    made = made_plan.town(seed)
    rng = np.random.default_rng([7, seed])
    ids = made.section_truth().index.to_numpy()
    known = np.sort(rng.choice(ids, len(ids) // 4, replace=False))
    years = rng.integers(made_plan.YEAR - 8, made_plan.YEAR + 1, len(known))
    found = made.field(made.counted(known, np.random.default_rng(seed), years=years))
    there = np.flatnonzero((found.units.of_arc >= 0).any(axis=1))
    table = found.units.sections
    length = table["length_km"].to_numpy()
    age = pd.Series(made_plan.YEAR - years, index=known).reindex(table["section_id"]).to_numpy()
    rows = []
    for budget in BUDGETS:
        cost = np.ones(len(there))
        orders = {
            "information": there[choose.choose(found, choose.Wanted(there, cost, budget)).rows],
            "precision by km": there[
                choose.choose(found, choose.Wanted(there, cost, budget, weight=length)).rows
            ],
            "random": rng.permutation(there)[:budget],
            "oldest first": there[
                np.lexsort((rng.random(len(there)), -np.nan_to_num(age[there], nan=99)))
            ][:budget],
        }
        none = realised(made, known, years, length, np.random.default_rng(seed))
        rows.append((seed, budget, "no new count", *none))
        for method, picked in orders.items():
            names = table["section_id"].to_numpy()[picked]
            kept = ~np.isin(known, names)
            at = np.concatenate([known[kept], names])
            when = np.concatenate([years[kept], np.full(len(names), made_plan.YEAR)])
            order = np.argsort(at)
            after = realised(made, at[order], when[order], length, np.random.default_rng(seed))
            rows.append((seed, budget, method, *after))
    return rows


def compared():
    """Return lines of a table: the mean over towns by method and budget."""
    rows = [row for seed in range(FIRST_SEED, FIRST_SEED + TOWNS) for row in simulate(seed)]
    frame = pd.DataFrame(rows, columns=["town", "budget", "method", "error", "within"])
    yield (
        f"{TOWNS} invented towns with true flows; a quarter of the sections counted in the last"
        " 9 years; error: root mean square of ln(estimate/truth) by km, after the new counts"
    )
    yield (
        f"{'method':<18}"
        + "".join(f"{b:>5} counts: error  ±10 %" for b in BUDGETS)
        + "   better than random"
    )
    random = frame[frame["method"] == "random"].set_index(["town", "budget"])["error"]
    for method in ("no new count", "random", "oldest first", "information", "precision by km"):
        own = frame[frame["method"] == method]
        cells = []
        for budget in BUDGETS:
            here = own[own["budget"] == budget]
            cells.append(f"{here['error'].mean():>18.3f} {here['within'].mean():>7.0%}")
        against = own.set_index(["town", "budget"])["error"] < random
        yield f"{method:<18}" + "".join(cells) + f"{against.mean():>14.0%} of towns"


def large(side=158, share=0.2, budget=200):
    """Return lines on the choice of 200 stations of about 100,000 arcs."""
    rng = np.random.default_rng(100)
    made = grid(side, rng)
    table, n = made.sections, len(made.sections)
    counted = np.sort(rng.choice(n, int(share * n), replace=False))
    names = table["section_id"].to_numpy()[counted]
    counts = pd.DataFrame(
        {
            "station_id": np.repeat(names, 2),
            "link_id": np.repeat(names, 2),
            "link_sense": np.tile(["with", "against"], len(names)),
            "aadt": np.repeat(np.exp(rng.normal(7, 0.8, len(names))), 2),
            "log_se": 0.06,
            "status": "estimated",
        }
    )
    sections = pd.DataFrame(
        {"link_id": table["section_id"], "section_id": table["section_id"], "forward": True}
    )
    clock, cpu = time.perf_counter(), time.process_time()
    found = field.estimate(made, sections, counts)
    middle, middle_cpu = time.perf_counter(), time.process_time()
    candidates = np.arange(n)
    chosen = choose.choose(found, choose.Wanted(candidates, np.ones(n), budget))
    end, end_cpu = time.perf_counter(), time.process_time()
    yield (
        f"{len(made.arcs):,} arcs, {n:,} candidates, {len(counts):,} counts: estimate"
        f" {middle - clock:.1f} s (CPU {middle_cpu - cpu:.1f}), next {budget}"
        f" {end - middle:.1f} s (CPU {end_cpu - middle_cpu:.1f}),"
        f" first gain {chosen.information[0]:.2f} nats, last {chosen.information[-1]:.2f}"
    )


def grid(side, rng):
    """Return a square grid of two-way sections as planning units."""
    row, column = np.mgrid[0:side, 0:side]
    number = (row * side + column + 1).astype(np.int64)
    number[0], number[-1], number[:, 0], number[:, -1] = 0, 0, 0, 0
    start = np.concatenate([number[:, :-1].ravel(), number[:-1].ravel()])
    end = np.concatenate([number[:, 1:].ravel(), number[1:].ravel()])
    road = np.concatenate(
        [
            np.char.add("row ", row[:, :-1].ravel().astype(str)),
            np.char.add("line ", column[:-1].ravel().astype(str)),
        ]
    )
    inside = (start != 0) | (end != 0)
    start, end, road = start[inside], end[inside], road[inside]
    _, codes = np.unique(np.concatenate([[0], start, end]), return_inverse=True)
    codes = codes[1:].astype(np.int64)
    half = len(start)
    start, end = codes[:half], codes[half:]
    table = pd.DataFrame(
        {
            "section_id": [f"s{i:06d}" for i in range(half)],
            "road": road,
            "road_class": rng.choice(["primary", "secondary", "tertiary"], half, p=[0.1, 0.2, 0.7]),
            "length_km": 0.4,
            "lanes": 2.0,
            "speed_kmh": 50.0,
            "start": start,
            "end": end,
        }
    )
    arcs = pd.DataFrame(
        {
            "section": np.repeat(np.arange(half, dtype=np.int64), 2),
            "sense": np.tile(["with", "against"], half),
            "tail": np.column_stack([start, end]).ravel(),
            "head": np.column_stack([end, start]).ravel(),
        }
    )
    of_arc = np.arange(2 * half, dtype=np.int64).reshape(half, 2)
    return units.Units(table, arcs, int(codes.max()) + 1, of_arc)


def main():
    field.estimate  # noqa: B018
    list(large(side=20, budget=5))  # compiles
    lines = [*large(), "", *compared()]
    text = "\n".join(lines)
    print(text)
    (HERE / "plan.txt").write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
