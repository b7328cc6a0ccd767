"""Identities of the balance on random graphs of up to 1,000 arcs: S and Q fixed, no flow at its bound.

Each identity is checked against full matrices or against another way to the same answer.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from made_equations import drawn, errors_of, full, node_incidence

from countmap.balance.contract import Network, contract
from countmap.balance.equations import Errors, equations
from countmap.balance.solve import Problem, count_directions, solve

SEEDS = st.integers(0, 2**32 - 1)
SIZES = st.sampled_from([(6, 16), (30, 90), (120, 400)])
LARGE = (500, 1700)
"""About three in five of the arcs carry flow and stay: 1,000."""
SHARES = st.sampled_from([0.3, 0.6, 0.9])
MOST_FOR_KKT = 400
NO_PAIRS = np.zeros((0, 2), dtype=np.intp)
QUICK = settings(max_examples=8, deadline=None)


def close(found, expected, scale=None):
    scale = np.abs(expected).max(initial=0.0) if scale is None else scale
    np.testing.assert_allclose(found, expected, rtol=1e-9, atol=1e-9 * max(scale, 1e-3))


@QUICK
@given(SEEDS, SIZES, SHARES)
@example(1, LARGE, 0.6)
def test_the_sparse_solution_is_that_of_full_matrices(seed, size, share):
    one = drawn(np.random.default_rng(seed), *size, share, shared=3).problem
    found, whole = solve(one), full(one)
    close(found.flow, whole.flow)
    close(found.variance, np.diag(whole.covariance), np.diag(whole.s).max(initial=0.0))
    assert found.gamma == pytest.approx(whole.gamma, rel=1e-9, abs=1e-9)
    power = np.einsum("ij,ik,kj->j", whole.a, whole.weight, whole.a)
    close(count_directions(found).power, power)


@QUICK
@given(SEEDS, SIZES, SHARES)
@example(2, LARGE, 0.6)
def test_contraction_null_space_and_kkt_agree(seed, size, share):
    # Without slack and shared errors: A x = 0 at every vertex, uncounted arcs unknown.
    made = drawn(np.random.default_rng(seed), *size, share, slack=False, paired=False)
    one, network = made.problem, made.network
    found = solve(one)
    at = np.flatnonzero(network.count >= 0)
    at = at[np.argsort(network.count[at])]
    b, sd = node_incidence(network), np.sqrt(one.errors.own)
    # Null space: x = N z, least squares in z.
    _, sizes, axes = np.linalg.svd(b, full_matrices=True)
    basis = axes[int((sizes > 1e-9).sum()) :].T
    seen = basis[at] / sd[:, None]
    inverse = np.linalg.pinv(seen, rcond=1e-10)
    x = basis @ (inverse @ (one.counts / sd))
    close(found.flow, x[at], np.abs(x).max())
    close(found.inferred, x[made.found.follows], np.abs(x).max())
    spread = basis @ inverse
    close(found.variance, (spread[at] ** 2).sum(axis=1), one.errors.own.max(initial=0.0))
    close(found.inferred_variance, (spread[made.found.follows] ** 2).sum(axis=1), None)
    # What the classification calls observable is what the null space fixes.
    told = np.abs(basis @ (np.eye(basis.shape[1]) - inverse @ seen)).max(axis=1, initial=0.0)
    assert set(np.flatnonzero(told < 1e-8)) - set(at) == set(made.found.follows)
    if len(network.tail) > MOST_FOR_KKT:
        return
    # KKT: [W B'; B 0] [x; λ] = [W y; 0], smallest norm where it leaves a choice.
    scale = np.median(sd) if len(sd) else 1.0
    weight = np.zeros(len(network.tail))
    weight[at] = (scale / sd) ** 2
    matrix = np.block([[np.diag(weight), b.T], [b, np.zeros((len(b), len(b)))]])
    right = np.zeros(len(matrix))
    right[at] = weight[at] * one.counts
    kkt = np.linalg.lstsq(matrix, right, rcond=1e-13)[0]
    close(found.flow, kkt[at], np.abs(x).max())


@QUICK
@given(SEEDS, SIZES)
@example(3, LARGE)
def test_redundancy_sums_to_the_rank(seed, size):
    # Σ r = rank A − tr(H⁻¹Q) for S diagonal, rank A when Q = 0.
    made = drawn(np.random.default_rng(seed), *size, 0.7, paired=False)
    one = made.problem
    whole = full(one)
    bare = replace(one, source_variance=np.zeros_like(one.source_variance))
    assert np.linalg.matrix_rank(whole.a) == one.equations.n_areas if whole.a.size else True
    assert solve(bare).redundancy.sum() == pytest.approx(one.equations.n_areas, rel=1e-9)
    slack = (one.equations.sums @ one.equations.slack).toarray()
    lost = float(np.trace(whole.weight @ (slack * one.source_variance) @ slack.T))
    assert solve(one).redundancy.sum() == pytest.approx(len(whole.a) - lost, rel=1e-9, abs=1e-9)


@QUICK
@given(SEEDS, SIZES)
@example(3, LARGE)
def test_leaving_a_count_out_lowers_gamma_by_its_z_squared(seed, size):
    rng = np.random.default_rng(seed)
    made = drawn(rng, *size, 0.8, paired=False, shared=2)
    found = solve(made.problem)
    z, _ = count_directions(found).z()
    for k in rng.permutation(np.flatnonzero(np.isfinite(z)))[:4]:
        without = solve(_without(made, k))
        assert found.gamma - without.gamma == pytest.approx(z[k] ** 2, rel=1e-8, abs=1e-8)


@QUICK
@given(SEEDS, SIZES)
@example(3, LARGE)
def test_another_count_never_raises_a_variance(seed, size):
    rng = np.random.default_rng(seed)
    made = drawn(rng, *size, 0.6, paired=False, shared=2)
    more = solve(made.problem)
    n = len(made.problem.counts)
    if n == 0:
        return
    gone = int(rng.integers(n))
    few = solve(_without(made, gone))
    left = np.delete(np.arange(n), gone)
    assert (more.variance[left] <= few.variance * (1 + 1e-9) + 1e-6).all()
    fewer = contract(_network_without(made, gone))
    before = dict(zip(fewer.follows, few.inferred_variance, strict=True))
    arc = np.flatnonzero(made.network.count == gone)[0]
    after = dict(zip(made.found.follows, more.inferred_variance, strict=True))
    after[arc] = more.variance[gone]
    for key, variance in before.items():
        assert after[key] <= variance * (1 + 1e-9) + 1e-6


@QUICK
@given(SEEDS, SIZES)
@example(3, LARGE)
def test_order_and_direction_do_not_matter(seed, size):
    # The counts in another order, the vertices under other numbers, arcs turned round with their signs.
    rng = np.random.default_rng(seed)
    made = drawn(rng, *size, 0.6, slack=False, paired=False, shared=2)
    one, network = made.problem, made.network
    number = np.concatenate([[0], 1 + rng.permutation(network.n - 1)])
    arcs = rng.permutation(len(network.tail))
    counts = rng.permutation(len(one.counts))
    new = np.append(np.argsort(counts), -1)
    other = Network(
        network.n,
        number[network.tail[arcs]],
        number[network.head[arcs]],
        new[network.count[arcs]],
        network.closed,
    )
    found = contract(other)
    system = equations(found, made.loads, NO_PAIRS)
    errors = Errors(one.errors.own[counts], one.errors.pair, one.errors.shared[counts])
    left = solve(one)
    right = solve(Problem(system, one.counts[counts], errors, one.source_variance))
    scale = np.abs(left.flow).max(initial=1.0)
    close(right.flow, left.flow[counts], scale)
    close(right.variance, left.variance[counts], one.errors.own.max(initial=1.0))
    assert right.gamma == pytest.approx(left.gamma, rel=1e-9, abs=1e-9)
    assert set(arcs[found.follows]) == set(made.found.follows)
    # Turned arcs carry their flows the other way: the same answer with the sign of each.
    turned = Network(network.n, network.head, network.tail, network.count, network.closed)
    back = solve(replace(one, equations=equations(contract(turned), made.loads, NO_PAIRS)))
    close(back.flow, left.flow, scale)
    close(back.variance, left.variance, one.errors.own.max(initial=1.0))


@QUICK
@given(SEEDS)
def test_errors_in_common_and_slack_only_widen(seed):
    made = drawn(np.random.default_rng(seed), 40, 120, 0.7, shared=2)
    one = made.problem
    bare = replace(one, source_variance=np.zeros_like(one.source_variance))
    assert (solve(one).area_variance >= solve(bare).area_variance * (1 - 1e-9)).all()
    assert solve(bare).gamma >= solve(one).gamma * (1 - 1e-9)
    close(solve(one).area_variance, np.diag(_closing(one)))


def _closing(one):
    e = one.equations
    a, slack = e.by_area.toarray(), (e.sums @ e.slack).toarray()
    return a @ errors_of(one) @ a.T + (slack * one.source_variance) @ slack.T


def _network_without(made, gone):
    count = made.network.count.copy()
    count[count == gone] = -1
    count[count > gone] -= 1
    return replace(made.network, count=count)


def _without(made, gone):
    one = made.problem
    left = np.delete(np.arange(len(one.counts)), gone)
    found = contract(_network_without(made, gone))
    errors = Errors(one.errors.own[left], np.zeros(0), one.errors.shared[left])
    return Problem(
        equations(found, made.loads, NO_PAIRS), one.counts[left], errors, one.source_variance
    )
