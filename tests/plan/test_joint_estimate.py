"""The joint estimate of all flows, what is chosen from it, and what would settle a dispute."""

from __future__ import annotations

import made_plan
import numpy as np
import pandas as pd
import pytest
from made_roads import net

from countmap.errors import InvalidInput
from countmap.plan import choose, field, known, permanent, reaches, settle, units
from countmap.plan.precision import factor
from countmap.roads.junctions import junctions
from countmap.roads.sections import sections
from countmap.tables import DECLARATIONS, empty


@pytest.fixture(scope="module")
def town():
    made = made_plan.town(3)
    ids = made.section_truth().index.to_numpy()
    at = np.sort(np.random.default_rng(3).choice(ids, len(ids) // 3, replace=False))
    return made, made.counted(at, np.random.default_rng(4))


def test_variances_neighbours_and_columns_are_those_of_the_dense_inverse():
    from scipy import sparse

    rng = np.random.default_rng(11)
    for n in (1, 7, 60):
        rows = sparse.random(2 * n, n, density=0.1, random_state=n)
        whole = sparse.csc_array(rows.T @ rows + 0.3 * sparse.eye(n))
        found, dense = factor(whole), np.linalg.inv(whole.toarray())
        a, b = whole.nonzero()
        np.testing.assert_allclose(found.variances(), np.diag(dense), rtol=1e-9)
        np.testing.assert_allclose(
            found.covariances(a.astype(np.int64), b.astype(np.int64)), dense[a, b], atol=1e-9
        )
        right = rng.normal(size=n)
        np.testing.assert_allclose(found.solve(right), dense @ right, rtol=1e-8)


def test_a_counted_flow_stays_and_an_uncounted_one_is_wider(town):
    made, inputs = town
    found = made.field(inputs)
    half = field.half_width(found.section_variance(), 1.96)
    assert half[found.counted].max() < 0.13
    assert np.median(half[~found.counted & found.units.open]) > 0.2


def test_the_estimate_does_not_depend_on_the_order_of_rows(town):
    made, inputs = town
    one = made.field(inputs)
    turned = made.inputs(inputs.stations.iloc[::-1], inputs.annual.iloc[::-1])
    two = made.field(turned)
    np.testing.assert_allclose(one.log_flow, two.log_flow, rtol=1e-9)
    np.testing.assert_allclose(one.section_variance(), two.section_variance(), rtol=1e-9)


def test_a_counted_choice_is_what_a_count_there_leaves(town):
    # The variances after the choice are those of the estimate with those counts added: same precision.
    made, inputs = town
    found = made.field(inputs)
    open_ = np.flatnonzero(found.units.open)
    wanted = choose.Wanted(open_, np.ones(len(open_)), 3.0)
    choice = choose.choose(found, wanted)
    arcs = np.concatenate([a[a >= 0] for a in found.units.of_arc[open_[choice.rows]]])
    columns = found.factored.columns(arcs)
    noise = np.zeros((len(arcs), len(arcs)))
    section = found.units.section_of[arcs]
    noise[section[:, None] == section[None, :]] = found.sense_share * found.new_error**2
    np.fill_diagonal(noise, found.new_error**2)
    drop = columns @ np.linalg.solve(columns[arcs] + noise, columns.T)
    share = found.shares()
    of = found.units.of_arc
    for s in (0, 7, 20):
        here = of[s][of[s] >= 0]
        p = share[s][of[s] >= 0]
        assert choice.before[s] - choice.after[s] == pytest.approx(
            float(p @ drop[np.ix_(here, here)] @ p), rel=1e-6
        )
    assert (choice.after <= choice.before + 1e-12).all()


def test_what_must_be_counted_comes_first_and_what_is_dear_later(town):
    made, inputs = town
    found = made.field(inputs)
    open_ = np.flatnonzero(found.units.open)
    cost = np.ones(len(open_))
    free = choose.choose(found, choose.Wanted(open_, cost, 4.0))
    forced = choose.choose(found, choose.Wanted(open_, cost, 4.0, must=(5,)))
    assert forced.rows[0] == 5
    assert len(forced.rows) == 4
    dear = cost.copy()
    dear[free.rows] = 50.0
    other = choose.choose(found, choose.Wanted(open_, dear, 4.0))
    assert not set(other.rows) & set(free.rows)
    with pytest.raises(InvalidInput, match="costs 8, more than the budget of 4"):
        choose.choose(found, choose.Wanted(open_, 8 * cost, 4.0, must=(5,)))


def test_weights_bring_the_plan_to_what_they_weigh(town):
    made, inputs = town
    found = made.field(inputs)
    open_ = np.flatnonzero(found.units.open)
    weight = np.zeros(len(found.units.sections))
    main = (found.units.sections["road_class"] == "primary").to_numpy()
    weight[main] = 1.0
    chosen = choose.choose(found, choose.Wanted(open_, np.ones(len(open_)), 3.0, weight=weight))
    plain = choose.choose(found, choose.Wanted(open_, np.ones(len(open_)), 3.0))
    assert chosen.after[main].sum() < plain.after[main].sum()


def test_an_older_figure_is_less_sure():
    made = made_plan.town(8, rows=3, columns=3)
    ids = made.section_truth().index.to_numpy()[:2]
    rng = np.random.default_rng(0)
    inputs = made.counted(ids, rng, years=[made_plan.YEAR, made_plan.YEAR - 6])
    counts = known.newest(inputs, field.FieldSettings(growth=0.03))
    by_year = counts.groupby("year")["log_se"].max()
    assert by_year[made_plan.YEAR] == pytest.approx(0.06)
    assert by_year[made_plan.YEAR - 6] == pytest.approx(np.hypot(0.06, 0.18))


def line(*flows, classes=None, names=None):
    """Return units of one straight road of four sections with side roads, and their flows by id."""
    classes, names = classes or ["primary"] * 4, names or ["High Road"] * 4
    links = {
        f"m{i}": ([(i * 500, 0), (i * 500 + 500, 0)], {"name": n, "road_class": c})
        for i, (n, c) in enumerate(zip(names, classes, strict=True))
    }
    for i in (1, 2, 3):
        side = {"name": f"Side {i}", "road_class": "tertiary"}
        links[f"s{i}"] = ([(i * 500, 0), (i * 500, 300)], side)
    roads = net(**links)
    none = empty(DECLARATIONS)
    ends = junctions(roads, none)
    table = sections(roads, ends)
    flow = pd.Series(dict(zip(("m0", "m1", "m2", "m3"), flows, strict=True)), dtype=float)
    return units.units(roads, ends, table, none), flow


def merged(*flows, **more):
    found = reaches.reaches(*line(*flows, **more)).set_index("section_id")["reach_id"]
    return [found[f"m{i}"] for i in range(4)]


def test_sections_within_ten_per_cent_or_fifty_vehicles_share_a_count():
    # Āpōpō guidelines 2022: less than the larger of 10 % and 50 vehicles a day, same class and group.
    assert merged(5000, 5200, 5400, 9000) == ["m0", "m0", "m0", "m3"]
    assert merged(120, 160, 165, 300) == ["m0", "m0", "m0", "m3"]
    assert merged(1000, 1120, 5000, 5001) == ["m0", "m1", "m2", "m2"]


def test_a_slow_drift_makes_no_long_reach():
    found = merged(1000, 1080, 1160, 1240)
    assert len(set(found)) == 2


def test_another_class_name_or_no_flow_ends_a_reach():
    assert merged(5000, 5000, 5000, 5000, classes=["primary", "primary", "trunk", "trunk"]) == [
        "m0", "m0", "m2", "m2",
    ]  # fmt: skip
    assert merged(5000, 5000, 5000, 5000, names=["A", "A", "B", "B"]) == ["m0", "m0", "m2", "m2"]
    assert merged(5000, np.nan, 5000, 5000) == ["m0", "m1", "m2", "m2"]


def test_another_factor_group_ends_a_reach():
    made, flow = line(5000, 5000, 5000, 5000)
    group = pd.Series({"m0": "g1", "m3": "g2"})
    found = reaches.reaches(made, flow, group).set_index("section_id")["reach_id"]
    assert found["m0"] != found["m3"]


def test_a_dispute_is_settled_on_the_road_in_dispute(town):
    made, inputs = town
    counts = known.newest(inputs, field.FieldSettings())
    made_units = units.units(made.roads, made.junctions, made.sections, made.declarations)
    suspect = counts["station_id"].iloc[0]
    wrong = counts.copy()
    wrong.loc[wrong["station_id"] == suspect, "aadt"] *= 1.6
    ranked = settle.settle(made_units, made.sections, wrong, [suspect])
    assert ranked["section_id"].iloc[0] == suspect.removeprefix("S-")
    assert ranked["nats"].iloc[0] > 1
    assert ranked["nats"].min() >= -1e-9
    with pytest.raises(InvalidInput, match="station 'nowhere' has no figure"):
        settle.settle(made_units, made.sections, wrong, ["nowhere"])


def test_a_new_permanent_helps_the_stations_like_it():
    rng = np.random.default_rng(5)
    commuter, leisure = rng.dirichlet(np.ones(48), 2)

    def pattern(mix):
        shape = np.sqrt(mix * commuter + (1 - mix) * leisure)
        shape[:24] /= np.linalg.norm(shape[:24])
        shape[24:] /= np.linalg.norm(shape[24:])
        return shape

    mixes = {"P1": 1.0, "P2": 0.95, "P3": 0.6, "A": 0.98, "B": 0.05, "C": 0.0, "D": 0.03}
    table = pd.DataFrame.from_dict({k: pattern(m) for k, m in mixes.items()}, orient="index")
    ranked = permanent.rank(table, ["P1", "P2", "P3"], pd.Series(0.1, index=list("ABCD")))
    assert ranked["station_id"].iloc[0] in {"B", "C", "D"}
    assert ranked["station_id"].iloc[-1] == "A"
    assert set(ranked["helped"].iloc[0].split()) <= {"B", "C", "D"}
    assert (ranked["after"] <= ranked["before"]).all()
    with pytest.raises(InvalidInput, match="no permanent station has hourly counts"):
        permanent.rank(table, ["P9"], pd.Series(0.1, index=list("ABCD")))
