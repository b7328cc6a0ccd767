"""The equations of the balance as one sparse matrix: blocks, the arcs that follow, their errors.

Unknown are λ of each block and the flows x_b of the arcs that follow from the counts; with
H = A S A' + Q over the blocks and B the incidence of those arcs the matrix is K = [H B; B' 0]. Its inverse
holds every variance: H⁻¹ of the contracted areas in its first part, −Cov x_b in its second.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from scipy import sparse

from countmap.balance.ldl import Symbolic, symbolic

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from countmap.balance.contract import Contraction
    from countmap.balance.ldl import Factor

    Floats = NDArray[np.float64]
    Rows = NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Errors:
    """S = diag(own) + the covariances of pairs + shared shared'.

    ``own`` (n,) variances, ``pair`` (q,) the covariance of the two counts of each pair of
    :class:`Equations`, ``shared`` (n, k) a column for each error that many counts share.
    """

    own: Floats
    pair: Floats
    shared: Floats

    @property
    def variance(self) -> Floats:
        """Var of each count."""
        total: Floats = self.own + (self.shared**2).sum(axis=1)
        return total


@dataclass(frozen=True, eq=False)
class Equations:
    """Which blocks each count and each inferred arc joins.

    Parameters
    ----------
    tail, head : (n,) int arrays
        Block that each count leaves and enters, −1 outside.
    bridge_tail, bridge_head, below : (p,) int arrays
        The same of the arcs that follow from the counts; ``below`` is the end away from the root.
    slack : (blocks, sources) sparse array
        What one unit of each source of slack adds to the blocks; at most a few entries each.
    pairs : (q, 2) int array
        Counts whose errors hang together two by two: both senses of one station.
    block_area : (blocks,) int array
        The area (equation) of each block, −1 for none; ``n_areas`` of them.
    """

    tail: Rows
    head: Rows
    bridge_tail: Rows
    bridge_head: Rows
    below: Rows
    slack: sparse.csc_array
    pairs: Rows
    block_area: Rows
    n_areas: int

    @property
    def size(self) -> tuple[int, int, int, int]:
        """Blocks, counts, inferred arcs, sources."""
        return len(self.block_area), len(self.tail), len(self.bridge_tail), self.slack.shape[1]

    @cached_property
    def incidence(self) -> sparse.csr_array:
        """A (blocks, counts): +1 where a count enters a block, −1 where it leaves one."""
        return _incidence(len(self.block_area), self.tail, self.head)

    def across(self, potential: Floats) -> Floats:
        """Return λ at the head less λ at the tail of each inferred arc, 0 outside."""
        padded = np.append(potential, 0.0)
        result: Floats = padded[self.bridge_head] - padded[self.bridge_tail]
        return result

    @cached_property
    def sums(self) -> sparse.csr_array:
        """(areas, blocks): the equation of an area is the sum of its blocks'."""
        inside = np.flatnonzero(self.block_area >= 0)
        return sparse.csr_array(
            (np.ones(len(inside)), (self.block_area[inside], inside)),
            shape=(self.n_areas, len(self.block_area)),
        )

    @cached_property
    def by_area(self) -> sparse.csr_array:
        """A (areas, counts), without the counts that begin and end in one area."""
        found = sparse.csr_array(self.sums @ self.incidence)
        found.eliminate_zeros()
        return found

    @cached_property
    def plan(self) -> tuple[Symbolic, Rows, Floats]:
        """The matrix in its order of elimination; what each entry takes from the parameters."""
        row, column, parameter, weight = _contributions(self)
        blocks, _, p, _ = self.size
        follows = np.full(blocks + p, -1, dtype=np.intp)
        follows[blocks:] = self.below
        return symbolic(blocks + p, row, column, follows), parameter, weight

    def factor(self, errors: Errors, source_variance: Floats, free: Floats, hair: float) -> Factor:
        """Factor K.

        Parameters
        ----------
        errors : Errors
            ``shared`` is left out: it enters by its own (Woodbury).
        source_variance : (sources,) array
        free : (p,) array
            The multiple of the inferred arcs' own products added to H, which the constraints cancel
            again (an augmented Lagrangian: it keeps every pivot away from zero); 0 holds the arc at 0.
        hair : float
            Variance added to every block.

        Raises
        ------
        InvalidInput
            If K is singular.
        """
        kept = (free > 0).astype(float)
        values = np.concatenate(
            [errors.own, errors.pair, source_variance, kept, 1.0 - kept, free, [hair]]
        )
        pattern, parameter, weight = self.plan
        return pattern.factor(weight * values[parameter])


def equations(found: Contraction, slack: sparse.sparray, pairs: Rows) -> Equations:
    """Set up the equations of a contracted network.

    Parameters
    ----------
    found : Contraction
    slack : (vertices, sources) sparse array
    pairs : (q, 2) int array
    """
    network, block = found.network, found.block
    tail, head = found.ends
    blocks = len(found.block_area)
    inside = np.flatnonzero(block >= 0)
    member = sparse.csr_array(
        (np.ones(len(inside)), (block[inside], inside)), shape=(blocks, network.n)
    )
    seen = sparse.csc_array(member @ slack)
    seen.eliminate_zeros()
    return Equations(
        tail,
        head,
        block[network.tail[found.follows]],
        block[network.head[found.follows]],
        block[found.below],
        seen,
        np.asarray(pairs, dtype=np.intp).reshape(-1, 2),
        found.block_area,
        found.n_areas,
    )


def _incidence(n: int, tail: Rows, head: Rows) -> sparse.csr_array:
    k = np.arange(len(tail))
    inside = [head >= 0, tail >= 0]
    rows = np.concatenate([head[inside[0]], tail[inside[1]]])
    columns = np.concatenate([k[inside[0]], k[inside[1]]])
    one = np.concatenate([np.ones(inside[0].sum()), -np.ones(inside[1].sum())])
    return sparse.csr_array((one, (rows, columns)), shape=(n, len(tail)))


def _contributions(e: Equations) -> tuple[Rows, Rows, Rows, Floats]:
    """Return what adds up to K: row, column, which parameter, times what."""
    blocks, n, p, sources = e.size
    first = np.cumsum([0, n, len(e.pairs), sources, p, p, p])
    parts: list[tuple[Rows, Rows, Rows, Floats]] = []

    def add(row: Rows, column: Rows, parameter: Rows, weight: Floats) -> None:
        kept = (row >= 0) & (column >= 0)
        parts.append((row[kept], column[kept], parameter[kept], weight[kept]))

    def product(tail: Rows, head: Rows, parameter: Rows) -> None:
        one = np.ones(len(tail))
        loop = tail == head
        add(tail, tail, parameter, np.where(loop, 0.0, 1.0))
        add(head, head, parameter, np.where(loop, 0.0, 1.0))
        add(tail, head, parameter, np.where(loop, 0.0, -one))

    product(e.tail, e.head, np.arange(n))
    one, other = e.pairs[:, 0], e.pairs[:, 1]
    at = first[1] + np.arange(len(e.pairs))
    for u, su in ((e.head, 1.0), (e.tail, -1.0)):
        for v, sv in ((e.head, 1.0), (e.tail, -1.0)):
            row, column = u[one], v[other]
            add(row, column, at, np.where(row == column, 2.0, 1.0) * su * sv)
    for row, column, source, weight in _source_products(e.slack):
        add(row, column, first[2] + source, weight)
    k = np.arange(p)
    add(e.bridge_head, blocks + k, first[3] + k, np.ones(p))
    add(e.bridge_tail, blocks + k, first[3] + k, -np.ones(p))
    add(blocks + k, blocks + k, first[4] + k, -np.ones(p))
    product(e.bridge_tail, e.bridge_head, first[5] + k)
    every = np.arange(blocks)
    add(every, every, np.full(blocks, first[6]), np.ones(blocks))
    row, column, parameter, weight = (np.concatenate(c) for c in zip(*parts, strict=True))
    return row, column, parameter, weight


def _source_products(slack: sparse.csc_array) -> list[tuple[Rows, Rows, Rows, Floats]]:
    """Return the products of the entries of each column, each unordered pair once."""
    slack = sparse.csc_array(slack)
    size = np.diff(slack.indptr)
    found = []
    for i in range(int(size.max(initial=0))):
        for j in range(i + 1):
            source = np.flatnonzero(size > i)
            a, b = slack.indptr[source] + i, slack.indptr[source] + j
            found.append(
                (
                    slack.indices[a].astype(np.intp),
                    slack.indices[b].astype(np.intp),
                    source,
                    slack.data[a] * slack.data[b],
                )
            )
    return found
