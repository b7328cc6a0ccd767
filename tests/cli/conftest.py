"""The command line in this process, on a small workspace of its own for each test."""

from __future__ import annotations

import json
import shutil
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

from countmap.cli.main import run

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


@dataclass
class Ended:
    """How a command ended."""

    code: int
    out: str
    err: str

    @property
    def document(self):
        return json.loads(self.out)


@pytest.fixture
def countmap(monkeypatch, capsys):
    """Return a function that runs the command line and returns how it ended."""

    def call(*words):
        monkeypatch.setattr(sys, "argv", ["countmap", *map(str, words)])
        with pytest.raises(SystemExit) as stop:
            run()
        captured = capsys.readouterr()
        return Ended(int(stop.value.code or 0), captured.out, captured.err)

    return call


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
