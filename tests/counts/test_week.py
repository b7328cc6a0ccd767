"""The survey week's arithmetic, beside the same sums done by hand with plain loops."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from countmap import clock
from countmap.counts import week

FIRST = dt.date(2025, 9, 10)  # a Wednesday


def cells(first=FIRST, days=8, *, seed=1, gaps=(), tz="Europe/Berlin"):
    """Return HOUR_CELLS of one station; a gap is (day, hour, sense). Both only where both are."""
    rng = np.random.default_rng(seed)
    last = first + dt.timedelta(days=days - 1)
    rows = []
    for one in clock.hour_minutes(tz, first, last).itertuples():
        counts = {}
        for sense in ("with", "against"):
            gone = ((one.date.date() - first).days, one.hour, sense) in gaps
            counts[sense] = np.nan if gone else float(rng.integers(20, 900))
            rows.append((sense, one.date, one.hour, counts[sense], one.minutes))
        if not np.isnan(sum(counts.values())):
            rows.append(("both", one.date, one.hour, sum(counts.values()), one.minutes))
    frame = pd.DataFrame(rows, columns=["sense", "date", "hour", "count", "minutes_expected"])
    return frame.assign(station_id="S1", minutes=frame["minutes_expected"], quantity="vehicles")


def by_loops(frame, sense, weekdays):
    """Average each weekday at each hour, then the weekdays; None while one is missing."""
    known = {}
    for row in frame.to_dict("records"):
        if row["sense"] == sense and row["count"] == row["count"]:
            place = (row["hour"], row["date"].weekday())
            known.setdefault(place, []).append(row["count"] * 60 / row["minutes_expected"])
    out = []
    for hour in range(24):
        days = [known.get((hour, weekday)) for weekday in weekdays]
        means = [sum(day) / len(day) for day in days if day]
        out.append(sum(means) / len(means) if len(means) == len(days) else None)
    return out


def test_days_counted_through_are_those_of_plain_loops():
    frame = cells(gaps=PART)
    found = week.whole_days(frame, week.WORKDAYS)
    for sense in ("with", "against", "both"):
        sums = [
            sum(frame[(frame["sense"] == sense) & (frame["date"] == day)]["count"])
            for day in frame["date"].unique()
            if day not in (frame["date"].min(), frame["date"].max()) and day.weekday() < 5
        ]
        assert found.loc[sense, "days"] == len(sums) == 4
        assert found.loc[sense, "mean"] == pytest.approx(sum(sums) / 4)


def test_a_week_of_parts_has_no_day_counted_through():
    found = week.whole_days(cells(days=1, gaps=PART))
    assert found["days"].eq(0).all()
    assert found["mean"].isna().all()


PART = {(0, h, s) for h in range(11) for s in ("with", "against")} | {
    (7, h, s) for h in range(11, 24) for s in ("with", "against")
}


@pytest.mark.parametrize("gaps", [set(), PART, PART | {(3, 8, "with")}, {(1, 5, "against")}])
@pytest.mark.parametrize("weekdays", [week.WORKDAYS, week.ALL_DAYS])
def test_averages_are_those_of_plain_loops(gaps, weekdays):
    frame = cells(gaps=gaps)
    found = week.mean_by_hour(frame, weekdays)
    for sense in ("with", "against", "both"):
        wanted = by_loops(frame, sense, weekdays)
        got = [None if np.isnan(v) else v for v in found[sense]]
        assert got == pytest.approx(wanted)


def test_two_half_days_make_one_and_a_gap_makes_blank():
    frame = cells(gaps=PART)
    totals = week.day_mean(week.mean_by_hour(frame))
    assert totals.notna().all(), "Wednesday is half of one and half of the next"
    frame = cells(gaps=PART | {(3, 8, "with")})
    totals = week.day_mean(week.mean_by_hour(frame))
    assert totals.isna().to_dict() == {"with": True, "against": False, "both": True}
    five = week.day_mean(week.mean_by_hour(frame, week.WORKDAYS))
    assert five.notna().all(), "the gap is on a Saturday"


def test_a_worked_week():
    # By hand: 100 an hour Monday to Friday, 40 on Saturday, 20 on Sunday, the same in both senses.
    frame = cells(dt.date(2025, 9, 8), 7)
    level = frame["date"].dt.day_of_week.map({5: 40.0, 6: 20.0}).fillna(100.0)
    frame["count"] = level * frame["sense"].map({"with": 1, "against": 1, "both": 2})
    five = week.day_mean(week.mean_by_hour(frame, week.WORKDAYS))
    seven = week.day_mean(week.mean_by_hour(frame))
    assert five.to_dict() == {"with": 2400.0, "against": 2400.0, "both": 4800.0}
    assert seven["with"] == pytest.approx(24 * (5 * 100 + 40 + 20) / 7)


@pytest.mark.parametrize(
    ("first", "hours"), [(dt.date(2025, 3, 24), 167), (dt.date(2025, 10, 20), 168)]
)
def test_a_week_in_which_the_clocks_change_has_averages(first, hours):
    frame = cells(first, 7)
    assert len(frame[frame["sense"] == "with"]) == hours
    found = week.mean_by_hour(frame)
    assert found.notna().all(axis=None)
    second = frame[(frame["sense"] == "with") & (frame["hour"] == 2)]
    rate = second["count"] * 60 / second["minutes_expected"]
    assert found.loc[2, "with"] == pytest.approx(rate.mean())


def test_the_order_of_rows_plays_no_part():
    frame = cells(gaps=PART)
    mixed = frame.sample(frac=1, random_state=3)
    pd.testing.assert_frame_equal(week.mean_by_hour(frame), week.mean_by_hour(mixed))


def test_peaks_are_the_busiest_hours_before_and_after_noon():
    by_hour = pd.DataFrame({"both": np.ones(24)})
    by_hour.loc[[7, 8], "both"] = 90.0
    by_hour.loc[12, "both"] = 95.0
    am, pm = week.peaks(by_hour)
    assert (am.hour, am.volume) == (7, 90.0), "the earlier of equals"
    assert (pm.hour, pm.volume) == (12, 95.0)
    by_hour.loc[3, "both"] = np.nan
    am, pm = week.peaks(by_hour)
    assert (am.hour, am.volume) == (None, None)
    assert am.reason == "no count from Monday to Friday at 1 of these 12 hours"
    assert pm.hour == 12


def test_a_short_count_has_peaks_but_no_five_day_average():
    frame = cells(dt.date(2025, 6, 24), 3)
    assert week.day_mean(week.mean_by_hour(frame, week.WORKDAYS)).isna().all()
    assert all(
        p.hour is not None for p in week.peaks(week.mean_by_hour(frame, week.WORKDAYS, every=False))
    )


def periods(rows):
    names = ["sense", "start", "vehicle_class", "scheme", "low", "high", "count"]
    frame = pd.DataFrame(rows, columns=names).rename(
        columns={"low": "speed_low_kmh", "high": "speed_high_kmh"}
    )
    start = pd.to_timedelta(frame.pop("start"), unit="h") + pd.Timestamp("2025-09-10", tz="UTC")
    return frame.assign(station_id="S1", start_utc=start, minutes=60, lane=None)


HEAVY = {"two": frozenset({"H"})}


def test_the_heavy_share_is_heavy_over_classified():
    frame = periods(
        [
            ("with", 0, "L", "two", None, None, 90.0), ("with", 0, "H", "two", None, None, 10.0),
            ("against", 0, "L", "two", None, None, 60.0), ("against", 0, "H", "two", None, None, 40.0),
            ("against", 0, "unclassified", "two", None, None, 7.0),
            ("with", 1, "L", "two", None, None, 50.0), ("with", 1, "H", "two", None, None, None),
            ("with", 0, None, None, None, None, 100.0),
        ]
    )  # fmt: skip
    found = {s.sense: s for s in week.heavy_shares(frame, HEAVY)}
    assert found["with"].value == pytest.approx(0.10), "an hour with a class missing is left out"
    assert found["against"].value == pytest.approx(0.40)
    assert found["against"].beside == 7
    assert found["both"].value == pytest.approx(50 / 200)
    assert found["both"].of == 200


def test_without_classes_or_their_scheme_the_share_is_blank_with_its_reason():
    plain = periods([("with", 0, None, None, None, None, 100.0)])
    (both,) = week.heavy_shares(plain, HEAVY)
    assert (both.value, both.reason) == (None, "vehicle classes were not counted")
    bare = periods([("with", 0, "H", None, None, None, 100.0)])
    assert week.heavy_shares(bare, HEAVY)[0].reason == (
        "the classes name no scheme; set class_scheme in countmap.toml"
    )
    assert week.heavy_shares(bare, HEAVY, "two")[0].value == 1.0
    other = periods([("with", 0, "H", "mine", None, None, 100.0)])
    assert week.heavy_shares(other, HEAVY)[0].reason == "class scheme mine is not known here"


def test_the_85th_percentile_is_linear_in_its_bin():
    # 100 vehicles: 50 in 40–50, 40 in 50–60, 10 in 60–70. 85 = 50 + 35 of 40: 50 + 10 × 35/40.
    bins = [(40.0, 50.0, 50.0), (50.0, 60.0, 40.0), (60.0, 70.0, 10.0)]
    frame = periods([("with", 0, None, None, low, high, n) for low, high, n in bins])
    found = {s.sense: s.value for s in week.percentile_speeds(frame)}
    assert found == {"with": pytest.approx(58.75), "both": pytest.approx(58.75)}
    cross = periods(
        [("with", 0, c, "two", low, high, n / 2) for low, high, n in bins for c in ("L", "H")]
    )
    assert week.percentile_speeds(cross)[0].value == pytest.approx(58.75)
    double = pd.concat([frame, cross], ignore_index=True)
    assert week.percentile_speeds(double)[0].of == 100, "the two tables tell the same vehicles"


@pytest.mark.parametrize(
    ("bins", "reason"),
    [
        ([], "speeds were not counted"),
        ([(40, 50, 5), (60, 70, 5)], "the speed bins overlap or leave a gap"),
        ([(40, 50, 5), (50, None, 5)], "it lies above 50 km/h, in a bin without an upper end"),
    ],
)
def test_a_speed_that_cannot_be_told_is_blank_with_its_reason(bins, reason):
    frame = periods([("with", 0, None, None, low, high, n) for low, high, n in bins])
    both = week.percentile_speeds(frame)[-1]
    assert (both.value, both.reason) == (None, reason)


def test_an_open_bin_above_the_percentile_does_no_harm():
    frame = periods([("with", 0, None, None, *b) for b in [(None, 50, 90.0), (50, None, 10.0)]])
    assert week.percentile_speeds(frame)[0].value == pytest.approx(50 * 85 / 90)
