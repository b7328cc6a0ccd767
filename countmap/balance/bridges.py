"""Bridges of an undirected multigraph: the edges that lie on no cycle."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


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
    starts = np.searchsorted(ends[by_vertex], np.arange(n_vertices + 1)).tolist()
    k = len(tail)
    edge_at = (by_vertex % max(k, 1)).tolist()
    other_at = np.concatenate([head, tail])[by_vertex].tolist()
    entered, low, left = [-1] * n_vertices, [0] * n_vertices, [0] * n_vertices
    cursor, order = list(starts[:-1]), list[int]()
    via = [-1] * n_vertices
    bridges, below = list[int](), list[int]()
    for root in range(n_vertices):
        if entered[root] >= 0:
            continue
        entered[root] = low[root] = len(order)
        order.append(root)
        stack = [root]
        while stack:
            here = stack[-1]
            at = cursor[here]
            if at < starts[here + 1]:
                cursor[here] = at + 1
                edge, other = edge_at[at], other_at[at]
                if edge == via[here]:
                    continue
                if entered[other] < 0:
                    via[other] = edge
                    entered[other] = low[other] = len(order)
                    order.append(other)
                    stack.append(other)
                elif entered[other] < low[here]:
                    low[here] = entered[other]
                continue
            stack.pop()
            left[here] = len(order)
            if stack:
                above = stack[-1]
                low[above] = min(low[above], low[here])
                if low[here] > entered[above]:
                    bridges.append(via[here])
                    below.append(here)
    return Forest(
        np.array(order, dtype=np.intp),
        np.array(entered, dtype=np.intp),
        np.array(left, dtype=np.intp),
        np.array(bridges, dtype=np.intp),
        np.array(below, dtype=np.intp),
    )
