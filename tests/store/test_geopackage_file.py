"""The register is a GeoPackage that other programs read, also while it is being written."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from contextlib import closing

import geopandas as gpd
import made_store
import pyogrio
import pytest
from pandas.testing import assert_frame_equal

from countmap.store import schema

READER = """
import sys
from countmap.workspace import open_workspace
import geopandas
ws = open_workspace(sys.argv[1])
print(len(ws.register.frame("stations")), len(geopandas.read_file(ws.register.path, layer="stations")))
"""


@pytest.fixture
def ws(tmp_path):
    return made_store.workspace(tmp_path / "w")


def test_gdal_reads_every_layer_with_its_crs(ws):
    """Held against GDAL's GeoPackage driver, through pyogrio; warnings are errors here."""
    layers = dict(pyogrio.list_layers(ws.register.path))
    assert {n: k for n, k in layers.items() if k is not None} == {
        "nodes": "Point", "links": "LineString", "stations": "Point", "screenlines": "Unknown",
    }  # fmt: skip
    assert set(layers) >= {"days", "flags", "runs", "decisions"}
    links = gpd.read_file(ws.register.path, layer="links")
    assert links.crs == made_store.UTM32
    assert_frame_equal(
        links[["link_id", "length_m", "geometry"]],
        ws.register.frame("links")[["link_id", "length_m", "geometry"]],
    )
    stations = gpd.read_file(ws.register.path, layer="stations")
    assert stations.crs == 4326
    assert [None if p is None else (p.x, p.y) for p in stations.geometry] == [
        (9.0, 48.0), (9.001, 48.001), None,
    ]  # fmt: skip
    assert stations["same_way"].dropna().tolist() == [True]
    assert str(stations["valid_from"].iloc[0])[:10] == "2024-01-01"


def test_the_file_says_what_it_is(ws):
    """Application id and version: OGC 12-128r18 (GeoPackage 1.3.1), requirement 2."""
    with closing(sqlite3.connect(ws.register.path)) as connection:
        assert connection.execute("PRAGMA application_id").fetchone()[0].to_bytes(4) == b"GPKG"
        assert connection.execute("PRAGMA user_version").fetchone() == (10300,)
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        names = {
            n for (n,) in connection.execute("SELECT name FROM sqlite_master WHERE type='table'")
        }
        assert not any(name.startswith("rtree") for name in names)


def test_plain_tables_are_strict_and_features_check_their_types(ws):
    with closing(sqlite3.connect(ws.register.path)) as connection:
        kinds = connection.execute("PRAGMA table_list").fetchall()
        strict = {name for _, name, _, _, _, is_strict in kinds if is_strict}
        assert strict == {s.name for s in schema.STORED.values() if not s.feature} | {
            "schema_version"
        }
        with pytest.raises(sqlite3.IntegrityError, match="CHECK constraint failed"):
            connection.execute("UPDATE stations SET lon = 'east'")
        with pytest.raises(sqlite3.IntegrityError, match="CHECK constraint failed"):
            connection.execute("UPDATE links SET geometry = 'LINESTRING (0 0, 1 1)'")


def test_a_second_process_reads_while_one_writes(ws):
    with ws.register.transaction() as writing:
        writing.put("stations", made_store.stations().assign(station_id=["X1", "X2", "X3"]))
        assert len(writing.frame("stations")) == 6
        seen = subprocess.run(
            [sys.executable, "-c", READER, str(ws.path)], capture_output=True, text=True, check=True
        )
        assert seen.stdout.split() == ["3", "3"]
        assert len(gpd.read_file(ws.register.path, layer="stations")) == 3
    assert len(gpd.read_file(ws.register.path, layer="stations")) == 6


def test_a_row_written_by_gdal_is_understood(ws, tmp_path):
    """GDAL writes geometries with an envelope; the register reads them all the same."""
    elsewhere = tmp_path / "other.gpkg"
    ws.register.frame("links").to_file(elsewhere, layer="links")
    with closing(sqlite3.connect(elsewhere)) as other:
        (blob,) = other.execute("SELECT geom FROM links WHERE link_id = 'l1'").fetchone()
    assert len(blob) > len(b"GP\x00\x01") + 4 + 41  # 41 bytes of WKB: there is an envelope
    with closing(sqlite3.connect(ws.register.path)) as connection, connection:
        connection.execute("UPDATE links SET geometry = ? WHERE link_id = 'l0'", (blob,))
    found = ws.register.frame("links").geometry
    assert found.iloc[0].equals(found.iloc[1])
