"""The balance solved: counts, equations, errors and the reconciled flows together."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from countmap.balance.bounds import at_least_zero
from countmap.balance.inputs import BalanceInputs, Counts, RelativeErrors, gather, relative_errors
from countmap.balance.solve import Solution, solve
from countmap.balance.system import System, build

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from countmap.balance.solve import Problem

    Floats = NDArray[np.float64]

_ROUNDS = 30


@dataclass(frozen=True, eq=False)
class Balance:
    """The solved balance: system, errors, solution, and the flows held at zero or above.

    ``reconciled`` (n,) and ``inferred`` (p,) are at least zero; ``at_bound`` of them are held there.
    """

    counts: Counts
    system: System
    errors: RelativeErrors
    solution: Solution
    reconciled: Floats
    inferred: Floats
    at_bound: int


def balance(inputs: BalanceInputs) -> Balance:
    """Set up and solve the balance of a network.

    Raises
    ------
    InvalidInput
        See :func:`countmap.balance.inputs.gather` and :func:`countmap.balance.solve.solve`.
    """
    counts = gather(inputs)
    system = build(inputs, counts)
    errors = relative_errors(counts, inputs.shared)
    solution = settle(
        partial(system.problem, errors),
        counts.used["aadt"].to_numpy(dtype=float),
        fitted=inputs.settings.error_from == "fitted",
    )
    reconciled, inferred, at_bound = at_least_zero(solution.problem, solution)
    return Balance(counts, system, errors, solution, reconciled, inferred, at_bound)


def settle(problem_at: Callable[[Floats], Problem], counts: Floats, *, fitted: bool) -> Solution:
    """Solve with errors taken from the fitted flows: 90 and 110 at 10 % make 100, not 98.02.

    Parameters
    ----------
    problem_at : callable
        The problem with S and Q taken at the given flows (n,).
    counts : (n,) array
        Where to start.
    fitted : bool
        False takes the errors from the counts.
    """
    # A count of zero says nothing about its own error: it starts from the middle of the others.
    flow = np.where(counts > 0, counts, np.median(counts) if len(counts) else 0.0)
    solution = solve(problem_at(flow))
    if not fitted:
        return solution
    for _ in range(_ROUNDS):
        step = np.maximum(solution.flow, 0.0)
        if np.allclose(step, flow, rtol=1e-7, atol=1e-4):
            break
        flow = step
        solution = solve(problem_at(flow))
    return solution
