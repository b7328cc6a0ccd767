"""A new network: the crosswalk, and the stations carried over."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from made_roads import EAST, NORTH, dual_crossing, net, raw, redrawn

from countmap.roads.graph import build
from countmap.roads.place import place
from countmap.roads.replace import carry, crosswalk
from countmap.tables import STATIONS, require


def found(old, new):
    return [
        (*row[:3], round(row[3], 2))
        for row in crosswalk(old, new).itertuples(index=False, name=None)
    ]


def stand(roads, *places, **more):
    x, y = np.array(places, dtype=float).T
    lon, lat = roads.to_wgs84(EAST + x, NORTH + y)
    ids = [f"S{k}" for k in range(len(places))]
    done = place(roads, pd.DataFrame({"station_id": ids, "lon": lon, "lat": lat, **more}))
    assert len(done.placed) == len(places), (done.ambiguous, done.refused)
    return done.placed


def test_the_same_network_is_itself():
    roads = net(**dual_crossing())
    table = crosswalk(roads, roads)
    assert (table["old_link_id"] == table["new_link_id"]).all()
    assert len(table) == len(roads.links)
    assert table["same_way"].all()
    assert table["share"].tolist() == [1.0] * len(table)


def test_split_merged_reversed_and_removed():
    old = net(
        split=[(0, 0), (200, 0)],
        merge1=[(0, 100), (80, 100)],
        merge2=[(80, 100), (200, 100)],
        turned=[(0, 200), (200, 200)],
        gone=[(0, 300), (200, 300)],
    )
    new = net(
        s1=[(0, 0), (60, 0)],
        s2=[(200, 0), (60, 0)],
        m=[(0, 100), (200, 100)],
        t=[(200, 200), (0, 200)],
        fresh=[(0, 400), (200, 400)],
    )
    assert found(old, new) == [
        ("merge1", "m", True, 1.0),
        ("merge2", "m", True, 1.0),
        ("split", "s2", False, 0.7),
        ("split", "s1", True, 0.3),
        ("turned", "t", False, 1.0),
    ]
    stations = stand(old, (100, 0), (20, 0), (50, 100), (150, 100), (50, 200), (50, 300))
    carried, lost = carry(stations, crosswalk(old, new), old, new)
    require(carried[["station_id", "link_id", "offset_m"]], STATIONS)
    assert carried["link_id"].tolist()[:5] == ["s2", "s1", "m", "m", "t"]
    assert carried["offset_m"].tolist()[:5] == pytest.approx([100, 20, 50, 150, 150], abs=1e-3)
    assert carried["same_way"].tolist()[:5] == [False, True, True, True, False]
    assert carried.loc[5, ["link_id", "offset_m", "same_way"]].isna().all()
    ((station, link, why),) = lost.to_numpy().tolist()
    assert (station, link) == ("S5", "gone")
    assert why == (
        "the road at station 'S5' (link 'gone', 50 m along it) has no counterpart within 15 m. "
        "Place the station again, or retire it"
    )


def test_a_road_moved_by_metres_is_found_and_a_street_further_off_is_not():
    old = net(a=([(0, 0), (200, 0)], {"name": "Mill Lane"}))
    new = net(
        b=([(0, 9), (200, 11)], {"name": "Mill Lane"}),
        c=([(0, -8), (200, -8)], {"name": "Canal Road"}),
        d=([(0, 40), (200, 40)], {"name": "Mill Lane"}),
    )
    assert found(old, new) == [("a", "b", True, 1.0)]


def test_carriageways_that_moved_keep_their_traffic():
    # 12 m apart, moved by 8 m: each lies nearer to the place of the other
    old = net(**dual_crossing())
    moved = {
        f"new_{name}": ([(x, y + 8) for x, y in coords], more)
        for name, (coords, more) in dual_crossing().items()
    }
    table = crosswalk(old, net(**moved)).set_index("old_link_id")["new_link_id"]
    for name in ("in_w", "out_e", "in_e", "out_w"):
        assert table[name] == f"new_{name}"


def test_a_road_that_becomes_two_carriageways_needs_two_stations():
    old = net(a=[(0, 0), (300, 0)])
    new = net(
        east=([(0, -5), (300, -5)], {"allowed": "with"}),
        west=([(0, 5), (300, 5)], {"allowed": "against"}),
    )
    assert found(old, new) == [("a", "east", True, 1.0), ("a", "west", True, 1.0)]
    carried, lost = carry(stand(old, (100, 0)), crosswalk(old, new), old, new)
    assert carried["link_id"].isna().all()
    (why,) = lost["why"]
    assert why == (
        "the road at station 'S0' (link 'a', 100 m along it) is two carriageways in the new network, "
        "links 'east' and 'west'. Place it on one, and take a second station for the other"
    )


def test_two_carriageways_that_become_one_road_keep_their_stations():
    old = net(
        east=([(0, -5), (300, -5)], {"allowed": "with"}),
        west=([(0, 5), (300, 5)], {"allowed": "against"}),
    )
    new = net(a=[(300, 0), (0, 0)])
    carried, lost = carry(stand(old, (100, -5), (100, 5)), crosswalk(old, new), old, new)
    assert lost.empty
    # `with` was the traffic: east for one, west for the other
    assert carried["same_way"].tolist() == [False, True]
    assert carried["bearing_deg"].tolist() == pytest.approx([90, 270])


def test_a_street_made_one_way_keeps_its_station():
    old = net(a=[(0, 0), (300, 0)])
    new = net(b=([(300, 0), (0, 0)], {"allowed": "with"}))
    carried, lost = carry(stand(old, (100, 0)), crosswalk(old, new), old, new)
    assert lost.empty
    assert carried[["link_id", "same_way"]].to_numpy().tolist() == [["b", False]]


def test_a_network_in_another_crs_is_measured_in_the_old_one():
    old = net(**dual_crossing())
    new = build(raw(**dual_crossing()).to_crs("EPSG:32634"))
    assert old.crs != new.crs
    table = crosswalk(old, new)
    assert (table["old_link_id"] == table["new_link_id"]).all()
    carried, lost = carry(stand(old, (100, -6)), table, old, new)
    assert lost.empty
    stretch = new.links.set_index("link_id")["length_m"]["out_e"] / 200
    assert carried["offset_m"].tolist() == pytest.approx([100 * stretch], abs=0.01)


def test_unplaced_stations_pass_and_rows_keep_their_order():
    roads = net(**dual_crossing())
    stations = stand(roads, (100, -6), (-100, 6), (0, 90))
    stations = pd.concat([stations, pd.DataFrame({"station_id": ["U"]})], ignore_index=True)
    table = crosswalk(roads, redrawn(roads, ["north", "in_e"], range(7)))
    carried, lost = carry(stations, table, roads, redrawn(roads, ["north"], range(7)))
    assert lost.empty
    assert carried["station_id"].tolist() == ["S0", "S1", "S2", "U"]
    assert carried["link_id"].tolist()[:3] == ["out_e", "out_w", "north"]
    assert carried.loc[3, ["link_id", "offset_m", "same_way"]].isna().all()
    assert carried["same_way"].tolist()[:3] == [True, True, False]
