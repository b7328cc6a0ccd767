"""The balance of a year: flows for every link, suspects, and the document that explains them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.stats import chi2

from countmap.balance import document, flows, screenlines, totals, turns, verdicts
from countmap.balance.inputs import BalanceInputs
from countmap.balance.solved import balance

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class BalanceResult:
    """``flows``: ``tables.FLOWS`` for every link and sense; ``suspects``: ``tables.SUSPECTS``;
    ``document``: the same and the tests as one JSON-able record.
    """

    flows: pd.DataFrame
    suspects: pd.DataFrame
    document: dict[str, Any]


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
        "totals": totals.net_tests(inputs, solved),
        "turns": turns.at_junctions(inputs, solved),
        "suspects": document.suspects(suspects),
        "untestable": document.untestable(solved),
        "reconciled": document.reconciled(inputs, solved),
        "coding_faults": document.coding_faults(solved),
    }
    return BalanceResult(table, document.suspect_table(suspects), record)
