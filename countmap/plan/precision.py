"""A sparse precision matrix factored once: variances, near covariances and columns of its inverse."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from countmap.balance.ldl import Factor, symbolic

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Factored:
    """J = P'(L D L')P of a symmetric positive definite J (n, n)."""

    n: int
    lower: Factor

    def variances(self) -> Floats:
        """Return the diagonal of J⁻¹ (n,)."""
        every = np.arange(self.n, dtype=np.intp)
        return self.lower.entries(every, every)

    def covariances(self, a: Ints, b: Ints) -> Floats:
        """Return J⁻¹ at pairs; fast where they are neighbours in J."""
        return self.lower.entries(a.astype(np.intp), b.astype(np.intp))

    def columns(self, of: Ints) -> Floats:
        """Return columns of J⁻¹, shape (n, len(of))."""
        right = np.zeros((self.n, len(of)))
        right[of, np.arange(len(of))] = 1.0
        return self.lower.solve(right)

    def solve(self, right: Floats) -> Floats:
        """Return J⁻¹ times a vector (n,)."""
        return self.lower.solve(right)


def factor(precision: Any) -> Factored:
    """Factor a symmetric positive definite sparse matrix.

    Parameters
    ----------
    precision : sparse (n, n) array

    Raises
    ------
    InvalidInput
        It is singular.

    Examples
    --------
    >>> j = sparse.csc_array(np.array([[4.0, 1.0, 0.0], [1.0, 3.0, 1.0], [0.0, 1.0, 2.0]]))
    >>> found = factor(j)
    >>> np.allclose(found.variances(), np.diag(np.linalg.inv(j.toarray())))
    True
    """
    half = sparse.coo_array(sparse.tril(precision))
    n = precision.shape[0]
    row, column = (half.coords[0].astype(np.intp), half.coords[1].astype(np.intp))
    ordered = symbolic(n, row, column, np.full(n, -1, dtype=np.intp))
    return Factored(n, ordered.factor(half.data))
