"""What the hours give away, on invented hourly counts with known faults, and on sound ones."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from made_balance import given, two_way
from made_hours import DAYS, cells, hourly, permanents, year_of_days
from made_roads import net

from countmap.balance.clocks import clocks
from countmap.balance.hours import timeline, visits
from countmap.balance.levels import level_shifts
from countmap.balance.swaps import flips
from countmap.balance.tides import examine
from countmap.tables import SUSPECTS, require

NAMES = [f"P{i}" for i in range(8)]
WEEK = slice(132, 139)


@pytest.fixture(scope="module")
def town():
    rng = np.random.default_rng(5)
    days = year_of_days(rng)
    return days, permanents(rng, days)


def late(frame, hours):
    """Return the cells as a clock that runs ``hours`` ahead would have stamped them."""
    stamp = frame["date"] + pd.to_timedelta(frame["hour"] + hours, unit="h")
    return frame.assign(
        date=stamp.dt.normalize().astype("datetime64[us]"), hour=stamp.dt.hour.astype("int64")
    )


def short(town, tide, *, seed=1, days=WEEK, flows=(3000.0, 3000.0), station="S1"):
    rng = np.random.default_rng(seed)
    return pd.concat(hourly(rng, station, flows, tide, town[0], days=days).values())


@pytest.mark.parametrize("shift", [-1, 1])
def test_a_clock_an_hour_off_is_found(town, shift):
    line = timeline(pd.concat([town[1], late(short(town, 0.4), shift)]))
    (fault,) = clocks(line, NAMES)
    assert (fault.station, fault.hours) == ("S1", shift)
    assert fault.permanents == 8


@pytest.mark.parametrize("days", [WEEK, slice(40, 42), slice(5, 9)])
def test_sound_clocks_are_left_alone(town, days):
    parts = [
        short(town, t, seed=i, station=f"S{i}", days=days)
        for i, t in enumerate(np.linspace(-0.8, 0.8, 7))
    ]
    assert clocks(timeline(pd.concat([town[1], *parts])), NAMES) == []


def test_a_permanent_with_a_wrong_clock_is_found_and_leaves_the_measure(town):
    wrong = town[1]["station_id"].eq("P3")
    frame = pd.concat([town[1][~wrong], late(town[1][wrong], 1), short(town, 0.3)])
    assert {(f.station, f.hours) for f in clocks(timeline(frame), NAMES)} == {("P3", 1)}


def test_a_clock_needs_three_permanents(town):
    two = town[1][town[1]["station_id"].isin(["P0", "P1"])]
    assert clocks(timeline(pd.concat([two, late(short(town, 0.4), 1)])), ["P0", "P1"]) == []


@pytest.mark.parametrize("factor", [0.8, 1.2])
def test_a_level_shift_is_found_with_its_size_and_date(town, factor):
    frame = town[1].copy()
    after = frame["station_id"].eq("P2") & (frame["date"] >= "2025-08-01")
    frame.loc[after, "count"] = (frame.loc[after, "count"] * factor).round()
    (shift,) = level_shifts(timeline(frame), NAMES)
    assert shift.station == "P2"
    assert shift.size == pytest.approx(factor - 1, abs=0.02)
    assert abs(pd.Timestamp(shift.date) - pd.Timestamp("2025-08-01")) <= pd.Timedelta(days=3)


def test_sound_permanents_have_no_shift(town):
    assert level_shifts(timeline(town[1]), NAMES) == []


def test_a_gap_or_a_dead_day_is_no_shift(town):
    frame = town[1].copy()
    dead = frame["station_id"].eq("P1") & frame["date"].between("2025-05-01", "2025-05-09")
    frame.loc[dead, "count"] = 0.0
    gap = frame["station_id"].eq("P4") & frame["date"].between("2025-02-01", "2025-03-20")
    assert level_shifts(timeline(frame[~gap]), NAMES) == []


def test_directions_that_turn_round_after_an_outage_are_found(town):
    frame = town[1].copy()
    rng = np.random.default_rng(9)
    strong = pd.concat(hourly(rng, "P9", (4000, 4000), 0.5, town[0]).values())
    turned = strong["date"] >= "2025-10-01"
    strong.loc[turned, "sense"] = strong.loc[turned, "sense"].map(
        {"with": "against", "against": "with"}
    )
    (flip,) = flips(timeline(pd.concat([frame, strong])))
    assert flip.station == "P9"
    assert "2025-09-25" <= flip.first <= "2025-10-01"
    assert flip.last == "2025-12-31"


SERIES = net(a=[(0, 0), (4000, 0)])


def series(town, stations, swapped=(), extra=()):
    """Return inputs and cells of stations one after the other, counted in different weeks."""
    counts, parts = {}, [town[1]]
    for i, (name, tide) in enumerate(stations.items()):
        counts[name] = ("a", 500 + 800 * i, two_way(3000, 3000))
        frame = short(
            town,
            -tide if name in swapped else tide,
            seed=i,
            station=name,
            days=slice(100 + 14 * i, 107 + 14 * i),
        )
        parts.append(frame)
    return given(SERIES, counts), pd.concat([*parts, *extra])


def test_a_swap_among_three_in_series_is_named(town):
    inputs, frame = series(town, {"A": 0.5, "B": 0.5, "C": 0.5}, swapped=("B",))
    found = require(examine(frame, inputs), SUSPECTS)
    assert found[["station_id", "hypothesis", "set"]].to_numpy().tolist() == [["B", "swap", "B"]]
    assert "exchanging them settles" in found["evidence"].iloc[0]
    assert found["z"].iloc[0] > 4


def test_a_swap_of_one_of_two_names_both(town):
    inputs, frame = series(town, {"A": 0.5, "B": 0.5}, swapped=("B",))
    found = examine(frame, inputs)
    assert len(found) == 1
    assert set(found["set"].iloc[0].split()) == {"A", "B"}
    assert "cannot tell it from" in found["evidence"].iloc[0]


def test_sound_series_and_flat_tides_accuse_nobody(town):
    for tides in ({"A": 0.5, "B": 0.5, "C": 0.5}, {"A": 0.02, "B": -0.02}):
        inputs, frame = series(town, tides)
        assert examine(frame, inputs).empty


def test_a_wrong_clock_is_no_swap(town):
    inputs, frame = series(town, {"A": 0.5, "B": 0.5})
    mine = frame["station_id"].eq("B")
    inputs = given(
        SERIES, {"A": ("a", 500, two_way(3000, 3000)), "B": ("a", 1300, two_way(3000, 3000))}
    )
    stations = pd.concat(
        [
            inputs.stations.assign(kind="short"),
            pd.DataFrame({"station_id": NAMES, "kind": "permanent"}),
        ]
    )
    from dataclasses import replace

    inputs = replace(inputs, stations=stations.astype({"link_id": "str"}))
    found = examine(pd.concat([frame[~mine], late(frame[mine], -1)]), inputs)
    assert found[["station_id", "hypothesis", "size"]].to_numpy().tolist() == [["B", "clock", -1.0]]
    assert "its stamps are read as one hour early" in found["evidence"].iloc[0]


def test_order_of_rows_does_not_matter(town):
    inputs, frame = series(town, {"A": 0.5, "B": 0.5, "C": 0.5}, swapped=("B",))
    one = examine(frame, inputs)
    two = examine(frame.sample(frac=1.0, random_state=3), inputs)
    pd.testing.assert_frame_equal(one, two)


def test_nothing_to_examine_is_nothing_found(town):
    inputs, frame = series(town, {"A": 0.5})
    assert examine(frame.iloc[:0], inputs).empty
    lone = cells("A", "with", np.full((1, 24), 5), DAYS[:1])
    assert examine(lone, inputs).empty


def test_visits_are_split_by_gaps_and_months():
    two = np.concatenate([np.arange(48), 24 * 60 + np.arange(48)])
    assert [len(v) for v in visits(two)] == [48, 48]
    assert len(visits(np.arange(24 * 365))) == 12
