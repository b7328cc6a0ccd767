"""Turning movements against a published worked example."""

from __future__ import annotations

import numpy as np

from countmap.balance.turns import fit

BASE = [[0, 80, 330, 120], [95, 0, 130, 140], [300, 110, 0, 75], [65, 240, 70, 0]]
INTO, OUT = [750, 765, 930, 565], [780, 550, 760, 920]


def test_the_worked_example_of_nchrp_765_type():
    # Worked example of the type in NCHRP Report 765 (legs N, E, S, W); printed figures ± 2.
    printed = [[0, 73, 415, 263], [143, 0, 216, 406], [525, 153, 0, 251], [112, 324, 129, 0]]
    found = fit(BASE, INTO, OUT).movements
    np.testing.assert_allclose(found, printed, atol=2)


def test_the_converged_table():
    # Derived for this project: the same example carried to convergence.
    exact = [
        [0, 72.816, 414.104, 263.080],
        [143.870, 0, 215.561, 405.569],
        [525.595, 153.054, 0, 251.351],
        [110.535, 324.130, 130.335, 0],
    ]
    found = fit(BASE, INTO, OUT)
    np.testing.assert_allclose(found.movements, exact, atol=6e-4)
    np.testing.assert_allclose(found.movements.sum(axis=1), INTO, rtol=1e-8)
    np.testing.assert_allclose(found.movements.sum(axis=0), OUT, rtol=1e-9)
