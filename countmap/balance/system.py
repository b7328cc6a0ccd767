"""The equations of a network and its counts, with the names of what they are about."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import sparse

from countmap.balance.contract import Contraction, Network, contract
from countmap.balance.equations import Equations, equations
from countmap.balance.expand import Expanded, expand
from countmap.balance.inputs import station_pairs
from countmap.balance.solve import Problem

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from countmap.balance.inputs import BalanceInputs, Counts, RelativeErrors

    Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class System:
    """Areas that conserve flow, each with the counts around it.

    An area is what remains connected when the counted arcs are cut: a junction, the place between two
    counts of a section, or several junctions joined by uncounted streets. ``found`` is the contraction,
    ``equations`` what it comes to.
    """

    graph: Expanded
    counts: Counts
    found: Contraction
    equations: Equations

    @property
    def area(self) -> NDArray[np.intp]:
        """The row of each vertex's equation, −1 for the outside and areas without counts."""
        return self.found.area

    @property
    def inferred(self) -> NDArray[np.intp]:
        """The rows of ``graph.arcs`` that follow from the counts."""
        return self.found.follows

    @cached_property
    def clusters(self) -> pd.DataFrame:
        """The junctions of the areas, bends left out: area, cluster, sorted."""
        vertices = self.graph.vertices
        at = np.flatnonzero((self.area >= 0) & (vertices["kind"] != "bend").to_numpy())
        names = pd.DataFrame({"area": self.area[at], "cluster": vertices["cluster"].to_numpy()[at]})
        return names.drop_duplicates().sort_values(["area", "cluster"], ignore_index=True)

    @cached_property
    def incidence(self) -> Floats:
        """(areas, counts) in full: +1 where a count leads into an area, −1 where it leads out."""
        full: Floats = self.equations.by_area.toarray()
        return full

    @cached_property
    def slack(self) -> sparse.csr_array:
        """(areas, sources): what one unit of each source of slack adds."""
        return sparse.csr_array(self.equations.sums @ self.equations.slack)

    @property
    def checkable(self) -> NDArray[np.bool_]:
        """Whether each count enters an equation."""
        found: NDArray[np.bool_] = np.diff(self.equations.by_area.tocsc().indptr) > 0
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
        counts = self.counts.used["aadt"].to_numpy(dtype=float)
        return Problem(self.equations, counts, errors.at(flow), self.source_sd(flow) ** 2)

    def told_by(self) -> list[NDArray[np.intp]]:
        """Return for each inferred arc the counts it follows from, in ascending order."""
        walk, network = self.found.walk, self.found.network
        at = np.flatnonzero(network.count >= 0)
        place = np.concatenate([walk.entered[network.tail[at]], walk.entered[network.head[at]]])
        order = np.argsort(place, kind="stable")
        place, count = place[order], np.tile(network.count[at], 2)[order]
        below = self.found.below
        first = np.searchsorted(place, walk.entered[below])
        last = np.searchsorted(place, walk.left[below])
        told = []
        for a, b in zip(first, last, strict=True):
            here, times = np.unique(count[a:b], return_counts=True)
            told.append(here[times == 1])
        return told


def build(inputs: BalanceInputs, counts: Counts) -> System:
    """Set up the equations of a network and its counts; see :func:`countmap.balance.contract.contract`."""
    graph = expand(inputs, counts)
    arcs = graph.arcs
    tail, head, count = (arcs[c].to_numpy(dtype=np.intp) for c in ("tail", "head", "count"))
    quiet = arcs["quiet"].to_numpy(dtype=bool)
    network = Network(len(graph.vertices), tail, head, count, quiet)
    found = contract(network)
    return System(graph, counts, found, equations(found, graph.slack, station_pairs(counts.used)))
