"""Bridges of an undirected multigraph: the edges that lie on no cycle."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numba import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Rows = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Forest:
    """A depth-first forest of a multigraph and its bridges.

    ``order`` lists the vertices as they are entered; the vertices below ``v`` are
    ``order[entered[v]:left[v]]``. ``bridges`` are positions of edges, ``below`` the far end of each.
    """

    order: NDArray[np.intp]
    entered: NDArray[np.intp]
    left: NDArray[np.intp]
    bridges: NDArray[np.intp]
    below: NDArray[np.intp]


def forest(n_vertices: int, tail: NDArray[np.intp], head: NDArray[np.intp]) -> Forest:
    """Find the bridges by one depth-first walk, vertex 0 first.

    Parameters
    ----------
    n_vertices : int
    tail, head : (k,) int arrays
        Ends of the edges; their order does not matter. Self loops are never bridges, nor are edges
        that have a parallel.

    References
    ----------
    R. E. Tarjan, "A note on finding the bridges of a graph", Information Processing Letters 2, 1974.

    Examples
    --------
    A triangle with a tail:

    >>> found = forest(4, np.array([0, 1, 2, 2]), np.array([1, 2, 0, 3]))
    >>> found.bridges.tolist(), found.below.tolist()
    ([3], [3])
    """
    ends = np.concatenate([tail, head])
    by_vertex = np.argsort(ends, kind="stable")
    starts = np.searchsorted(ends[by_vertex], np.arange(n_vertices + 1))
    other = np.concatenate([head, tail])[by_vertex]
    order, entered, left, bridges, below = _walk(starts, by_vertex % max(len(tail), 1), other)
    return Forest(order, entered, left, bridges, below)


@njit(cache=True)  # type: ignore[untyped-decorator]
def _walk(starts: Rows, edge_at: Rows, other_at: Rows) -> tuple[Rows, Rows, Rows, Rows, Rows]:
    n = len(starts) - 1
    entered, low, left = np.full(n, -1, np.int64), np.zeros(n, np.int64), np.zeros(n, np.int64)
    cursor, order = starts[:-1].copy(), np.empty(n, np.int64)
    via, stack = np.full(n, -1, np.int64), np.empty(n, np.int64)
    bridges, below = np.empty(n, np.int64), np.empty(n, np.int64)
    met, found = 0, 0
    for root in range(n):
        if entered[root] >= 0:
            continue
        entered[root] = low[root] = met
        order[met] = root
        met += 1
        stack[0], depth = root, 1
        while depth > 0:
            here = stack[depth - 1]
            at = cursor[here]
            if at < starts[here + 1]:
                cursor[here] = at + 1
                edge, other = edge_at[at], other_at[at]
                if edge == via[here]:
                    continue
                if entered[other] < 0:
                    via[other] = edge
                    entered[other] = low[other] = met
                    order[met] = other
                    met += 1
                    stack[depth] = other
                    depth += 1
                elif entered[other] < low[here]:
                    low[here] = entered[other]
                continue
            depth -= 1
            left[here] = met
            if depth > 0:
                above = stack[depth - 1]
                low[above] = min(low[above], low[here])
                if low[here] > entered[above]:
                    bridges[found], below[found] = via[here], here
                    found += 1
    return order, entered, left, bridges[:found], below[:found]
