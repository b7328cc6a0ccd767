"""Place names and water on the page: cut to the network, islands left out, nothing where there is none."""

from __future__ import annotations

import base64
import dataclasses
import gzip
import re

import geopandas as gpd
import pandas as pd
import pytest
from made_town import town
from shapely.geometry import LineString, box

from countmap.errors import NotFound
from countmap.jobs import publish
from countmap.jobs.common import open_workspace
from countmap.publish.ground import ground
from countmap.publish.packed import unpack


def test_ground_is_cut_to_the_network_and_islands_are_rings():
    content = town()
    west, south, east, north = content.links.total_bounds
    middle = ((west + east) / 2, (south + north) / 2)
    lake = box(west, south, middle[0], middle[1]).difference(
        box(west + 0.004, south + 0.004, west + 0.008, south + 0.008)
    )
    river = LineString([(west - 5, middle[1]), (east + 5, middle[1])])
    far = box(west + 20, south, west + 21, north)
    places = pd.DataFrame(
        [("Aune", "town", *middle), ("Elsewhere", "city", west + 20, south)],
        columns=["name", "kind", "lon", "lat"],
    )
    wet = dataclasses.replace(
        content, places=places, water=gpd.GeoDataFrame(geometry=[lake, river, far], crs=4326)
    )
    tables = ground(wet, content.links)
    assert tables["places"]["name"].values == ["Aune"]
    assert list(tables["places"]["rank"].values) == [1.0]
    assert tables["water"]["area"].values == [1.0, 1.0, 0.0], "shore, island, river"
    stream = tables["water"]["shape"].values[2]
    assert stream.bounds[0] == pytest.approx(west - 0.25 * (east - west))
    assert stream.bounds[2] == pytest.approx(east + 0.25 * (east - west))


def test_no_ground_is_no_rows():
    content = town()
    for links in (content.links, content.links.iloc[:0]):
        tables = ground(content, links)
        assert len(tables["places"]["name"].values) == 0
        assert len(tables["water"]["shape"].values) == 0


def test_a_map_draws_the_ground_of_a_road_file_and_credits_it(worked, tmp_path):
    ws = open_workspace(worked[0])
    file = tmp_path / "town.osm"
    file.write_text(
        '<osm version="0.6"><node id="1" version="1" lon="6.90" lat="54.40">'
        '<tag k="place" v="town"/><tag k="name" v="Aune"/></node></osm>',
        encoding="utf-8",
    )
    document = publish.map_(ws, year=2025, ground=file, out=tmp_path / "map.html")
    page = (tmp_path / "map.html").read_text(encoding="utf-8")
    assert document["path"].endswith("map.html")
    assert "Place names and water: © OpenStreetMap contributors (ODbL), from town.osm" in page
    packed = re.search(r'id="countmap-network">(.*?)</script>', page, re.DOTALL)[1]
    assert unpack(gzip.decompress(base64.b64decode(packed)))["places"]["name"] == ["Aune"]
    with pytest.raises(NotFound, match=r"none\.osm: there is no such file\. Check the path"):
        publish.map_(ws, year=2025, ground=tmp_path / "none.osm", out=tmp_path / "no.html")
    assert not (tmp_path / "no.html").exists()
