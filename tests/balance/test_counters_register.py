"""Counters as things: drift from both ends, and the same counter that disagrees at three stations."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from countmap import tables
from countmap.balance import counters


def surveys(*rows):
    frame = pd.DataFrame(
        rows, columns=["survey_id", "station_id", "counter_id", "started", "ended", "a", "b"]
    )
    return frame.rename(columns={"a": "clock_offset_start_s", "b": "clock_offset_end_s"})


def flows(**z_of):
    rows = [
        {"link_id": s, "sense": sense, "year": 2025, "sources": s, "z": z, "counted": 900.0}
        for s, pair in z_of.items()
        for sense, z in zip(("with", "against"), pair, strict=True)
    ]
    return pd.DataFrame(rows, columns=[*tables.FLOWS.names])


STAYS = surveys(
    ("V1", "A", "K7", "2025-03-03T11:00", "2025-03-10T11:00", 0.0, 14.0),
    ("V2", "B", "K7", "2025-04-07T11:00", "2025-04-14T11:00", 1.0, 22.0),
    ("V3", "C", "K7", "2025-05-05T11:00", "2025-05-12T11:00", np.nan, 9.0),
    ("V4", "D", "K8", "2025-05-05T11:00", "2025-05-12T11:00", 0.0, 0.0),
    ("V5", "E", None, None, None, np.nan, np.nan),
)


def test_drift_is_the_median_of_the_surveys_that_have_both_ends():
    found = counters.register(STAYS, flows()).set_index("counter_id")
    assert list(found.index) == ["K7", "K8"]
    assert found.loc["K7", "drift_s_day"] == pytest.approx(2.5)  # of 2 and 3 seconds a day
    assert found.loc["K8", "drift_s_day"] == 0
    assert (found.loc["K7", "first"], found.loc["K7", "last"]) == (
        "2025-03-03T11:00",
        "2025-05-12T11:00",
    )
    assert found.loc["K7", "stations"] == ["A", "B", "C"]
    assert np.isnan(found.loc["K7", "z"])
    assert (found["verdict"] == "").all()


def test_the_same_counter_disagrees_at_three_stations():
    found = counters.register(
        STAYS, flows(A=(-1.4, -1.5), B=(-1.5, -1.2), C=(-1.3, -1.6), D=(4.0, 4.0))
    )
    k7 = found.set_index("counter_id").loc["K7"]
    by_hand = sum((-2.9 / 2**0.5, -2.7 / 2**0.5, -2.9 / 2**0.5)) / 3**0.5
    assert k7["z"] == pytest.approx(by_hand)
    assert k7["verdict"] == "counts fewer than its neighbours at all 3 stations (z -3.5)"
    assert (
        found.set_index("counter_id").loc["K8", "verdict"] == ""
    )  # one station says nothing of a counter


def test_stations_that_lean_to_both_sides_accuse_no_counter():
    found = counters.register(STAYS, flows(A=(-6.0, -6.0), B=(-6.0, -6.0), C=(0.1, 0.1)))
    assert (found["verdict"] == "").all()


def test_counters_without_surveys_are_none():
    assert counters.register(STAYS.iloc[:0], flows()).empty


def test_the_command_lists_them(countmap, tmp_path):
    import made_store

    ws = made_store.workspace(tmp_path / "w")
    (tmp_path / "s.csv").write_text(
        "survey_id,station_id,counter_id,started,ended,clock_offset_start_s,clock_offset_end_s\n"
        "V1,S1,K7,2025-03-03T11:00,2025-03-10T11:00,0,-14\n"
    )
    assert countmap("surveys", "import", tmp_path / "s.csv", "-w", ws.path).code == 0
    assert countmap("surveys", "counters", "-w", ws.path).out.splitlines() == [
        "counter  surveys  stations  last        drift s/day",
        "K7             1         1  2025-03-10         -2.0",
    ]
