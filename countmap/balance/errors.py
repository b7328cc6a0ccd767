"""How the errors of the printed flows hang together: for sums over senses, pairs and lines."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from countmap.balance.inputs import RANK
from countmap.balance.solve import times

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from countmap.balance.solve import Solution
    from countmap.balance.solved import Balance

    Floats = NDArray[np.float64]
    Rows = NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class ArcErrors:
    """The joint errors of the flows as printed: counts as they stand, inferred arcs as they follow.

    ``count`` (rows,) is the row of its count, −1 for inferred arcs;
    ``bridge`` (rows,) the number of the inferred arc, −1 for counts.
    """

    link_id: NDArray[np.object_]
    sense: NDArray[np.object_]
    count: Rows
    bridge: Rows
    solution: Solution

    def of_sum(self, rows: Rows, weights: Floats) -> float:
        """Return the variance of a weighted sum of flows.

        Notes
        -----
        The error of an inferred flow is −Z(b, ·) (A e + g), with Z the inverse of the whole system; so
        Var(w'e + v'δ) = w'S w − v'Z v − 2 v'Z A S w.
        """
        problem = self.solution.problem
        e = problem.equations
        blocks, n, p, _ = e.size
        w, v = np.zeros(n), np.zeros(p)
        counted = self.count[rows] >= 0
        np.add.at(w, self.count[rows[counted]], weights[counted])
        np.add.at(v, self.bridge[rows[~counted]], weights[~counted])
        spread = times(e, problem.errors, w)
        total = float(w @ spread)
        if v.any():
            found = self.solution.solve(np.concatenate([np.zeros(blocks), v]))
            total -= float(v @ found[blocks:]) + float(self.solution.augmented @ v**2)
            total -= 2.0 * float((e.incidence @ spread) @ found[:blocks])
        return max(total, 0.0)

    def pairwise(self, a: Rows, b: Rows) -> Floats:
        """Return Cov(flow a_i, flow b_i) for each i."""
        solution, e = self.solution, self.solution.problem.equations
        total = np.zeros(len(a))
        kind = (self.count[a] >= 0).astype(int) + (self.count[b] >= 0)
        at = np.flatnonzero(kind == 2)
        total[at] = self._counts(self.count[a[at]], self.count[b[at]])
        at = np.flatnonzero(kind == 0)
        i, j = self.bridge[a[at]], self.bridge[b[at]]
        blocks = len(e.block_area)
        total[at] = -solution.entries(blocks + i, blocks + j)
        total[at] -= np.where(i == j, solution.augmented[i], 0.0)
        at = np.flatnonzero(kind == 1)
        k = np.maximum(self.count[a[at]], self.count[b[at]])
        total[at] = self._mixed(k, np.maximum(self.bridge[a[at]], self.bridge[b[at]]))
        return total

    def _counts(self, i: Rows, j: Rows) -> Floats:
        """Return S at (i, j)."""
        errors = self.solution.problem.errors
        total = (errors.shared[i] * errors.shared[j]).sum(axis=1)
        total += np.where(i == j, errors.own[i], 0.0)
        partner, cov = self._partners()
        result: Floats = total + np.where(partner[i] == j, cov[i], 0.0)
        return result

    def _partners(self) -> tuple[Rows, Floats]:
        e, pair = self.solution.problem.equations, self.solution.problem.errors.pair
        partner, cov = np.full(len(e.tail), -1, dtype=np.intp), np.zeros(len(e.tail))
        for x, y in ((0, 1), (1, 0)):
            partner[e.pairs[:, x]], cov[e.pairs[:, x]] = e.pairs[:, y], pair
        return partner, cov

    def _mixed(self, k: Rows, i: Rows) -> Floats:
        """Return −Z(b, ·) A S e_k for inferred arcs i and counts k."""
        e, errors = self.solution.problem.equations, self.solution.problem.errors
        b = len(e.block_area) + i
        partner, cov = self._partners()
        total = np.zeros(len(k))
        for other, weight in ((k, errors.own[k]), (partner[k], cov[k])):
            there = other >= 0
            for end, one in ((e.head, 1.0), (e.tail, -1.0)):
                at = np.where(there, end[other], -1)
                total -= one * np.where(there, weight, 0.0) * self.solution.entries(b, at)
        if errors.shared.shape[1]:
            pulled = self.solution.wide @ self.solution.core
            total -= (pulled[b] * errors.shared[k]).sum(axis=1)
        return total

    def index(self) -> dict[tuple[str, str], int]:
        """Return the row of each (link_id, sense) whose flow is known."""
        return {key: i for i, key in enumerate(zip(self.link_id, self.sense, strict=True))}


def shown_counts(rows: pd.DataFrame) -> pd.DataFrame:
    """Return one count for each link and sense: measured before estimated, then the surest."""
    sense = "sense" if "link_sense" not in rows else "link_sense"
    ranked = rows.assign(rank=rows["status"].map(RANK))
    ranked = ranked.sort_values(["rank", "log_se", "station_id"], kind="stable")
    return ranked.drop_duplicates(["link_id", sense])


def arc_errors(solved: Balance) -> ArcErrors:
    """Return the joint errors of the flows that the balance prints."""
    counted = shown_counts(solved.counts.used)
    arcs = solved.system.graph.arcs.iloc[solved.system.inferred]
    n, p = len(counted), len(arcs)
    link = [counted["link_id"].to_numpy(dtype=object), arcs["link_id"].to_numpy(dtype=object)]
    sense = [counted["link_sense"].to_numpy(dtype=object), arcs["sense"].to_numpy(dtype=object)]
    return ArcErrors(
        np.concatenate(link),
        np.concatenate(sense),
        np.concatenate([counted.index.to_numpy(dtype=np.intp), np.full(p, -1, dtype=np.intp)]),
        np.concatenate([np.full(n, -1, dtype=np.intp), np.arange(p)]),
        solved.solution,
    )
