"""Placing stations on links."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from made_roads import EAST, NORTH, dual_crossing, net, node_at

from countmap.errors import NotFound
from countmap.roads.place import place, put
from countmap.tables import STATIONS, require

DECIDE = ". Decide which link it is, or give the bearing of sense with and the road"


def at(roads, *places, **more):
    """Return stations S0, S1 … at places of the drawing."""
    x, y = np.array(places, dtype=float).reshape(-1, 2).T
    lon, lat = roads.to_wgs84(EAST + x, NORTH + y)
    ids = [f"S{k}" for k in range(len(places))]
    return pd.DataFrame({"station_id": ids, "lon": lon, "lat": lat, **more})


def street_corner():
    return net(
        main_w=([(-200, 0), (0, 0)], {"name": "Harbour Road"}),
        main_e=([(0, 0), (200, 0)], {"name": "Harbour Road"}),
        side=([(0, 0), (0, 200)], {"name": "Mill Lane"}),
    )


def test_a_clear_place_is_taken():
    roads = street_corner()
    done = place(roads, at(roads, (60, 4)))
    row = require(done.placed, STATIONS).iloc[0]
    assert row["link_id"] == "main_e"
    assert row["offset_m"] == pytest.approx(60, abs=1e-3)
    assert row["distance_m"] == pytest.approx(4, abs=1e-3)
    assert row["bearing_deg"] == pytest.approx(90)
    assert row["same_way"]
    assert pd.isna(row["note"])
    assert done.ambiguous.empty
    assert done.refused.empty


@pytest.mark.parametrize(
    ("more", "same_way"),
    [
        ({"bearing_deg": 280.0}, False),
        ({"bearing_deg": 80.0}, True),
        ({"name_with": "westbound"}, False),
        ({"name_against": "to the west"}, True),
        ({"name_with": "towards the bridge"}, True),
    ],
)
def test_the_bearing_gives_the_senses(more, same_way):
    roads = street_corner()
    row = place(roads, at(roads, (60, 4), **more)).placed.iloc[0]
    assert row["same_way"] == same_way
    expected = more.get("bearing_deg", 90.0 if same_way else 270.0)
    assert row["bearing_deg"] == pytest.approx(expected)


def test_without_a_bearing_a_one_way_link_gives_its_traffic():
    roads = net(a=([(0, 0), (200, 0)], {"allowed": "against"}))
    row = place(roads, at(roads, (60, 4))).placed.iloc[0]
    assert not row["same_way"]
    assert row["bearing_deg"] == pytest.approx(270)


def test_position_and_bearing_that_name_two_carriageways_are_ambiguous():
    roads = net(**dual_crossing())
    done = place(roads, at(roads, (100, -6), bearing_deg=270.0))
    assert done.placed.empty
    row = done.ambiguous.iloc[0]
    assert row["why"] == (
        "the position says link out_e (Bank Road), 0 m away, but its traffic runs towards 90° and "
        "the station's bearing is 270°; link in_e (Bank Road), 12 m away fits the bearing" + DECIDE
    )
    assert [c["link_id"] for c in row["candidates"]] == ["in_e", "out_e"]
    assert row["candidates"][0] == {
        "link_id": "in_e",
        "name": "Bank Road",
        "distance_m": 12.0,
        "offset_m": 100.0,
        "same_way": True,
        "bearing_deg": 270.0,
        "reason": "12 m away; 0° off the bearing",
    }
    assert row["candidates"][1]["reason"] == "0 m away; one-way against the bearing"


def test_in_the_middle_of_two_carriageways_the_bearing_decides():
    roads = net(**dual_crossing())
    placed = place(roads, at(roads, (100, -1), (100, 1), bearing_deg=[270.0, 90.0])).placed
    assert placed["link_id"].tolist() == ["in_e", "out_e"]
    assert placed["same_way"].all()
    done = place(roads, at(roads, (100, 0)))
    assert done.ambiguous["why"].tolist() == [
        "link in_e (Bank Road), 6 m away and link out_e (Bank Road), 6 m away fit about equally"
        + DECIDE
    ]


def test_a_lone_one_way_against_the_bearing_waits():
    roads = net(a=([(0, 0), (200, 0)], {"allowed": "with"}))
    done = place(roads, at(roads, (100, 3), bearing_deg=265.0))
    assert done.ambiguous["why"].tolist() == [
        "the position says link a, 3 m away, but its traffic runs towards 90° and the station's "
        "bearing is 265°" + DECIDE
    ]


def test_a_bearing_across_the_road_waits():
    roads = net(a=[(0, 0), (200, 0)])
    done = place(roads, at(roads, (100, 3), bearing_deg=5.0))
    assert done.ambiguous["why"].tolist() == [
        "the station's bearing 5° is across link a, 3 m away, which runs 90°: it does not tell the "
        "senses apart" + DECIDE
    ]


def test_the_road_name_decides_at_a_corner():
    roads = street_corner()
    places = [(9, 11), (9, 11), (9, 11)]
    done = place(roads, at(roads, *places, road=["HARBOUR RD.", "Mill Lane", None]))
    assert done.placed["link_id"].tolist() == ["main_e", "side"]
    assert done.ambiguous["station_id"].tolist() == ["S2"]


def test_the_bearing_decides_at_a_corner():
    roads = street_corner()
    done = place(roads, at(roads, (9, 11), (9, 11), bearing_deg=[185.0, 275.0]))
    assert done.placed[["link_id", "same_way"]].to_numpy().tolist() == [
        ["side", False],
        ["main_e", False],
    ]


def test_a_station_on_a_junction_is_warned():
    roads = street_corner()
    done = place(roads, at(roads, (1.2, 0.1), (0.9, 0.4), road=["Harbour Road", None]))
    assert done.placed["link_id"].tolist() == ["main_e"]
    assert done.ambiguous["why"].tolist() == [
        f"it stands on the junction {node_at(roads, 0, 0)}, where link main_e (Harbour Road), 0 m "
        "away and link side (Mill Lane), 1 m away meet" + DECIDE
    ]
    (note,) = done.notes
    assert note == (
        f"S0: it stands on the junction {node_at(roads, 0, 0)}, where several sections meet: move "
        "it onto the one that is counted"
    )


def test_two_links_that_meet_at_a_bend_do_not_compete():
    roads = net(a=[(0, 0), (100, 0)], b=[(100, 0), (100, 200)])
    done = place(roads, at(roads, (100, 0), (98.8, 1), (99, 1.2)))
    assert done.placed["link_id"].tolist() == ["a", "a", "b"]
    assert done.notes == []


def test_a_given_link_is_honoured():
    roads = street_corner()
    stations = at(roads, (60, 4), (60, 90), link_id=["side", "side"], offset_m=[np.nan, 30.0])
    placed = place(roads, stations).placed
    assert placed["link_id"].tolist() == ["side", "side"]
    assert placed["offset_m"].tolist() == pytest.approx([4, 30], abs=1e-3)
    assert placed["note"].iloc[0] == "its position is 60 m from the link it names"
    bare = place(roads, pd.DataFrame({"station_id": ["S"], "link_id": ["main_w"]})).placed.iloc[0]
    assert bare["offset_m"] == pytest.approx(100)
    assert np.isnan(bare["distance_m"])
    assert bare["note"] == "no position is known: it stands in the middle of its link"
    x, y = roads.to_working(bare["lon"], bare["lat"])
    assert (float(x), float(y)) == pytest.approx((EAST - 100, NORTH), abs=1e-3)


def test_wrong_links_and_offsets_are_refused():
    roads = street_corner()
    stations = pd.DataFrame(
        {
            "station_id": ["A", "B", "C"],
            "link_id": ["nowhere", "side", None],
            "offset_m": [np.nan, 500.0, np.nan],
            "row": [2, 3, 4],
        }
    )
    refused = place(roads, stations).refused
    assert refused["row"].tolist() == [2, 3, 4]
    assert refused["why"].tolist() == [
        "link 'nowhere' is not in the network. Correct link_id, or leave it out",
        "offset_m 500 is beyond link 'side', which is 200.0 m long. Correct it, or leave it out",
        "there is no position; give lon and lat, or link_id",
    ]


def test_a_place_beyond_the_radius_waits():
    roads = street_corner()
    done = place(roads, at(roads, (100, -70)))
    assert done.ambiguous["why"].tolist() == [
        "no link within 40 m; the nearest is link main_e (Harbour Road), 70 m away" + DECIDE
    ]
    assert place(roads, at(roads, (100, -70)), radius_m=80).placed["link_id"].tolist() == ["main_e"]


SLIPS = {
    "swapped": "lon and lat look swapped. Swap them",
    "west": "the sign of lon looks wrong (east is positive). Turn it round",
    "south": "the sign of lat looks wrong (north is positive). Turn it round",
    "zone up": "it is 6° too far east, as when metres are read in the next UTM zone. Check the zone",
    "zone down": "it is 6° too far west, as when metres are read in the next UTM zone. Check the zone",
    "millionths": "they look like degrees times 10^6. Divide them",
    "metres": "they look like metres of ETRS89 / TM35FIN(E,N), not degrees. Give x and y with --crs",
    "metres swapped": (
        "they look like metres of ETRS89 / TM35FIN(E,N), northing first, not degrees. "
        "Give x and y with --crs"
    ),
    "elsewhere": "check the coordinates and their reference system",
}


@pytest.mark.parametrize("slip", SLIPS)
def test_far_stations_are_refused_with_the_likely_slip(slip):
    roads = street_corner()
    stations = at(roads, (60, 4))
    lon, lat = stations["lon"][0], stations["lat"][0]
    lon, lat = {
        "swapped": (lat, lon),
        "west": (-lon, lat),
        "south": (lon, -lat),
        "zone up": (lon + 6, lat),
        "zone down": (lon - 6, lat),
        "millionths": (lon * 1e6, lat * 1e6),
        "metres": (EAST + 60, NORTH + 4),
        "metres swapped": (NORTH + 4, EAST + 60),
        "elsewhere": (2.35, 48.85),
    }[slip]
    done = place(roads, stations.assign(lon=lon, lat=lat))
    (why,) = done.refused["why"]
    assert why.endswith("; " + SLIPS[slip])
    assert why.startswith(f"lon {lon:.10g}, lat {lat:.10g} ")
    assert done.placed.empty
    assert done.ambiguous.empty


def test_nothing_is_lost_and_the_order_of_rows_does_not_matter():
    roads = net(**dual_crossing())
    rng = np.random.default_rng(4)
    spots = rng.uniform(-260, 260, (300, 2))
    stations = at(roads, *spots, bearing_deg=rng.choice([np.nan, 90.0, 270.0, 0.0], 300))
    one, two = place(roads, stations), place(roads, stations.sample(frac=1, random_state=1))
    for name in ("placed", "ambiguous", "refused"):
        first, second = (getattr(p, name).sort_values("station_id") for p in (one, two))
        pd.testing.assert_frame_equal(
            first.reset_index(drop=True), second.reset_index(drop=True), check_dtype=False
        )
    ids = pd.concat([one.placed, one.ambiguous, one.refused])["station_id"]
    assert sorted(ids) == sorted(stations["station_id"])
    assert min(len(one.placed), len(one.ambiguous)) > 20


def test_a_decision_puts_a_station_on_a_link():
    roads = net(**dual_crossing())
    waiting = place(roads, at(roads, (100, -6), bearing_deg=270.0)).ambiguous
    row = put(roads, waiting, "in_e").iloc[0]
    assert row["link_id"] == "in_e"
    assert row["offset_m"] == pytest.approx(100, abs=1e-3)
    assert row["same_way"]
    assert row["bearing_deg"] == 270.0
    with pytest.raises(NotFound, match="link 'x' is not in the network; name one that is"):
        put(roads, waiting, "x")


def test_no_stations_are_no_fault():
    roads = street_corner()
    done = place(roads, at(roads).assign(link_id=None))
    assert done.placed.empty
    assert set(STATIONS.names) <= set(done.placed.columns)
