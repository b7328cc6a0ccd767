"""The balance of small drawn networks: flows, statuses, verdicts, suspects, and bad input."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from made_balance import CROSS, CROSS_COUNTS, given, two_way
from made_roads import net, node_at, roundabout

from countmap.balance.assess import assess
from countmap.balance.inputs import Settings, split_errors
from countmap.balance.solved import balance
from countmap.errors import InvalidInput
from countmap.roads.junctions import junctions
from countmap.tables import FLOWS, SUSPECTS, require


def row(result, link, sense):
    rows = result.flows.set_index(["link_id", "sense"])
    return rows.loc[(link, sense)]


def test_a_junction_that_agrees():
    result = assess(given(net(**CROSS), CROSS_COUNTS))
    require(result.flows, FLOWS)
    require(result.suspects, SUSPECTS)
    json.dumps(result.document, allow_nan=False)
    (test,) = result.document["junctions"]
    assert test["name"] == "Mill Lane / North Road"
    assert (test["in"], test["out"], test["disagreement"]) == (21000, 21000, 0)
    assert test["verdict"] == "agrees"
    assert len(test["members"]) == 8
    assert result.suspects.empty
    assert result.document["global"]["dof"] == 1


def test_the_count_is_never_overwritten():
    result = assess(given(net(**CROSS), CROSS_COUNTS | {"E": ("e", 500, two_way(4500, 3300))}))
    shown = row(result, "e", "with")
    assert shown["flow"] == shown["counted"] == 4500
    assert shown["status"] == "estimated"
    reconciled = {(r["station_id"], r["sense"]): r for r in result.document["reconciled"]}
    assert reconciled["E", "with"]["reconciled"] < 4400


def test_one_missing_sense_follows_from_the_others():
    counts = CROSS_COUNTS | {"W": ("w", 500, {"with": 2500})}
    result = assess(given(net(**CROSS), counts, settings=Settings(access_per_km=0.0)))
    shown = row(result, "w", "against")
    assert shown["status"] == "inferred"
    assert shown["flow"] == pytest.approx(2600, abs=1e-6)
    sd = np.sqrt(sum((0.05 * x) ** 2 for x in (8000, 7700, 3000, 3300, 7500, 7400, 2500)))
    assert shown["upper"] - shown["flow"] == pytest.approx(1.959964 * sd, rel=1e-6)
    assert set(shown["sources"].split()) == {"N", "E", "S", "W"}
    both = row(result, "w", "both")
    # The inferred sense leans on the counted one: in comes out, so their errors add up.
    assert both["status"] == "inferred"
    assert (both["upper"] - both["flow"]) > 1.959964 * np.hypot(sd, 0.05 * 2500)


def test_a_street_with_neither_sense_counted_is_unobservable():
    counts = {k: v for k, v in CROSS_COUNTS.items() if k != "W"}
    result = assess(given(net(**CROSS), counts))
    assert row(result, "w", "with")["status"] == "unobservable"
    assert pd.isna(row(result, "w", "both")["flow"])
    (test,) = result.document["junctions"]
    assert test["verdict"] == "no equation"
    assert test["reason"] == "no equation of its own: link w not counted"
    assert [u["station_id"] for u in result.document["untestable"]] == ["E", "N", "S"]


def test_a_section_carries_its_count_from_bend_to_bend():
    roads = net(a=[(0, 0), (100, 0)], b=[(100, 0), (200, 50)], c=[(300, 0), (200, 50)])
    result = assess(given(roads, {"S1": ("a", 50, two_way(1000, 1100))}))
    assert row(result, "b", "with")["flow"] == pytest.approx(1000)
    assert row(result, "c", "with")["flow"] == pytest.approx(1100)  # drawn the other way
    assert row(result, "b", "with")["status"] == "inferred"


SERIES = net(a=[(0, 0), (3000, 0)])


def test_two_counts_in_series_are_tested_in_each_sense():
    counts = {"S1": ("a", 500, two_way(5000, 5000)), "S2": ("a", 1500, two_way(5100, 3400))}
    result = assess(given(SERIES, counts))
    tests = result.document["sections"]
    assert [round(t["disagreement"]) for t in tests] in ([-1600, -100], [1600, -100])
    assert tests[0]["verdict"] == "disagrees"
    assert tests[1]["verdict"] == "agrees"


def test_two_in_series_cannot_be_told_apart_and_a_third_can():
    two = {"S1": ("a", 500, two_way(5000, 5000)), "S2": ("a", 1500, two_way(3200, 3200))}
    (suspect,) = assess(given(SERIES, two)).document["suspects"]
    assert set(suspect["set"]) == {"S1", "S2"}
    assert suspect["hypothesis"] == "leak"
    assert {r["station_id"] for r in suspect["rivals"]} >= {"S1", "S2"}
    three = two | {"S3": ("a", 2500, two_way(4950, 5050))}
    (suspect,) = assess(given(SERIES, three)).document["suspects"]
    assert (suspect["station_id"], suspect["hypothesis"]) == ("S2", "scale")
    assert suspect["set"] == ["S2"]
    assert suspect["size"] == pytest.approx(-0.36, abs=0.02)
    assert suspect["min_detectable_bias"] > 0
    assert suspect["evidence"].startswith("station S2 counts 36% too little in both senses")
    assert suspect["firm"] is (suspect["posterior"] > 0.9)
    assert suspect["power"] == pytest.approx(suspect["z"] ** 2)


def test_one_sense_that_counts_too_much_is_sized_as_a_share():
    counts = {
        s: ("a", at, {"with": flow})
        for s, at, flow in (("S1", 500, 5000), ("S2", 1500, 7500), ("S3", 2500, 5000))
    }
    (suspect,) = assess(given(SERIES, counts, settings=Settings(access_per_km=0.0))).document[
        "suspects"
    ]
    assert (suspect["station_id"], suspect["hypothesis"]) == ("S2", "scale_one")
    assert suspect["size"] == pytest.approx(0.5, abs=0.03)


def test_a_leak_is_told_from_a_bias_where_a_step_stays():
    counts = {
        "S1": ("a", 300, two_way(5000, 5000)),
        "S2": ("a", 900, two_way(5050, 4950)),
        "S3": ("a", 1800, two_way(3300, 3250)),
        "S4": ("a", 2600, two_way(3250, 3300)),
    }
    (suspect,) = assess(given(SERIES, counts)).document["suspects"]
    assert suspect["hypothesis"] == "leak"
    assert set(suspect["set"]) == {"S2", "S3"}
    assert suspect["place"] == "link a, between S2 and S3"


def test_a_declared_side_access_gives_slack():
    counts = {"S1": ("a", 500, two_way(5000, 5000)), "S2": ("a", 2500, two_way(3900, 3900))}
    loud = assess(given(SERIES, counts))
    calm = assess(given(SERIES, counts, declared=[("side_access", "a", 0.3)]))
    assert len(loud.suspects) == 1
    assert calm.suspects.empty
    assert calm.document["sections"][0]["se"] > loud.document["sections"][0]["se"]


def test_a_generator_carries_no_equation():
    roads = net(**CROSS)
    counts = CROSS_COUNTS | {"E": ("e", 500, two_way(9000, 3300))}
    centre = node_at(roads, 0, 0)
    result = assess(given(roads, counts, declared=[("generator", centre, None)]))
    assert result.document["equations"] == 0
    assert result.suspects.empty
    (test,) = result.document["junctions"]
    assert test["reason"].startswith("a generator")
    assert result.document["global"]["gamma"] is None


def test_a_declared_quiet_street_closes_the_equation():
    roads = net(**CROSS, q=[(-800, 900), (0, 0)])
    open_ = assess(given(roads, CROSS_COUNTS))
    closed = assess(given(roads, CROSS_COUNTS, declared=[("quiet", "q", 60)]))
    assert open_.document["equations"] == 0
    assert closed.document["equations"] == 1
    assert row(closed, "q", "with")["method"] == "declared quiet"
    assert row(closed, "q", "with")["status"] == "unobservable"


def test_a_roundabout_is_one_junction():
    counts = {
        f"S{road}": (road, 100, two_way(2000 + 300 * i, 2000 + 300 * i))
        for i, road in enumerate("enws")
    }
    result = assess(given(net(**roundabout(flag=True)), counts))
    (test,) = result.document["junctions"]
    assert test["verdict"] == "agrees"
    assert result.document["equations"] == 1
    assert row(result, "r0", "with")["status"] == "unobservable"


def test_a_count_on_the_ring_gives_the_rest_of_the_ring():
    counts = {
        f"S{road}": (road, 100, two_way(2000 + 300 * i, 2000 + 300 * i))
        for i, road in enumerate("enws")
    }
    counts["R"] = ("r0", 5, {"with": 1500})
    result = assess(given(net(**roundabout(flag=True)), counts))
    assert row(result, "r1", "with")["status"] == "inferred"
    assert row(result, "r1", "with")["flow"] == pytest.approx(1500, rel=0.05)


def test_shared_errors_belong_inside():
    # A group error of 5 % beside 3 % counts, left outside, makes a 5 % test a 31 % one; both senses
    # of every leg share it, so in − out does not feel it.
    shared = pd.DataFrame(
        {"station_id": list("NESW"), "source": "group: town", "log_se": [0.05] * 4}
    )
    total = np.hypot(0.03, 0.05)
    alone = assess(given(net(**CROSS), CROSS_COUNTS, error=total))
    inside = assess(given(net(**CROSS), CROSS_COUNTS, error=total, shared=shared))
    se = [r.document["junctions"][0]["se"] for r in (alone, inside)]
    assert se[1] == pytest.approx(se[0] * 0.03 / total, rel=0.01)
    uneven = CROSS_COUNTS | {"E": ("e", 500, two_way(3400, 3300))}
    tested = assess(given(net(**CROSS), uneven, error=total, shared=shared)).document
    assert tested["global"]["gamma"] == pytest.approx(tested["junctions"][0]["z"] ** 2)


def test_both_senses_share_what_the_two_way_figure_says():
    inputs = given(SERIES, {"S1": ("a", 500, two_way(5000, 5000))})
    both = inputs.annual.iloc[[0]].assign(sense="both", aadt=10_000.0, log_se=0.05)
    result = assess(replace(inputs, annual=pd.concat([inputs.annual, both], ignore_index=True)))
    shown = row(result, "a", "both")
    assert shown["counted"] == 10_000
    assert shown["upper"] == pytest.approx(10_000 * np.exp(1.959964 * 0.05), rel=1e-6)


def test_a_total_without_directions_enters_no_junction():
    counts = CROSS_COUNTS | {"W": ("w", 500, {"both": 5100})}
    result = assess(given(net(**CROSS), counts))
    assert result.document["equations"] == 0
    assert row(result, "w", "both")["flow"] == 5100
    assert row(result, "w", "both")["status"] == "estimated"
    assert row(result, "w", "with")["status"] == "unobservable"
    (test,) = result.document["junctions"]
    assert test["reason"] == "no equation: link w counted without directions"


def test_a_total_is_tested_along_its_section_and_fills_it():
    roads = net(a=[(0, 0), (1000, 0)], b=[(1000, 0), (2000, 0)], c=[(2000, 0), (3000, 0)])
    counts = {"T": ("a", 500, {"both": 9000}), "S": ("c", 500, two_way(2600, 2700))}
    result = assess(given(roads, counts))
    (test,) = result.document["sections"]
    assert test["verdict"] == "disagrees"
    assert test["disagreement"] == 3700
    assert row(result, "a", "both")["flow"] == 9000
    assert row(result, "b", "both")["flow"] == pytest.approx(5300)
    alone = assess(given(roads, {"T": counts["T"]}))
    assert row(alone, "b", "both")["flow"] == pytest.approx(9000)
    assert row(alone, "b", "both")["status"] == "inferred"
    assert pd.isna(row(alone, "b", "with")["flow"])


def test_ninety_and_a_hundred_and_ten_make_a_hundred():
    # Errors from the fitted flow: at 10 % each the two combine to 100, not to 98.02.
    counts = {"S1": ("a", 500, {"with": 9000}), "S2": ("a", 501, {"with": 11000})}
    inputs = given(SERIES, counts, error=0.1, settings=Settings(access_per_km=0.0))
    np.testing.assert_allclose(balance(inputs).reconciled, 10_000, rtol=1e-9)
    fixed = replace(inputs, settings=Settings(access_per_km=0.0, error_from="counts"))
    np.testing.assert_allclose(balance(fixed).reconciled, 9802, rtol=1e-4)


def test_a_negative_inferred_flow_is_held_at_zero():
    counts = CROSS_COUNTS | {"W": ("w", 500, {"with": 20}), "N": ("n", 500, two_way(5000, 7700))}
    solved = balance(given(net(**CROSS), counts))
    assert solved.at_bound == 1
    assert solved.inferred.tolist() == [0.0]
    # With the missing sense at zero, the counts around it give way until in equals out.
    into = solved.counts.used["link_sense"].eq("with").to_numpy()
    assert solved.reconciled[into].sum() == pytest.approx(solved.reconciled[~into].sum(), rel=1e-3)


def test_no_counts_at_all():
    result = assess(given(net(**CROSS), {}))
    assert set(result.flows["status"]) == {"unobservable"}
    assert result.document["counts"] == result.document["equations"] == 0
    assert result.document["junctions"] == []


def test_a_zero_count_is_a_count():
    counts = CROSS_COUNTS | {"E": ("e", 500, two_way(0, 0))}
    result = assess(given(net(**CROSS), counts))
    assert row(result, "e", "with")["flow"] == 0
    assert row(result, "e", "with")["status"] == "estimated"
    assert np.isfinite(result.document["global"]["gamma"])


@pytest.mark.parametrize("dead", [0.0, 0.24])
def test_a_dead_counter_disagrees_strongly(dead):
    # A week of zeros has a log error of 0.6; as a share of the neighbour's flow it excused everything.
    counts = {"S1": ("a", 500, two_way(dead, dead)), "S2": ("a", 1500, two_way(900, 1790))}
    inputs = given(SERIES, counts)
    week = inputs.annual.assign(days=7.0)
    week.loc[week["station_id"].eq("S1"), "log_se"] = 0.6
    result = assess(replace(inputs, annual=week))
    assert [t["verdict"] for t in result.document["sections"]] == ["disagrees", "disagrees"]
    assert min(abs(t["z"]) for t in result.document["sections"]) > 10
    assert {"S1", "S2"} <= set(result.suspects["set"].iloc[0].split())


def test_a_dead_counter_at_a_junction_disagrees():
    counts = CROSS_COUNTS | {"E": ("e", 500, {"with": 0.0, "against": 3300})}
    inputs = given(net(**CROSS), counts)
    dead = inputs.annual["aadt"].eq(0)
    annual = inputs.annual.assign(days=7.0, log_se=inputs.annual["log_se"].mask(dead, 0.6))
    (test,) = assess(replace(inputs, annual=annual)).document["junctions"]
    assert abs(test["z"]) > 3


@pytest.mark.parametrize("flow", [0.0, 0.4, 3.0, 12.0, 300.0])
def test_quiet_streets_agree_as_often_as_chance_lets_them(flow):
    # γ of sound weeks has as many degrees of freedom as equations, whatever the flow: 60 streets of
    # four counts, three equations a sense.
    rng = np.random.default_rng(20250301)
    streets = net(**{f"r{k}": [(0, 500 * k), (3000, 500 * k)] for k in range(60)})
    where = {f"S{k}-{i}": (f"r{k}", 600 * i, two_way(0, 0)) for k in range(60) for i in range(1, 5)}
    inputs = given(streets, where, settings=Settings(access_per_km=0.0))
    truth = flow * np.exp(rng.normal(0, 0.05, len(inputs.annual)))
    week = inputs.annual.assign(aadt=rng.poisson(7 * truth) / 7, days=7.0)
    week["log_se"] = np.sqrt(0.05**2 + 1 / (7 * np.maximum(week["aadt"], 0.5)))
    solution = balance(replace(inputs, annual=week)).solution
    assert solution.dof == 360
    # No count is surer than one vehicle a day: below that the test is generous.
    low = 0.8 if flow > 10 else -1.0
    assert low < solution.gamma / solution.dof < 1.2


def test_the_error_of_a_count_splits_into_pattern_and_chance():
    used = pd.DataFrame(
        {
            "aadt": [1000.0, 1000.0, 0.0, 40.0, 1000.0],
            "log_se": [0.05, 0.005, 0.6, 0.09, 0.05],
            "days": [2.0, 2.0, 7.0, 7.0, np.nan],
        }
    )
    pattern, counting = split_errors(used)
    # 2,000 vehicles: 0.05² = 0.0445² + 1/2,000. A surer error than Poisson's is taken as it is.
    np.testing.assert_allclose(pattern[:2], [np.sqrt(0.0025 - 0.0005), 0.0])
    np.testing.assert_allclose(counting[:2], [0.5, 0.025])
    # A dead counter takes the others' median share, and Poisson's one vehicle in seven days.
    assert pattern[2] == pytest.approx(np.median(pattern[[0, 1, 3, 4]]))
    assert counting[2] == pytest.approx(1 / 7)
    assert (pattern[4], counting[4]) == (0.05, 0.0)


def test_self_loops_and_parallel_links():
    roads = net(
        **CROSS,
        loop=[(0, 0), (50, 80), (90, 20), (0, 0)],
        n2=[(0, 1000), (90, 500), (0, 0)],
        o=[(0, 1000), (0, 2000)],
    )
    counts = CROSS_COUNTS | {"L": ("loop", 60, two_way(400, 380))}
    result = assess(given(roads, counts))
    assert row(result, "loop", "with")["flow"] == 400
    reasons = {u["station_id"]: u["reason"] for u in result.document["untestable"]}
    assert reasons["L"].startswith("uncounted streets join both ends of link loop")
    assert row(result, "n2", "with")["status"] == "unobservable"
    full = assess(given(roads, counts | {"M": ("n2", 60, two_way(10, 12))}))
    assert full.document["equations"] == 1


def test_a_part_without_an_outside_still_balances():
    ring = net(
        a=[(0, 0), (1000, 0)],
        b=[(1000, 0), (500, 800)],
        c=[(500, 800), (0, 0)],
        d=[(0, 0), (1000, 0), (1000, 0.5), (500, 800)],
    )
    counts = {x: (x, 100, two_way(500 + i, 500)) for i, x in enumerate("abcd")}
    exact = given(ring, counts, settings=Settings(access_per_km=0.0))
    result = assess(exact)
    # Two junctions and a bend with one equation a sense; the sum of all says nothing new.
    assert result.document["equations"] == 3
    assert result.suspects.empty


def test_an_arc_that_leads_nowhere_is_a_fault_of_the_network():
    roads = net(
        **CROSS,
        x=([(0, 0), (400, 400)], {"allowed": "with"}),
        y=([(400, 400), (420, 420)], {"allowed": "with"}),
        z=([(400, 400), (380, 460)], {"allowed": "both"}),
    )
    table = junctions(roads)
    inputs = given(roads, CROSS_COUNTS | {"X": ("x", 100, {"with": 900})})
    closed = table.assign(
        kind=table["kind"].mask(
            table["node_id"].isin([node_at(roads, 420, 420), node_at(roads, 380, 460)]),
            "cul_de_sac",
        )
    )
    result = assess(replace(inputs, junctions=closed))
    faults = result.document["coding_faults"]
    assert [f["link_id"] for f in faults] == ["x", "y"]
    assert faults[0]["station_id"] == "X"
    assert "lies on no way through the network" in faults[0]["why"]
    assert row(result, "x", "with")["flow"] == 900


@pytest.mark.parametrize(
    ("change", "text"),
    [
        (
            {"aadt": -3.0},
            "annual: aadt -3 of station N (with, 2025) is not a flow; correct the row",
        ),
        ({"log_se": -0.1}, "annual: log_se -0.1 of station N is negative; correct the row"),
        (
            {"station_id": "Q9"},
            "annual: station 'Q9' is not in the register; import it or drop its rows",
        ),
    ],
)
def test_a_figure_that_cannot_be_is_refused_in_one_line(change, text):
    inputs = given(net(**CROSS), CROSS_COUNTS)
    annual = inputs.annual.copy()
    for name, value in change.items():
        annual.loc[0, name] = value
    with pytest.raises(InvalidInput) as error:
        assess(replace(inputs, annual=annual))
    assert str(error.value) == text


def test_a_station_on_a_lost_link_is_refused():
    inputs = given(net(**CROSS), CROSS_COUNTS)
    stations = inputs.stations.assign(link_id=["n", "e", "s", "gone"])
    with pytest.raises(
        InvalidInput, match="station W lies on link 'gone', which the network does not"
    ):
        assess(replace(inputs, stations=stations))


def test_what_cannot_be_used_is_named():
    roads = net(**(CROSS | {"w": ([(-1000, 0), (0, 0)], {"allowed": "with"})}))
    inputs = given(roads, CROSS_COUNTS)
    annual = inputs.annual.copy()
    annual.loc[annual["station_id"].eq("E"), "status"] = "unadjusted"
    annual.loc[annual["station_id"].eq("S"), "aadt"] = np.nan
    stations = inputs.stations.assign(
        link_id=inputs.stations["link_id"].mask([True, False, False, False])
    )
    result = assess(replace(inputs, annual=annual, stations=stations))
    reasons = {u["station_id"]: u["reason"] for u in result.document["untestable"]}
    assert reasons == {
        "N": "not placed on the network",
        "E": "unadjusted: no honest factor to an annual average",
        "S": "no annual figure this year",
        "W": "counts sense 'against' on link w, which carries no traffic that way",
    }
    assert row(result, "e", "with")["flow"] == 3000
    assert row(result, "e", "with")["status"] == "unadjusted"
    assert pd.isna(row(result, "e", "with")["lower"])


def test_settings_out_of_range_are_refused():
    with pytest.raises(InvalidInput, match="alpha must lie between 0 and 1, got 2"):
        Settings(alpha=2)
    with pytest.raises(InvalidInput, match="error_from must be 'fitted' or 'counts', got 'guess'"):
        Settings(error_from="guess")
