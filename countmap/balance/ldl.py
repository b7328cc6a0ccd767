"""Sparse LDL' of a symmetric matrix whose pattern stays: order once, factor often, invert where asked.

The selected inverse gives every entry of the inverse that lies on the pattern of the factor, exactly
and at about the price of the factor itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import qdldl
from numba import njit
from scipy import sparse

from countmap.errors import InvalidInput

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Rows = NDArray[np.intp]

_AT_ONCE = 64
"""Right-hand sides solved together: wide enough to be fast, narrow enough for memory."""


@dataclass(frozen=True, eq=False)
class Symbolic:
    """The pattern of a symmetric matrix in the order of elimination.

    ``place`` says where each variable comes, ``slot`` which entry of the stored upper triangle each
    given (row, column) adds to; ``start`` and ``index`` are that triangle by columns, ``parent`` the
    elimination tree, ``fill`` the column starts of the factor.
    """

    n: int
    place: Rows
    slot: Rows
    start: Rows
    index: Rows
    parent: Rows
    fill: Rows

    def factor(self, values: Floats) -> Factor:
        """Factor the matrix whose given entries have these values; repeated entries add up.

        Raises
        ------
        InvalidInput
            If a pivot is zero: the matrix is singular.
        """
        total = np.bincount(self.slot, weights=values, minlength=len(self.index))
        rows, lower, pivots, bad = _factor(self.start, self.index, total, self.parent, self.fill)
        if bad >= 0:
            raise singular()
        return Factor(self, rows, lower, pivots)


@dataclass(frozen=True, eq=False)
class Factor:
    """P A P' = L D L': ``rows`` and ``lower`` hold L by columns, ``pivots`` D."""

    symbolic: Symbolic
    rows: Rows
    lower: Floats
    pivots: Floats

    def solve(self, right: Floats) -> Floats:
        """Return A⁻¹ times ``right``, (n,) or (n, k)."""
        if right.size == 0:
            return np.zeros(right.shape)
        wide = right.reshape(len(right), -1)
        work = np.empty_like(wide, dtype=float)
        work[self.symbolic.place] = wide
        _solve(self.symbolic.fill, self.rows, self.lower, self.pivots, work)
        found: Floats = work[self.symbolic.place].reshape(right.shape)
        return found

    @cached_property
    def inverse(self) -> tuple[Floats, Floats]:
        """The entries of A⁻¹ on the pattern of L: below the diagonal, and on it.

        References
        ----------
        K. Takahashi, J. Fagan & M.-S. Chin, "Formation of a sparse bus impedance matrix and its
        application to short circuit study", 8th PICA Conference, 1973.
        """
        below, diagonal = _selected(self.symbolic.fill, self.rows, self.lower, self.pivots)
        return below, diagonal

    def entries(self, row: Rows, column: Rows) -> Floats:
        """Return A⁻¹ at (row, column), 0 where either is −1; entries off the pattern are solved for."""
        place, inside = self.symbolic.place, (row >= 0) & (column >= 0)
        found = np.zeros(len(row))
        if not inside.any():
            return found
        below, diagonal = self.inverse
        a, b = place[row[inside]], place[column[inside]]
        where = _look_up(self.symbolic.fill, self.rows, np.minimum(a, b), np.maximum(a, b))
        value = np.where(where >= 0, below[where] if len(below) else 0.0, np.nan)
        value = np.where(a == b, diagonal[a], value)
        found[inside] = value
        lost = np.flatnonzero(inside)[np.isnan(value)]
        if len(lost):
            wanted, which = np.unique(column[lost], return_inverse=True)
            for first in range(0, len(wanted), _AT_ONCE):
                part = wanted[first : first + _AT_ONCE]
                unit = np.zeros((self.symbolic.n, len(part)))
                unit[part, np.arange(len(part))] = 1.0
                here = (which >= first) & (which < first + len(part))
                found[lost[here]] = self.solve(unit)[row[lost[here]], which[here] - first]
        return found


def singular() -> InvalidInput:
    """Return the error of a balance whose weights cannot be found."""
    return InvalidInput(
        "the balance has no weights: some counts have no error at all and cannot be reconciled; "
        "give every count a standard error above zero (annual.csv: lower and upper, or log_se)"
    )


def symbolic(n: int, row: Rows, column: Rows, follows: Rows) -> Symbolic:
    """Order a symmetric matrix for little fill.

    Parameters
    ----------
    n : int
    row, column : (k,) int arrays
        Its entries, either triangle; every diagonal entry must be among them.
    follows : (n,) int array
        The variable right after which a variable must be eliminated (one whose own pivot may be zero
        until then), −1 for none.

    References
    ----------
    P. R. Amestoy, T. A. Davis & I. S. Duff, "Algorithm 837: AMD", ACM TOMS 30(3), 2004, as in qdldl.
    """
    lead = np.where(follows >= 0, follows, np.arange(n))
    heads = np.flatnonzero(follows < 0)
    short = np.full(n, -1, dtype=np.intp)
    short[heads] = np.arange(len(heads))
    rank = np.zeros(len(heads), dtype=np.intp)
    rank[_minimum_degree(len(heads), short[lead[row]], short[lead[column]])] = np.arange(len(heads))
    order = np.lexsort((follows >= 0, rank[short[lead]]))
    place = np.empty(n, dtype=np.intp)
    place[order] = np.arange(n)
    a, b = place[row], place[column]
    key = np.maximum(a, b) * n + np.minimum(a, b)
    stored, slot = _distinct(key)
    index = stored % n
    start = np.searchsorted(stored, np.arange(n + 1) * n)
    parent, size = _tree(start, index)
    fill = np.concatenate([[0], np.cumsum(size)])
    return Symbolic(n, place, slot, start, index, parent, fill)


def _distinct(key: Rows) -> tuple[Rows, Rows]:
    order = np.argsort(key, kind="stable")
    ordered = key[order]
    new = np.concatenate([[True], ordered[1:] != ordered[:-1]]) if len(key) else np.zeros(0, bool)
    slot = np.empty(len(key), dtype=np.intp)
    slot[order] = np.cumsum(new) - 1
    return ordered[new], slot


def _minimum_degree(n: int, row: Rows, column: Rows) -> Rows:
    if n == 0:
        return np.zeros(0, dtype=np.intp)
    off = row != column
    a, b = np.minimum(row[off], column[off]), np.maximum(row[off], column[off])
    pattern = sparse.coo_array((np.ones(len(a)), (a, b)), shape=(n, n)).tocsc()
    pattern.sum_duplicates()
    pattern.data[:] = -1.0
    degree = np.bincount(pattern.indices, minlength=n) + np.diff(pattern.indptr)
    full = sparse.csc_matrix(pattern + sparse.diags_array(degree + 1.0))
    order: Rows = np.asarray(qdldl.Solver(full, upper=True).factors()[2], dtype=np.intp)
    return order


@njit(cache=True)  # type: ignore[untyped-decorator]
def _tree(start: Rows, index: Rows) -> tuple[Rows, Rows]:
    n = len(start) - 1
    parent, size = np.full(n, -1, np.int64), np.zeros(n, np.int64)
    seen = np.full(n, -1, np.int64)
    for k in range(n):
        seen[k] = k
        for q in range(start[k], start[k + 1]):
            i = index[q]
            while seen[i] != k:
                if parent[i] < 0:
                    parent[i] = k
                size[i] += 1
                seen[i] = k
                i = parent[i]
    return parent, size


@njit(cache=True)  # type: ignore[untyped-decorator]
def _factor(
    start: Rows, index: Rows, value: Floats, parent: Rows, fill: Rows
) -> tuple[Rows, Floats, Floats, int]:
    n = len(start) - 1
    rows, lower = np.empty(fill[n], np.int64), np.empty(fill[n])
    pivots, upto = np.zeros(n), fill[:n].copy()
    work, seen = np.zeros(n), np.full(n, -1, np.int64)
    way, through = np.empty(n, np.int64), np.empty(n, np.int64)
    for k in range(n):
        pivot, size, met = 0.0, 0.0, 0
        for q in range(start[k], start[k + 1]):
            i = index[q]
            if i == k:
                pivot = value[q]
                size = abs(pivot)
                continue
            work[i] = value[q]
            length = 0
            while i >= 0 and i < k and seen[i] != k:
                seen[i] = k
                way[length] = i
                length += 1
                i = parent[i]
            while length > 0:
                length -= 1
                through[met] = way[length]
                met += 1
        for t in range(met - 1, -1, -1):
            c = through[t]
            here = work[c]
            work[c] = 0.0
            for q in range(fill[c], upto[c]):
                work[rows[q]] -= lower[q] * here
            part = here / pivots[c]
            pivot -= here * part
            size = max(size, abs(here * part))
            rows[upto[c]], lower[upto[c]] = k, part
            upto[c] += 1
        # What is left of the pivot is rounding alone where it is this small beside what went in.
        if not abs(pivot) > 1e-14 * size:
            return rows, lower, pivots, k
        pivots[k] = pivot
    return rows, lower, pivots, -1


@njit(cache=True)  # type: ignore[untyped-decorator]
def _solve(fill: Rows, rows: Rows, lower: Floats, pivots: Floats, work: Floats) -> None:
    n, wide = work.shape
    for j in range(n):
        for q in range(fill[j], fill[j + 1]):
            for c in range(wide):
                work[rows[q], c] -= lower[q] * work[j, c]
    for j in range(n - 1, -1, -1):
        for c in range(wide):
            work[j, c] /= pivots[j]
        for q in range(fill[j], fill[j + 1]):
            for c in range(wide):
                work[j, c] -= lower[q] * work[rows[q], c]


@njit(cache=True)  # type: ignore[untyped-decorator]
def _selected(fill: Rows, rows: Rows, lower: Floats, pivots: Floats) -> tuple[Floats, Floats]:
    n = len(pivots)
    below, diagonal = np.zeros(len(lower)), np.zeros(n)
    position, total = np.full(n, -1, np.int64), np.zeros(n)
    for j in range(n - 1, -1, -1):
        a, b = fill[j], fill[j + 1]
        for q in range(a, b):
            position[rows[q]] = q - a
            total[q - a] = 0.0
        for q in range(a, b):
            k, weight = rows[q], lower[q]
            own = total[q - a] + diagonal[k] * weight
            for s in range(fill[k], fill[k + 1]):
                t = position[rows[s]]
                if t >= 0:
                    total[t] += below[s] * weight
                    own += below[s] * lower[a + t]
            total[q - a] = own
        value = 1.0 / pivots[j]
        for q in range(a, b):
            below[q] = -total[q - a]
            value -= below[q] * lower[q]
            position[rows[q]] = -1
        diagonal[j] = value
    return below, diagonal


@njit(cache=True)  # type: ignore[untyped-decorator]
def _look_up(fill: Rows, rows: Rows, column: Rows, row: Rows) -> Rows:
    """Return where the entries below the diagonal lie in L, −1 where it has none."""
    found = np.full(len(row), -1, np.int64)
    for t in range(len(row)):
        j, i = column[t], row[t]
        low, high = fill[j], fill[j + 1]
        while low < high:
            middle = (low + high) // 2
            if rows[middle] < i:
                low = middle + 1
            else:
                high = middle
        if low < fill[j + 1] and rows[low] == i:
            found[t] = low
    return found
