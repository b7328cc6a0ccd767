"""The ground floor: contracts, clock, rounding."""

from __future__ import annotations

from datetime import date

import pandas as pd
import pytest

from countmap import clock, tables
from countmap.errors import InvalidInput
from countmap.rounding import rounded


def links_frame():
    return pd.DataFrame(
        {"link_id": ["a", "b"], "pair_id": ["p", "p"], "other_id": ["b", "a"]}, dtype="str"
    )


def test_require_returns_the_frame_itself():
    frame = links_frame()
    assert tables.require(frame, tables.PAIRS) is frame


def test_require_names_the_first_offence_and_how_many_more():
    frame = links_frame().assign(link_id=["a", "a"], other_id=["b", None])
    with pytest.raises(InvalidInput) as caught:
        tables.require(frame, tables.PAIRS)
    assert str(caught.value) == "pairs: other_id must not be empty, got 'nan' in row 1; 1 more"
    assert list(caught.value.rejects["why"]) == [
        "other_id must not be empty",
        "link_id must be unique",
    ]


def test_missing_column_wrong_type_and_range_are_offences():
    frame = pd.DataFrame(
        {
            "station_id": ["s"],
            "sense": ["north"],
            "year": [2025.5],
            "aadt": [-3.0],
            "status": ["measured"],
        }
    )
    why = list(tables.offences(frame, tables.ANNUAL)["why"])
    assert why == [
        "sense must be one of with, against, both",
        "year must be int",
        "aadt must be at least 0",
    ]
    assert list(tables.offences(pd.DataFrame({"link_id": ["a"]}), tables.PAIRS)["row"]) == [-1, -1]


@pytest.mark.parametrize("table", [t for t in vars(tables).values() if isinstance(t, tables.Table)])
def test_an_empty_table_honours_its_contract(table):
    assert tables.offences(tables.empty(table), table).empty


def test_local_times_are_put_in_order_when_clocks_go_back():
    local = pd.Series(pd.to_datetime(["2025-10-26 02:00", "2025-10-26 02:30", "2025-10-26 02:00"]))
    utc, offset, impossible, single = clock.localize(local, "Europe/Berlin")
    assert list(utc.dt.strftime("%H:%M")) == ["00:00", "00:30", "01:00"]
    assert list(offset) == [120, 120, 60]
    assert not impossible.any()
    assert list(single) == [False, True, False]


def test_a_local_time_that_does_not_exist_is_impossible():
    local = pd.Series(pd.to_datetime(["2025-03-30 02:30", "2025-03-30 03:00"]))
    utc, _, impossible, _ = clock.localize(local, "Europe/Berlin")
    assert list(impossible) == [True, False]
    assert utc.isna().tolist() == [True, False]


def test_offsets_and_civil_hours_agree_with_the_zone():
    hours = clock.hour_minutes("Europe/Berlin", date(2025, 3, 30), date(2025, 3, 30))
    assert hours["minutes"].sum() == clock.day_minutes(date(2025, 3, 30), "Europe/Berlin") == 1380
    assert 2 not in set(hours["hour"])
    stamps = pd.Series(pd.to_datetime(["2025-07-01", "2025-12-01"], utc=True))
    assert list(clock.offsets_min(stamps, "Europe/Berlin")) == [120, 60]


def test_unknown_zone_and_calendar_are_one_line():
    with pytest.raises(
        InvalidInput, match="time zone 'Mars/Base' is unknown; use a tz database name"
    ):
        clock.zone("Mars/Base")
    with pytest.raises(InvalidInput, match="holiday calendar 'XX' is unknown"):
        clock.public_holidays("XX", [2025])
    assert clock.public_holidays("", [2025]) == {}
    # German Unity Day, a public holiday of all states (Unification Treaty 1990, article 2).
    assert date(2025, 10, 3) in clock.public_holidays("DE", [2025])


@pytest.mark.parametrize(
    ("value", "chart", "shown"),
    [
        # North Carolina DOT's chart: <100 → 10, <1,000 → 50, <10,000 → 100, <100,000 → 500, else 1,000.
        (84, "stepped", 80),
        (125, "stepped", 150),
        (4_889, "stepped", 4_900),
        (35_354.7, "stepped", 35_500),
        (123_456, "stepped", 123_000),
        (0, "stepped", 0),
        (18_352, "coarse", 18_000),
        (18_352.4, "none", 18_352.4),
        (17, ((100, 25), (float("inf"), 100)), 25),
    ],
)
def test_rounding_charts(value, chart, shown):
    assert rounded(value, chart) == shown


def test_null_is_never_rounded_to_a_number():
    assert rounded(None) is None
    assert rounded(float("nan")) is None


def test_rules_of_a_row_are_part_of_the_contract():
    rows = pd.DataFrame(
        {
            "kind": ["side_access", "side_access", "pair", "quiet"],
            "id": ["a", "a", "a", "a"],
            "other_id": pd.array([None, None, None, None], dtype="str"),
            "value": [None, 1.4, None, None],
        }
    )
    found = tables.offences(rows, tables.DECLARATIONS)
    assert found[["row", "column", "why"]].to_numpy().tolist() == [
        [0, "value", "value must not be empty where kind is side_access"],
        [1, "value", "value must be at most 1 where kind is side_access, got 1.4"],
        [2, "other_id", "other_id must not be empty where kind is pair"],
    ]


def test_bounds_that_meet_are_in_order_and_unknown_ones_too():
    rows = pd.DataFrame(
        {"aadt": [10.0, 10.0, None], "lower": [10.0, None, 9.0], "upper": [10.0, 12.0, 8.0]}
    )
    assert tables.broken_rules(rows, tables.ANNUAL) == [(2, "lower", "lower 9 is above upper 8")]


def test_a_day_without_a_time_is_the_whole_day():
    rows = pd.DataFrame(
        {
            "started": ["2025-03-04T08:00", "2025-03-04", "2025-03-04T08:00+01:00"],
            "ended": ["2025-03-04", "2025-03-03T23:59", None],
        }
    )
    assert tables.broken_rules(rows, tables.SURVEYS) == [
        (1, "ended", "ended 2025-03-03T23:59 is before started 2025-03-04")
    ]
