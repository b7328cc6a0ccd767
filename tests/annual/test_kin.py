"""Road class and network distance weigh as much as the permanents show, and no more."""

from __future__ import annotations

import made_roads
import numpy as np
import pandas as pd
import pytest

from countmap.annual import kin

NAMES = [f"P{k}" for k in range(8)]
STATIONS = pd.DataFrame({"station_id": [*NAMES, "S1"], "road_class": ["main"] * 4 + ["local"] * 5})


def pattern(seed, apart):
    """Return deviations of two families of four stations, ``apart`` from each other."""
    rng = np.random.default_rng(seed)
    family = np.repeat([[apart], [-apart]], 4, axis=0) * rng.normal(size=(1, 365))
    return family + rng.normal(size=(8, 365))


def learned(deviation, stations=STATIONS, distance=None):
    return kin.learn(stations, distance, NAMES, deviation, np.ones(8))


def test_a_class_that_tells_lowers_the_weight_of_the_other():
    found = learned(pattern(1, 1.0))
    assert found.other_class == pytest.approx(1 / 3, abs=0.05)  # 2 σ² within, 2 σ² + 4 across
    assert found.weights(["S1"])[0].tolist() == [found.other_class] * 4 + [1.0] * 4


def test_a_class_that_tells_nothing_changes_nothing():
    assert learned(pattern(1, 0.0)).other_class == pytest.approx(1, abs=0.05)


def test_no_class_and_no_distance_change_nothing():
    found = learned(pattern(1, 1.0), STATIONS[["station_id"]])
    assert (found.other_class, found.far) == (1, 1)
    assert (found.weights(["S1", "unknown"]) == 1).all()


def test_the_far_half_weighs_less():
    place = np.repeat([0.0, 5000.0], 4) + np.arange(8)
    metres = np.abs(np.append(place, 5100.0)[:, None] - place)
    distance = pd.DataFrame(metres, index=[*NAMES, "S1"], columns=NAMES)
    found = learned(pattern(2, 1.0), STATIONS[["station_id"]], distance)
    assert found.far < 0.8
    assert found.weights(["S1"])[0].tolist() == [found.far] * 4 + [1.0] * 4


def test_too_few_pairs_say_nothing():
    few = STATIONS.assign(road_class=[*["main"] * 7, "local", "local"])
    assert learned(pattern(1, 1.0), few).other_class == 1


def test_metres_along_the_network_take_the_shortest_of_two_ways():
    roads = made_roads.net(
        a=[(0, 0), (100, 0)],
        b=([(100, 0), (300, 0)], {"allowed": "with"}),
        detour=[(100, 0), (200, 400), (300, 0)],
        c=[(300, 0), (300, 50)],
        island=[(900, 0), (950, 0)],
    )
    stations = pd.DataFrame(
        {"station_id": ["A", "B", "C", "I", "X"], "link_id": ["a", "b", "c", "island", None]}
    )
    found = kin.network_distance(roads, stations, ["C", "X"])
    at = {link: roads.links.set_index("link_id").loc[link, "from_node"] for link in "abc"}
    along = {
        made_roads.node_at(roads, x, 0): metres for x, metres in ((0, 0), (100, 100), (300, 300))
    }
    along[made_roads.node_at(roads, 300, 50)] = 350
    expected = [abs(along[at[link]] - along[at["c"]]) for link in "abc"]
    assert found["C"].to_numpy()[:3] == pytest.approx(expected, rel=1e-3)
    assert np.isnan(found.loc["I", "C"])
    assert list(found.columns) == ["C"]
    assert list(found.index) == ["A", "B", "C", "I"]
