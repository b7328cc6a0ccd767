"""Published reconciliation examples, and the worked values of the trade.

``reconciliation.json`` names the paper of each example: incidence, readings, variances and true flows
come from there; reconciled values, γ and z were computed for this project by a separate least squares.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from made_equations import problem

from countmap.balance.solve import count_directions, solve
from countmap.balance.verdicts import sidak, standardised

EXAMPLES = json.loads((Path(__file__).parent / "reconciliation.json").read_text())
NAMES = [name for name, one in EXAMPLES.items() if isinstance(one, dict)]


def example(name):
    one = EXAMPLES[name]
    return one, solve(problem(one["incidence"], one["readings"], one["variances"]))


def z_of_counts(solution):
    return count_directions(solution).z()[0]


@pytest.mark.parametrize("name", NAMES)
def test_each_example_is_reproduced(name):
    one, solution = example(name)
    np.testing.assert_allclose(solution.flow, one["reconciled"], rtol=1e-9)
    np.testing.assert_allclose(np.sqrt(solution.variance), one["sd"], rtol=1e-7)
    assert solution.gamma == pytest.approx(one["gamma"], rel=1e-9)
    assert solution.dof == one["dof"]
    np.testing.assert_allclose(z_of_counts(solution), one["z_link"], rtol=1e-6, atol=1e-8)


@pytest.mark.parametrize("name", NAMES)
def test_the_test_of_each_node_is_reproduced(name):
    one, solution = example(name)
    np.testing.assert_allclose(standardised(solution), one["z_node"], rtol=1e-6, atol=1e-8)


def test_narasimhan_and_jordache_2000_chapter_1():
    # S. Narasimhan & C. Jordache, Data Reconciliation and Gross Error Detection, 2000, ch. 1.
    _, solution = example("narasimhan_jordache_2000")
    assert np.round(solution.flow, 2).tolist() == [100.22, 64.5, 35.72, 64.5, 35.72, 100.22]
    assert round(solution.gamma, 4) == 6.4075


def test_serth_and_heenan_1986_accuses_nobody():
    # R. W. Serth & W. A. Heenan, AIChE Journal 32(5), 1986 (28 streams, 11 nodes).
    _, solution = example("serth_heenan_1986")
    assert round(solution.gamma, 4) == 10.6857
    assert round(float(np.abs(z_of_counts(solution)).max()), 4) == 2.5125
    assert round(sidak(0.05, 28), 4) == 3.1165
    assert solution.redundancy.sum() == pytest.approx(11)


@pytest.mark.parametrize("stream", range(28))
def test_serth_and_heenan_1986_names_a_single_bias(stream):
    one, _ = example("serth_heenan_1986")
    readings = np.array(one["true"], dtype=float)
    readings[stream] += 10 * np.sqrt(one["variances"][stream])
    wrong = solve(problem(one["incidence"], readings, one["variances"]))
    assert int(np.argmax(np.abs(z_of_counts(wrong)))) == stream


def test_yang_ten_and_jao_1995_finds_the_culprit():
    # Y. Yang, R. Ten & L. Jao, Computers & Chemical Engineering 19, 1995: stream 1 carries the error.
    one, solution = example("yang_ten_jao_1995")
    z = z_of_counts(solution)
    assert int(np.argmax(np.abs(z))) == 0
    assert round(float(z[0]), 4) == 5.6726
    assert round(solution.gamma, 4) == 35.2327
    # Without stream 1, node 1 is the sum that gives it: x1 = x2 + x7.
    a = np.array(one["incidence"])[1:, 1:]
    left = solve(problem(a, one["readings"][1:], one["variances"][1:]))
    assert round(left.gamma, 4) == round(solution.gamma - float(z[0]) ** 2, 4) == 3.0546
    assert round(float(left.flow[0] + left.flow[5]), 3) == 98.222
    assert abs(98.222 - one["true"][0]) < 0.5


def test_a_junction_within_its_errors():
    # Project's job notes, section 5.5: 8,200 + 3,100 − 7,600 − 3,900 = −200 at 5 % each is z −0.33.
    y = np.array([8200.0, 3100.0, 7600.0, 3900.0])
    solution = solve(problem([[1, 1, -1, -1]], y, (0.05 * y) ** 2))
    assert solution.residual[0] == -200
    assert round(float(standardised(solution)[0]), 2) == -0.33
    assert round(float(solution.residual[0] / standardised(solution)[0])) == 612


def test_a_pair_of_large_flows():
    # 40,000 against 44,000, CV 8 % each: worked for this project.
    y = np.array([40_000.0, 44_000.0])
    pair = solve(problem([[1, -1]], y, (0.08 * y) ** 2))
    assert round(abs(float(standardised(pair)[0])), 2) == 0.84
