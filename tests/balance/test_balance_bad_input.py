"""Odd networks and odd counts: a right answer or a clear line."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
from made_balance import CROSS, CROSS_COUNTS, given, two_way
from made_roads import net, node_at

from countmap.balance.assess import assess
from countmap.balance.inputs import Settings
from countmap.errors import InvalidInput
from countmap.tables import FLOWS, SUSPECTS, require

EXACT = Settings(access_per_km=0.0, error_from="counts")


def assessed(*args, **more):
    """Assess, and hold every result against its contract: finite, JSON, one row an arc."""
    inputs = given(*args, **more)
    result = assess(inputs)
    require(result.flows, FLOWS)
    require(result.suspects, SUSPECTS)
    json.dumps(result.document, allow_nan=False)
    one_way = result.flows.loc[result.flows["sense"].ne("both")]
    assert len(one_way) == len(inputs.roads.arcs)
    return result


def flow(result, link, sense):
    return result.flows.set_index(["link_id", "sense"]).loc[(link, sense)]


def test_parts_of_a_network_that_do_not_touch_are_balanced_each_for_itself():
    apart = {
        f"{name}2": [(x + 5000, y + 5000) for x, y in line] for name, (line, _) in CROSS.items()
    }
    roads = net(**CROSS, **apart)
    there = {f"{s}2": (f"{link}2", at, flows) for s, (link, at, flows) in CROSS_COUNTS.items()}
    wrong = there | {"E2": ("e2", 500, two_way(6000, 3300))}
    one = assessed(net(**CROSS), CROSS_COUNTS, settings=EXACT).document
    two = assessed(roads, CROSS_COUNTS | wrong, settings=EXACT).document
    assert two["equations"] == 2
    sound = next(
        j for j in two["junctions"] if {m["station_id"] for m in j["members"]} == set("NESW")
    )
    assert sound["z"] == pytest.approx(one["junctions"][0]["z"])
    assert set(two["suspects"][0]["set"]) <= set(there)


def test_no_count_and_one_count():
    nothing = assessed(net(**CROSS), {})
    assert nothing.document["global"] == {"gamma": None, "dof": 0, "p": None, "at_bound": 0}
    one = assessed(net(**CROSS), {"N": CROSS_COUNTS["N"]})
    assert one.document["equations"] == 0
    assert flow(one, "n", "with")["flow"] == 8000
    (said,) = one.document["untestable"]
    assert said == {
        "station_id": "N",
        "reason": "uncounted streets join both ends of link n: no sum of counts contains it",
    }
    assert {u["verdict"] for u in one.document["junctions"]} == {"no equation"}


def test_counts_of_nothing_everywhere_agree():
    zeros = {s: (link, at, two_way(0, 0)) for s, (link, at, _) in CROSS_COUNTS.items()}
    result = assessed(net(**CROSS), zeros)
    assert result.document["global"]["gamma"] == 0
    assert result.suspects.empty
    assert flow(result, "n", "both")["flow"] == 0


def test_every_link_counted():
    # Two junctions and six ends: two equations, every count checkable.
    roads = net(
        **CROSS, e2=[(2000, 0), (1000, 0)], u=[(1000, 500), (1000, 0)], d=[(1000, -500), (1000, 0)]
    )
    counts = CROSS_COUNTS | {
        "E2": ("e2", 500, two_way(2000, 2100)),
        "U": ("u", 200, two_way(1500, 1600)),
        "D": ("d", 200, two_way(900, 1000)),
    }
    result = assessed(roads, counts, settings=EXACT)
    assert result.document["equations"] == 2
    assert result.document["untestable"] == []
    assert not set(result.flows["status"]) & {"unobservable", "modelled", "inferred"}


def test_totals_that_contradict_each_other_along_a_section():
    roads = net(a=[(0, 0), (1000, 0)], b=[(1000, 0), (2000, 0)])
    counts = {"T1": ("a", 500, {"both": 9000}), "T2": ("b", 500, {"both": 5000})}
    result = assessed(roads, counts)
    (test,) = result.document["sections"]
    assert test["verdict"] == "disagrees"
    assert test["disagreement"] == 4000
    assert {m["station_id"] for m in test["members"]} == {"T1", "T2"}
    assert flow(result, "a", "both")["flow"] == 9000  # no count is overwritten


@pytest.mark.parametrize(("total", "verdict"), [(4000, "agrees"), (900, "disagrees")])
def test_a_total_is_no_less_than_what_the_senses_differ_by(total, verdict):
    # 12,000 enter by the other legs and 10,000 leave: the fourth leg carries 2,000 more out than in.
    counts = {
        "N": ("n", 500, two_way(6000, 5000)),
        "E": ("e", 500, two_way(3000, 2500)),
        "S": ("s", 500, two_way(3000, 2500)),
        "T": ("w", 500, {"both": total}),
    }
    result = assessed(net(**CROSS), counts)
    (test,) = [t for t in result.document["totals"] if t["station_id"] == "T"]
    assert test["net"] == pytest.approx(-2000)  # drawn towards the junction
    assert test["total"] == total
    assert test["verdict"] == verdict


def test_a_generator_without_slack_carries_no_equation():
    roads = net(**CROSS)
    counts = CROSS_COUNTS | {"E": ("e", 500, two_way(9000, 100))}
    declared = [("generator", node_at(roads, 0, 0), None)]
    result = assessed(roads, counts, declared=declared, settings=EXACT)
    assert result.document["equations"] == 0
    assert result.suspects.empty


def test_a_loop_of_two_nodes():
    # Two one-way streets between the same two junctions, one there, one back.
    roads = net(
        p=[(0, 0), (1000, 0)],
        there=([(1000, 0), (1500, 200), (2000, 0)], {"allowed": "with"}),
        back=([(2000, 0), (1500, -200), (1000, 0)], {"allowed": "with"}),
        q=[(2000, 0), (3000, 0)],
    )
    counts = {"P": ("p", 500, two_way(900, 800)), "T": ("there", 500, {"with": 880})}
    result = assessed(roads, counts, settings=EXACT)
    # What comes back equals what goes there less what p keeps: 880 − 900 + 800.
    assert flow(result, "back", "with")["flow"] == pytest.approx(780)
    assert flow(result, "back", "with")["status"] == "inferred"
    assert flow(result, "q", "with")["status"] == "unobservable"


def test_a_self_loop_and_parallel_links_say_nothing_and_break_nothing():
    roads = net(
        **CROSS,
        loop=[(0, 0), (50, 80), (90, 20), (0, 0)],
        n2=[(0, 1000), (90, 500), (0, 0)],
        o=[(0, 1000), (0, 2000)],
    )
    counts = CROSS_COUNTS | {"L": ("loop", 60, two_way(400, 380))}
    alone = assessed(net(**CROSS), CROSS_COUNTS, settings=EXACT)
    result = assessed(roads, counts, settings=EXACT)
    assert result.document["equations"] == 0  # the uncounted parallel opens the junction
    assert alone.document["equations"] == 1
    closed = assessed(roads, counts | {"M": ("n2", 60, two_way(10, 12))}, settings=EXACT)
    assert closed.document["equations"] == 1
    said = {r["station_id"]: r for r in closed.document["reconciled"]}
    assert said["L"]["z"] is None
    assert said["L"]["redundancy"] == pytest.approx(0)


def test_a_count_without_error_is_as_sure_as_one_vehicle():
    roads = net(a=[(0, 0), (3000, 0)])
    counts = {"S1": ("a", 500, two_way(1000, 1000)), "S2": ("a", 1500, two_way(1000, 1005))}
    result = assessed(roads, counts, error=0.0, settings=EXACT)
    # Two counts of one vehicle each: 5 apart is z = 5 / √2.
    tests = result.document["sections"]
    assert max(abs(t["z"]) for t in tests) == pytest.approx(5 / np.sqrt(2))
    assert flow(result, "a", "with")["flow"] == 1000


def test_a_row_of_links_follows_from_a_single_count():
    roads = net(a=[(0, 0), (1000, 0)], b=[(1000, 0), (2000, 50)], c=[(2000, 50), (3000, 0)])
    result = assessed(roads, {"S": ("b", 300, {"with": 700})}, settings=EXACT)
    assert flow(result, "a", "with")["flow"] == pytest.approx(700)
    assert flow(result, "c", "with")["flow"] == pytest.approx(700)
    assert pd.isna(flow(result, "a", "against")["flow"])


def test_a_network_that_no_count_can_weigh_is_refused_in_one_line():
    # Singular weights cannot come from the register; the algebra refuses them all the same.
    from made_equations import problem

    from countmap.balance.solve import solve

    with pytest.raises(InvalidInput, match="some counts have no error at all"):
        solve(problem([[1, -1]], [90, 110], [0, 0]))
