"""Flows held at zero or above: the dual's semismooth Newton method, that is, exchange of whole sets."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from countmap.balance.equations import Errors
from countmap.balance.solve import inverse, solve, step_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from countmap.balance.solve import Problem, Solution

    Floats = NDArray[np.float64]
    Truths = NDArray[np.bool_]

_PATIENCE = 3

_HAIR = 1e-9
"""Slack as a share of the counts' own variance: blocks left without any by a bound stay regular."""

_ZERO = 1e-9
"""Share of the largest count below which a flow is zero."""


@dataclass(frozen=True, eq=False)
class _State:
    """The solution with some flows held at zero: all flows, and the multipliers of those held."""

    flow: Floats
    inferred: Floats
    count_push: Floats
    inferred_push: Floats


def at_least_zero(problem: Problem, start: Solution) -> tuple[Floats, Floats, int]:
    """Reconcile with every counted and every inferred flow held at zero or above.

    Parameters
    ----------
    problem : Problem
    start : Solution
        The same without bounds.

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
    A flow is held where it would be negative and let go where its multiplier is; one round of this is
    one Newton step on the dual, whose gradient is piecewise linear. All that is wrong is exchanged at
    once; when that does not help, one flow at a time, which must end.

    References
    ----------
    M. Hintermüller, K. Ito & K. Kunisch, "The primal-dual active set strategy as a semismooth Newton
    method", SIAM J. Optim. 13, 2002. J. J. Júdice & F. M. Pires, "A block principal pivoting algorithm
    for large-scale strictly monotone linear complementarity problems", Computers & OR 21, 1994.
    """
    n, p = len(start.flow), len(start.inferred)
    held: Truths = np.zeros(n + p, dtype=bool)
    state = _State(start.flow, start.inferred, np.zeros(n), np.zeros(p))
    scale = max(1.0, float(np.abs(problem.counts).max(initial=0.0)))
    fewest, patience = n + p + 1, _PATIENCE
    while True:
        value = np.concatenate([state.flow, state.inferred])
        push = np.concatenate([state.count_push, state.inferred_push])
        wrong = np.where(held, push < 0, value < -_ZERO * scale)
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
        state = _hold(problem, held[:n], held[n:])
    value[np.abs(value) < _ZERO * scale] = 0.0
    return np.maximum(value[:n], 0.0), np.maximum(value[n:], 0.0), int(held.sum())


def _hold(problem: Problem, held: Truths, still: Truths) -> _State:
    """Solve with the counted arcs ``held`` and the inferred arcs ``still`` at zero.

    A count held at zero has its error known, e = y; the errors it shares follow from that: those of its
    pair, and the factors f of e = d + U f with d of pairs and f ~ N(0, I).
    """
    e, u = problem.equations, problem.errors.shared
    one, other = e.pairs[:, 0], e.pairs[:, 1]
    own, pair = problem.errors.own.copy(), problem.errors.pair
    known = np.where(held, problem.counts, 0.0)
    loads = _unpaired(problem, np.where(held[:, None], u, 0.0), held)
    core = inverse(np.eye(u.shape[1]) + u.T @ loads)
    centre = core @ (loads.T @ known)
    rest = u.copy()
    given = problem.counts.copy()
    for a, b in ((one, other), (other, one)):
        at = ~held[a] & held[b]
        rate = pair[at] / own[b[at]]
        rest[a[at]] -= rate[:, None] * u[b[at]]
        given[a[at]] -= rate * known[b[at]]
    for a, b in ((one, other), (other, one)):
        at = ~held[a] & held[b]
        own[a[at]] -= pair[at] ** 2 / own[b[at]]
    rest[held], own[held] = 0.0, 0.0
    given = np.where(held, 0.0, given - rest @ centre)
    tied = np.where(held[one] | held[other], 0.0, pair)
    root = np.linalg.cholesky(core) if len(core) else core
    there = replace(problem, counts=given, errors=Errors(own, tied, rest @ root))
    found = solve(there, still=still, hair=_HAIR * step_of(problem.errors.own))
    pulled = e.incidence.T @ found.potential
    flow = np.where(held, 0.0, found.flow)
    apart = problem.counts - flow - u @ (centre + core @ (rest.T @ pulled))
    push = pulled - _unpaired(problem, apart[:, None], np.ones_like(held))[:, 0]
    across = e.across(found.potential)
    return _State(flow, found.inferred, np.where(held, push, 0.0), np.where(still, across, 0.0))


def _unpaired(problem: Problem, values: Floats, kept: Truths) -> Floats:
    """Return Sₚ⁻¹ times ``values`` (n, k), Sₚ the errors of the pairs among the counts ``kept``."""
    own, pair = problem.errors.own, problem.errors.pair
    one, other = problem.equations.pairs[:, 0], problem.equations.pairs[:, 1]
    found = values / own[:, None]
    at = np.flatnonzero(kept[one] & kept[other] & (pair != 0))
    a, b, c = one[at], other[at], pair[at]
    size = (own[a] * own[b] - c**2)[:, None]
    found[a] = (own[b][:, None] * values[a] - c[:, None] * values[b]) / size
    found[b] = (own[a][:, None] * values[b] - c[:, None] * values[a]) / size
    return found
