"""A sparse precision matrix factored once: variances, near covariances and columns of its inverse."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numba
import numpy as np
import qdldl
from numpy.typing import NDArray
from scipy import sparse

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Factored:
    """J = P'(L D L')P of a symmetric positive definite J, with the entries of J⁻¹ on L's pattern.

    ``starts, rows, below`` are L by columns (unit diagonal left out, rows ascending), ``pivot`` D,
    ``place`` the row of L at which each unknown stands. ``own`` and ``near`` are J⁻¹ on the diagonal
    and on the pattern of L, in L's order.
    """

    starts: Ints
    rows: Ints
    below: Floats
    pivot: Floats
    place: Ints
    own: Floats
    near: Floats

    def variances(self) -> Floats:
        """Return the diagonal of J⁻¹ (n,)."""
        return self.own[self.place]

    def covariances(self, a: Ints, b: Ints) -> Floats:
        """Return J⁻¹ at pairs that are neighbours in J (their entry of J is stored) or one unknown."""
        found: Floats = _lookup(
            self.starts, self.rows, self.near, self.own, self.place[a], self.place[b]
        )
        return found

    def columns(self, of: Ints) -> Floats:
        """Return columns of J⁻¹, shape (n, len(of))."""
        right = np.zeros((len(self.pivot), len(of)))
        right[self.place[of], np.arange(len(of))] = 1.0
        _solve(self.starts, self.rows, self.below, self.pivot, right)
        return right[self.place]

    def solve(self, right: Floats) -> Floats:
        """Return J⁻¹ times a vector (n,)."""
        work = np.empty((len(right), 1))
        work[self.place, 0] = right
        _solve(self.starts, self.rows, self.below, self.pivot, work)
        found: Floats = work[self.place, 0]
        return found


def factor(precision: Any) -> Factored:
    """Factor a symmetric positive definite sparse matrix and invert it on the pattern of its factor.

    Parameters
    ----------
    precision : sparse (n, n) array

    References
    ----------
    K. Takahashi, J. Fagan & M.-S. Chen, "Formation of a sparse bus impedance matrix and its
    application to short circuit study", PICA Conference, 1973.

    Examples
    --------
    >>> j = sparse.csc_array(np.array([[4.0, 1.0, 0.0], [1.0, 3.0, 1.0], [0.0, 1.0, 2.0]]))
    >>> found = factor(j)
    >>> np.allclose(found.variances(), np.diag(np.linalg.inv(j.toarray())))
    True
    """
    whole = sparse.csc_matrix(precision)
    whole.sort_indices()
    lower, pivot, order = qdldl.Solver(whole).factors()
    lower = sparse.csc_matrix(lower)
    lower.sort_indices()
    place = np.empty(len(order), dtype=np.int64)
    place[order] = np.arange(len(order))
    starts, rows = lower.indptr.astype(np.int64), lower.indices.astype(np.int64)
    own, near = _selected(starts, rows, lower.data, pivot)
    return Factored(starts, rows, lower.data, pivot, place, own, near)


@numba.njit(cache=True)  # type: ignore[untyped-decorator]
def _selected(starts: Ints, rows: Ints, below: Floats, pivot: Floats) -> tuple[Floats, Floats]:
    """Return J⁻¹ on the diagonal and on the pattern of L, from the last column to the first."""
    n = len(pivot)
    own, near = np.empty(n), np.zeros(len(below))
    share, total = np.zeros(n), np.zeros(n)
    inside = np.full(n, -1, dtype=np.int64)
    for j in range(n - 1, -1, -1):
        first, last = starts[j], starts[j + 1]
        for at in range(first, last):
            share[rows[at]] = below[at]
            inside[rows[at]] = j
        for at in range(first, last):
            k = rows[at]
            total[k] += own[k] * below[at]
            for deep in range(starts[k], starts[k + 1]):
                r = rows[deep]
                if inside[r] == j:
                    total[r] += near[deep] * below[at]
                    total[k] += near[deep] * share[r]
        here = 1.0 / pivot[j]
        for at in range(first, last):
            k = rows[at]
            near[at] = -total[k]
            here += below[at] * total[k]
        own[j] = here
        for at in range(first, last):
            total[rows[at]] = 0.0
    return own, near


@numba.njit(cache=True)  # type: ignore[untyped-decorator]
def _lookup(  # noqa: PLR0917  # compiled: arrays one by one
    starts: Ints, rows: Ints, near: Floats, own: Floats, a: Ints, b: Ints
) -> Floats:
    found = np.empty(len(a))
    for i in range(len(a)):
        if a[i] == b[i]:
            found[i] = own[a[i]]
            continue
        j, r = min(a[i], b[i]), max(a[i], b[i])
        low, high = starts[j], starts[j + 1]
        while low < high:
            middle = (low + high) // 2
            if rows[middle] < r:
                low = middle + 1
            else:
                high = middle
        found[i] = near[low] if low < starts[j + 1] and rows[low] == r else np.nan
    return found


@numba.njit(cache=True)  # type: ignore[untyped-decorator]
def _solve(starts: Ints, rows: Ints, below: Floats, pivot: Floats, right: Floats) -> None:
    """Solve in place for every column of ``right`` (n, k), in L's order."""
    n, k = right.shape
    for j in range(n):
        for at in range(starts[j], starts[j + 1]):
            for c in range(k):
                right[rows[at], c] -= below[at] * right[j, c]
    for j in range(n - 1, -1, -1):
        for c in range(k):
            right[j, c] /= pivot[j]
        for at in range(starts[j], starts[j + 1]):
            for c in range(k):
                right[j, c] -= below[at] * right[rows[at], c]
