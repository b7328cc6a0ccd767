"""Whole, part and composite days."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest

from countmap import tables
from countmap.counts import days


def cells(first, last, station="S1", missing=()):
    """Return hour cells from local hour ``first`` to ``last``; the count is 100 × day + hour."""
    hours = pd.date_range(first, last, freq="h", inclusive="left")
    grid = pd.date_range(
        hours[0].normalize(), hours[-1].normalize() + pd.Timedelta(hours=23), freq="h"
    )
    count = np.where(grid.isin(hours), 100.0 * grid.day + grid.hour, np.nan)
    count[grid.isin(pd.DatetimeIndex(missing))] = np.nan
    frame = pd.DataFrame(
        {
            "station_id": station,
            "sense": "with",
            "date": grid.normalize().as_unit("us"),
            "hour": grid.hour.astype("int64"),
            "count": count,
            "minutes": np.where(np.isnan(count), 0.0, 60.0),
            "minutes_expected": 60.0,
            "quantity": "vehicles",
        }
    )
    return tables.require(frame, tables.HOUR_CELLS)


def test_monday_to_monday_gives_a_composite_day():
    """2025-03-03 and 2025-03-10 are Mondays: hours 11–23 of one and 0–10 of the other."""
    found = days.composite(cells("2025-03-03 11:00", "2025-03-10 13:00"))
    expected = sum(300 + h for h in range(11, 24)) + sum(1000 + h for h in range(11))
    assert found[["count", "split_hour", "minutes"]].to_numpy().tolist() == [[expected, 11, 1440]]
    assert found["date"].tolist() == [pd.Timestamp("2025-03-03")]
    assert found["other_date"].tolist() == [pd.Timestamp("2025-03-10")]
    assert found["composite"].all()


@pytest.mark.parametrize(
    ("first", "last", "missing"),
    [
        ("2025-03-03 11:00", "2025-03-10 10:00", []),
        ("2025-03-03 11:00", "2025-03-08 13:00", []),
        ("2025-03-03 11:00", "2025-03-03 13:00", []),
        ("2025-03-03 11:00", "2025-03-10 13:00", ["2025-03-10 05:00"]),
        ("2025-03-03 00:00", "2025-03-10 00:00", []),
    ],
    ids=["an hour short", "Saturday", "one day", "a gap", "whole days"],
)
def test_what_gives_no_composite_day(first, last, missing):
    assert days.composite(cells(first, last, missing=missing)).empty


def test_a_holiday_is_another_day_type():
    stay = cells("2025-03-03 11:00", "2025-03-10 13:00")
    assert days.composite(stay, [date(2025, 3, 10)]).empty
    assert len(days.composite(stay, [date(2025, 3, 3), date(2025, 3, 10)])) == 1


def test_two_stays_are_kept_apart():
    both = pd.concat(
        [
            cells("2025-03-03 11:00", "2025-03-05 09:00"),
            cells("2025-03-10 10:00", "2025-03-12 12:00"),
        ]
    )
    assert days.composite(both)["date"].tolist() == [pd.Timestamp("2025-03-10")]


def test_part_days_are_recognised():
    frame = pd.concat(
        [
            cells("2025-03-03 07:00", "2025-03-03 19:00", "A"),
            cells("2025-03-03 06:00", "2025-03-03 22:00", "B"),
            cells("2025-03-03 06:00", "2025-03-03 12:00", "C"),
            cells("2025-03-03 00:00", "2025-03-04 00:00", "D"),
            cells("2025-03-03 07:00", "2025-03-03 19:00", "E", ["2025-03-03 12:00"]),
        ]
    )
    found = days.part_days(frame)
    assert found[["station_id", "kind", "hours"]].to_numpy().tolist() == [
        ["A", "12-hour", 12],
        ["B", "16-hour", 16],
        ["C", "part", 6],
    ]


def test_counts_outside_a_stations_validity_are_parted_with_their_reason():
    both = pd.concat(
        [cells("2025-03-03 00:00", "2025-03-10 00:00", name) for name in ("S1", "S2", "S3")],
        ignore_index=True,
    )
    stations = pd.DataFrame(
        {
            "station_id": ["S1", "S2"],
            "valid_from": pd.to_datetime(["2025-03-05", None]),
            "valid_to": pd.to_datetime(["2025-03-08", "2025-03-09"]),
        }
    )
    kept, dropped = days.within_validity(both, stations)
    tables.require(kept, tables.HOUR_CELLS)
    whole = kept.groupby("station_id")["date"].agg(["min", "max", "nunique"])
    assert whole["nunique"].to_dict() == {"S1": 4, "S2": 7, "S3": 7}
    assert whole.loc["S1", "min"] == pd.Timestamp("2025-03-05")
    assert whole.loc["S1", "max"] == pd.Timestamp("2025-03-08")
    assert dropped.to_numpy().tolist() == [
        ["S1", 1, "after 2025-03-08, the last day of the station"],
        ["S1", 2, "before 2025-03-05, the first day of the station"],
    ]


def test_stations_without_dates_keep_everything():
    given = cells("2025-03-03 00:00", "2025-03-05 00:00")
    for stations in (
        pd.DataFrame({"station_id": ["S1"]}),
        tables.empty(tables.STATIONS),
        pd.DataFrame({"station_id": ["S1"], "valid_from": [pd.NaT], "valid_to": [pd.NaT]}),
    ):
        kept, dropped = days.within_validity(given, stations)
        pd.testing.assert_frame_equal(kept, given)
        assert dropped.empty
    assert days.within_validity(given[:0], stations)[0].empty
