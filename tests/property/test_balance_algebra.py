"""Identities of the balance on random networks, S and Q held fixed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from made_counts import inputs, network
from made_equations import problem
from made_roads import redrawn
from scipy.optimize import nnls

from countmap.balance.assess import assess
from countmap.balance.bounds import at_least_zero
from countmap.balance.bridges import forest
from countmap.balance.errors import arc_errors
from countmap.balance.inputs import Settings
from countmap.balance.solve import solve
from countmap.balance.solved import balance

SEEDS = st.integers(0, 2**32 - 1)
QUICK = settings(max_examples=8, deadline=None)


def case(seed, *, share=0.5, one_way=0.3):
    rng = np.random.default_rng(seed)
    made = network(rng, int(rng.integers(4, 14)), int(rng.integers(0, 8)), one_way)
    keys = list(made.truth)
    arcs = [key for key in keys if rng.random() < share]
    assume(arcs)
    return rng, made, inputs(made, arcs, rng)


def node_equations(made):
    """Return the incidence of every node that conserves, and the arcs in its columns."""
    arcs = made.roads.arcs
    key = list(zip(arcs["link_id"], arcs["sense"], strict=True))
    free = made.junctions.loc[made.junctions["kind"].eq("junction"), "node_id"].tolist()
    b = np.zeros((len(free), len(key)))
    for j, (tail, head) in enumerate(zip(arcs["tail"], arcs["head"], strict=True)):
        for node, one in ((head, 1.0), (tail, -1.0)):
            if node in free:
                b[free.index(node), j] += one
    return b, key


def null_space(made, given):
    """Solve by the null space of all node equations: no contraction, no graph theory."""
    b, key = node_equations(made)
    _, size, axes = (
        np.linalg.svd(b, full_matrices=True) if len(b) else (0, np.zeros(0), np.eye(len(key)))
    )
    basis = axes[int((size > 1e-9).sum()) :].T
    rows = given.annual
    where = [
        key.index((f"l{s[1:]}", sense))
        for s, sense in zip(rows["station_id"], rows["sense"], strict=True)
    ]
    y = rows["aadt"].to_numpy()
    sd = np.maximum(rows["log_se"].to_numpy() * y, 1.0)
    seen = basis[where] / sd[:, None]
    inverse = np.linalg.pinv(seen, rcond=1e-9)
    x = basis @ (inverse @ (y / sd))
    covariance = basis @ (inverse @ inverse.T) @ basis.T
    told = basis @ (np.eye(basis.shape[1]) - inverse @ seen)
    observable = (np.abs(told) < 1e-7).all(axis=1) if basis.shape[1] else np.ones(len(key), bool)
    return key, where, x, np.diag(covariance), observable


@QUICK
@given(SEEDS)
def test_contraction_is_the_null_space_solution(seed):
    _, made, given_ = case(seed)
    solved = balance(given_)
    assume(solved.system.graph.faults.empty)
    key, where, x, variance, observable = null_space(made, given_)
    used = solved.counts.used
    at = [key.index(k) for k in zip(used["link_id"], used["link_sense"], strict=True)]
    scale = max(1.0, np.abs(x).max())
    np.testing.assert_allclose(solved.solution.flow, x[at], atol=1e-7 * scale)
    np.testing.assert_allclose(solved.solution.variance, variance[at], rtol=1e-6, atol=1e-4)
    arcs = solved.system.graph.arcs.iloc[solved.system.inferred]
    inferred = [key.index(k) for k in zip(arcs["link_id"], arcs["sense"], strict=True)]
    solution = solved.solution
    np.testing.assert_allclose(solution.inferred, x[inferred], atol=1e-7 * scale)
    np.testing.assert_allclose(solution.inferred_variance, variance[inferred], rtol=1e-6, atol=1e-4)
    assert set(np.flatnonzero(observable)) - set(where) == set(inferred)


@QUICK
@given(SEEDS)
def test_another_count_never_raises_a_variance(seed):
    rng, made, few = case(seed, share=0.35)
    counted = set(
        zip(few.annual["station_id"].str.replace("S", "l"), few.annual["sense"], strict=True)
    )
    left = sorted(set(made.truth) - counted)
    assume(left)
    more = inputs(made, sorted([*counted, left[int(rng.integers(len(left)))]]), rng)
    same = few.annual.set_index(["station_id", "sense"])["aadt"]
    annual = more.annual.set_index(["station_id", "sense"])
    annual.loc[same.index, "aadt"] = same
    more = replace(more, annual=annual.reset_index())

    def variances(solved):
        used, arcs = solved.counts.used, solved.system.graph.arcs.iloc[solved.system.inferred]
        keys = [
            *zip(used["link_id"], used["link_sense"], strict=True),
            *zip(arcs["link_id"], arcs["sense"], strict=True),
        ]
        found = solved.solution
        return dict(zip(keys, [*found.variance, *found.inferred_variance], strict=True))

    before, after = variances(balance(few)), variances(balance(more))
    for arc, variance in before.items():
        assert after[arc] <= variance * (1 + 1e-9) + 1e-6


@settings(max_examples=6, deadline=None)
@given(SEEDS)
def test_row_order_and_drawn_direction_do_not_matter(seed):
    rng, made, given_ = case(seed)
    links = made.roads.links["link_id"]
    flip = {link for link in links if rng.random() < 0.5}
    roads = redrawn(made.roads, flip, rng.permutation(len(links)))
    stations = given_.stations.copy()
    turned = stations["link_id"].isin(flip).to_numpy()
    length = roads.links.set_index("link_id")["length_m"]
    stations.loc[turned, "offset_m"] = (
        stations["link_id"].map(length)[turned] - stations["offset_m"][turned]
    )
    stations["same_way"] = stations["same_way"].to_numpy() ^ turned
    other = replace(
        given_,
        roads=roads,
        junctions=given_.junctions.iloc[::-1],
        stations=stations.iloc[::-1],
        annual=given_.annual.sample(frac=1.0, random_state=seed % 1000),
    )
    one, two = assess(given_), assess(other)
    right = two.flows.copy()
    swap = right["link_id"].isin(flip)
    right.loc[swap, "sense"] = right.loc[swap, "sense"].map(
        {"with": "against", "against": "with", "both": "both"}
    )
    columns = ["flow", "lower", "upper", "z", "redundancy", "min_detectable_bias"]
    key = ["link_id", "sense"]
    left = one.flows.sort_values(key).reset_index(drop=True)
    right = right.sort_values(key).reset_index(drop=True)
    assert left["status"].tolist() == right["status"].tolist()
    np.testing.assert_allclose(left[columns], right[columns], rtol=1e-6, atol=1e-6)
    assert one.suspects["set"].tolist() == two.suspects["set"].tolist()


@QUICK
@given(SEEDS)
def test_flows_are_never_negative_and_conserve(seed):
    rng, _, given_ = case(seed, share=0.7)
    annual = given_.annual.copy()
    wild = rng.random(len(annual)) < 0.3
    annual["aadt"] = annual["aadt"].where(~wild, annual["aadt"] * rng.choice([0.0, 0.01, 8.0]))
    solved = balance(replace(given_, annual=annual))
    assert (solved.reconciled >= 0).all()
    assert (solved.inferred >= 0).all()
    scale = max(1.0, float(annual["aadt"].max()))
    np.testing.assert_allclose(solved.system.incidence @ solved.reconciled, 0, atol=2e-4 * scale)


@settings(max_examples=8, deadline=None)
@given(SEEDS)
def test_flows_at_their_bound_are_the_best_ones(seed):
    # Reference: scipy's non-negative least squares over every arc, the equations as heavy rows.
    # Streets are counted in both senses but for one arc: uncounted arcs come in circles, which no
    # bound can touch.
    rng = np.random.default_rng(seed)
    made = network(rng, int(rng.integers(4, 12)), int(rng.integers(0, 6)))
    arcs = [
        key
        for link in made.roads.links["link_id"]
        if rng.random() < 0.8
        for key in ((link, "with"), (link, "against"))
    ]
    assume(arcs)
    given_ = inputs(made, arcs[:-1], rng)
    annual = given_.annual.copy()
    annual["aadt"] = np.where(rng.random(len(annual)) < 0.4, 10.0, annual["aadt"] * 3)
    annual["log_se"] = 200.0 / annual["aadt"]  # the same error for all
    solved = balance(replace(given_, annual=annual))
    b, key = node_equations(made)
    used = solved.counts.used
    where = [key.index(k) for k in zip(used["link_id"], used["link_sense"], strict=True)]
    seen = np.zeros((len(where), len(key)))
    seen[range(len(where)), where] = 1.0
    y = used["aadt"].to_numpy()
    best = nnls(np.vstack([seen, 1e4 * b]), np.concatenate([y, np.zeros(len(b))]))[0]
    scale = float(y.max())
    cost = [float(((x - y) ** 2).sum()) for x in (solved.reconciled, best[where])]
    assert cost[0] <= cost[1] * (1 + 1e-4) + 1e-3 * scale
    np.testing.assert_allclose(solved.reconciled, best[where], atol=2e-3 * scale)


@settings(max_examples=60, deadline=None)
@given(SEEDS)
def test_bounds_are_dropped_as_well_as_held(seed):
    # Reference: scipy's non-negative least squares of (y − x)'S⁻¹(y − x) + x'A'Q⁻¹A x.
    rng = np.random.default_rng(seed)
    m, n = int(rng.integers(1, 7)), int(rng.integers(2, 12))
    ends = np.array([rng.choice(m + 1, 2, replace=False) for _ in range(n)])
    a = np.zeros((m + 1, n))
    a[ends[:, 0], range(n)], a[ends[:, 1], range(n)] = 1.0, -1.0
    a = a[:m]
    y = rng.uniform(0, 100, n) * (rng.random(n) < 0.6)
    sd, slack = rng.uniform(1, 30, n), rng.uniform(0.5, 5, m)
    one = problem(a, y, sd**2, slack=slack**2)
    found, _, _ = at_least_zero(one, solve(one))
    stacked = np.vstack([np.diag(1 / sd), a / slack[:, None]])
    best = nnls(stacked, np.concatenate([y / sd, np.zeros(m)]))[0]
    np.testing.assert_allclose(found, best, atol=1e-3)


@QUICK
@given(SEEDS)
def test_the_errors_of_sums_are_those_of_the_parts(seed):
    _, _, given_ = case(seed, share=0.6)
    solved = balance(replace(given_, settings=Settings(access_per_km=0.1, error_from="counts")))
    errors = arc_errors(solved)
    rows = np.arange(len(errors.link_id))
    at = rows[errors.bridge >= 0]
    np.testing.assert_allclose(
        errors.pairwise(at, at), solved.solution.inferred_variance, rtol=1e-6, atol=1e-3
    )
    a, b = (x.ravel() for x in np.meshgrid(rows, rows))
    everything = errors.pairwise(a, b).reshape(len(rows), len(rows))
    assert np.linalg.eigvalsh(everything).min(initial=0) > -1e-6 * np.abs(everything).max(initial=1)
    way = np.random.default_rng(seed).choice([-1.0, 1.0], len(rows))
    expected = float(way @ everything @ way)
    assert abs(errors.of_sum(rows, way) - expected) <= 1e-6 * np.abs(everything).sum() + 1e-3


@settings(max_examples=40, deadline=None)
@given(SEEDS)
def test_bridges_are_those_of_networkx(seed):
    import networkx as nx

    rng = np.random.default_rng(seed)
    n, k = int(rng.integers(1, 20)), int(rng.integers(0, 40))
    tail, head = rng.integers(n, size=k), rng.integers(n, size=k)
    graph = nx.Graph()
    graph.add_nodes_from(range(n))
    ends = [tuple(sorted(e)) for e in zip(tail.tolist(), head.tolist(), strict=True)]
    graph.add_edges_from(e for e in ends if e[0] != e[1])
    expected = sorted(e for e in map(tuple, map(sorted, nx.bridges(graph))) if ends.count(e) == 1)
    found = forest(n, tail, head)
    assert sorted(ends[i] for i in found.bridges) == expected
    for edge, below in zip(found.bridges, found.below, strict=True):
        cut = graph.copy()
        cut.remove_edge(*ends[edge])
        inside = found.order[found.entered[below] : found.left[below]]
        assert set(inside.tolist()) == nx.node_connected_component(cut, below)


@QUICK
@given(SEEDS)
def test_the_table_is_a_row_for_every_link_and_sense(seed):
    _, made, given_ = case(seed)
    flows = assess(given_).flows
    expected = made.roads.arcs[["link_id", "sense"]]
    one_way = flows.loc[flows["sense"].ne("both"), ["link_id", "sense"]]
    assert sorted(map(tuple, one_way.to_numpy())) == sorted(map(tuple, expected.to_numpy()))
    both = flows.loc[flows["sense"].eq("both")].set_index("link_id")
    wide = flows.pivot_table(index="link_id", columns="sense", values="flow", dropna=False)
    total = (wide["with"] + wide["against"]).reindex(both.index)
    np.testing.assert_allclose(both["flow"], total, rtol=1e-12)
