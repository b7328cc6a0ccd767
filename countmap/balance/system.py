"""The equations: the uncounted streets contracted away, what the counts test, what follows from them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from countmap.balance.bridges import forest
from countmap.balance.expand import GROUND, Expanded, expand
from countmap.balance.solve import Others, Problem

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from countmap.balance.inputs import BalanceInputs, Counts, RelativeErrors

    Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class System:
    """Areas that conserve flow, each with the counts around it.

    An area is what remains connected when the counted arcs are cut: a junction, the place between two
    counts of a section, or several junctions joined by uncounted streets. ``incidence`` (areas, counts)
    is +1 where a count leads in, −1 where it leads out. ``area`` maps each vertex to its row, −1 for
    the outside and areas without counts. ``inferred`` are the rows of ``graph.arcs`` that follow from
    the counts; ``sign`` and ``coefficients`` say how, ``slack`` and ``slack_behind`` (rows, sources)
    what enters unseen. ``checkable`` (counts,) says whether any equation holds a count.
    """

    graph: Expanded
    counts: Counts
    incidence: Floats
    area: NDArray[np.intp]
    slack: sparse.csr_array
    inferred: NDArray[np.intp]
    sign: Floats
    coefficients: Floats
    slack_behind: sparse.csr_array

    @property
    def checkable(self) -> NDArray[np.bool_]:
        """Whether each count enters an equation."""
        found: NDArray[np.bool_] = (self.incidence != 0).any(axis=0)
        return found

    def source_sd(self, flow: Floats) -> Floats:
        """Return one standard deviation of every source of slack, in vehicles, at the given flows.

        ``flow`` (n,) are the counted arcs; a source takes the mean of its link, else of all counts.
        """
        sources = self.graph.sources
        by_link = pd.Series(flow).groupby(self.counts.used["link_id"].to_numpy()).mean()
        general = float(np.median(flow)) if len(flow) else 0.0
        level = sources["link_id"].map(by_link).fillna(general).to_numpy(dtype=float)
        result: Floats = sources["share"].to_numpy() * np.maximum(level, 0.0)
        return result + sources["vehicles"].to_numpy(dtype=float)

    def problem(self, errors: RelativeErrors, flow: Floats) -> Problem:
        """Return the least-squares problem with S and Q taken at ``flow`` (n,)."""
        scaled = self.slack * self.source_sd(flow)[None, :]
        slack = (scaled @ scaled.T).toarray()
        counts = self.counts.used["aadt"].to_numpy(dtype=float)
        return Problem(self.incidence, counts, errors.covariance(flow), slack)

    def behind(self, flow: Floats) -> sparse.csr_array:
        """Return what enters unseen behind each inferred arc (rows, sources), in vehicles."""
        return sparse.csr_array(self.slack_behind * self.source_sd(flow)[None, :])

    def others(self, flow: Floats) -> Others:
        """Return the inferred arcs as the solver wants them, with slack taken at ``flow`` (n,)."""
        behind = self.behind(flow)
        scaled = self.slack * self.source_sd(flow)[None, :]

        def own(rows: NDArray[np.intp], columns: NDArray[np.intp]) -> Floats:
            result: Floats = (behind[rows] @ behind[columns].T).toarray()
            return result

        return Others(
            self.sign,
            self.coefficients,
            own,
            np.asarray(behind.multiply(behind).sum(axis=1)).ravel(),
            (behind @ scaled.T).toarray(),
        )


def build(inputs: BalanceInputs, counts: Counts) -> System:
    """Set up the equations of a network and its counts.

    Notes
    -----
    Uncounted arcs are contracted by union-find; an uncounted arc is observable exactly when it is a
    bridge of the uncounted graph with the outside merged into one vertex. A part of the network
    without any way to the outside has one equation too many: its largest area gives it up.
    """
    graph = expand(inputs, counts)
    arcs = graph.arcs
    n = len(graph.vertices)
    tail, head = arcs["tail"].to_numpy(), arcs["head"].to_numpy()
    counted = arcs["count"].to_numpy()
    open_ = np.flatnonzero((counted < 0) & ~arcs["quiet"].to_numpy() & (tail != head))
    _, label = connected_components(
        sparse.coo_array((np.ones(len(open_)), (tail[open_], head[open_])), shape=(n, n)),
        directed=False,
    )
    at = np.flatnonzero(counted >= 0)
    area, m = _rows(label, tail, head, at)
    incidence = np.zeros((m, len(counts.used)))
    for end, one in ((head, 1.0), (tail, -1.0)):
        rows = area[end[at]]
        np.add.at(incidence, (rows[rows >= 0], counted[at][rows >= 0]), one)
    inside = np.flatnonzero(area >= 0)
    member = sparse.csr_array((np.ones(len(inside)), (area[inside], inside)), shape=(m, n))
    follow = _follow(n, arcs, open_, at, len(counts.used))
    return System(
        graph,
        counts,
        incidence,
        area,
        sparse.csr_array(member @ graph.slack),
        follow[0],
        follow[1],
        follow[2],
        sparse.csr_array(follow[3] @ graph.slack),
    )


def _rows(
    label: NDArray[np.intp],
    tail: NDArray[np.intp],
    head: NDArray[np.intp],
    at: NDArray[np.intp],
) -> tuple[NDArray[np.intp], int]:
    """Give each area that a count joins to another a row; free one area of a part without outside."""
    crossing = at[label[tail[at]] != label[head[at]]]
    touched = np.unique(np.concatenate([label[tail[crossing]], label[head[crossing]]]))
    k = int(label.max()) + 1
    _, part = connected_components(
        sparse.coo_array(
            (np.ones(len(crossing)), (label[tail[crossing]], label[head[crossing]])), shape=(k, k)
        ),
        directed=False,
    )
    size = np.bincount(label, minlength=k)
    outside = label[GROUND]
    free = {int(outside)}
    for one in np.unique(part[touched]):
        if one != part[outside]:
            members = touched[part[touched] == one]
            free.add(int(members[np.argmax(size[members])]))
    kept = np.array([one for one in touched.tolist() if one not in free], dtype=np.intp)
    row = np.full(k, -1, dtype=np.intp)
    row[kept] = np.arange(len(kept))
    return row[label], len(kept)


def _follow(
    n: int, arcs: pd.DataFrame, open_: NDArray[np.intp], at: NDArray[np.intp], n_counts: int
) -> tuple[NDArray[np.intp], Floats, Floats, sparse.csr_array]:
    """Return the uncounted arcs that follow from the counts: rows, sign, coefficients, what is behind.

    The balance of what hangs below a bridge, s·x + c'x_counted = g, gives the bridge's flow.
    """
    tail, head = arcs["tail"].to_numpy(), arcs["head"].to_numpy()
    found = forest(n, tail[open_], head[open_])
    rows = open_[found.bridges]
    start, stop = found.entered[found.below], found.left[found.below]
    count = arcs["count"].to_numpy()[at]
    coefficients = np.zeros((len(rows), n_counts))
    for end, one in ((head, 1.0), (tail, -1.0)):
        place = found.entered[end[at]]
        inside = (place[None, :] >= start[:, None]) & (place[None, :] < stop[:, None])
        coefficients[:, count] += np.where(inside, one, 0.0)
    told = (coefficients != 0).any(axis=1)
    rows, start, stop, below = rows[told], start[told], stop[told], found.below[told]
    sign = np.where(head[rows] == below, 1.0, -1.0)
    width = stop - start
    columns = [found.order[a:b] for a, b in zip(start, stop, strict=True)]
    behind = sparse.csr_array(
        (
            np.ones(int(width.sum())),
            (
                np.repeat(np.arange(len(rows)), width),
                np.concatenate(columns) if columns else np.zeros(0, dtype=np.intp),
            ),
        ),
        shape=(len(rows), n),
    )
    order = np.argsort(rows)
    return rows[order], sign[order], coefficients[told][order], behind[order]
