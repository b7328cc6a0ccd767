"""The truth test in small: flows that conserve, counts off by the errors that are said of them.

The large one, on flows of a traffic simulator, is tests/bench/bench_balance_truth.py.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from made_equations import drawn
from scipy.stats import binom, chi2, kstest

from countmap.balance.solve import count_directions, solve

SEEDS = 200


@pytest.fixture(scope="module")
def solved():
    made = [
        drawn(np.random.default_rng(s), 24, 90, 0.65, slack=False, shared=1, noise=1.0)
        for s in range(SEEDS)
    ]
    return [(one, solve(one.problem)) for one in made]


def test_gamma_is_chi_square(solved):
    p = [chi2.sf(s.gamma, s.dof) for _, s in solved if s.dof]
    assert kstest(p, "uniform").pvalue > 0.01
    assert 0.02 <= np.mean(np.array(p) < 0.05) <= 0.08


def test_intervals_cover(solved):
    inside, whole = np.zeros(2), np.zeros(2)
    for made, found in solved:
        arc = np.flatnonzero(made.network.count >= 0)
        arc = arc[np.argsort(made.network.count[arc])]
        for i, (flow, variance, at) in enumerate(
            (
                (found.flow, found.variance, arc),
                (found.inferred, found.inferred_variance, made.found.follows),
            )
        ):
            inside[i] += (np.abs(flow - made.truth[at]) <= 1.96 * np.sqrt(variance)).sum()
            whole[i] += len(at)
    assert (whole > 1500).all()
    assert (np.abs(inside / whole - 0.95) < 0.02).all()


def test_each_count_is_beyond_its_bound_as_often_as_said(solved):
    z = np.concatenate([count_directions(s).z()[0] for _, s in solved])
    z = z[np.isfinite(z)]
    # Neighbours share their residuals: allow three times the scatter of independent counts.
    low, high = binom.ppf([0.001, 0.999], len(z), 0.05) / len(z)
    assert 0.05 - 3 * (0.05 - low) <= np.mean(np.abs(z) > 1.96) <= 0.05 + 3 * (high - 0.05)


def test_a_bias_of_twice_what_would_be_found_is_found(solved):
    found = []
    for made, sound in solved[:120]:
        weighed = count_directions(sound)
        _, bias = weighed.z()
        can = np.flatnonzero(np.isfinite(bias))
        if not len(can):
            continue
        k = int(can[len(can) // 2])
        counts = made.problem.counts.copy()
        counts[k] += 2 * bias[k]
        wrong = solve(replace(made.problem, counts=counts))
        z, _ = count_directions(wrong).z()
        square = np.nan_to_num(z**2, nan=-1.0)
        near = np.flatnonzero(square >= square.max() - 3.84)
        found.append(k in near)
    assert len(found) > 100
    assert np.mean(found) >= 0.95
