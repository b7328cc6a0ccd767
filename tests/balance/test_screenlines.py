"""Lines across the network: which arcs, which way, how much, and whether a closed one agrees."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pytest
import shapely
from made_balance import CROSS, CROSS_COUNTS, given, two_way
from made_roads import CRS, EAST, NORTH, net

from countmap.balance.assess import assess
from countmap.balance.screenlines import crossings, problems
from countmap.errors import InvalidInput

BRIDGES = {
    "b1": [(0, 100), (0, -100)],
    "b2": [(500, 100), (500, -100)],
    "b3": ([(900, -100), (900, 100)], {"allowed": "with"}),
    "u": [(1200, 100), (1250, -50), (1300, 100)],
    "far": [(3000, 100), (3000, -100)],
}


def line(coords, kind="screenline", sides="north | south", name="River"):
    points = [(EAST + x, NORTH + y) for x, y in coords]
    shape = shapely.Polygon(points) if kind == "cordon" else shapely.LineString(points)
    frame = gpd.GeoDataFrame(
        {"name": [name], "kind": [kind], "sides": [sides]}, geometry=[shape], crs=CRS
    )
    return frame.to_crs("EPSG:4326")


def test_each_arc_crosses_from_side_to_side():
    # The line runs west: north is on its right.
    found = crossings(net(**BRIDGES), line([(2000, 3), (-500, 1)], sides="south | north"))
    told = {(r.link_id, r.sense): (r.from_side, r.to_side, r.way) for r in found.itertuples()}
    assert told == {
        ("b1", "with"): ("north", "south", -1),
        ("b1", "against"): ("south", "north", 1),
        ("b2", "with"): ("north", "south", -1),
        ("b2", "against"): ("south", "north", 1),
        ("b3", "with"): ("south", "north", 1),
    }


def test_the_way_does_not_depend_on_the_bends_of_either():
    zigzag = {"z": [(0, 100), (60, -40), (90, 40), (150, -100)]}
    found = crossings(net(**zigzag), line([(-500, 0), (20, 0), (40, 10), (2000, 0)]))
    assert found.set_index("sense")["way"].to_dict() == {"with": 1, "against": -1}


def test_a_line_through_a_node_is_refused():
    with pytest.raises(
        InvalidInput, match=r"screenline 'River' passes through node .*; move it aside"
    ):
        crossings(net(**CROSS), line([(-500, -500), (500, 500)]))
    with pytest.raises(InvalidInput, match="the coordinate system is unknown"):
        crossings(net(**CROSS), line([(0, 1), (1, 2)]).set_crs(None, allow_override=True))


def test_an_open_cordon_is_refused():
    drawn = line([(-500, 3), (400, 300), (500, 2)]).assign(kind="cordon")
    with pytest.raises(InvalidInput, match="cordon 'River' is not closed"):
        crossings(net(**CROSS), drawn)


def test_a_screenline_adds_up_with_its_error():
    # Worked for this project: 12,000 and 8,000 at 5 %, 3,000 at 10 % make 23,000 ± 781.
    counts = {
        "S1": ("b1", 50, {"with": 12_000}),
        "S2": ("b2", 50, {"with": 8_000}),
        "S3": ("far", 50, {"with": 3_000}),
    }
    inputs = given(net(**BRIDGES), counts, screenlines=line([(-500, 1), (4000, 3)]))
    annual = inputs.annual.assign(log_se=[0.05, 0.05, 0.10])
    (record,) = assess(replace(inputs, annual=annual)).document["screenlines"]
    south = next(w for w in record["ways"] if w["to"] == "south")
    assert south["missing"] == []
    assert south["flow"] == 23_000
    assert round(south["se"]) == 781
    north = next(w for w in record["ways"] if w["to"] == "north")
    assert north["flow"] is None
    assert north["missing"] == ["b1", "b2", "b3", "far"]


def test_a_cordon_is_tested():
    around = [(-300, -300), (300, -300), (300, 300), (-300, 300)]
    drawn = line(around, "cordon", None, "Centre")
    inputs = given(
        net(**CROSS), CROSS_COUNTS | {"E": ("e", 500, two_way(6000, 3300))}, screenlines=drawn
    )
    (record,) = assess(inputs).document["screenlines"]
    assert record["disagreement"] == 3000
    assert record["verdict"] == "disagrees"
    assert record["ways"][0]["from"] == "outside"
    assert record["ways"][0]["flow"] == 24_000
    se = np.sqrt(sum((0.05 * x) ** 2 for x in (8000, 7700, 6000, 3300, 7500, 7400, 2500, 2600)))
    assert record["se"] == pytest.approx(se, rel=0.06)  # errors follow the fitted flows


def test_a_cordon_around_a_source_is_not_tested():
    drawn = line([(-300, -300), (300, -300), (300, 1500), (-300, 1500)], "cordon", None, "North")
    (record,) = assess(given(net(**CROSS), CROSS_COUNTS, screenlines=drawn)).document["screenlines"]
    assert record["verdict"] == "no equation"
    assert "inside is a boundary or generator" in record["reason"]


def lines(*frames):
    return gpd.GeoDataFrame(
        np.concatenate(frames),
        columns=["name", "kind", "sides", "geometry"],
        geometry="geometry",
        crs="EPSG:4326",
    )


def test_a_problem_stays_with_its_line():
    drawn = lines(
        line([(-500, -500), (500, 500)], name="Bad"),
        line([(-500, 400), (700, 400)]),
        line([(5000, 5000), (6000, 5000)], name="Void"),
        line([(-300, -300), (300, -300), (300, 300), (-300, 300)], "cordon", None, "Whole"),
    )
    inputs = given(net(**CROSS), CROSS_COUNTS, screenlines=drawn)
    bad, good, void, whole = assess(inputs).document["screenlines"]
    assert bad["problem"].startswith("screenline 'Bad' passes through node")
    assert good["problem"] is None
    assert good["both"]["flow"] == 15_700
    assert void["problem"] == (
        "screenline 'Void' crosses no link; draw it across the roads it is to count"
    )
    assert set(bad) == set(good) == set(void) == set(whole)
    for one in (bad, void):
        assert (one["ways"], one["crossings"], one["verdict"], one["z"]) == ([], [], None, None)
        assert one["both"] == {
            "flow": None,
            "se": None,
            "lower": None,
            "upper": None,
            "missing": [],
        }
    assert problems(inputs.roads, drawn) == [("Bad", bad["problem"]), ("Void", void["problem"])]
    with pytest.raises(InvalidInput, match="the coordinate system is unknown"):
        problems(inputs.roads, drawn.set_crs(None, allow_override=True))
