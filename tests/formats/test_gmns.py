"""GMNS folders ↔ raw links.

Fields and the meaning of ``directed``, ``dir_flag``, ``geometry_id`` and of the units in config.csv:
General Modeling Network Specification (Zephyr Foundation), tables link, node, geometry, config.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from geopandas.testing import assert_geodataframe_equal
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString

from countmap.errors import InvalidInput, NotFound
from countmap.formats import gmns
from countmap.roads import graph

NODE = "node_id,x_coord,y_coord\n1,0,0\n2,100,0\n3,100,100\n"
CONFIG = "crs,speed,short_length,long_length\n3067,mph,foot,mile\n"
HEAD = "link_id,name,from_node_id,to_node_id,directed,geometry,dir_flag,free_speed,lanes\n"
BENT = "LINESTRING (0 0, 50 10, 100 0)"
BACK = "LINESTRING (100 0, 50 10, 0 0)"


def folder(path, rows, *, head=HEAD, node=NODE, config=CONFIG, **more):
    for name, text in {"link": head + rows, "node": node, "config": config, **more}.items():
        if text:
            (path / f"{name}.csv").write_text(text, encoding="utf-8")
    return path


def refusal(path, **options):
    with pytest.raises(InvalidInput) as refused:
        gmns.read(path, **options)
    return str(refused.value)


def short(links):
    keys = ["link_id", "from_node", "to_node", "allowed"]
    return [tuple(row) for row in links[keys].itertuples(index=False)]


def test_directed_and_undirected_links_with_and_without_geometry(tmp_path):
    rows = f'a,Quay,1,2,true,"{BENT}",1,30,2\nb,,2,3,FALSE,,,,\n'
    got = gmns.read(folder(tmp_path, rows))
    assert short(got) == [("a", "1", "2", "with"), ("b", "2", "3", "both")]
    assert list(got.geometry[0].coords) == [(0, 0), (50, 10), (100, 0)]
    assert list(got.geometry[1].coords) == [(100, 0), (100, 100)]
    assert got["speed_kmh"].tolist() == pytest.approx([48.28032, np.nan], nan_ok=True)
    assert got["lanes"].fillna(-1).tolist() == [2, -1]
    assert got["name"].fillna("-").tolist() == ["Quay", "-"]
    assert got.crs.to_epsg() == 3067


@pytest.mark.parametrize(
    ("directed", "line", "flag", "expected"),
    [
        ("true", BENT, "1", ("1", "2", "with")),
        ("true", BACK, "-1", ("2", "1", "against")),
        ("true", BACK, "0", ("2", "1", "against")),
        ("true", BACK, "", ("2", "1", "against")),
        ("false", BACK, "0", ("2", "1", "both")),
        ("false", BENT, "", ("1", "2", "both")),
    ],
)
def test_a_link_is_drawn_as_its_line_and_runs_from_its_from_node(
    tmp_path, directed, line, flag, expected
):
    got = gmns.read(folder(tmp_path, f'a,,1,2,{directed},"{line}",{flag},,\n'))
    assert short(got) == [("a", *expected)]
    arcs = {tuple(arc) for arc in graph.build(got).arcs[["tail", "head"]].to_numpy()}
    assert arcs == ({("1", "2")} if directed == "true" else {("1", "2"), ("2", "1")})


def test_the_two_senses_of_a_road_become_one_link(tmp_path):
    rows = f'b,Quay,2,1,true,"{BACK}",1,20,1\na,Quay,1,2,true,"{BENT}",1,30,2\n'
    got = gmns.read(folder(tmp_path, rows))
    assert short(got) == [("a", "1", "2", "both")]
    assert got["opposite_id"].tolist() == ["b"]
    assert got["lanes"].tolist() == [3]
    assert got["speed_kmh"].tolist() == pytest.approx([48.28032])


def test_senses_that_share_a_geometry_by_its_id(tmp_path):
    head = "link_id,from_node_id,to_node_id,directed,geometry_id,dir_flag\n"
    lines = f'geometry_id,geometry\n9,"{BENT}"\n'
    got = gmns.read(folder(tmp_path, "a,1,2,1,9,1\nb,2,1,1,9,-1\n", head=head, geometry=lines))
    assert short(got) == [("a", "1", "2", "both")]
    assert list(got.geometry[0].coords) == [(0, 0), (50, 10), (100, 0)]


@pytest.mark.parametrize(
    "second",
    [
        f'b,Quay,1,2,true,"{BENT}",1,,',  # the same sense
        f'b,Road,2,1,true,"{BACK}",1,,',  # another name
        "b,Quay,2,1,true,,,,",  # another line: a carriageway of its own
        f'b,Quay,2,1,false,"{BACK}",0,,',  # undirected
    ],
)
def test_other_directed_links_stay_what_they_say(tmp_path, second):
    got = gmns.read(folder(tmp_path, f'a,Quay,1,2,true,"{BENT}",1,,\n{second}\n'))
    assert len(got) == 2
    assert got["opposite_id"].isna().all()
    assert short(got)[0] == ("a", "1", "2", "with")


def test_a_third_link_on_the_line_is_left_over(tmp_path):
    rows = "".join(f"{i},,{a},{b},true,,,,\n" for i, a, b in ("a12", "b21", "c12"))
    assert short(gmns.read(folder(tmp_path, rows))) == [
        ("a", "1", "2", "both"),
        ("c", "1", "2", "with"),
    ]


def test_links_for_walking_and_cycling_alone_are_left_out(tmp_path):
    head = "link_id,from_node_id,to_node_id,directed,allowed_uses\n"
    rows = 'a,1,2,0,"auto, bike"\nb,1,2,0,"walk,bike"\nc,2,3,0,\nd,2,3,0,truck\ne,1,3,,walk\n'
    assert gmns.read(folder(tmp_path, rows, head=head))["link_id"].tolist() == ["a", "c", "d"]


def test_speeds_without_a_unit_are_unknown(tmp_path):
    rows = "a,,1,2,true,,,30,\n"
    assert gmns.read(folder(tmp_path, rows, config="crs\n3067\n"))["speed_kmh"].isna().all()
    kmh = folder(tmp_path, rows, config="crs,speed\n3067,km/h\n")
    assert gmns.read(kmh)["speed_kmh"].tolist() == [30]
    odd = folder(tmp_path, rows, config="crs,speed\n3067,furlong\n")
    assert refusal(odd) == (
        f"config.csv:2: speed unit 'furlong' is unknown ({tmp_path.name}). Write kmh or mph"
    )


def test_the_crs_must_be_stated(tmp_path):
    path = folder(tmp_path, "a,,1,2,true,,,,\n", config="")
    assert refusal(path) == (
        f"{tmp_path.name}: no coordinate reference system is stated. Add config.csv with a column "
        "crs, for instance EPSG:4326"
    )
    assert gmns.read(path, crs="EPSG:25832").crs.to_epsg() == 25832
    assert refusal(path, crs="nowhere").endswith("'nowhere' is unknown; write it like EPSG:25832")


def test_rows_that_break_the_specification_are_all_listed(tmp_path):
    rows = (
        f'a,,1,9,true,"{BENT}",1,,\n'
        "b,,8,2,true,,,,\n"
        "c,,1,2,,,,,\n"
        'd,,1,2,true,"POINT (1 2)",,,\n'
        'e,,1,2,true,"LINESTRING (1 2",,,\n'
        "f,,1,2,true,,5,,\n"
    )
    with pytest.raises(InvalidInput) as refused:
        gmns.read(folder(tmp_path, rows))
    rejects = refused.value.rejects
    assert rejects[["row", "column", "why"]].to_numpy().tolist() == [
        [
            2,
            "to_node_id",
            "to_node_id '9' is not in node.csv (link a). Add the node or correct the link",
        ],
        [
            3,
            "from_node_id",
            "from_node_id '8' is not in node.csv (link b). Add the node or correct the link",
        ],
        [4, "directed", "directed is empty (link c). Write true or false"],
        [
            5,
            "geometry",
            "geometry 'POINT (1 2)' is no LINESTRING (link d). Correct or empty the field",
        ],
        [
            6,
            "geometry",
            "geometry 'LINESTRING (1 2' is no LINESTRING (link e). Correct or empty the field",
        ],
        [7, "dir_flag", "dir_flag 5.0 is unknown (link f). Write 1, -1 or 0"],
    ]
    assert str(refused.value) == f"link.csv:2: {rejects['why'][0]}"


def test_a_geometry_that_is_not_there(tmp_path):
    head = "link_id,from_node_id,to_node_id,directed,geometry_id\n"
    path = folder(tmp_path, "a,1,2,true,9\n", head=head)
    text = "link.csv:2: geometry_id '9' is not in geometry.csv (link a). Add it or empty the field"
    assert refusal(path) == text
    folder(tmp_path, "a,1,2,true,9\n", head=head, geometry=f'geometry_id,geometry\n8,"{BENT}"\n')
    assert refusal(path) == text


@pytest.mark.parametrize(
    ("rows", "head", "text"),
    [
        ("a,,1,2,true,,,,two\n", HEAD, "link.csv:2: lanes 'two' is not a number"),
        ("a,,1,2,true,,,,-1\n", HEAD, "link.csv:2: lanes -1 is negative"),
        ("a,,1,2,true,,,,\na,,2,3,true,,,,\n", HEAD, "link.csv:3: link_id 'a' is there twice"),
        (
            "a,1\n",
            "link_id,from_node_id\n",
            "link.csv:1: link needs the columns 'to_node_id', 'directed'",
        ),
    ],
)
def test_cells_that_cannot_be_read(tmp_path, rows, head, text):
    assert refusal(folder(tmp_path, rows, head=head)).startswith(text)


def test_what_is_not_a_gmns_folder(tmp_path):
    (tmp_path / "link.csv").write_text("link_id\n", encoding="utf-8")
    with pytest.raises(NotFound) as refused:
        gmns.read(tmp_path)
    assert str(refused.value) == f"{tmp_path}: a GMNS folder needs node.csv. Check the folder"
    bare = gpd.GeoDataFrame({"link_id": ["a"]}, geometry=[LineString([(0, 0), (1, 1)])])
    with pytest.raises(InvalidInput, match=r"^out: the links have no coordinate reference system$"):
        gmns.write(pd.DataFrame(), bare, tmp_path / "out")


SHAPES = (
    LineString([(0, 0), (100.123456789, 0.1)]),
    LineString([(100.123456789, 0.1), (50, 50), (100.123456789, 0.1)]),  # a loop
    LineString([(100.123456789, 0.1), (0, 0)]),  # drawn back over the first
    LineString([(0, 0), (30, 70), (200, 1 / 3)]),
)


@settings(max_examples=10, deadline=None)
@given(
    senses=st.lists(st.sampled_from(["with", "against", "both"]), min_size=4, max_size=4),
    crs=st.sampled_from(["EPSG:3067", "EPSG:25832"]),
)
def test_a_graph_written_comes_back_as_it_was(tmp_path_factory, senses, crs):
    """But for two opposite one-ways on one line, which are read as one link."""
    path = tmp_path_factory.mktemp("gmns")
    raw = gpd.GeoDataFrame(
        {
            "link_id": list("abcd"),
            "name": ["Quay", "Ström", "Weg", None],
            "allowed": senses,
            "road_class": ["primary", None, "local", "ramp"],
            "lanes": [2.0, np.nan, 0.0, 1.0],
            "speed_kmh": [50.0, np.nan, 30.5, 48.28032],
            "roundabout": [False, True, False, False],
            "level": [0.0, 1.0, np.nan, -1.0],
        },
        geometry=list(SHAPES),
        crs=crs,
    )
    built = graph.build(raw)
    gmns.write(built.nodes, built.links, path)
    again = graph.build(gmns.read(path).drop(columns="opposite_id"))
    assert_geodataframe_equal(again.links, built.links)
    pd.testing.assert_frame_equal(again.nodes, built.nodes)
    pd.testing.assert_frame_equal(again.arcs, built.arcs)


def test_the_folder_states_its_units(tmp_path):
    built = graph.build(gmns.read(folder(tmp_path, f'a,,1,2,true,"{BACK}",-1,30,2\n')))
    gmns.write(built.nodes, built.links, tmp_path / "out")
    link = pd.read_csv(tmp_path / "out" / "link.csv").iloc[0]
    assert link[["from_node_id", "to_node_id", "directed", "dir_flag"]].tolist() == [1, 2, True, -1]
    assert link["length"] == pytest.approx(2 * np.hypot(50, 10) / 1000)
    assert link["geometry"] == BACK
    config = pd.read_csv(tmp_path / "out" / "config.csv").iloc[0]
    assert config[["long_length", "speed", "crs"]].tolist() == ["kilometer", "kmh", "EPSG:3067"]
