"""Files that countmap writes, opened by GDAL (through pyogrio) and pyarrow: right CRS, right types.

The standards: GeoPackage 1.3 (OGC 12-128r17), GeoJSON (RFC 7946), GeoParquet 1.1.
"""

from __future__ import annotations

import json

import geopandas as gpd
import made_store
import pandas as pd
import pyarrow.parquet as pq
import pyogrio
import pytest
import shapely
from geopandas.testing import assert_geodataframe_equal

from countmap.formats import geo, lines


@pytest.fixture
def frame():
    return gpd.GeoDataFrame(
        {
            "name": ["Mill Lane", None, "Ω–Straße"],
            "lanes": [2.0, None, 1.5],
            "number": [1, 2, 3],
            "open": [True, False, True],
            "since": pd.to_datetime(["2024-01-01", None, "2025-03-04"]).astype("datetime64[ms]"),
        },
        geometry=shapely.linestrings([[[9, 48], [9.1, 48.1]], [[9, 48], [9, 48.2]], [[9, 48], [8, 47]]]),
        crs=4326,
    )  # fmt: skip


def test_the_register_is_a_geopackage_with_its_crs_and_types(tmp_path):
    ws = made_store.workspace(tmp_path / "w")
    layers = dict(pyogrio.list_layers(ws.register.path))
    assert (layers["links"], layers["stations"], layers["files"]) == ("LineString", "Point", None)
    info = pyogrio.read_info(ws.register.path, layer="links")
    assert info["crs"] == "EPSG:25832"
    types = dict(zip(info["fields"], info["dtypes"], strict=True))
    assert (types["link_id"], types["length_m"]) == ("object", "float64")
    stations = pyogrio.read_dataframe(ws.register.path, layer="stations")
    assert stations.crs == "EPSG:4326"
    assert stations.geometry.iloc[0] == shapely.Point(9, 48)


def test_geopackage_geojson_and_geoparquet_open_with_crs_and_types(tmp_path, frame):
    geo.write_geopackage({"links": frame}, tmp_path / "x.gpkg")
    geo.write_geojson(frame, tmp_path / "x.geojson")
    geo.write_parquet(frame, tmp_path / "x.parquet")
    for name in ("x.gpkg", "x.geojson"):
        back = pyogrio.read_dataframe(tmp_path / name)
        assert back.crs == "EPSG:4326"
        assert back["name"].fillna("").tolist() == ["Mill Lane", "", "Ω–Straße"]
        assert back["lanes"].fillna(-1).tolist() == [2.0, -1, 1.5]
        assert back["number"].tolist() == [1, 2, 3]
        assert back.geometry.geom_equals_exact(frame.geometry, 1e-7).all()
    assert pyogrio.read_info(tmp_path / "x.gpkg")["layer_name"] == "links"
    stated = json.loads(pq.read_metadata(tmp_path / "x.parquet").metadata[b"geo"])
    assert stated["version"].startswith("1.")
    assert stated["columns"]["geometry"]["encoding"] == "WKB"
    assert_geodataframe_equal(gpd.read_parquet(tmp_path / "x.parquet"), frame)


def test_roads_written_as_geoparquet_are_read_as_they_were(tmp_path):
    links = made_store.roads()[1][["link_id", "allowed", "geometry"]].to_crs(4326)
    geo.write_parquet(links, tmp_path / "r.parquet")
    back = lines.read(tmp_path / "r.parquet")
    assert back["link_id"].tolist() == ["l0", "l1"]
    assert back["allowed"].tolist() == ["both", "with"]
    assert back.crs == "EPSG:4326"
    assert back.geometry.geom_equals_exact(links.geometry, 1e-12).all()
