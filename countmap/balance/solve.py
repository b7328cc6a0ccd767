"""The linear algebra of the balance: counts, their errors, the equations, the reconciled flows.

Unknown flows x ≥ 0; counts y = x + e with Var e = S; equations A x = g with g ~ N(0, Q). Everything
follows from the joint normal law of (e, g) given the closing errors r = A y = A e + g.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from scipy import sparse
from scipy.linalg import LinAlgError, cho_factor, cho_solve

from countmap.balance.ldl import singular

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from countmap.balance.equations import Equations, Errors
    from countmap.balance.ldl import Factor

    Floats = NDArray[np.float64]
    Rows = NDArray[np.intp]

NON_CENTRALITY = 4.13
"""δ₀ of the smallest bias found at α 0.001 with power 0.8 (Baarda 1968)."""

_FLOOR = 1e-11
"""A direction of less than this share of its parts' own power is not seen: what is left is rounding."""


@dataclass(frozen=True, eq=False)
class Problem:
    """Counts y (n,) in vehicles a day, their errors S, and the variances of the sources of slack."""

    equations: Equations
    counts: Floats
    errors: Errors
    source_variance: Floats


@dataclass(frozen=True, eq=False)
class Solution:
    """What the counts and the equations say together.

    ``potential`` λ (blocks), ``flow`` x̂ (n), ``inferred`` the flows that follow (p), ``gamma`` r'H⁻¹r
    with ``dof`` as many degrees of freedom as equations. ``factor`` holds K of the errors that are not
    shared by many; ``wide`` K⁻¹V and ``core`` (I + V'K⁻¹V)⁻¹ add those.
    """

    problem: Problem
    factor: Factor
    wide: Floats
    core: Floats
    augmented: Floats
    potential: Floats
    flow: Floats
    inferred: Floats
    gamma: float

    @property
    def dof(self) -> int:
        """How many equations there are."""
        return self.problem.equations.n_areas

    @property
    def residual(self) -> Floats:
        """The closing error of each area, vehicles a day, positive where more comes in."""
        result: Floats = self.problem.equations.by_area @ self.problem.counts
        return result

    def solve(self, right: Floats) -> Floats:
        """Return K⁻¹ times ``right``, all errors in; rows are the blocks, then the inferred arcs."""
        found = self.factor.solve(right)
        blocks = len(self.potential)
        shared = _loads(self.problem)
        result: Floats = found - self.wide @ (self.core @ (shared.T @ found[:blocks]))
        return result

    def entries(self, row: Rows, column: Rows) -> Floats:
        """Return K⁻¹ at (row, column), 0 where either is −1."""
        found = self.factor.entries(row, column)
        if self.wide.shape[1]:
            wide = np.vstack([self.wide, np.zeros(self.wide.shape[1])])  # −1 is the row of zeros
            found -= np.einsum("ij,ij->i", wide[row] @ self.core, wide[column])
        return found

    def quadratic(self, directions: sparse.csc_array) -> Floats:
        """Return f'H⁻¹f for each column f (blocks, k) of a few entries."""
        total = np.zeros(directions.shape[1])
        size = np.diff(directions.indptr)
        for i in range(int(size.max(initial=0))):
            for j in range(i + 1):
                at = np.flatnonzero(size > i)
                a, b = directions.indptr[at] + i, directions.indptr[at] + j
                value = self.entries(
                    directions.indices[a].astype(np.intp), directions.indices[b].astype(np.intp)
                )
                total[at] += (1.0 if i == j else 2.0) * (
                    directions.data[a] * directions.data[b] * value
                )
        return total

    @cached_property
    def variance(self) -> Floats:
        """Var x̂ of each counted arc: the diagonal of S − S A'H⁻¹A S."""
        e, errors = self.problem.equations, self.problem.errors
        own, pair = errors.own, errors.pair
        one, other = e.pairs[:, 0], e.pairs[:, 1]
        # G = A'H⁻¹A on the counts and their pairs; S = Sₚ + U U' with Sₚ of pairs.
        g = self._between(np.arange(len(own)), np.arange(len(own)))
        mixed = self._between(one, other)
        known = own**2 * g
        known[one] += 2 * own[one] * pair * mixed + pair**2 * g[other]
        known[other] += 2 * own[other] * pair * mixed + pair**2 * g[one]
        u = errors.shared
        if u.shape[1]:
            pulled = e.incidence.T @ (self.wide @ self.core)[: len(self.potential)]
            spread = own[:, None] * pulled
            spread[one] += pair[:, None] * pulled[other]
            spread[other] += pair[:, None] * pulled[one]
            inner = u.T @ pulled
            known += 2 * (spread * u).sum(axis=1) + ((u @ inner) * u).sum(axis=1)
        result: Floats = np.maximum(errors.variance - known, 0.0)
        return result

    def _between(self, a: Rows, b: Rows) -> Floats:
        """Return a_k'H⁻¹a_l for counts k, l."""
        e = self.problem.equations
        total = np.zeros(len(a))
        for u, su in ((e.head, 1.0), (e.tail, -1.0)):
            for v, sv in ((e.head, 1.0), (e.tail, -1.0)):
                total += su * sv * self.entries(u[a], v[b])
        return total

    @cached_property
    def inferred_variance(self) -> Floats:
        """Var of each flow that follows from the counts."""
        at = len(self.potential) + np.arange(len(self.inferred))
        result: Floats = np.maximum(-self.entries(at, at) - self.augmented, 0.0)
        return result

    @property
    def redundancy(self) -> Floats:
        """1 − Var(x̂)/Var(y) of each count: 0 is unchecked, 1 is wholly known from the others."""
        own = self.problem.errors.variance
        result: Floats = 1.0 - self.variance / np.where(own > 0, own, 1.0)
        return result

    @cached_property
    def area_variance(self) -> Floats:
        """H_ii: the variance of each area's closing error."""
        e, errors = self.problem.equations, self.problem.errors
        a = e.by_area
        total = a.multiply(a) @ errors.own
        columns = a.tocsc()
        both = columns[:, e.pairs[:, 0]].multiply(columns[:, e.pairs[:, 1]])
        total = total + 2.0 * (both @ errors.pair)
        slack = e.sums @ e.slack
        total = total + slack.multiply(slack) @ self.problem.source_variance
        total = total + ((a @ errors.shared) ** 2).sum(axis=1)
        result: Floats = np.asarray(total).ravel()
        return result


def _loads(problem: Problem) -> Floats:
    """Return V = A U (blocks, k)."""
    result: Floats = problem.equations.incidence @ problem.errors.shared
    return result


def solve(
    problem: Problem, *, still: NDArray[np.bool_] | None = None, hair: float = 0.0
) -> Solution:
    """Reconcile the counts with the equations, least squares with weights H⁻¹.

    Parameters
    ----------
    problem : Problem
    still : (p,) bool array, optional
        Inferred arcs that are held at zero.
    hair : float
        Variance added to every block.

    Returns
    -------
    Solution
        H = A S A' + Q, x̂ = y − S A' H⁻¹ r, Cov = S − S A' H⁻¹ A S. Without equations the counts come
        back as they are.

    Raises
    ------
    InvalidInput
        If H is singular: counts without error that contradict each other or equations that repeat.

    Notes
    -----
    Flows may come out negative; :func:`countmap.balance.bounds.at_least_zero` holds them at zero.

    References
    ----------
    S. Narasimhan & C. Jordache, *Data Reconciliation and Gross Error Detection*, 2000, ch. 3.
    """
    e, errors = problem.equations, problem.errors
    blocks, _, p, _ = e.size
    augmented = np.full(p, step_of(errors.own))
    if still is not None:
        augmented[still] = 0.0
    factor = e.factor(errors, problem.source_variance, augmented, hair)
    loads = np.vstack([_loads(problem), np.zeros((p, errors.shared.shape[1]))])
    wide = factor.solve(loads)
    core = inverse(np.eye(loads.shape[1]) + loads.T @ wide)
    right = np.concatenate([e.incidence @ problem.counts, np.zeros(p)])
    found = factor.solve(right)
    found = found - wide @ (core @ (loads.T @ found))
    potential = found[:blocks]
    flow = problem.counts - times(e, errors, e.incidence.T @ potential)
    gamma = float(right[:blocks] @ potential)
    return Solution(problem, factor, wide, core, augmented, potential, flow, -found[blocks:], gamma)


def step_of(own: Floats) -> float:
    """Return a variance of the size of the counts' own."""
    middle = float(np.median(own)) if len(own) else 0.0
    return middle if middle > 0 else 1.0


def times(e: Equations, errors: Errors, vector: Floats) -> Floats:
    """Return S times a vector (n,)."""
    result: Floats = errors.own * vector + errors.shared @ (errors.shared.T @ vector)
    one, other = e.pairs[:, 0], e.pairs[:, 1]
    result[one] += errors.pair * vector[other]
    result[other] += errors.pair * vector[one]
    return result


def inverse(h: Floats) -> Floats:
    """Return the inverse of a symmetric positive definite matrix.

    Raises
    ------
    InvalidInput
        If it is not positive definite.
    """
    if h.size == 0:
        return np.zeros_like(h)
    size = np.sqrt(np.clip(np.diag(h), 0.0, None))
    if not (size > 0).all():
        raise singular()
    try:
        # Scaled to unit diagonal: small streets beside motorways would lose digits.
        factor = cho_factor(h / np.outer(size, size), lower=True)
    except LinAlgError as error:
        raise singular() from error
    found = cho_solve(factor, np.eye(len(h))) / np.outer(size, size)
    result: Floats = (found + found.T) / 2
    return result


@dataclass(frozen=True, eq=False)
class Directions:
    """Hypotheses about the residuals, and the weights H⁻¹ with some of them left free.

    ``columns`` (blocks, k): what one unit of each (a bias of a count, a leak) adds to the residuals.
    ``power`` f'H⁻¹f, ``pull`` f'H⁻¹r, ``seen`` whether the equations see it at all, ``freed`` unit
    vectors: H⁻¹ − Σ v v' are the weights as if the counts left free were not there.
    """

    solution: Solution
    columns: sparse.csc_array
    power: Floats
    pull: Floats
    floor: Floats
    freed: tuple[Floats, ...] = ()

    def z(self) -> tuple[Floats, Floats]:
        """Return how strongly the residuals point along each direction, and its smallest findable size.

        Returns
        -------
        z : (k,) array
            f'H⁻¹r / √(f'H⁻¹f): standard normal without a fault; dropping the count lowers γ by z².
            NaN where the equations cannot see the direction.
        bias : (k,) array
            4.13 / √(f'H⁻¹f), infinite where the equations cannot see it.
        """
        seen = self.power > self.floor
        root = np.sqrt(np.where(seen, self.power, 1.0))
        return np.where(seen, self.pull / root, np.nan), np.where(
            seen, NON_CENTRALITY / root, np.inf
        )

    def free(self, k: int) -> Directions:
        """Return the same with direction ``k`` left free."""
        f = self.columns[:, [k]].toarray().ravel()
        blocks = len(f)
        right = np.concatenate([f, np.zeros(len(self.solution.inferred))])
        towards = self.solution.solve(right)[:blocks]
        for unit in self.freed:
            towards = towards - unit * float(unit @ f)
        power = float(f @ towards)
        if not power > self.floor[k]:
            return self
        unit = towards / np.sqrt(power)
        along = np.asarray(self.columns.T @ unit)
        return replace(
            self,
            power=self.power - along**2,
            pull=self.pull - along * float(self.pull[k] / np.sqrt(power)),
            freed=(*self.freed, unit),
        )


def directions(solution: Solution, columns: sparse.csc_array) -> Directions:
    """Weigh hypotheses, each a column (blocks, k) of a few entries."""
    columns = sparse.csc_array(columns)
    told = sparse.csc_array(solution.problem.equations.sums @ columns)
    whole = np.asarray(abs(columns).sum(axis=0)).ravel()
    seen = np.asarray(abs(told).sum(axis=0)).ravel() > _FLOOR * whole
    power = np.where(seen, solution.quadratic(columns), 0.0)
    at = np.arange(len(solution.potential))
    diagonal = np.maximum(solution.entries(at, at), 0.0)
    most = np.asarray(columns.multiply(columns).T @ diagonal).ravel()
    pull = np.asarray(columns.T @ solution.potential)
    return Directions(solution, columns, power, pull, _FLOOR * most)


def count_directions(solution: Solution) -> Directions:
    """Weigh one bias for each count."""
    return directions(solution, solution.problem.equations.incidence.tocsc())
