"""The balance of a year: flows for every link, suspects, and the document that explains them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.stats import chi2

from countmap.balance import document, flows, screenlines, verdicts
from countmap.balance.inputs import BalanceInputs, Counts, RelativeErrors, gather, relative_errors
from countmap.balance.solve import Solution, at_least_zero, solve
from countmap.balance.system import System, build

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = ["Balance", "BalanceInputs", "BalanceResult", "assess", "balance"]

_ROUNDS = 30


@dataclass(frozen=True, eq=False)
class BalanceResult:
    """``flows``: ``tables.FLOWS`` for every link and sense; ``suspects``: ``tables.SUSPECTS``;
    ``document``: the same and the tests as one JSON-able record.
    """

    flows: pd.DataFrame
    suspects: pd.DataFrame
    document: dict[str, Any]


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
    solution = _settle(system, errors, fitted=inputs.settings.error_from == "fitted")
    others = system.others(np.maximum(solution.flow, 0.0))
    reconciled, inferred, at_bound = at_least_zero(solution.problem, others)
    return Balance(counts, system, errors, solution, reconciled, inferred, at_bound)


def _settle(system: System, errors: RelativeErrors, *, fitted: bool) -> Solution:
    """Solve with errors taken from the fitted flows: 90 and 110 at 10 % make 100, not 98.02."""
    flow = system.counts.used["aadt"].to_numpy(dtype=float)
    # A count of zero says nothing about its own error: it starts from the middle of the others.
    flow = np.where(flow > 0, flow, np.median(flow) if len(flow) else 0.0)
    solution = solve(system.problem(errors, flow))
    if not fitted:
        return solution
    for _ in range(_ROUNDS):
        step = np.maximum(solution.flow, 0.0)
        if np.allclose(step, flow, rtol=1e-9, atol=1e-6):
            break
        flow = step
        solution = solve(system.problem(errors, flow))
    return solution


def assess(inputs: BalanceInputs) -> BalanceResult:
    """Balance a year: what agrees, who is wrong, what follows, what cannot be known.

    Returns
    -------
    BalanceResult
        ``flows`` has a row for every link and sense that carries traffic, and ``both`` for two-way
        links (null when one sense is unknown). A count is never overwritten: where there is one,
        ``flow`` is the count and the reconciled figure is in the document.

    Raises
    ------
    InvalidInput
        One line about a figure or placement that cannot be taken; see
        :func:`countmap.balance.inputs.gather`.

    Notes
    -----
    The global test γ = r'H⁻¹r is χ² with as many degrees of freedom as there are equations, since
    Q comes from the settings and the declarations and never from the residuals under test.
    """
    solved = balance(inputs)
    alpha = inputs.settings.alpha
    suspects, bound, spread = verdicts.accuse(solved.system, solved.solution, alpha)
    tests = verdicts.area_tests(solved.system, solved.solution, alpha)
    table = flows.table(inputs, solved)
    gamma, dof = solved.solution.gamma, solved.solution.dof
    record = {
        "year": inputs.year,
        "level": inputs.settings.level,
        "counts": len(solved.counts.used),
        "equations": dof,
        "global": {
            "gamma": gamma if dof else None,
            "dof": dof,
            "p": float(chi2.sf(gamma, dof)) if dof else None,
            "at_bound": solved.at_bound,
        },
        "bound": bound,
        "spread": spread,
        **document.areas(inputs, solved, tests),
        "pairs": document.pairs(inputs, solved, table),
        "screenlines": screenlines.records(inputs, solved, table),
        "suspects": document.suspects(suspects),
        "untestable": document.untestable(solved),
        "reconciled": document.reconciled(inputs, solved),
        "coding_faults": document.coding_faults(solved),
    }
    return BalanceResult(table, document.suspect_table(suspects), record)
