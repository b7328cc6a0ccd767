"""Exact classification: what the uncounted streets join, which counts are tested, what follows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from countmap.balance.bridges import Forest, forest

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Rows = NDArray[np.intp]
    Truths = NDArray[np.bool_]

GROUND = 0
"""The outside: study boundary, generators and declared sources. It carries no equation."""

_SEED = 20250301


@dataclass(frozen=True, eq=False)
class Network:
    """A graph on which flow is conserved, and where it is counted.

    ``n`` vertices, 0 the outside; arcs from ``tail`` to ``head``; ``count`` is the number of the count
    on each arc, −1 without; ``closed`` arcs carry no flow of their own (streets declared quiet).
    """

    n: int
    tail: Rows
    head: Rows
    count: Rows
    closed: Truths


@dataclass(frozen=True, eq=False)
class Contraction:
    """The network as the counts see it.

    An *area* is what the uncounted arcs join: ``area`` (vertices,) is the row of its equation, −1 for
    the outside and areas without one. A *block* is what remains of an area when the arcs that follow
    from the counts are cut too: ``block`` (vertices,), −1 where no equation reaches; ``block_area``
    (blocks,) is its area's row. ``follows`` are the arcs whose flow follows from the counts, ``below``
    the vertex at the far end of each, ``walk`` the forest of the uncounted arcs.
    """

    network: Network
    area: Rows
    n_areas: int
    block: Rows
    block_area: Rows
    follows: Rows
    below: Rows
    walk: Forest

    @property
    def ends(self) -> tuple[Rows, Rows]:
        """The block at the tail and at the head of each count, by the number of the count."""
        at = np.flatnonzero(self.network.count >= 0)
        tail, head = np.full(len(at), -1, dtype=np.intp), np.full(len(at), -1, dtype=np.intp)
        tail[self.network.count[at]] = self.block[self.network.tail[at]]
        head[self.network.count[at]] = self.block[self.network.head[at]]
        return tail, head


def contract(network: Network) -> Contraction:
    """Contract the uncounted arcs and find what follows from the counts.

    Notes
    -----
    An uncounted arc is observable exactly when it is a bridge of the uncounted graph with the outside
    merged into one vertex; it says something where a count leads over the edge of what hangs below it.
    A part of the network without any way to the outside has one equation too many: its largest area
    gives it up.
    """
    tail, head, count = network.tail, network.head, network.count
    open_ = np.flatnonzero((count < 0) & ~network.closed & (tail != head))
    at = np.flatnonzero(count >= 0)
    label = _joined(network.n, tail[open_], head[open_])
    area, n_areas = _rows(label, tail[at], head[at])
    walk = forest(network.n, tail[open_], head[open_])
    told = _is_told(walk, tail[at], head[at])
    follows, below = open_[walk.bridges[told]], walk.below[told]
    order = np.argsort(follows)
    follows, below = follows[order], below[order]
    rest = np.setdiff1d(open_, follows, assume_unique=True)
    part = _joined(network.n, tail[rest], head[rest])
    block, block_area = _blocks(part, label, area, walk)
    return Contraction(network, area, n_areas, block, block_area, follows, below, walk)


def _joined(n: int, tail: Rows, head: Rows) -> Rows:
    graph = sparse.coo_array((np.ones(len(tail), dtype=np.int8), (tail, head)), shape=(n, n))
    label: Rows = connected_components(graph, directed=False)[1].astype(np.intp)
    return label


def _rows(label: Rows, tail: Rows, head: Rows) -> tuple[Rows, int]:
    """Give each area that a count joins to another a row; free one area of a part without outside."""
    crossing = label[tail] != label[head]
    a, b = label[tail[crossing]], label[head[crossing]]
    touched = np.unique(np.concatenate([a, b]))
    k = int(label.max()) + 1
    part = _joined(k, a, b)
    size = np.bincount(label, minlength=k)
    outside = label[GROUND]
    # The first of each part by (without outside, size) is its largest area.
    ordered = touched[np.lexsort((touched, -size[touched], part[touched]))]
    first = np.diff(part[ordered], prepend=-1) != 0
    freed = ordered[first & (part[ordered] != part[outside])]
    kept = np.setdiff1d(touched, np.append(freed, outside))
    row = np.full(k, -1, dtype=np.intp)
    row[kept] = np.arange(len(kept))
    return row[label], len(kept)


def _is_told(walk: Forest, tail: Rows, head: Rows) -> Truths:
    """Return for each bridge whether a count has one end below it and one above.

    Each count marks both its ends with a number of its own; below a bridge the marks of those with both
    ends there cancel, and what is left is zero by chance once in 2⁶⁴.
    """
    marks = np.random.default_rng(_SEED).integers(1, 2**63 - 1, len(tail))
    at = np.zeros(len(walk.order), dtype=np.int64)
    for end in (tail, head):
        np.bitwise_xor.at(at, walk.entered[end], marks)
    total = np.concatenate([[0], np.bitwise_xor.accumulate(at)])
    told: Truths = total[walk.left[walk.below]] != total[walk.entered[walk.below]]
    return told


def _blocks(part: Rows, label: Rows, area: Rows, walk: Forest) -> tuple[Rows, Rows]:
    """Count off the blocks that equations reach; the first of an area without equation is fixed."""
    n = int(part.max()) + 1
    root = np.zeros(n, dtype=bool)  # the block at which the walk enters an area
    entered = walk.entered
    first = np.full(int(label.max()) + 1, len(entered), dtype=np.intp)
    np.minimum.at(first, label, entered)
    root[part[walk.order[first]]] = True
    equation = np.full(n, -1, dtype=np.intp)
    equation[part] = area
    number = np.full(n, -1, dtype=np.intp)
    kept = np.flatnonzero(~root | (equation >= 0))
    number[kept] = np.arange(len(kept))
    return number[part], equation[kept]
