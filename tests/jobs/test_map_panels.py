"""What a map's panel is told beyond the figure: the design hour in one sentence."""

from __future__ import annotations

from countmap.jobs import panels

PEAK = {
    "station_id": "P1", "year": 2025, "rank": 30, "hours": 8_700, "date": "2025-11-14", "hour": 17,
    "volume": 1_236.0, "k": 0.0983, "sense": "with", "d": 0.584, "ddhv": 722.0, "reason": None,
}  # fmt: skip


def told(name_with="towards the bridge", **changes):
    names = {"P1": {"name_with": name_with}}
    return panels.design_hours({"peaks": [PEAK | changes]}, names, "stepped")["P1"]


def test_the_design_hour_is_told_with_its_k_and_d():
    assert told() == (
        "The 30th highest hour of 2025 carried 1,200 vehicles, 9.8% of the average day (K); "
        "58% of it towards the bridge (D); 2025-11-14, from 17 h."
    )
    assert "; 58% of it sense with (D);" in told(name_with=None)


def test_what_is_not_known_is_left_out_or_said():
    assert "(D)" not in told(d=None, sense=None)
    assert told(volume=None, reason="only 40% of the year's hours") == (
        "No 30th highest hour of 2025: only 40% of the year's hours."
    )
    assert panels.design_hours({}, {}, "stepped") == {}
