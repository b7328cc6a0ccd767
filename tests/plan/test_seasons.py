"""Full normal days: calendar vectors worked by hand."""

from __future__ import annotations

from datetime import date, datetime

import pandas as pd
import pytest
from made_roads import net

from countmap.errors import InvalidInput
from countmap.plan import seasons
from countmap.roads.junctions import junctions
from countmap.tables import DECLARATIONS, empty

BERLIN = "Europe/Berlin"
PLAIN = seasons.SeasonSettings(before_holiday=0, after_holiday=0)


def days(*rows):
    frame = pd.DataFrame(rows, columns=["first", "last", "kind", "name", "links"])
    for name in ("first", "last"):
        frame[name] = pd.to_datetime(frame[name]).astype("datetime64[us]")
    return frame


def starts(frame):
    return [f"{t:%m-%d}" for t in frame["set_at"]]


@pytest.mark.parametrize(
    ("set_at", "collect_at", "full"),
    [
        ("2026-03-02T11:00", "2026-03-09T10:00", 6),  # Monday to Monday: six, not seven
        ("2026-03-02T00:00", "2026-03-09T00:00", 7),
        ("2026-03-23T11:00", "2026-03-30T10:00", 6),  # clocks go forward on Sunday the 29th
        ("2026-10-19T11:00", "2026-10-26T10:00", 6),  # and back on the 25th
        ("2024-02-26T11:00", "2024-03-04T10:00", 6),  # 29 February is a day
        ("2026-12-28T11:00", "2027-01-04T10:00", 6),
        ("2026-03-02T11:00", "2026-03-03T10:00", 0),
        ("2026-03-02T11:00", "2026-03-04T00:00", 1),
    ],
)
def test_full_days_lie_wholly_within(set_at, collect_at, full):
    found = seasons.full_days(datetime.fromisoformat(set_at), datetime.fromisoformat(collect_at))
    assert len(found) == full


def test_a_week_across_the_change_of_clocks_says_so():
    found = seasons.windows(
        date(2026, 3, 23), date(2026, 3, 30), {}, timezone=BERLIN, settings=PLAIN
    )
    assert starts(found) == ["03-23"]
    assert found["full_days"].tolist() == [6]
    assert found["clock_change"].tolist() == [pd.Timestamp("2026-03-29")]
    assert found["why"].iloc[0].endswith("clocks change on Sun 29 Mar")


def test_the_leap_day_is_a_full_day():
    found = seasons.windows(
        date(2024, 2, 26), date(2024, 3, 4), {}, timezone=BERLIN, settings=PLAIN
    )
    assert "Tue 27 Feb to Sun 03 Mar 2024" in found["why"].iloc[0]
    assert found["full_days"].iloc[0] == 6


def test_no_window_holds_easter():
    # Good Friday 3 April and Easter Monday 6 April 2026, by the `holidays` library for DE.
    odd = seasons.odd_days(date(2026, 3, 16), date(2026, 4, 20), calendar="DE", settings=PLAIN)
    assert list(odd) == [date(2026, 4, 3), date(2026, 4, 6)]
    found = seasons.windows(
        date(2026, 3, 16), date(2026, 4, 20), odd, timezone=BERLIN, settings=PLAIN
    )
    for row in found.itertuples():
        inside = seasons.full_days(row.set_at, row.collect_at)
        assert not set(inside) & set(odd)
    # the last that ends before Good Friday, and the first after Easter Monday
    assert "03-26" in starts(found)
    assert not {"03-27", "03-30", "03-31", "04-01", "04-02", "04-03", "04-06"} & set(starts(found))
    assert starts(found)[-1] == "04-13"
    assert "04-07" in starts(found)


def test_no_window_holds_the_turn_of_the_year():
    school = days(("2026-12-23", "2027-01-06", "school_holiday", "Christmas holidays", None))
    first, last = date(2026, 12, 7), date(2027, 1, 18)
    odd = seasons.odd_days(first, last, calendar="DE", days=school)
    assert odd[date(2027, 1, 1)] == "New Year's Day"
    assert odd[date(2026, 12, 22)] == "day before Christmas holidays"
    assert odd[date(2027, 1, 7)] == "day after Christmas holidays"
    found = seasons.windows(first, last, odd, timezone=BERLIN)
    assert starts(found)[-1] == "01-11"
    assert max(t for t in found["collect_at"] if t.year == 2026) == pd.Timestamp("2026-12-21 10:00")


def test_works_close_only_their_own_street():
    works = days(("2026-05-04", "2026-05-08", "closure", "New drains", "L1 L2"))
    span = (date(2026, 5, 1), date(2026, 5, 31))
    assert not seasons.odd_days(*span, days=works, link="L9")
    assert len(seasons.odd_days(*span, days=works, link="L2")) == 5


def test_nobody_sets_or_collects_at_a_weekend():
    found = seasons.windows(date(2026, 5, 1), date(2026, 6, 30), {}, timezone=BERLIN)
    for name in ("set_at", "collect_at"):
        assert found[name].dt.day_of_week.max() < 5


def test_a_setting_that_cannot_be_kept_is_refused():
    with pytest.raises(InvalidInput, match="season_full_days must lie between 1 and"):
        seasons.SeasonSettings(full_days=12)
    with pytest.raises(InvalidInput, match="season_set_hour must lie between 0 and 24, got 25"):
        seasons.SeasonSettings(set_hour=25)


def test_stations_of_a_junction_or_a_line_stand_together():
    roads = net(
        a=[(0, 0), (500, 0)], b=[(500, 0), (1000, 0)], c=[(500, 0), (500, 400)],
        far=[(5000, 0), (5500, 0)], on=[(5500, 0), (6000, 0)], up=[(5500, 0), (5500, 300)],
    )  # fmt: skip
    ends = junctions(roads, empty(DECLARATIONS))
    stations = pd.DataFrame({"station_id": ["A", "B", "F", "C"], "link_id": ["a", "b", "far", "c"]})
    alone = seasons.together(roads, ends, stations).set_index("station_id")
    assert alone["group"].to_dict() == {"A": "A", "B": "A", "C": "A", "F": "F"}
    assert alone.loc["F", "why"] == "alone"
    line = seasons.together(roads, ends, stations, {"screenline River": ["c", "far"]})
    assert set(line["group"]) == {"A"}
    assert line.set_index("station_id").loc["F", "why"] == "screenline River"
