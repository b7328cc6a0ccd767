"""The cheapest set of counts from which every flow follows by conservation alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import splu

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from countmap.plan.units import Units

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Mask = NDArray[np.bool_]

EXCHANGE_MOST = 60
"""With more edges than this, sets of equal cost are not compared by their precision."""


@dataclass(frozen=True, eq=False)
class Graph:
    """Vertices that conserve flow, vertex 0 the outside, and edges that carry it."""

    vertices: int
    tail: Ints
    head: Ints


def cheapest(graph: Graph, cost: Floats, free: Mask | None = None) -> Mask:
    """Return which edges to count so that all flows follow, at the least cost.

    Parameters
    ----------
    graph : Graph
    cost : (edges,) array
        Of counting each edge; above 0.
    free : (edges,) bool array, optional
        Edges that are counted already.

    Notes
    -----
    Flows follow exactly when the uncounted edges hold no cycle, the outside being one vertex. The sets
    without a cycle are the independent sets of a graphic matroid, so the dearest edges taken while
    they close no cycle (Kruskal) leave the cheapest set to count: exact. Among sets of equal cost the
    one with the surest uncounted flows is sought by exchanges.

    References
    ----------
    M. Ng, "Synergistic sensor location for link flow inference without path enumeration",
    Transportation Research B 46, 2012, on the number m − n; J. Edmonds, "Matroids and the greedy
    algorithm", Mathematical Programming 1, 1971.

    Examples
    --------
    A street from outside to outside past two junctions: one count tells all.

    >>> line = Graph(3, np.array([0, 1, 2]), np.array([1, 2, 0]))
    >>> cheapest(line, np.array([3.0, 1.0, 2.0])).tolist()
    [False, True, False]
    """
    taken = np.zeros(len(cost), dtype=bool) if free is None else free.copy()
    root = np.arange(graph.vertices)

    def find(v: int) -> int:
        while root[v] != v:
            root[v] = root[root[v]]
            v = int(root[v])
        return v

    uncounted = np.zeros(len(cost), dtype=bool)
    for edge in np.lexsort((np.arange(len(cost)), -cost)):
        if taken[edge]:
            continue
        a, b = find(int(graph.tail[edge])), find(int(graph.head[edge]))
        if a != b:
            root[max(a, b)] = min(a, b)
            uncounted[edge] = True
    counted = ~uncounted
    if len(cost) <= EXCHANGE_MOST:
        counted = _surest(graph, cost, counted, taken)
    return counted


def variances(graph: Graph, counted: Mask, noise: Floats) -> Floats | None:
    """Return the variance of every uncounted edge's flow; None where the counts do not tell them all.

    ``noise`` (edges,) is the variance of a count of each edge.
    """
    unknown = np.flatnonzero(~counted)
    joins = sparse.coo_array(
        (np.ones(len(unknown)), (graph.tail[unknown], graph.head[unknown])),
        shape=(graph.vertices, graph.vertices),
    )
    parts, label = connected_components(joins, directed=False)
    if len(unknown) != graph.vertices - parts:
        return None  # a cycle
    first = np.array([np.flatnonzero(label == p)[0] for p in range(parts)])
    kept = np.setdiff1d(np.arange(graph.vertices), first)
    incidence = sparse.lil_array((graph.vertices, len(counted)))
    for end, sign in ((graph.head, 1.0), (graph.tail, -1.0)):
        for edge, vertex in enumerate(end.tolist()):
            incidence[vertex, edge] += sign
    rows = sparse.csc_array(incidence.tocsr()[kept])
    if not len(unknown):
        return np.zeros(0)
    solved = splu(sparse.csc_matrix(rows[:, unknown])).solve(rows[:, counted].toarray())
    found: Floats = (solved**2 @ noise[counted]).ravel()
    return found


def _surest(graph: Graph, cost: Floats, counted: Mask, free: Mask) -> Mask:
    """Exchange a counted edge for an uncounted one of the same cost while that makes flows surer."""
    noise = np.ones(len(cost))
    now = variances(graph, counted, noise)
    best = np.inf if now is None else float(now.sum())
    while True:
        found = None
        for inside in np.flatnonzero(counted & ~free):
            for outside in np.flatnonzero(~counted & (cost == cost[inside])):
                trial = counted.copy()
                trial[[inside, outside]] = [False, True]
                then = variances(graph, trial, noise)
                if then is not None and then.sum() < best - 1e-9:
                    best, found = float(then.sum()), trial
        if found is None:
            return counted
        counted = found


@dataclass(frozen=True, eq=False)
class FullSet:
    """What to count for full observability: rows of the sections, and their cost.

    ``number`` counts single senses where ``senses`` was ``one``, stations else.
    """

    sections: Ints
    senses: tuple[str, ...]
    cost: float


def full_set(units: Units, cost: Floats, counted: Mask, *, single: bool = False) -> FullSet:
    """Return the cheapest further counts after which every flow follows.

    Parameters
    ----------
    units : Units
    cost : (sections,) array
        Of a station, or with ``single`` of counting one sense.
    counted : (sections,) bool array
        Sections counted already, all their senses.
    single : bool
        One sense may be counted alone.

    Notes
    -----
    A two-way street is two edges between the same two vertices, a cycle while neither is counted: with
    stations that count both senses every two-way street needs one, and only one-way streets can be
    spared. Counting single senses spares one sense of a spanning forest.
    """
    arcs = units.arcs
    section = units.section_of
    graph = Graph(units.vertices, arcs["tail"].to_numpy(), arcs["head"].to_numpy())
    two = units.two_way
    free = counted[section] | (two[section] if not single else False)
    found = cheapest(graph, cost[section], free)
    needed = found & ~counted[section]
    rows = np.flatnonzero(needed)
    if single:
        senses = tuple(arcs["sense"].to_numpy()[rows])
        return FullSet(section[rows], senses, float(cost[section[rows]].sum()))
    which = np.unique(section[rows])
    return FullSet(which, ("both",) * len(which), float(cost[which].sum()))
