"""The linear algebra of the balance: counts, their errors, the equations, the reconciled flows.

Unknown flows x ≥ 0; counts y = x + e with Var e = S; equations A x = g with g ~ N(0, Q). Everything
follows from the joint normal law of (e, g) given the closing errors r = A y = A e + g.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.linalg import LinAlgError, cho_factor, cho_solve

from countmap.errors import InvalidInput

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

NON_CENTRALITY = 4.13
"""δ₀ of the smallest bias found at α 0.001 with power 0.8 (Baarda 1968)."""

_PATIENCE = 3


@dataclass(frozen=True, slots=True)
class Problem:
    """Counts and equations.

    Parameters
    ----------
    incidence : (m, n) array
        +1 where the counted arc enters the equation's area, −1 where it leaves it.
    counts : (n,) array
        Vehicles a day.
    errors : (n, n) array
        S = D + U U', the covariance of the counts' errors.
    slack : (m, m) array
        Q, the covariance of what enters or leaves unseen.
    """

    incidence: Floats
    counts: Floats
    errors: Floats
    slack: Floats


@dataclass(frozen=True, slots=True)
class Solution:
    """What the counts and the equations say together.

    ``residual`` r = A y (m), ``weight`` H⁻¹ (m, m), ``flow`` x̂ (n), ``covariance`` of x̂ (n, n),
    ``gamma`` r'H⁻¹r with ``dof`` m degrees of freedom.
    """

    problem: Problem
    residual: Floats
    weight: Floats
    flow: Floats
    covariance: Floats
    gamma: float
    dof: int

    @property
    def redundancy(self) -> Floats:
        """1 − Var(x̂)/Var(y) of each count: 0 is unchecked, 1 is wholly known from the others."""
        own = np.diag(self.problem.errors)
        return 1.0 - np.diag(self.covariance) / np.where(own > 0, own, 1.0)


def covariance(own: Floats, shared: Floats | None = None) -> Floats:
    """Return S = D + U U'.

    Parameters
    ----------
    own : (n,) array
        Variances of the errors that each count has for itself.
    shared : (n, k) array, optional
        One column for each error that several counts share.
    """
    total: Floats = np.diag(np.asarray(own, dtype=float))
    return total if shared is None or shared.size == 0 else total + shared @ shared.T


def solve(problem: Problem) -> Solution:
    """Reconcile the counts with the equations, least squares with weights H⁻¹.

    Returns
    -------
    Solution
        H = A S A' + Q, x̂ = y − S A' H⁻¹ r, Cov x̂ = S − S A' H⁻¹ A S. Without equations the counts
        come back as they are.

    Raises
    ------
    InvalidInput
        If H is singular: counts without error that contradict each other or equations that repeat.

    Notes
    -----
    Flows may come out negative; :func:`at_least_zero` holds them at zero.

    References
    ----------
    S. Narasimhan & C. Jordache, *Data Reconciliation and Gross Error Detection*, 2000, ch. 3.

    Examples
    --------
    Two counts of one street, 90 and 110, equally sure:

    >>> one = Problem(np.array([[1.0, -1.0]]), np.array([90.0, 110.0]), np.eye(2), np.zeros((1, 1)))
    >>> solve(one).flow.round(6).tolist(), round(solve(one).gamma, 6)
    ([100.0, 100.0], 200.0)
    """
    a, s = problem.incidence, problem.errors
    residual = a @ problem.counts
    weight = inverse(a @ s @ a.T + problem.slack)
    gain = s @ a.T @ weight
    cov = s - gain @ a @ s
    return Solution(
        problem=problem,
        residual=residual,
        weight=weight,
        flow=problem.counts - gain @ residual,
        covariance=(cov + cov.T) / 2,
        gamma=float(residual @ weight @ residual),
        dof=len(residual),
    )


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
        raise _singular()
    try:
        # Scaled to unit diagonal: small streets beside motorways would lose digits.
        factor = cho_factor(h / np.outer(size, size), lower=True)
    except LinAlgError as error:
        raise _singular() from error
    found = cho_solve(factor, np.eye(len(h))) / np.outer(size, size)
    result: Floats = (found + found.T) / 2
    return result


def _singular() -> InvalidInput:
    return InvalidInput(
        "the balance has no weights: some counts have no error at all and cannot be reconciled; "
        "give every count a standard error above zero (annual.csv: lower and upper, or log_se)"
    )


def direction_z(weight: Floats, residual: Floats, directions: Floats) -> tuple[Floats, Floats]:
    """Return how strongly the residuals point along each direction, and its smallest findable size.

    Parameters
    ----------
    weight : (m, m) array
        H⁻¹.
    residual : (m,) array
    directions : (m, k) array
        What one unit of each hypothesis (a bias of a count, a leak) adds to the residuals.

    Returns
    -------
    z : (k,) array
        f'H⁻¹r / √(f'H⁻¹f): standard normal without a fault; dropping the count lowers γ by z².
        NaN where the equations cannot see the direction.
    bias : (k,) array
        4.13 / √(f'H⁻¹f), infinite where the equations cannot see it.
    """
    towards = weight @ directions
    power = np.einsum("ij,ij->j", directions, towards)
    floor = 1e-12 * np.einsum("ij,i->j", directions**2, np.abs(np.diag(weight)))
    seen = power > np.maximum(floor, 0.0)
    root = np.sqrt(np.where(seen, power, 1.0))
    z = np.where(seen, (towards.T @ residual) / root, np.nan)
    return z, np.where(seen, NON_CENTRALITY / root, np.inf)


def project_out(weight: Floats, direction: Floats) -> Floats:
    """Return H⁻¹ with ``direction`` left free, as if the count it stands for were not there."""
    towards = weight @ direction
    power = float(direction @ towards)
    result: Floats = weight - np.outer(towards, towards) / power if power > 0 else weight
    return result


def at_least_zero(problem: Problem, others: Others) -> tuple[Floats, Floats, int]:
    """Reconcile with every counted and every inferred flow held at zero or above.

    Parameters
    ----------
    problem : Problem
    others : Others
        The flows that follow from the counts.

    Returns
    -------
    flow : (n,) array
        Counted arcs.
    inferred : (p,) array
        Inferred arcs.
    at_bound : int
        How many flows the bound holds.

    Notes
    -----
    Block principal pivoting. A flow held at zero is one more equation: a counted arc's own, or, for an
    inferred arc, the balance of the area behind it. Its multiplier says whether to let it go. All that
    is wrong is exchanged at once; when that does not help, one flow at a time, which must end.

    References
    ----------
    J. J. Júdice & F. M. Pires, "A block principal pivoting algorithm for large-scale strictly monotone
    linear complementarity problems", Computers & Operations Research 21, 1994.
    """
    n, p = len(problem.counts), len(others.sign)
    m = len(problem.incidence)
    held: NDArray[np.bool_] = np.zeros(n + p, dtype=bool)
    rows = np.vstack([np.eye(n), others.coefficients])
    hair = 1e-9 * float(np.diag(problem.errors).mean()) if n else 0.0
    push = np.concatenate([-np.ones(n), others.sign])  # the sign of a multiplier that lifts a flow
    scale = max(1.0, float(np.abs(problem.counts).max(initial=0.0)))
    fewest, patience = n + p + 1, _PATIENCE
    while True:
        at = np.flatnonzero(held)
        behind = at[at >= n] - n
        direct = int((at < n).sum())
        extended = Problem(
            np.vstack([problem.incidence, rows[at]]),
            problem.counts,
            problem.errors,
            _extended_slack(problem.slack, others, behind, direct, hair),
        )
        state = solve(extended)
        inferred = infer(state, _extended_others(others, behind, direct))[0]
        value = np.concatenate([state.flow, inferred])
        wrong = ~held & (value < -1e-9 * scale)
        wrong[at] = push[at] * (state.weight @ state.residual)[m:] < 0
        count = int(wrong.sum())
        if count == 0:
            break
        if count < fewest:
            fewest, patience = count, _PATIENCE
        elif patience > 0:
            patience -= 1
        else:  # exchange one at a time until it gets better
            wrong[: np.flatnonzero(wrong)[-1]] = False
        held ^= wrong
    value[np.abs(value) < 1e-9 * scale] = 0.0
    return np.maximum(value[:n], 0.0), np.maximum(value[n:], 0.0), int(held.sum())


@dataclass(frozen=True, slots=True)
class Others:
    """Uncounted flows that follow from the counts: x = sign · (g_behind − c'x_counted).

    ``sign`` (p), ``coefficients`` c (p, n), ``own_slack`` Cov of g_behind as a function of a selection
    (rows, columns) → (k, l), ``cross_slack`` Cov(g_behind, g) (p, m).
    """

    sign: Floats
    coefficients: Floats
    own_slack: Callable[[NDArray[np.intp], NDArray[np.intp]], Floats]
    own_variance: Floats
    cross_slack: Floats


def _extended_slack(
    slack: Floats, others: Others, behind: NDArray[np.intp], n_counts: int, hair: float
) -> Floats:
    m = len(slack)
    total = np.zeros((m + n_counts + len(behind),) * 2)
    total[:m, :m] = slack
    # Bounds of arcs in series repeat each other: a hair of slack keeps H regular.
    total[range(m, len(total)), range(m, len(total))] = hair
    if len(behind):
        last = m + n_counts
        total[last:, last:] += others.own_slack(behind, behind)
        total[last:, :m] = others.cross_slack[behind]
        total[:m, last:] = others.cross_slack[behind].T
    return total


def _extended_others(others: Others, behind: NDArray[np.intp], n_counts: int) -> Others:
    p = len(others.sign)
    everything = np.arange(p, dtype=np.intp)
    added = [others.cross_slack, np.zeros((p, n_counts))]
    if len(behind):
        added.append(others.own_slack(everything, behind))
    return Others(
        others.sign,
        others.coefficients,
        others.own_slack,
        others.own_variance,
        np.hstack(added),
    )


def infer(solution: Solution, others: Others) -> tuple[Floats, Floats, Floats]:
    """Return the inferred flows, their variances, and their errors' dependence on the counts' errors.

    Returns
    -------
    flow, variance : (p,) arrays
    loading : (p, n) array
        The part of each flow's error that each count's error makes: −sign · (c − C H⁻¹ A) so far as e
        is concerned, where C = Cov(g_behind + c'e, r).
    """
    problem = solution.problem
    c, a, s = others.coefficients, problem.incidence, problem.errors
    cross = others.cross_slack + c @ s @ a.T
    reach = cross @ solution.weight
    flow = others.sign * (-c @ problem.counts + reach @ solution.residual)
    prior = others.own_variance + np.einsum("ij,ij->i", c @ s, c)
    variance = np.maximum(prior - np.einsum("ij,ij->i", reach, cross), 0.0)
    loading = -others.sign[:, None] * (c - reach @ a)
    return flow, variance, loading
