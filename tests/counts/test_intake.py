"""Raw counts to periods: time, doubles, overlaps, validity, and the sentence for each refusal."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest

from countmap import tables
from countmap.counts import intake

TZ = "Europe/Berlin"
STATIONS = pd.DataFrame(
    {
        "station_id": ["S1", "S2"],
        "bearing_deg": [0.0, 90.0],
        "name_with": [None, "Mill"],
        "name_against": [None, "Quay"],
        "valid_from": [pd.NaT, pd.Timestamp("2024-01-01")],
        "valid_to": [pd.NaT, pd.Timestamp("2025-06-30")],
    }
)


def raw(*rows, **columns):
    """Return raw counts from (station, direction, start, minutes, count) rows; row 2 is the first."""
    frame = pd.DataFrame(rows, columns=["station_id", "direction", "start", "minutes", "count"])
    frame["count"] = frame["count"].astype(float)
    frame["file"], frame["row"] = "counts.csv", np.arange(len(rows)) + 2
    return frame.assign(**columns)


def take(*rows, today=date(2026, 1, 1), one_way=(), **columns):
    taken = intake.to_periods(raw(*rows, **columns), STATIONS, TZ, today=today, one_way=one_way)
    assert tables.offences(taken.periods, tables.PERIODS).empty
    assert tables.offences(taken.rejects, tables.REJECTS).empty
    return taken


def refusals(taken):
    return taken.rejects[["row", "column", "why"]].to_numpy().tolist()


def utc(taken):
    return [str(t)[:16] for t in taken.periods["start_utc"]]


def test_local_and_offset_times_mean_the_same_instant():
    taken = take(
        ("S1", "N", "2025-03-04T07:00", 60, 3),
        ("S1", "N", "2025-03-04T08:00+01:00", 60, 4),
        ("S1", "S", "2025-07-04 07:00Z", 60, 5),
    )
    assert refusals(taken) == []
    assert taken.periods["sense"].tolist() == ["against", "with", "with"]
    assert utc(taken) == ["2025-07-04 07:00", "2025-03-04 06:00", "2025-03-04 07:00"]
    assert taken.periods["utc_offset_min"].tolist() == [120, 60, 60]
    assert taken.periods["quantity"].tolist() == ["vehicles"] * 3


def test_missing_stays_missing():
    taken = take(
        ("S1", "N", "2025-03-04T07:00", 60, np.nan), ("S1", "N", "2025-03-04T08:00", 60, 0)
    )
    assert taken.periods["count"].isna().tolist() == [True, False]


def test_the_repeated_hour_is_told_by_order():
    hours = ["01:00", "02:00", "02:00", "03:00"]
    taken = take(*[("S1", "N", f"2025-10-26T{h}", 60, i) for i, h in enumerate(hours)])
    assert taken.notes == ()
    assert utc(taken) == [
        f"2025-10-{d} {h}:00" for d, h in (("25", 23), ("26", "00"), ("26", "01"), ("26", "02"))
    ]
    assert taken.periods["count"].tolist() == [0, 1, 2, 3]


def test_a_single_ambiguous_hour_is_the_first_pass_and_noted():
    taken = take(("S1", "N", "2025-10-26T02:00", 60, 7))
    assert utc(taken) == ["2025-10-26 00:00"]
    assert taken.notes == (
        (
            "1 time is ambiguous because clocks go back and stands only once, and was read as the "
            "first pass (first: counts.csv:2, station S1, 2025-10-26 02:00)"
        ),
    )


def test_an_impossible_local_time_is_refused():
    taken = take(("S1", "N", "2025-03-30T02:00", 60, 7), ("S1", "N", "2025-03-30T03:00", 60, 8))
    assert refusals(taken) == [
        [
            2,
            "start",
            (
                "the local time 2025-03-30 02:00 does not exist in Europe/Berlin (clocks go forward)"
                " (station S1). Correct the row, or state the counter's zone in a layout"
            ),
        ]
    ]
    assert utc(taken) == ["2025-03-30 01:00"]


def test_a_wide_files_empty_or_zero_cell_in_the_skipped_hour_is_no_fault():
    row = ("S1", "N", pd.Timestamp("2025-03-30T02:00"), 60)
    assert len(take((*row, np.nan)).rejects) == 0
    taken = take((*row, 0), column="H02")
    assert len(taken.rejects) == 0
    assert taken.notes == (
        "1 zero in the hour that clocks skip was left out (first: counts.csv:2)",
    )
    assert len(take((*row, 0)).rejects) == 1


@pytest.mark.parametrize("day", ["2025-03-30", "2025-10-26", "2025-05-05"])
def test_end_stamps_are_read_across_clock_changes(day):
    """Every hour of a civil day, stamped by local start or by local end, is the same hour."""
    first = pd.Timestamp(day, tz=TZ)
    starts = pd.date_range(first, first + pd.DateOffset(days=1), freq="h", inclusive="left")
    ends = starts + pd.Timedelta(hours=1)
    frames = []
    for stamps, what in ((starts, "start"), (ends, "end")):
        rows = [("S1", "N", t, 60, i) for i, t in enumerate(stamps.tz_localize(None))]
        frames.append(take(*rows, stamp=what).periods)
    pd.testing.assert_frame_equal(*frames)
    assert frames[0]["start_utc"].tolist() == starts.tz_convert("UTC").tolist()


def test_unknown_station_and_direction():
    taken = take(("S11", "N", "2025-03-04T07:00", 60, 3), ("S2", "N", "2025-03-04T07:00", 60, 3))
    assert refusals(taken) == [
        [
            2,
            "station_id",
            "station 'S11' is unknown (the nearest id is S1). Correct the id, or import the station first",
        ],
        [
            3,
            "direction",
            (
                "direction 'N' is ambiguous at station S2: it lies 90° from the one; it could be with"
                " ('Mill', 90°) or against ('Quay', 270°). Write with or against"
            ),
        ],
    ]


def test_one_way_stations():
    rows = [("S2", "both", "2025-03-04T07:00", 60, 3)]
    assert take(*rows).periods["sense"].tolist() == ["both"]
    assert take(*rows, one_way=["S2"]).periods["sense"].tolist() == ["with"]
    assert take(*rows, one_way={"S2": "against"}).periods["sense"].tolist() == ["against"]


def test_wrong_clocks_and_validity():
    taken = take(
        ("S1", "N", "1970-01-01T00:15", 15, 3),
        ("S1", "N", "2026-01-02T00:00", 60, 3),
        ("S1", "N", "2026-01-01T23:00", 60, 3),
        ("S2", "E", "2025-06-30T23:00", 60, 3),
        ("S2", "E", "2025-07-01T00:00", 60, 3),
        ("S1", "N", "yesterday", 60, 3),
    )
    clock = ": the counter's clock was probably wrong. Correct the times"
    assert refusals(taken) == [
        [2, "start", f"the time lies before 1985 (station S1, 1970-01-01 00:15){clock}"],
        [
            3,
            "start",
            f"the time lies in the future, today is 2026-01-01 (station S1, 2026-01-02 00:00){clock}",
        ],
        [
            6,
            "start",
            (
                "the day lies outside the validity of its station (station S2, 2025-07-01 00:00),"
                " valid from 2024-01-01 to 2025-06-30. Correct the row, or the station's dates"
            ),
        ],
        [7, "start", "the time yesterday is not a time. Write it as 2025-03-04T07:15"],
    ]


def test_said_twice_is_taken_once_and_contradictions_are_refused():
    taken = take(
        ("S1", "N", "2025-03-04T07:00", 60, 3),
        ("S1", "NB", "2025-03-04T06:00Z", 60, 3),
        ("S1", "N", "2025-03-04T08:00", 60, 4),
        ("S1", "N", "2025-03-04T08:00", 60, 5),
        ("S1", "S", "2025-03-04T08:00", 60, np.nan),
        ("S1", "S", "2025-03-04T08:00", 60, 0),
    )
    assert taken.periods["count"].tolist() == [3]
    assert taken.notes == (
        "1 row says again what another row says; one of each was taken (first: counts.csv:3)",
    )
    period = "for the same period (station S1, 2025-03-04 08:00). Keep one of them"
    assert refusals(taken) == [
        [4, "count", f"count 4 contradicts count 5 in counts.csv:5 {period}"],
        [5, "count", f"count 5 contradicts count 4 in counts.csv:4 {period}"],
        [6, "count", f"count missing contradicts count 0 in counts.csv:7 {period}"],
        [7, "count", f"count 0 contradicts count missing in counts.csv:6 {period}"],
    ]


def test_overlapping_periods_are_refused():
    taken = take(
        ("S1", "N", "2025-03-04T07:00", 60, 30),
        ("S1", "N", "2025-03-04T07:45", 15, 7),
        ("S1", "N", "2025-03-04T08:00", 15, 7),
        ("S1", "S", "2025-03-04T07:15", 15, 7),
    )
    assert refusals(taken) == [
        [
            3,
            "start",
            (
                "the period of 15 min overlaps that of 60 min in counts.csv:2"
                " (station S1, 2025-03-04 07:45). Keep one of them"
            ),
        ]
    ]
    assert len(taken.periods) == 3


def test_a_total_beside_its_lanes_is_refused():
    taken = take(
        ("S1", "N", "2025-03-04T07:00", 60, 30),
        ("S1", "N", "2025-03-04T07:00", 60, 28),
        ("S1", "N", "2025-03-04T07:00", 60, 2),
        lane=[None, "1", "2"],
    )
    assert refusals(taken) == [
        [
            2,
            "lane",
            (
                "the total stands beside its lanes and would count twice"
                " (station S1, 2025-03-04 07:00). Leave one of them out"
            ),
        ]
    ]


def test_fractions_are_taken_and_noted():
    assert take(("S1", "N", "2025-03-04T07:00", 60, 2.5)).notes == (
        "1 count is not a whole number (first: counts.csv:2). Check the decimal mark",
    )


def test_row_order_does_not_matter():
    rows = [
        ("S1", d, f"2025-03-0{k}T{h:02d}:00", 60, k * h)
        for d in "NS"
        for k in (1, 2)
        for h in range(24)
    ]
    frame = raw(*rows)
    mixed = frame.sample(frac=1, random_state=7)
    one, other = (
        intake.to_periods(f, STATIONS, TZ, today=date(2026, 1, 1)) for f in (frame, mixed)
    )
    pd.testing.assert_frame_equal(one.periods, other.periods)


def test_overlaps_with_what_is_there():
    old = take(*[("S1", "N", f"2025-03-04T{h:02d}:00", 60, h) for h in range(6)]).periods
    new = take(
        ("S1", "N", "2025-03-04T04:00", 60, 4),
        ("S1", "N", "2025-03-04T05:00", 60, 9),
        ("S1", "N", "2025-03-04T06:00", 60, 6),
        ("S1", "S", "2025-03-04T05:00", 60, 5),
    ).periods
    found = intake.overlaps(new, old)
    assert found.drop(columns=["first_utc", "last_utc"]).to_numpy().tolist() == [
        ["S1", "with", 2, 1, 1, 0]
    ]
    assert str(found["first_utc"][0]) == "2025-03-04 03:00:00+00:00"
    assert str(found["last_utc"][0]) == "2025-03-04 05:00:00+00:00"
    assert intake.fresh(new, old)["count"].tolist() == [5, 9, 6]
    assert intake.fresh(old, old).empty
    assert intake.fresh(old.iloc[3:], old).empty
    quarter = take(
        ("S1", "N", "2025-03-04T05:45", 15, 4), ("S1", "N", "2025-03-04T06:00", 15, 4)
    ).periods
    assert intake.overlaps(quarter, old)[["rows", "across"]].to_numpy().tolist() == [[1, 1]]
    assert intake.overlaps(new, old.iloc[:0]).empty
