"""How the errors of the printed flows hang together: for sums over senses, pairs and lines."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from countmap.balance.inputs import RANK

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray
    from scipy import sparse

    from countmap.balance.solved import Balance

    Floats = NDArray[np.float64]
    Rows = NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class ArcErrors:
    """The joint errors of the flows as printed: counts as they stand, inferred arcs as they follow.

    An error is ``loading`` (rows, counts) times the counts' errors plus a part from slack; for inferred
    arcs (the rows from ``first``) that part is sign · (g_behind − reach g).
    """

    link_id: NDArray[np.object_]
    sense: NDArray[np.object_]
    loading: Floats
    errors: Floats
    first: int
    sign: Floats
    behind: sparse.csr_array
    reach: Floats
    cross: Floats
    slack: Floats

    def pairwise(self, a: Rows, b: Rows) -> Floats:
        """Return Cov(flow a_i, flow b_i) for each i."""
        total = np.einsum("ij,ij->i", self.loading[a] @ self.errors, self.loading[b])
        both = (a >= self.first) & (b >= self.first)
        if both.any():
            i, j = a[both] - self.first, b[both] - self.first
            own = np.asarray(self.behind[i].multiply(self.behind[j]).sum(axis=1)).ravel()
            mixed = np.einsum("ij,ij->i", self.reach[i], self.cross[j])
            mixed += np.einsum("ij,ij->i", self.reach[j], self.cross[i])
            known = np.einsum("ij,ij->i", self.reach[i] @ self.slack, self.reach[j])
            total[both] += self.sign[i] * self.sign[j] * (own - mixed + known)
        return total

    def covariance(self, rows: Rows) -> Floats:
        """Return the covariance matrix of the flows at ``rows``."""
        a, b = np.meshgrid(rows, rows, indexing="ij")
        return self.pairwise(a.ravel(), b.ravel()).reshape(len(rows), len(rows))

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
    system, solution = solved.system, solved.solution
    counted = shown_counts(solved.counts.used)
    at = counted.index.to_numpy()
    others = system.others(np.maximum(solution.flow, 0.0))
    c, a, s = others.coefficients, solution.problem.incidence, solution.problem.errors
    reach = (others.cross_slack + c @ s @ a.T) @ solution.weight
    arcs = system.graph.arcs.iloc[system.inferred]
    unit = np.zeros((len(at), len(solved.counts.used)))
    unit[np.arange(len(at)), at] = 1.0
    link = [counted["link_id"].to_numpy(dtype=object), arcs["link_id"].to_numpy(dtype=object)]
    sense = [counted["link_sense"].to_numpy(dtype=object), arcs["sense"].to_numpy(dtype=object)]
    return ArcErrors(
        link_id=np.concatenate(link),
        sense=np.concatenate(sense),
        loading=np.vstack([unit, -others.sign[:, None] * (c - reach @ a)]),
        errors=s,
        first=len(at),
        sign=others.sign,
        behind=system.behind(np.maximum(solution.flow, 0.0)),
        reach=reach,
        cross=others.cross_slack,
        slack=solution.problem.slack,
    )
