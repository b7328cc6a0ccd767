"""How long the balance takes, and what it needs, from a town to a state.

    python tests/bench/bench_balance.py

Streets are a grid with gaps, traffic goes round from the edge and back; three arcs in ten (then seven,
then nearly all) are counted with an error of 5 %, a few far off; some stations count one sense only. Built from arrays, as after reading the register:
contraction and equations, order of elimination, least squares until the errors are those of the fitted
flows, every variance, every verdict (areas, counts, stations, leaks, suspects as sets). Flows held at
zero are timed beside osqp on the same problem, which gives no variances.

Every size runs in a process of its own: seconds on the clock, seconds of processor, largest memory. The
last table lies in balance.txt.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from time import perf_counter, process_time

import numpy as np
import pandas as pd
from scipy import sparse
from scipy.sparse.csgraph import breadth_first_order

from countmap.balance import verdicts
from countmap.balance.bounds import at_least_zero
from countmap.balance.contract import Network, contract
from countmap.balance.equations import Errors, equations
from countmap.balance.expand import Expanded
from countmap.balance.inputs import Counts, station_pairs
from countmap.balance.solve import Problem, count_directions
from countmap.balance.solved import settle
from countmap.balance.system import System

SIZES = [
    (20_000, 0.33),
    (100_000, 0.33),
    (300_000, 0.33),
    (1_000_000, 0.33),
    (300_000, 0.7),
    (300_000, 1.0),
]
"""Arcs, and the share of links with a station: a tenth of the counts lacks one sense."""

ONE_SENSE, ERROR, ACCESS = 0.1, 0.05, 0.01
TOLERANCE = 1e-5


def town(arcs, seed=20250301):
    """Return vertices, tails, heads and true flows: arcs 2i and 2i + 1 are the senses of link i."""
    rng = np.random.default_rng(seed)
    side = int(np.sqrt(arcs / 4 / 0.8)) + 1
    number = np.arange(side * side).reshape(side, side) + 1
    number[[0, -1]], number[:, [0, -1]] = 0, 0  # the edge is the outside
    a = np.concatenate([number[:, :-1].ravel(), number[:-1].ravel()])
    b = np.concatenate([number[:, 1:].ravel(), number[1:].ravel()])
    kept = (a != b) & (rng.random(len(a)) < 0.8)
    a, b = a[kept], b[kept]
    n = side * side + 1
    tail, head = np.column_stack([a, b]).ravel(), np.column_stack([b, a]).ravel()
    graph = sparse.csr_array((np.ones(len(tail)), (tail, head)), shape=(n, n))
    order, before = breadth_first_order(graph, 0, return_predecessors=True)
    link = dict(zip(zip(tail.tolist(), head.tolist(), strict=True), range(len(tail)), strict=True))
    there, back = np.zeros(n), np.zeros(n)
    flow = np.repeat(rng.gamma(1.0, 300.0, len(a)), 2)  # round the block and back
    there[order] = rng.gamma(1.0, 40.0, len(order))
    back[:] = there
    for v in order[:0:-1].tolist():
        u = int(before[v])
        flow[link[u, v]] += there[v]
        flow[link[v, u]] += back[v]
        there[u] += there[v]
        back[u] += back[v]
    return n, tail.astype(np.intp), head.astype(np.intp), flow


def counted(arcs, share, seed=20250302):
    """Return the frames of the balance: which arcs are counted, by whom, and how much."""
    n, tail, head, flow = town(arcs)
    rng = np.random.default_rng(seed)
    links = np.flatnonzero(rng.random(len(tail) // 2) < share)
    at = np.column_stack([2 * links, 2 * links + 1]).ravel()
    at = at[(at % 2 == 0) | (rng.random(len(at)) > 2 * ONE_SENSE)]
    y = flow[at] * np.exp(rng.normal(0, ERROR, len(at)))
    y[rng.random(len(at)) < 0.002] *= 0.05
    count = np.full(len(tail), -1, dtype=np.intp)
    count[at] = np.arange(len(at))
    name = np.array([f"L{i}" for i in range(len(tail) // 2)], dtype=object)
    used = pd.DataFrame(
        {
            "station_id": name[at // 2],
            "sense": np.array(["with", "against"])[at % 2],
            "link_id": name[at // 2],
            "aadt": y,
        }
    )
    vertices = pd.DataFrame({"cluster": [f"J{i}" for i in range(n)], "kind": "junction"})
    return Network(n, tail, head, count, np.zeros(len(tail), dtype=bool)), used, vertices, flow


def access(network):
    """Return what accesses along each link may add at its two ends: who turns in comes out opposite."""
    tail, head = network.tail[::2], network.head[::2]
    k = np.arange(len(tail))
    return sparse.csc_array(
        (np.tile([1.0, -1.0], len(k)), (np.column_stack([head, tail]).ravel(), np.repeat(k, 2))),
        shape=(network.n, len(k)),
    )


def measure(arcs, share):
    """Return one row of the table."""
    network, used, vertices, flow = counted(arcs, share)
    loads = access(network)
    sources = pd.DataFrame({"kind": "access", "link_id": [f"L{i}" for i in range(loads.shape[1])]})
    level = ACCESS * (flow[::2] + flow[1::2]) / 2
    pairs = station_pairs(used)
    empty = used.iloc[:0]
    counts = Counts(used, empty, empty, empty, ())
    graph = Expanded(pd.DataFrame(), vertices, loads, sources, pd.DataFrame())
    warm()
    row = {"arcs": len(network.tail), "counted %": 100 * len(used) / len(network.tail)}
    clock = Clock(row)
    found = contract(network)
    system = System(graph, counts, found, equations(found, loads, pairs))
    e = system.equations
    clock.lap("build, classify")
    _ = e.plan
    clock.lap("order")
    y = used["aadt"].to_numpy()
    none = np.zeros((len(y), 0))

    def problem_at(x):
        own = np.maximum((ERROR * np.maximum(x, 0.0)) ** 2, 1.0)
        return Problem(e, y, Errors(own, np.zeros(len(pairs)), none), level**2)

    solution = settle(problem_at, y, fitted=True)
    clock.lap("solve")
    _ = solution.variance, solution.inferred_variance
    clock.lap("variances")
    verdicts.area_tests(system, solution, 0.05)
    count_directions(solution).z()
    suspects, _, _ = verdicts.accuse(system, solution, 0.05)
    clock.lap("verdicts")
    clock.total()
    row |= {"equations": solution.dof, "inferred": len(solution.inferred)}
    row["suspects"] = len(suspects)
    row["memory MB"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return row, solution


def bounded(row, solution):
    """Add the time of the solve with x ≥ 0, and osqp's."""
    problem = solution.problem
    start, cpu = perf_counter(), process_time()
    flow, _, at_bound = at_least_zero(problem, solution)
    row["x ≥ 0 s"], row["x ≥ 0 cpu s"] = perf_counter() - start, process_time() - cpu
    row["at bound"] = at_bound
    for name, tolerance in (("osqp", TOLERANCE), ("osqp 1e-3", 1e-3)):
        seconds, cpu_s, away = by_osqp(problem, flow, tolerance)
        row[f"{name} s"], row[f"{name} cpu s"] = seconds, cpu_s
        row[f"{name} off"] = away


def by_osqp(problem, flow, tolerance):
    """Solve the same by osqp: counted and inferred arcs at least zero, slack as variables."""
    import osqp

    e, own = problem.equations, problem.errors.own
    blocks, n, p, sources = e.size
    sd, slack = np.sqrt(own), np.sqrt(problem.source_variance)
    bridge = sparse.csr_array(
        (
            np.concatenate([(e.bridge_head >= 0) * 1.0, (e.bridge_tail >= 0) * -1.0]),
            (
                np.concatenate([np.maximum(e.bridge_head, 0), np.maximum(e.bridge_tail, 0)]),
                np.tile(np.arange(p), 2),
            ),
        ),
        shape=(blocks, p),
    )
    unit = float(np.median(sd))
    # x = y − sd·u; inferred arcs and equations in units of the median error.
    equal = sparse.hstack(
        [
            e.incidence.multiply(-sd[None, :] / unit),
            bridge,
            -e.slack.multiply(slack[None, :] / unit),
        ]
    )
    least = sparse.hstack(
        [
            sparse.block_diag([-sparse.diags_array(sd / unit), sparse.eye_array(p)]),
            sparse.csr_array((n + p, sources)),
        ]
    )
    right = -(e.incidence @ problem.counts) / unit
    low = np.concatenate([right, -problem.counts / unit, np.zeros(p)])
    high = np.concatenate([right, np.full(n + p, np.inf)])
    weight = sparse.diags_array(np.concatenate([np.ones(n), np.zeros(p), np.ones(sources)]))
    solver = osqp.OSQP()
    start, cpu = perf_counter(), process_time()
    solver.setup(
        sparse.csc_matrix(weight),
        np.zeros(n + p + sources),
        sparse.csc_matrix(sparse.vstack([equal, least])),
        low,
        high,
        verbose=False,
        eps_abs=tolerance,
        eps_rel=tolerance,
        max_iter=20_000,
    )
    found = solver.solve()
    seconds, cpu_s = perf_counter() - start, process_time() - cpu
    x = problem.counts - sd * found.x[:n]
    return seconds, cpu_s, float((np.abs(x - flow) / sd).max())


class Clock:
    """A stop watch with laps, on the clock and of the processor."""

    def __init__(self, row):
        self.row, self.start, self.cpu = row, perf_counter(), process_time()
        self.first = self.start, self.cpu

    def lap(self, name):
        """Note the time since the last lap."""
        self.row[f"{name} s"] = perf_counter() - self.start
        self.start, self.cpu = perf_counter(), process_time()

    def total(self):
        """Note the time since the start."""
        self.row["whole s"] = perf_counter() - self.first[0]
        self.row["whole cpu s"] = process_time() - self.first[1]


def warm():
    """Compile what numba compiles, outside the measurement."""
    from countmap.balance.solve import solve

    one = np.array([0, 1, 2, 0, 1], dtype=np.intp)
    network = Network(
        3, one[[0, 1, 2, 0, 1]], np.array([1, 2, 0, 2, 2]), np.array([0, -1, 1, 2, 3]),
        np.zeros(5, dtype=bool),
    )  # fmt: skip
    found = contract(network)
    e = equations(found, sparse.csc_array((3, 0)), np.zeros((0, 2), dtype=np.intp))
    errors = Errors(np.ones(4), np.zeros(0), np.zeros((4, 0)))
    _ = solve(replace(Problem(e, np.ones(4), errors, np.zeros(0)))).variance


def main():
    """Run every size in its own process and print the table."""
    if len(sys.argv) > 1:
        row, solution = measure(int(sys.argv[1]), float(sys.argv[2]))
        if row["arcs"] < 500_000:
            bounded(row, solution)
        print(json.dumps(row))
        return
    rows = []
    for size, share in SIZES:
        command = [sys.executable, __file__, str(size), str(share)]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
        rows.append(json.loads(done.stdout))
    table = pd.DataFrame(rows).T
    shown = table.map(lambda v: "" if pd.isna(v) else f"{v:,.0f}" if v >= 100 else f"{v:.3g}")
    text = shown.to_string(header=False)
    print(text)
    (Path(__file__).with_name("balance.txt")).write_text(text + "\n")


if __name__ == "__main__":
    main()
