"""What needs a look: what matters most first, one gap once, an admitted gap never."""

from __future__ import annotations

import pandas as pd
import pytest

from countmap import tables
from countmap.publish.attention import by_member, marked, told

DAY = pd.Timestamp("2025-05-21", tz="UTC")


def flags(*rows):
    """Return flags from rows of (station, rule, severity, sense, day, why, state)."""
    frame = pd.DataFrame(
        [
            (f"f{k}", rule, severity, station, sense, DAY + pd.Timedelta(days=day),
             DAY + pd.Timedelta(days=day + 1), why, state, None)
            for k, (station, rule, severity, sense, day, why, state) in enumerate(rows)
        ],
        columns=list(tables.FLAGS.names),
    )  # fmt: skip
    for name in ("first_utc", "last_utc"):
        frame[name] = frame[name].astype("datetime64[us, UTC]")
    return tables.require(frame, tables.FLAGS)


def suspects(*rows):
    frame = pd.DataFrame(rows, columns=["station_id", "hypothesis", "set"])
    return frame.assign(sense="both", size=0.8, z=5.0, min_detectable_bias=None, evidence="why")


@pytest.mark.parametrize("rule", ["short_day", "weekday_missing"])
def test_a_gap_that_the_counter_admits_is_no_finding(rule):
    frame = flags(("S1", rule, "warn", "both", 0, "the day has 8 of 24 hours", "open"))
    assert told(frame)["look"].tolist() == [False]
    assert marked(suspects(), frame) == []


def test_one_gap_in_both_senses_counts_once_and_keeps_both_words():
    frame = flags(
        ("S1", "zero_run", "fail", "with", 0, "380 usual", "open"),
        ("S1", "zero_run", "fail", "against", 0, "410 usual", "open"),
        ("S1", "zero_run", "fail", "against", 3, "90 usual", "open"),
    )
    found = told(frame)
    assert found["sense"].tolist() == ["both", "against"]
    assert found["why"].tolist() == ["380 usual; the other sense: 410 usual", "90 usual"]
    assert found["look"].all()
    pd.testing.assert_frame_equal(found, told(frame.iloc[::-1]))


def test_failed_checks_come_before_warnings_and_what_is_settled_last():
    frame = flags(
        ("S1", "context", "note", None, 0, "a fair", "open"),
        ("S1", "split", "warn", "both", 1, "uneven", "open"),
        ("S1", "copied", "fail", "both", 2, "the same", "open"),
        ("S1", "zero_run", "fail", "both", 0, "zeros", "excluded"),
    )
    found = told(frame)
    assert found["rule"].tolist() == ["copied", "split", "zero_run", "context"]
    assert found["look"].tolist() == [True, True, False, False]


def test_the_stations_that_need_a_look_are_those_of_suspects_and_open_flags():
    frame = flags(
        ("S5", "copied", "fail", "both", 2, "the same", "open"),
        ("S6", "copied", "fail", "both", 2, "the same", "excluded"),
        ("S7", "short_day", "warn", "both", 2, "8 of 24 hours", "open"),
    )
    assert marked(suspects(("S1", "scale", "S1 S2")), frame) == ["S1", "S2", "S5"]
    assert marked(suspects(), flags()) == []


def test_only_the_station_that_a_finding_names_is_held_alone():
    found = by_member(
        suspects(("S1", "scale", "S1 S2"), ("S3", "leak", "S3 S4"), ("S5", "swap", ""))
    )
    alone = dict(zip(found["station_id"], found["alone"], strict=True))
    assert alone == {"S1": 1, "S2": 0, "S3": 0, "S4": 0, "S5": 1}
