"""Rounds for 60 stations and 3 crews: the search beside the routing solver on the same problems.

    python tests/bench/bench_plan_rounds.py

The last table lies in plan_rounds.txt.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))

import made_rounds  # noqa: E402

from countmap.plan import rounds, routes  # noqa: E402

STATIONS, CREWS, STOCK = 60, 3, 30
SEEDS = (11, 12, 13)
SOLVER_S = 40


def rows():
    """Return one line a problem."""
    for seed in SEEDS:
        problem = made_rounds.problem(seed, STATIONS, crews=CREWS, stock=STOCK, days=20)
        clock, cpu = time.perf_counter(), time.process_time()
        ours = rounds.solve(problem)
        spent, spent_cpu = time.perf_counter() - clock, time.process_time() - cpu
        other = routes.solve(problem, seconds=SOLVER_S)
        better = routes.solve(problem, seconds=SOLVER_S, start=ours)
        known = [one.minutes for one in (other, better) if one is not None]
        theirs = " ".join(
            f"{'no plan' if one is None else f'{one.minutes:,.0f}':>10}" for one in (other, better)
        )
        ratio = f"{ours.minutes / min(known):.3f}" if known else ""
        yield (
            f"{seed:>4} {ours.minutes:>12,.0f} {len(ours.missing):>8} {spent:>8.1f} {spent_cpu:>8.1f}"
            f" {theirs} {ratio:>8}"
        )


def main():
    rounds.solve(made_rounds.problem(1, 6, effort=5))  # compiles
    head = (
        f"{STATIONS} stations, {CREWS} crews, {STOCK} counters, 20 working days: minutes driven;"
        f" the routing solver (OR-tools) alone for {SOLVER_S} s, and improving the search's plan for"
        f" {SOLVER_S} s; ratio to the better of the two"
    )
    lines = [
        head,
        f"{'seed':>4} {'search min':>12} {'missing':>8} {'s':>8} {'CPU s':>8} {'alone':>10} {'improving':>10} {'ratio':>8}",
        *rows(),
    ]
    text = "\n".join(lines)
    print(text)
    (HERE / "plan_rounds.txt").write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
