"""A small workspace of its own for each test of the command line."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

ROADS = {
    "type": "FeatureCollection",
    "features": [
        {
            "type": "Feature",
            "properties": {
                "link_id": link,
                "name": name,
                "road_class": "primary",
                "oneway": oneway,
            },
            "geometry": {"type": "LineString", "coordinates": line},
        }
        for link, name, oneway, line in (
            ("west", "Long Road", "no", [[7.000, 54.5], [7.010, 54.5]]),
            ("east", "Long Road", "no", [[7.010, 54.5], [7.020, 54.5]]),
            ("side", "Short Lane", "no", [[7.010, 54.5], [7.010, 54.504]]),
            ("slip", "Slip Road", "yes", [[7.010, 54.504], [7.020, 54.504]]),
        )
    ],
}
STATIONS = """station_id,lon,lat,road,kind,bearing_deg,name_with,name_against
A,7.005,54.5,Long Road,permanent,90,towards the harbour,towards the hills
B,7.015,54.5,Long Road,short,90,towards the harbour,towards the hills
C,7.010,54.502,Short Lane,short,0,,
D,7.015,54.504,Slip Road,short,90,,
"""


@pytest.fixture(scope="session")
def small_town(tmp_path_factory):
    """Make the small workspace once: four links, four stations, no counts."""
    from countmap.jobs import register, roads, stations
    from countmap.jobs.common import open_workspace

    folder = tmp_path_factory.mktemp("small")
    (folder / "roads.geojson").write_text(json.dumps(ROADS))
    (folder / "stations.csv").write_text(STATIONS)
    register.init(folder / "ws", timezone="Europe/Berlin", holidays="DE")
    ws = open_workspace(folder / "ws")
    roads.import_(ws, folder / "roads.geojson")
    stations.import_(ws, folder / "stations.csv")
    return folder


@pytest.fixture
def ws(small_town, tmp_path) -> Path:
    """Return a copy of the small workspace."""
    return Path(shutil.copytree(small_town / "ws", tmp_path / "ws"))
