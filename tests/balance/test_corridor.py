"""A corridor walked: route, steps, side roads."""

from __future__ import annotations

import json
from dataclasses import replace

import pandas as pd
import pytest
from made_balance import given, two_way
from made_roads import net, node_at

from countmap.balance.assess import assess
from countmap.balance.corridor import walk
from countmap.balance.route import route
from countmap.errors import InvalidInput, NotFound
from countmap.roads.sections import pairs

ROAD = {
    "m1": [(0, 0), (1000, 0)],
    "m2": [(2000, 0), (1000, 0)],  # drawn the other way
    "m3": [(2000, 0), (3000, 0)],
    "side": ([(1000, 0), (1000, 800)], {"name": "Mill Lane"}),
    "lane": ([(2000, 0), (2000, 700)], {"name": "Back Lane"}),
    "round": [(0, 0), (0, -900), (3000, -900), (3000, 0)],
    "apart": [(9000, 0), (9500, 0)],
}
ALONG = {
    "S1": ("m1", 300, two_way(5000, 5000)),
    "S2": ("m2", 400, two_way(6500, 6400)),
    "S3": ("m3", 500, two_way(6550, 6350)),
}


def walked(counts, start="S1", end="S3", unadjusted=()):
    inputs = given(net(**ROAD), counts)
    rough = inputs.annual["station_id"].isin(unadjusted)
    annual = inputs.annual.assign(
        status=inputs.annual["status"].mask(rough, "unadjusted"),
        log_se=inputs.annual["log_se"].mask(rough),
    )
    inputs = replace(inputs, annual=annual)
    flows = assess(inputs).flows
    found = walk(inputs.roads, inputs.sections, inputs.stations, inputs.annual, flows, start, end)
    json.dumps(found, allow_nan=False)
    return found


def test_stations_stand_by_chainage_in_the_sense_of_travel():
    found = walked(ALONG)
    assert [(s["station_id"], s["chainage_m"]) for s in found["stations"]] == [
        ("S1", 0),
        ("S2", 1300),
        ("S3", 2200),
    ]
    assert found["stations"][1]["ahead"]["flow"] == 6400
    assert found["stations"][1]["ahead"]["lower"] < 6400 < found["stations"][1]["ahead"]["upper"]
    assert found["length_m"] == 2200
    assert [link["link_id"] for link in found["links"]] == ["m1", "m2", "m3"]
    assert [link["as_drawn"] for link in found["links"]] == [True, False, True]


def test_a_step_with_an_uncounted_side_road_cannot_be_told():
    first, second = walked(ALONG)["steps"]
    (ahead, back) = first["senses"]
    assert (ahead["travel"], ahead["step"]) == ("ahead", 1400)
    assert ahead["verdict"] == "cannot tell: side road Mill Lane uncounted"
    assert back["step"] == -1500
    assert second["senses"][0]["verdict"] == "no step"
    assert first["balance"]["missing"] == ["side"]


def test_a_step_is_explained_by_what_the_side_road_brings():
    found = walked(ALONG | {"M": ("side", 100, two_way(1400, 1500))})
    first = found["steps"][0]
    assert [s["verdict"] for s in first["senses"]] == ["explained", "explained"]
    assert first["side_roads"][0] == {
        "link_id": "side",
        "name": "Mill Lane",
        "chainage_m": 700.0,
        "in": 1500.0,
        "out": 1400.0,
    }
    assert first["balance"]["disagreement"] == pytest.approx(5000 - 6400 + 6500 - 5000 + 100)


def test_a_step_that_the_side_road_cannot_bring_is_unexplained():
    found = walked(ALONG | {"M": ("side", 100, two_way(150, 100))})
    assert found["steps"][0]["senses"][0]["verdict"] == "unexplained"
    assert found["steps"][0]["senses"][0]["side_flow"] == 100


def test_an_unadjusted_figure_is_shown_and_not_compared():
    found = walked(ALONG, unadjusted=["S2"])
    shown = found["stations"][1]["ahead"]
    assert shown == {"flow": 6400, "lower": None, "upper": None, "status": "unadjusted"}
    steps = {(s["from_station"], s["to_station"]): s for s in found["steps"]}
    # Its neighbours are compared across it.
    assert list(steps) == [("S1", "S2"), ("S1", "S3"), ("S2", "S3")]
    assert steps["S1", "S2"]["senses"][0] == {
        "travel": "ahead",
        "step": None,
        "se": None,
        "z": None,
        "verdict": "not compared",
        "reason": "S2 unadjusted",
    }
    assert steps["S1", "S3"]["senses"][0]["step"] == 1550
    assert steps["S1", "S2"]["balance"]["z"] is None


def test_a_total_is_shown_and_compared_as_a_total():
    total = {"both": 12_900.0, "with": 6550, "against": 6350}
    found = walked(ALONG | {"S2": ("m2", 400, {"both": 10_000}), "S3": ("m3", 500, total)})
    assert found["stations"][1]["both"]["flow"] == 10_000
    assert found["stations"][1]["ahead"] is None
    steps = {(s["from_station"], s["to_station"]): s["senses"] for s in found["steps"]}
    assert [s["step"] for s in steps["S1", "S3"]] == [1550, -1350]
    (both,) = steps["S2", "S3"]
    assert (both["travel"], both["step"]) == ("both", 2900)
    assert both["verdict"] == "cannot tell: side road Back Lane uncounted"
    lane = {"L": ("lane", 100, two_way(1500, 1400))}
    told = walked(ALONG | lane | {"S2": ("m2", 400, {"both": 10_000}), "S3": ("m3", 500, total)})
    assert told["steps"][-1]["senses"][0]["verdict"] == "explained"
    assert told["steps"][-1]["senses"][0]["side_flow"] == 2900


def test_walking_back_mirrors_the_walk():
    there, back = walked(ALONG), walked(ALONG, "S3", "S1")
    assert back["length_m"] == there["length_m"]
    assert [s["chainage_m"] for s in back["stations"]] == [0, 900, 2200]
    assert back["stations"][0]["ahead"] == there["stations"][2]["back"]
    steps = [w["steps"][i]["senses"][k]["step"] for w, i, k in ((back, 1, 0), (there, 0, 1))]
    assert steps == [-1500, -1500]


def test_a_route_joins_nodes_links_and_stations():
    roads = net(**ROAD)
    stations = given(roads, ALONG).stations
    found = route(roads, stations, node_at(roads, 0, 0), "m3")
    assert [leg.link_id for leg in found.legs] == ["m1", "m2", "m3"]
    assert found.length_m == 2500
    within = route(roads, stations.assign(offset_m=[300, 400, 500], link_id="m1"), "S3", "S1")
    assert within.length_m == 200
    assert not within.legs[0].forward
    assert within.legs[0].start_m == -500


@pytest.mark.parametrize("offset", [0.0, 1000.0])
def test_a_station_at_the_very_end_of_a_link(offset):
    roads = net(**ROAD)
    stations = given(roads, ALONG | {"S1": ("m1", offset, two_way(1, 1))}).stations
    found = route(roads, stations, "S1", "S3")
    assert found.length_m == pytest.approx(2500 - offset)
    assert [leg.link_id for leg in found.legs] == ["m1", "m2", "m3"]
    back = route(roads, stations, "S3", "S1")
    assert back.length_m == pytest.approx(2500 - offset)


def test_places_that_cannot_be_joined_say_why():
    with pytest.raises(NotFound, match="corridor: 'S9' is no placed station, no node and no link"):
        walked(ALONG, "S9", "S1")
    with pytest.raises(InvalidInput, match="corridor: no road joins 'S1' and 'apart'"):
        walked(ALONG, "S1", "apart")
    with pytest.raises(InvalidInput, match="corridor: 'S1' is both its start and its end"):
        walked(ALONG, "S1", "S1")


ONE_WAY = {"allowed": "with", "name": "Bank Road"}
DUAL = {
    "west": [(-500, 0), (0, 0)],
    "e1": ([(0, 0), (500, -10), (1000, -10)], ONE_WAY),
    "e2": ([(1000, -10), (1500, -10), (2000, 0)], ONE_WAY),
    "w1": ([(1000, 10), (100, 20), (0, 0)], ONE_WAY),
    "w2": ([(2000, 0), (1900, 20), (1000, 10)], ONE_WAY),
    "mid": [(1000, -10), (1000, 10)],
    "north": ([(1000, 10), (1000, 800)], {"name": "North Street"}),
    "east": [(2000, 0), (2500, 0)],
}
BANKS = {
    "A": ("west", 250, two_way(5000, 4800)),
    "E1": ("e1", 500, {"with": 5050}),
    "E2": ("e2", 400, {"with": 6000}),
    "W1": ("w1", 600, {"with": 4850}),
    "W2": ("w2", 400, {"with": 5700}),
    "B": ("east", 100, two_way(6050, 5750)),
    "N": ("north", 100, two_way(900, 950)),
}


def walked_dual(counts, start="A", end="B", couples=(("e1", "w1"), ("e2", "w2"))):
    rows = [("pair", a, b, None, None) for a, b in couples]
    said = pd.DataFrame(rows, columns=["kind", "id", "other_id", "value", "note"])
    inputs = given(net(**DUAL), counts)
    flows = assess(inputs).flows
    frames = (inputs.sections, inputs.stations, inputs.annual, flows)
    found = walk(inputs.roads, *frames, start, end, pairs=pairs(inputs.roads, said))
    json.dumps(found, allow_nan=False)
    return found


def test_the_other_carriageway_is_the_way_back():
    found = walked_dual(BANKS)
    assert [(link["link_id"], link["other_id"]) for link in found["links"]] == [
        ("west", None),
        ("e1", "w1"),
        ("e2", "w2"),
        ("east", None),
    ]
    stations = {s["station_id"]: s for s in found["stations"]}
    assert [s["station_id"] for s in found["stations"]] == ["A", "W1", "E1", "E2", "W2", "B"]
    assert stations["W1"]["chainage_m"] == pytest.approx(250 + 400, abs=5)
    assert stations["W1"]["ahead"] is None
    assert stations["W1"]["back"]["flow"] == 4850
    assert stations["E1"]["back"] is None
    told = {
        (s["from_station"], s["to_station"], one["travel"]): (one["step"], one["verdict"])
        for s in found["steps"]
        for one in s["senses"]
    }
    assert told == {
        ("A", "E1", "ahead"): (50, "no step"),
        ("E1", "E2", "ahead"): (950, "explained"),
        ("E2", "B", "ahead"): (50, "no step"),
        ("A", "W1", "back"): (-50, "no step"),
        ("W1", "W2", "back"): (-850, "explained"),
        ("W2", "B", "back"): (-50, "no step"),
    }


def test_no_carriageway_is_a_side_road_and_its_side_roads_are():
    found = walked_dual(BANKS)
    steps = {(s["from_station"], s["to_station"]): s for s in found["steps"]}
    assert {r["link_id"] for s in found["steps"] for r in s["side_roads"]} == {"north"}
    assert steps["E1", "E2"]["side_roads"][0]["chainage_m"] == pytest.approx(1250, abs=11)
    # In at A ahead and W2 back …: each end is told by the nearest count of its carriageway.
    assert steps["E1", "E2"]["balance"]["disagreement"] == 5050 - 4850 - 6000 + 5700 + 950 - 900
    assert steps["E1", "E2"]["balance"]["se"] > 0


def test_the_walk_back_sees_the_same_road():
    there, back = walked_dual(BANKS), walked_dual(BANKS, "B", "A")
    assert back["stations"][1]["station_id"] == "W2"
    assert back["stations"][1]["ahead"] == there["stations"][4]["back"]
    assert len(back["steps"]) == len(there["steps"])


def test_a_carriageway_without_counts_leaves_the_balance_open():
    counts = {k: v for k, v in BANKS.items() if k not in ("W1", "W2")}
    steps = walked_dual(counts)["steps"]
    at = {(s["from_station"], s["to_station"]): s["balance"]["z"] for s in steps}
    assert at["A", "E1"] is not None  # no side road parts A's count of the way back from E1
    few = {k: v for k, v in counts.items() if k not in ("A", "B")}
    (step,) = walked_dual(few, "west", "east")["steps"]
    assert step["balance"]["z"] is None


def test_undeclared_the_other_carriageway_is_a_side_road():
    found = walked_dual(BANKS, couples=())
    assert {"w1", "w2"} <= {r["link_id"] for s in found["steps"] for r in s["side_roads"]}
    assert "W1" not in {s["station_id"] for s in found["stations"]}
