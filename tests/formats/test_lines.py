"""GeoPackage, Shapefile and GeoJSON → raw links, on hand-drawn files."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from geopandas.testing import assert_geodataframe_equal
from shapely import LineString, MultiLineString, Point

from countmap.errors import InvalidInput, NotFound
from countmap.formats import geo, lines
from countmap.roads import graph

l0 = LineString([(385_000, 6_672_000), (385_300, 6_672_400)])
l1 = LineString([(385_300, 6_672_400), (385_300, 6_672_500)])
l2 = LineString([(385_300, 6_672_400), (385_500, 6_672_400)])


def roads(*shapes, crs="EPSG:3067", **columns):
    return gpd.GeoDataFrame(columns, geometry=list(shapes), crs=crs)


def save(frame, path, **options):
    frame.to_file(path, engine="pyogrio", **options)
    return path


def refusal(path, **options):
    with pytest.raises(InvalidInput) as refused:
        lines.read(path, **options)
    return str(refused.value)


@pytest.mark.parametrize("name", ["roads.gpkg", "roads.geojson", "roads.shp"])
def test_each_format_gives_the_same_links(tmp_path, name):
    frame = roads(l0, l1, l2, link_id=["a", "b", "c"], oneway=["F", "T", "B"], lanes=[2, 1, 0])
    got = lines.read(save(frame, tmp_path / name))
    assert list(got.columns) == [
        "link_id", "from_node", "to_node", "name", "road_class", "allowed", "lanes", "speed_kmh",
        "roundabout", "level", "geometry",
    ]  # fmt: skip
    assert got["link_id"].tolist() == ["a", "b", "c"]
    assert got["allowed"].tolist() == ["with", "against", "both"]
    assert got["lanes"].fillna(-1).tolist() == [2, 1, -1]
    built = graph.build(got).links["length_m"]
    np.testing.assert_allclose(built, [500, 100, 200], rtol=1e-3)


def test_a_geopackage_of_the_graph_comes_back_as_it_was(tmp_path):
    raw = roads(
        l0, l1, l2,
        link_id=["a", "b", "c"], name=["Quay", None, "Ström"], road_class=["primary", "local", None],
        allowed=["with", "against", "both"], lanes=[2.0, np.nan, 1.0], level=[0.0, 1.0, np.nan],
        roundabout=[False, True, False], speed_kmh=[50.0, np.nan, 30.5],
    )  # fmt: skip
    built = graph.build(raw)
    path = tmp_path / "links.gpkg"
    geo.write_geopackage({"links": built.links, "nodes": built.nodes}, path)
    again = graph.build(lines.read(path))
    assert_geodataframe_equal(again.links, built.links)
    pd.testing.assert_frame_equal(again.nodes, built.nodes)
    assert again.crs == built.crs


@pytest.mark.parametrize(
    ("word", "sense"),
    [
        *[(w, "with") for w in ("F", "FT", "yes", "Y", "true", "1", "with", "Forward")],
        *[(w, "against") for w in ("T", "TF", "-1", "reverse", "against")],
        *[(w, "both") for w in ("B", "no", "N", "false", "0", "both", "two-way", "Two Way", "")],
    ],
)
def test_words_for_one_way(tmp_path, word, sense):
    path = save(roads(l0, l1, oneway=[word, "B"]), tmp_path / "roads.geojson")
    assert lines.read(path)["allowed"].tolist() == [sense, "both"]


@pytest.mark.parametrize(
    ("values", "senses"),
    [
        ([1, -1, 0], ["with", "against", "both"]),
        ([1.0, -1.0, None], ["with", "against", "both"]),
        ([True, False, True], ["with", "both", "with"]),
    ],
)
def test_one_way_as_numbers_and_truth(tmp_path, values, senses):
    path = save(roads(l0, l1, l2, One_Way=values), tmp_path / "roads.gpkg")
    assert lines.read(path)["allowed"].tolist() == senses


@pytest.mark.parametrize(
    ("name", "column", "value", "expected"),
    [
        ("STREET_NAME", "name", "Quay", "Quay"),
        ("fclass", "road_class", "primary", "primary"),
        ("F Node", "from_node", 12.0, "12"),
        ("to-node-id", "to_node", "N7", "N7"),
        ("Lane_Count", "lanes", 3, 3.0),
        ("maxspeed", "speed_kmh", "30 mph", 48.28032),
        ("speed_mph", "speed_kmh", 30, 48.28032),
        ("speed_limit", "speed_kmh", 50, 50.0),
        ("layer", "level", -1, -1.0),
        ("junction", "roundabout", "roundabout", True),
        ("osm_id", "link_id", 4711, "4711"),
    ],
)
def test_names_for_columns(tmp_path, name, column, value, expected):
    got = lines.read(save(roads(l0, **{name: [value]}), tmp_path / "roads.geojson"))[column][0]
    assert got == (pytest.approx(expected) if isinstance(expected, float) else expected)


def test_the_first_alias_counts(tmp_path):
    path = save(roads(l0, street=["B"], name=["A"]), tmp_path / "roads.geojson")
    assert lines.read(path)["name"].tolist() == ["A"]


def test_columns_that_only_share_a_name_are_passed_over(tmp_path):
    frame = roads(l0, l1, osm_id=["7", "7"], layer=["north", "south"], junction=["A 3", "B 1"])
    got = lines.read(save(frame, tmp_path / "roads.gpkg"))
    assert got["link_id"].isna().all()
    assert got["level"].isna().all()
    assert got["roundabout"].tolist() == [False, False]


def test_what_the_file_does_not_say_is_null(tmp_path):
    got = lines.read(save(roads(l0, note=["x"]), tmp_path / "roads.gpkg")).iloc[0]
    unknown = [
        "link_id",
        "from_node",
        "to_node",
        "name",
        "road_class",
        "lanes",
        "speed_kmh",
        "level",
    ]
    assert got[unknown].isna().all()
    assert (got["allowed"], got["roundabout"]) == ("both", False)


def test_parts_become_links_of_their_own(tmp_path):
    frame = roads(
        MultiLineString([l0, l1, l2]), MultiLineString([l0]), LineString([(*l0.coords[0], 7), (385_001, 6_672_001, 8)]),
        link_id=["a", "b", "c"], from_node=["1", "2", "3"], to_node=["4", "5", "6"],
    )  # fmt: skip
    got = lines.read(save(frame, tmp_path / "roads.gpkg", geometry_type="Unknown"))
    assert got[["link_id", "from_node", "to_node"]].fillna("-").to_numpy().tolist() == [
        ["a-1", "1", "-"],
        ["a-2", "-", "-"],
        ["a-3", "-", "4"],
        ["b", "2", "5"],
        ["c", "3", "6"],
    ]
    assert list(got.geometry[1].coords) == list(l1.coords)
    assert not got.has_z.any()


def test_the_only_layer_of_lines_is_taken(tmp_path):
    path = tmp_path / "town.gpkg"
    save(roads(Point(0, 0), name=["p"]), path, layer="places")
    save(roads(l0, name=["Quay"]), path, layer="streets")
    assert lines.read(path)["name"].tolist() == ["Quay"]
    save(roads(l1, name=["Rail"]), path, layer="rails")
    assert refusal(path) == (
        "town.gpkg: has several layers of lines (streets, rails). Name the layer of the roads"
    )
    assert lines.read(path, layer="rails")["name"].tolist() == ["Rail"]
    with pytest.raises(NotFound) as refused:
        lines.read(path, layer="canals")
    assert str(refused.value) == "town.gpkg: has no layer 'canals'; it has places, streets, rails"


def test_values_that_cannot_be_understood_are_all_listed(tmp_path):
    frame = roads(
        l0, l1, l2, Point(0, 0),
        oneway=["F", "uphill", "T", "B"], lanes=["2", "-1", "two", ""], maxspeed=["50", "fast", "", ""],
    )  # fmt: skip
    path = save(frame, tmp_path / "roads.geojson")
    with pytest.raises(InvalidInput) as refused:
        lines.read(path)
    assert str(refused.value) == (
        "roads.geojson:2: speed_kmh 'fast' is not understood. Write km/h, or a number and mph"
    )
    assert refused.value.rejects[["row", "column", "value", "why"]].to_numpy().tolist() == [
        [
            2,
            "speed_kmh",
            "fast",
            "speed_kmh 'fast' is not understood. Write km/h, or a number and mph",
        ],
        [2, "allowed", "uphill", "allowed 'uphill' is not understood. Write with, against or both"],
        [2, "lanes", "-1", "lanes '-1' is not understood. Write a number of lanes"],
        [3, "lanes", "two", "lanes 'two' is not understood. Write a number of lanes"],
        [4, "geometry", "", "the feature is a Point, not a line. Correct or remove it"],
    ]


def test_an_id_twice_is_refused(tmp_path):
    path = save(roads(l0, l1, link_id=["a", "a"]), tmp_path / "roads.gpkg")
    assert refusal(path) == (
        "roads.gpkg:2: link_id 'a' is there twice. Number the links anew, or remove the column"
    )


def test_a_missing_crs_is_refused_and_can_be_stated(tmp_path):
    path = save(roads(l0, name=["Quay"]), tmp_path / "roads.shp")
    path.with_suffix(".prj").unlink()
    assert refusal(path) == (
        "roads.shp: has no coordinate reference system (a Shapefile's lies in its .prj); it covers "
        "x 385000 to 385300, y 6.672e+06 to 6.6724e+06. State it, for instance EPSG:25832"
    )
    assert lines.read(path, crs="EPSG:3067").crs.to_epsg() == 3067
    assert refusal(path, crs="EPSG:0") == (
        "coordinate reference system 'EPSG:0' is unknown; write it like EPSG:25832"
    )
    degrees = save(roads(LineString([(24, 60), (25, 60)]), name=["x"]), tmp_path / "deg.shp")
    degrees.with_suffix(".prj").unlink()
    assert refusal(degrees).endswith("State it, for instance EPSG:4326 for longitude and latitude")


@pytest.mark.parametrize(
    ("crs", "places", "cause"),
    [
        (
            "EPSG:4326",
            [(37.7, -122.4), (37.8, -122.5)],
            "longitude and latitude are swapped. Export it with longitude first",
        ),
        (
            "EPSG:4258",
            [(60.1, 24.9), (60.2, 24.8)],
            "longitude and latitude are swapped. Export it with longitude first",
        ),
        (
            "EPSG:3067",
            [(6_672_000, 385_000), (6_672_100, 385_100)],
            "easting and northing are swapped. Export it with easting first",
        ),
        (
            "EPSG:4326",
            [(385_000, 6_672_000), (385_100, 6_672_100)],
            "they are no degrees. State the coordinate reference system they are in",
        ),
        ("EPSG:3067", [(24.9, 60.1), (24.8, 60.2)], "they are degrees. State EPSG:4326"),
        (
            "EPSG:25832",
            [(385_000, 1_672_000), (385_100, 1_672_100)],
            "that is another place's system. State the right one",
        ),
    ],
)
def test_lines_where_their_crs_cannot_be(tmp_path, crs, places, cause):
    """Areas of use: EPSG registry, as PROJ carries it."""
    path = save(roads(LineString(places), name=["x"], crs=crs), tmp_path / "roads.gpkg")
    text = refusal(path)
    assert text.startswith("roads.gpkg: x ")
    assert text.endswith(f"; it seems that {cause}")


def test_files_that_cannot_be_read(tmp_path):
    with pytest.raises(NotFound, match=r"no\.gpkg: there is no such file\. Check the path"):
        lines.read(tmp_path / "no.gpkg")
    text = tmp_path / "text.gpkg"
    text.write_text("no map", encoding="utf-8")
    assert refusal(text) == (
        "text.gpkg: cannot be read as a map file (its content is no GeoPackage). Give a GeoPackage, "
        "GeoJSON, or Shapefile with its .dbf and .shx beside it"
    )
    whole = save(roads(l0, name=["Quay"]), tmp_path / "half.geojson")
    whole.write_text(whole.read_text(encoding="utf-8")[:200], encoding="utf-8")
    line = refusal(whole)
    assert line.startswith("half.geojson: cannot be read as a map file (its JSON breaks at line ")
    assert "\n" not in line
    assert "driver" not in line
    alone = save(roads(l0, name=["Quay"]), tmp_path / "alone.shp")
    alone.with_suffix(".shx").unlink()
    line = refusal(alone)
    assert line.startswith("alone.shp: ")
    assert "(its .shx is not beside it)" in line
    assert str(tmp_path) not in line
    cut = save(roads(l0, name=["Quay"]), tmp_path / "cut.gpkg")
    cut.write_bytes(cut.read_bytes()[:3000])
    assert "(it is damaged)" in refusal(cut)
    assert str(tmp_path) not in refusal(cut)
    other = tmp_path / "other.json"
    other.write_text('{"type": "Topology"}', encoding="utf-8")
    assert "(it is JSON, but its type is 'Topology', not 'FeatureCollection')" in refusal(other)
    (tmp_path / "empty").mkdir()
    assert "(it is a folder)" in refusal(tmp_path / "empty")
    none = tmp_path / "none.geojson"
    none.write_text('{"type": "FeatureCollection", "features": []}', encoding="utf-8")
    assert refusal(none) == "none.geojson: layer 'none' holds no features. Export it again"
    table = tmp_path / "table.gpkg"
    geo.write_geopackage({"notes": pd.DataFrame({"a": [1]})}, table)
    assert refusal(table) == "table.gpkg: layer 'notes' is a table without lines. Name another"
