"""GeoJSON by RFC 7946, GeoPackage, screenlines."""

from __future__ import annotations

import json
import sqlite3

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from geopandas.testing import assert_geodataframe_equal
from shapely import LineString, Point, Polygon

from countmap.errors import InvalidInput, NotFound
from countmap.formats import geo


@pytest.fixture
def places():
    return gpd.GeoDataFrame(
        {
            "station_id": ["S1", "S2"],
            "aadt": [1200.0, np.nan],
            "days": [7, 0],
            "sure": [True, False],
            "from": pd.to_datetime(["2025-03-04", None]).as_unit("us"),
            "methods": [["matched", "textbook"], []],
            "name": ["<b>Åbro</b>", None],
        },
        geometry=[Point(2_775_000, 8_430_000), Point(2_776_000, 8_431_000)],
        crs="EPSG:3857",
    )


def test_geojson_is_wgs84_with_longitude_first_and_nulls(tmp_path, places):
    """RFC 7946: section 4 (WGS84, longitude, latitude), 3.2 (id), section 4 (no ``crs`` member)."""
    path = tmp_path / "places.geojson"
    geo.write_geojson(places, path, id_column="station_id")
    got = json.loads(path.read_text(encoding="utf-8"))
    assert set(got) == {"type", "features"}
    first, second = got["features"]
    assert first["id"] == "S1"
    lon, lat = first["geometry"]["coordinates"]
    x, y = places.geometry[0].coords[0]
    radius = 6_378_137  # spherical Mercator, EPSG:3857
    assert lon == pytest.approx(np.degrees(x / radius), abs=1e-7)
    assert lat == pytest.approx(np.degrees(2 * np.arctan(np.exp(y / radius)) - np.pi / 2), abs=1e-7)
    assert first["properties"] == {
        "station_id": "S1",
        "aadt": 1200.0,
        "days": 7,
        "sure": True,
        "from": "2025-03-04T00:00:00",
        "methods": ["matched", "textbook"],
        "name": "<b>Åbro</b>",
    }
    assert second["properties"]["aadt"] is None
    assert second["properties"]["days"] == 0
    assert second["properties"]["from"] is None
    assert second["properties"]["name"] is None


def test_rings_are_anticlockwise_and_coordinates_short(tmp_path):
    """RFC 7946, section 3.1.6: exterior rings are anticlockwise, holes clockwise."""
    hole = [(0.2, 0.2), (0.4, 0.2), (0.4, 0.4), (0.2, 0.4)]
    shape = Polygon([(0, 0), (0, 1 / 3), (1, 1), (1, 0)], [hole])
    assert not shape.exterior.is_ccw
    path = tmp_path / "area.geojson"
    geo.write_geojson(gpd.GeoDataFrame({"a": [1]}, geometry=[shape], crs=4326), path)
    rings = json.loads(path.read_text(encoding="utf-8"))["features"][0]["geometry"]["coordinates"]
    assert Polygon(rings[0]).exterior.is_ccw
    assert not Polygon(rings[1]).exterior.is_ccw
    assert [0.0, 0.3333333] in rings[0]


def test_an_infinite_number_and_an_unknown_crs_are_refused(tmp_path, places):
    path = tmp_path / "places.geojson"
    with pytest.raises(InvalidInput, match=r"^places\.geojson: .* holds an infinite number$"):
        geo.write_geojson(places.assign(aadt=np.inf), path)
    with pytest.raises(InvalidInput, match=r"^places\.geojson: the features have no coordinate"):
        geo.write_geojson(places.set_crs(None, allow_override=True), path)
    assert list(tmp_path.iterdir()) == []


def test_a_geopackage_comes_back_as_it_was(tmp_path, places):
    path = tmp_path / "out.gpkg"
    links = gpd.GeoDataFrame(
        {"link_id": ["a"]}, geometry=[LineString([(0, 0), (1.5, 2)])], crs="EPSG:3067"
    )
    notes = pd.DataFrame({"key": ["k"], "value": [1.5]})
    geo.write_geopackage({"stations": places, "links": links, "notes": notes}, path)
    assert_geodataframe_equal(gpd.read_file(path, layer="links"), links)
    stations = gpd.read_file(path, layer="stations")
    assert stations.crs == places.crs
    assert stations["methods"].tolist() == ['["matched", "textbook"]', "[]"]
    assert np.isnan(stations["aadt"][1])
    with sqlite3.connect(path) as db:
        assert db.execute("select key, value from notes").fetchall() == [("k", 1.5)]
    db.close()


def test_equal_layers_make_equal_bytes(tmp_path, places):
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        geo.write_geopackage({"stations": places}, tmp_path / name / "out.gpkg")
    first, second = ((tmp_path / n / "out.gpkg").read_bytes() for n in ("a", "b"))
    assert first == second


def test_a_write_that_fails_leaves_the_old_file_and_nothing_else(tmp_path, places):
    path = tmp_path / "out.gpkg"
    geo.write_geopackage({"stations": places}, path)
    before = path.read_bytes()

    def interrupted():
        with geo.replacing(path) as part:
            part.write_bytes(b"half")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["out.gpkg"]
    with geo.replacing(path) as part:
        part.write_bytes(b"whole")
    assert path.read_bytes() == b"whole"


def test_a_geopackage_needs_layers_with_a_crs(tmp_path, places):
    with pytest.raises(InvalidInput, match=r"^out\.gpkg: a GeoPackage needs at least one layer$"):
        geo.write_geopackage({}, tmp_path / "out.gpkg")
    bare = places.set_crs(None, allow_override=True)
    with pytest.raises(InvalidInput, match=r"^out\.gpkg: layer 's' has no coordinate reference"):
        geo.write_geopackage({"s": bare}, tmp_path / "out.gpkg")


LINE = {"type": "LineString", "coordinates": [[24.9, 60.1], [24.95, 60.1]]}
RING = {"type": "Polygon", "coordinates": [[[24, 60], [25, 60], [25, 61], [24, 60]]]}


def screenlines(path, *features):
    """Write features: (properties, geometry)."""
    listed = [{"type": "Feature", "properties": p, "geometry": g} for p, g in features]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": listed}), "utf-8")
    return path


def test_screenlines(tmp_path):
    loop = {"type": "MultiLineString", "coordinates": [[[24, 60], [25, 60], [25, 61], [24, 60]]]}
    path = screenlines(
        tmp_path / "lines.geojson",
        ({"name": "River", "kind": "screenline", "sides": "north|south"}, LINE),
        ({"name": "Ring"}, RING),
        ({"name": "Loop", "sides": ["inside", "outside"]}, loop),
        ({"name": "Rail", "kind": None}, LINE),
    )
    got = geo.read_screenlines(path)
    assert got["kind"].tolist() == ["screenline", "cordon", "cordon", "screenline"]
    assert got["sides"].fillna("-").tolist() == ["north | south", "-", "inside | outside", "-"]
    assert got.geometry.geom_type.tolist() == ["LineString", "Polygon", "LineString", "LineString"]
    assert got.crs.to_epsg() == 4326


def test_screenlines_come_from_any_crs(tmp_path):
    path = screenlines(tmp_path / "lines.geojson", ({"name": "River"}, LINE))
    there = tmp_path / "lines.gpkg"
    geo.write_geopackage({"lines": gpd.read_file(path).to_crs(3067)}, there)
    got = geo.read_screenlines(there).geometry[0]
    np.testing.assert_allclose(got.coords, LINE["coordinates"], atol=1e-9)


@pytest.mark.parametrize(
    ("feature", "text"),
    [
        (({"kind": "screenline"}, LINE), "2: the feature has no name. Give it one"),
        (({"name": "A"}, LINE), "2: name 'A' is there twice, first as feature 1. Rename one"),
        (({"name": "B"}, None), "2: 'B' is no single line or polygon. Draw it as one"),
        (
            ({"name": "B"}, {"type": "Point", "coordinates": [1, 2]}),
            "2: 'B' is no single line or polygon. Draw it as one",
        ),
        (
            ({"name": "B", "kind": "fence"}, LINE),
            "2: kind 'fence' is unknown ('B'). Write screenline or cordon",
        ),
        (
            ({"name": "B", "kind": "cordon"}, LINE),
            "2: cordon 'B' is not closed. Close the line or make it a screenline",
        ),
        (
            ({"name": "B", "kind": "screenline"}, RING),
            "2: screenline 'B' is a polygon. Draw a line or make it a cordon",
        ),
        (
            ({"name": "B", "sides": "north"}, LINE),
            "2: sides 'north' are not two names ('B'). Write: left | right",
        ),
    ],
)
def test_screenlines_that_cannot_be_taken(tmp_path, feature, text):
    path = screenlines(tmp_path / "lines.geojson", ({"name": "A"}, LINE), feature, ({}, LINE))
    with pytest.raises(InvalidInput) as refused:
        geo.read_screenlines(path)
    assert str(refused.value) == f"lines.geojson:{text}"
    assert refused.value.rejects["row"].tolist() == [2, 3]


def test_files_without_screenlines(tmp_path):
    with pytest.raises(NotFound, match=r"no\.geojson: there is no such file"):
        geo.read_screenlines(tmp_path / "no.geojson")
    text = tmp_path / "text.geojson"
    text.write_text("{", encoding="utf-8")
    with pytest.raises(
        InvalidInput, match=r"^text\.geojson: cannot be read as screenlines \("
    ) as caught:
        geo.read_screenlines(text)
    assert str(caught.value) == (
        "text.geojson: cannot be read as screenlines (its JSON breaks at line 1, column 2). "
        "Draw them anew, or export them as GeoJSON in WGS84"
    )
    with pytest.raises(InvalidInput, match=r"^none\.geojson: holds no line; draw at least one"):
        geo.read_screenlines(screenlines(tmp_path / "none.geojson"))
