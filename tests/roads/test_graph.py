"""The road graph, on hand-drawn links in metres."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pyproj
import pytest
from geopandas.testing import assert_geodataframe_equal
from hypothesis import given, settings
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal
from shapely import LineString, MultiLineString, Point

from countmap.errors import InvalidInput
from countmap.roads import graph

l0 = LineString([(0, 0), (300, 400)])
l1 = LineString([(300, 400), (300, 500)])
l2 = LineString([(300, 400.03), (500, 400)])
l3 = LineString([(500, 400), (500, 400)])
l4 = LineString([(300, 400), (0, 0)])
l5 = LineString([(500, 400), (600, 400), (550, 500), (500, 400)])


def raw(*lines, crs="EPSG:3067", **columns):
    ids = columns.pop("link_id", [f"l{i}" for i in range(len(lines))])
    return gpd.GeoDataFrame({"link_id": ids, **columns}, geometry=list(lines), crs=crs)


def test_ends_within_the_snap_distance_are_one_node():
    roads = graph.build(raw(l0, l1, l2))
    assert roads.links[["from_node", "to_node"]].to_numpy().tolist() == [
        ["E0N0", "E300N400"],
        ["E300N400", "E300N500"],
        ["E300N400", "E500N400"],
    ]
    assert len(graph.build(raw(l0, l1, l2), snap_m=0.02).nodes) == 5
    assert len(graph.build(raw(l0, l1, l2), snap_m=0).nodes) == 5


def test_snapping_runs_through_a_chain_and_moves_no_line():
    ends = [LineString([(0, 10 * i), (100 + 0.04 * i, 0)]) for i in range(4)]
    roads = graph.build(raw(*ends))
    assert len(set(roads.links["to_node"])) == 1
    assert [line.coords[-1][0] for line in roads.links.geometry] == [100, 100.04, 100.08, 100.12]


def test_given_nodes_are_kept_and_join_the_ends_without_one():
    roads = graph.build(raw(l0, l1, l2, from_node=["a", None, None], to_node=["b", "c", None]))
    assert roads.links[["from_node", "to_node"]].to_numpy().tolist() == [
        ["a", "b"],
        ["b", "c"],
        ["b", "E500N400"],
    ]


def test_nodes_are_apart_when_their_ids_are_though_they_lie_together():
    roads = graph.build(raw(l0, l1, from_node=["a", "b2"], to_node=["b1", "c"]))
    assert roads.nodes["node_id"].tolist() == ["a", "b1", "b2", "c"]


def test_loops_parallels_and_links_of_no_length_survive():
    roads = graph.build(raw(l0, l1, l2, l3, l4, l5))
    assert len(roads.links) == 6
    assert roads.links["length_m"].round(2).tolist()[3] == 0
    multigraph = roads.to_networkx()
    assert multigraph.number_of_edges("E0N0", "E300N400") == 2
    assert multigraph.number_of_edges("E500N400", "E500N400") == 4
    assert multigraph.get_edge_data("E0N0", "E300N400", ("l0", "with")) == {
        "link_id": "l0",
        "sense": "with",
        "length_m": 500.0,
    }


def test_arcs_are_the_senses_that_carry_traffic():
    roads = graph.build(raw(l0, l1, l2, allowed=["both", "against", "with"]))
    assert roads.arcs.to_numpy().tolist() == [
        ["l0", "with", "E0N0", "E300N400"],
        ["l0", "against", "E300N400", "E0N0"],
        ["l1", "against", "E300N500", "E300N400"],
        ["l2", "with", "E300N400", "E500N400"],
    ]


def test_nodes_in_one_square_metre_have_names_of_their_own():
    close = [LineString([(0, 0), (100 + dx, 0)]) for dx in (0.0, 0.2, 0.2001)]
    roads = graph.build(raw(*close), snap_m=0)
    assert roads.links["to_node"].tolist() == [
        "E100.00N0.00",
        "E100.200000000N0.000000000",
        "E100.200100000N0.000000000",
    ]


def test_unknown_is_null_and_never_zero():
    links = graph.build(raw(l0)).links
    assert list(links.columns) == list(graph.LINKS.names)
    assert links[["name", "road_class", "lanes", "speed_kmh", "level"]].isna().all(axis=None)
    assert links["allowed"].tolist() == ["both"]
    assert links["roundabout"].tolist() == [False]


def test_columns_beyond_the_contract_are_carried():
    assert graph.build(raw(l0, surface=["sand"])).links["surface"].tolist() == ["sand"]


def test_ids_are_made_from_the_geometry():
    named = graph.build(raw(l0, l1, l4, l0, link_id=[None, "x", None, None]))
    again = graph.build(raw(l4, l0, l0, link_id=[None, None, None]))
    made = set(named.links["link_id"]) - {"x"}
    assert made == set(again.links["link_id"])
    assert sum(name.endswith("-2") for name in made) == 1
    bare = graph.build(raw(l4, l0, l0).drop(columns="link_id"))
    assert set(bare.links["link_id"]) == made


@settings(max_examples=15)
@given(st.permutations(range(6)))
def test_the_order_of_the_rows_does_not_matter(order):
    links = raw(l0, l1, l2, l3, l4, l5, allowed=["both", "with", "both", "both", "against", "with"])
    first, second = graph.build(links), graph.build(links.iloc[list(order)])
    assert_geodataframe_equal(first.links, second.links)
    assert_frame_equal(first.nodes, second.nodes)
    assert_frame_equal(first.arcs, second.arcs)


def test_a_projected_crs_in_metres_is_kept():
    roads = graph.build(raw(l0, crs="EPSG:3067"))
    assert roads.crs.to_epsg() == 3067
    assert list(roads.links.geometry[0].coords) == list(l0.coords)


def test_degrees_go_to_the_utm_zone_and_lengths_are_those_on_the_ellipsoid():
    """Against the geodesic length by pyproj.Geod; UTM is true within 0.04 % near its meridian."""
    line = LineString([(24.90, 60.10), (24.95, 60.15)])
    roads = graph.build(raw(line, crs="EPSG:4326"))
    assert roads.crs.to_epsg() == 32635
    geodesic = pyproj.Geod(ellps="WGS84").geometry_length(line)
    assert roads.links["length_m"][0] == pytest.approx(geodesic, rel=5e-4)
    south = graph.build(raw(LineString([(151.0, -33.9), (151.1, -33.8)]), crs="EPSG:4326"))
    assert south.crs.to_epsg() == 32756


@pytest.mark.parametrize("crs", ["EPSG:3857", "EPSG:2263", "EPSG:4258"])
def test_web_mercator_feet_and_degrees_are_converted(crs):
    line = LineString([(-74.00, 40.70), (-73.99, 40.71)])
    truth = graph.build(raw(line, crs="EPSG:4326")).links["length_m"][0]
    links = raw(line, crs="EPSG:4326").to_crs(crs)
    roads = graph.build(links)
    assert roads.crs.axis_info[0].unit_name == "metre"
    assert roads.links["length_m"][0] == pytest.approx(truth, rel=1e-4)


def test_positions_go_to_the_working_crs_and_back():
    roads = graph.build(raw(LineString([(24.90, 60.10), (24.95, 60.15)]), crs="EPSG:4326"))
    x, y = roads.to_working([24.90, 24.95], [60.10, 60.15])
    expected = roads.nodes.set_index("node_id").loc[
        [roads.links["from_node"][0], roads.links["to_node"][0]]
    ]
    np.testing.assert_allclose(np.column_stack([x, y]), expected[["x", "y"]])
    np.testing.assert_allclose(roads.to_wgs84(x, y), [[24.90, 24.95], [60.10, 60.15]])
    assert roads.wgs84().crs.to_epsg() == 4326
    np.testing.assert_allclose(roads.wgs84().geometry[0].coords[0], (24.90, 60.10))


def test_heights_are_dropped():
    assert not graph.build(raw(LineString([(0, 0, 5), (1, 1, 6)]))).links.has_z.any()


@pytest.mark.parametrize(
    ("links", "text"),
    [
        (raw(), "there are no links; a road graph needs at least one"),
        (
            raw(l0, crs=None),
            "the links have no coordinate reference system; state it, for instance EPSG:4326 for longitude and latitude",
        ),
        (
            raw(l0, MultiLineString([l1, l2]), Point(0, 0)),
            "link 'l1' has a MultiLineString; every link must be one LineString; 1 more",
        ),
        (raw(l0, None), "link 'l1' has no geometry; every link must be one LineString"),
        (
            raw(l0, link_id=[None]).assign(geometry=[Point(0, 0)]),
            "link in row 1 has a Point; every link must be one LineString",
        ),
        (
            raw(l0, l1, allowed=["with", "uphill"]),
            "link 'l1': allowed is 'uphill'; write with, against or both",
        ),
        (
            raw(l0, l1, link_id=["a", "a"]),
            "links: link_id must be unique, got 'a' in row 1",
        ),
        (
            raw(l0, lanes=[-2.0]),
            "links: lanes must be at least 0, got '-2.0' in row 0",
        ),
        (
            raw(LineString([(10, 95), (10, 96)]), crs="EPSG:4326"),
            "no UTM zone fits the extent 10 95 10 96 in 'WGS 84'; check the coordinate reference system, or project the file to one in metres",
        ),
    ],
)
def test_refusals(links, text):
    with pytest.raises(InvalidInput) as refused:
        graph.build(links)
    assert str(refused.value) == text


def test_links_without_a_length_are_remarked_on():
    assert graph.remarks(graph.build(raw(l0, l1))) == []
    assert graph.remarks(graph.build(raw(l0, l3))) == [
        "1 link has no length ('l1'): correct or remove it"
    ]
    many = raw(*(LineString([(i, 0), (i, 0)]) for i in range(6)))
    assert graph.remarks(graph.build(many)) == [
        "6 links have no length ('l0', 'l1', 'l2', …): correct or remove them"
    ]
