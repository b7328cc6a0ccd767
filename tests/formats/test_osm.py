"""OpenStreetMap files → raw links, on a hand-drawn extract.

What each tag means is taken from the OpenStreetMap wiki: Key:oneway, Key:junction, Key:access,
Key:maxspeed, Key:layer.
"""

from __future__ import annotations

import builtins

import numpy as np
import pytest

from countmap.errors import InvalidInput, MissingExtra, NotFound
from countmap.formats import osm
from countmap.roads import graph

NODES = {
    1: (24.90, 60.10),
    2: (24.91, 60.10),
    3: (24.92, 60.10),
    4: (24.91, 60.11),
    5: (24.91, 60.09),
}


def write(path, ways, nodes=NODES):
    """Write ``ways``: {id: (node ids, tags)}."""
    lines = ['<?xml version="1.0" encoding="UTF-8"?>', '<osm version="0.6">']
    lines += [f'<node id="{n}" version="1" lon="{x}" lat="{y}"/>' for n, (x, y) in nodes.items()]
    for way, (refs, tags) in sorted(ways.items()):
        lines.append(f'<way id="{way}" version="1">')
        lines += [f'<nd ref="{ref}"/>' for ref in refs]
        lines += [f'<tag k="{k}" v="{v}"/>' for k, v in tags.items()]
        lines.append("</way>")
    path.write_text("\n".join([*lines, "</osm>"]), encoding="utf-8")
    return path


def one(tmp_path, **tags):
    """Return the only link of a way with these tags (``_`` for ``:``)."""
    tags = {"highway": "residential"} | tags
    return osm.read(write(tmp_path / "one.osm", {7: ([1, 2], tags)})).iloc[0]


def test_ways_are_split_where_drivable_ways_share_a_node(tmp_path):
    ways = {
        10: ([1, 2, 3], {"highway": "primary", "name": "Long Street"}),
        11: ([5, 2, 4], {"highway": "residential"}),
        12: ([3, 4], {"highway": "footway"}),
    }
    links = osm.read(write(tmp_path / "cross.osm", ways))
    got = links.set_index("link_id")[["from_node", "to_node"]].T.to_dict("list")
    assert got == {
        "w10-0": ["n1", "n2"],
        "w10-1": ["n2", "n3"],
        "w11-0": ["n5", "n2"],
        "w11-1": ["n2", "n4"],
    }
    assert links["name"].isna().tolist() == [False, False, True, True]
    assert links.crs.to_epsg() == 4326
    assert list(links.geometry.iloc[1].coords) == [NODES[2], NODES[3]]


def test_a_footway_does_not_split_a_road(tmp_path):
    ways = {10: ([1, 2, 3], {"highway": "primary"}), 12: ([2, 4], {"highway": "footway"})}
    assert osm.read(write(tmp_path / "foot.osm", ways))["link_id"].tolist() == ["w10-0"]


def test_an_id_stays_when_another_way_joins(tmp_path):
    long = {10: ([1, 2, 3, 4], {"highway": "primary"}), 11: ([3, 5], {"highway": "service"})}
    more = long | {12: ([2, 5], {"highway": "service"})}
    before = osm.read(write(tmp_path / "a.osm", long)).set_index("link_id")
    after = osm.read(write(tmp_path / "b.osm", more)).set_index("link_id")
    assert before.loc["w10-2", "to_node"] == after.loc["w10-2", "to_node"] == "n4"


def test_a_closed_ring_without_exits_is_one_loop(tmp_path):
    ring = {10: ([1, 2, 4, 1], {"highway": "primary", "junction": "roundabout"})}
    links = osm.read(write(tmp_path / "ring.osm", ring))
    assert links[["from_node", "to_node"]].to_numpy().tolist() == [["n1", "n1"]]
    assert links["roundabout"].tolist() == [True]
    assert links["allowed"].tolist() == ["with"]


@pytest.mark.parametrize(
    ("tags", "expected"),
    [
        ({}, "both"),
        ({"oneway": "yes"}, "with"),
        ({"oneway": "true"}, "with"),
        ({"oneway": "1"}, "with"),
        ({"oneway": "-1"}, "against"),
        ({"oneway": "reverse"}, "against"),
        ({"oneway": "no"}, "both"),
        ({"oneway": "reversible"}, "both"),
        ({"oneway": "perhaps"}, "both"),
        ({"highway": "motorway"}, "with"),
        ({"highway": "motorway_link"}, "with"),
        ({"highway": "motorway", "oneway": "no"}, "both"),
        ({"highway": "motorway", "oneway": "-1"}, "against"),
        ({"highway": "trunk"}, "both"),
        ({"junction": "roundabout"}, "with"),
        ({"junction": "circular"}, "with"),
        ({"junction": "roundabout", "oneway": "no"}, "both"),
        ({"junction": "jughandle"}, "both"),
    ],
)
def test_one_ways(tmp_path, tags, expected):
    assert one(tmp_path, **tags)["allowed"] == expected


@pytest.mark.parametrize(
    ("text", "kmh"),
    [
        ("50", 50.0),
        ("30 mph", 48.28032),
        ("30mph", 48.28032),
        ("100 km/h", 100.0),
        ("10 knots", 18.52),
        ("none", None),
        ("signals", None),
        ("DE:urban", None),
        ("50;30", None),
    ],
)
def test_speeds(tmp_path, text, kmh):
    got = one(tmp_path, maxspeed=text)["speed_kmh"]
    assert got == pytest.approx(np.nan if kmh is None else kmh, nan_ok=True)


@pytest.mark.parametrize(
    ("tags", "expected"),
    [
        ({}, 0),
        ({"bridge": "yes"}, 1),
        ({"bridge": "viaduct", "layer": "2"}, 2),
        ({"bridge": "no"}, 0),
        ({"tunnel": "yes"}, -1),
        ({"tunnel": "yes", "layer": "-3"}, -3),
        ({"tunnel": "building_passage"}, 0),
    ],
)
def test_levels(tmp_path, tags, expected):
    assert one(tmp_path, **tags)["level"] == expected


def test_lanes_and_names(tmp_path):
    link = one(tmp_path, lanes="3", ref="B 11")
    assert (link["lanes"], link["name"]) == (3.0, "B 11")
    assert np.isnan(one(tmp_path, lanes="2;3")["lanes"])


@pytest.mark.parametrize(
    "tags",
    [
        {"area": "yes"},
        {"access": "no"},
        {"access": "private"},
        {"motor_vehicle": "no"},
        {"access": "yes", "motorcar": "private"},
        {"highway": "service", "service": "driveway"},
        {"highway": "footway"},
        {"highway": "construction"},
    ],
)
def test_what_is_left_out(tmp_path, tags):
    with pytest.raises(InvalidInput) as refused:
        one(tmp_path, **tags)
    assert str(refused.value) == (
        "one.osm: holds no way with a drivable highway tag. Check the extract"
    )


@pytest.mark.parametrize(
    "tags",
    [
        {"access": "destination"},
        {"access": "no", "motor_vehicle": "yes"},
        {"access": "private", "vehicle": "permissive"},
        {"highway": "service"},
    ],
)
def test_what_stays(tmp_path, tags):
    assert one(tmp_path, **tags)["link_id"] == "w7-0"


def test_a_way_is_cut_where_the_extract_lacks_a_node(tmp_path):
    nodes = {n: NODES[n] for n in (1, 2, 4, 5)}
    ways = {10: ([1, 2, 3, 4, 5], {"highway": "primary"})}
    links = osm.read(write(tmp_path / "cut.osm", ways, nodes))
    assert links[["link_id", "from_node", "to_node"]].to_numpy().tolist() == [
        ["w10-0", "n1", "n2"],
        ["w10-3", "n4", "n5"],
    ]


def test_a_deleted_way_is_no_road(tmp_path):
    ways = {10: ([1, 2], {"highway": "primary"}), 11: ([2, 3], {"highway": "primary"})}
    path = write(tmp_path / "gone.osm", ways)
    text = path.read_text(encoding="utf-8").replace('<way id="11"', '<way id="11" visible="false"')
    path.write_text(text, encoding="utf-8")
    assert osm.read(path)["link_id"].tolist() == ["w10-0"]


def test_ways_without_any_node_are_refused(tmp_path):
    path = write(tmp_path / "bare.osm", {10: ([1, 2], {"highway": "primary"})}, {})
    with pytest.raises(InvalidInput, match=r"^bare\.osm: holds 1 drivable ways and none of their"):
        osm.read(path)


def test_a_repeated_node_makes_no_link_of_no_length(tmp_path):
    ways = {10: ([1, 2, 2, 3], {"highway": "primary"})}
    assert osm.read(write(tmp_path / "again.osm", ways))["link_id"].tolist() == ["w10-0"]


def test_files_that_cannot_be_read(tmp_path):
    with pytest.raises(NotFound, match=r"nowhere\.osm: there is no such file"):
        osm.read(tmp_path / "nowhere.osm")
    half = write(tmp_path / "half.osm", {10: ([1, 2], {"highway": "primary"})})
    half.write_text(half.read_text(encoding="utf-8")[:-30], encoding="utf-8")
    with pytest.raises(InvalidInput, match=r"^half\.osm: cannot be read as OpenStreetMap data \("):
        osm.read(half)
    other = tmp_path / "roads.txt"
    other.write_text("no map", encoding="utf-8")
    with pytest.raises(InvalidInput, match=r"^roads\.txt: cannot be read as OpenStreetMap data"):
        osm.read(other)


def test_the_missing_extra_is_named(tmp_path, monkeypatch):
    path = write(tmp_path / "one.osm", {10: ([1, 2], {"highway": "primary"})})
    real = builtins.__import__

    def without(name, *args, **kwargs):
        if name == "osmium":
            raise ImportError(name)
        return real(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(MissingExtra) as refused:
        osm.read(path)
    assert str(refused.value) == (
        "one.osm: reading OpenStreetMap needs pyosmium; install it by pip install 'countmap[osm]'"
    )


def test_the_graph_keeps_the_nodes_of_the_file(tmp_path):
    ways = {
        10: ([1, 2, 3], {"highway": "primary", "oneway": "-1"}),
        11: ([5, 2, 4], {"highway": "residential"}),
    }
    arcs = graph.build(osm.read(write(tmp_path / "cross.osm", ways))).arcs
    assert set(zip(arcs["tail"], arcs["head"], strict=True)) == {
        ("n2", "n1"), ("n3", "n2"), ("n5", "n2"), ("n2", "n5"), ("n2", "n4"), ("n4", "n2"),
    }  # fmt: skip
