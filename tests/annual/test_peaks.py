"""Design hours, peak hours and what they are made of."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from countmap.annual import peaks

YEAR = 2025


@pytest.fixture
def year():
    """Return a year of hours of one station: 100 with and 50 against, forty busier hours in June."""
    stamp = pd.date_range(f"{YEAR}-01-01", f"{YEAR}-12-31 23:00", freq="h").as_unit("us")
    base = np.full(len(stamp), 100.0)
    busy = np.flatnonzero((stamp.month == 6) & (stamp.hour == 17))
    busy = np.concatenate([busy, busy[:10] + 1])
    base[busy] = 1000.0 + np.arange(len(busy))
    frames = [
        pd.DataFrame(
            {
                "station_id": "P1",
                "sense": sense,
                "date": stamp.normalize(),
                "hour": stamp.hour,
                "count": base * share,
            }
        )
        for sense, share in (("with", 0.6), ("against", 0.4))
    ]
    return pd.concat(frames, ignore_index=True)


def test_the_thirtieth_hour_of_both_senses_together(year):
    row = peaks.design_hours(year, {"P1": 10_000.0}, YEAR).iloc[0]
    assert row["volume"] == pytest.approx(1010.0)  # 1000 … 1039: the thirtieth from above
    assert row["k"] == pytest.approx(0.101)
    assert (row["sense"], row["d"]) == ("with", pytest.approx(0.6))
    assert row["ddhv"] == pytest.approx(peaks.directional_design_hour(10_000.0, row["k"], row["d"]))
    assert (row["date"], row["hour"], row["hours"]) == ("2025-06-11", 17, 8760)


def test_the_order_of_rows_does_not_matter(year):
    mixed = year.sample(frac=1, random_state=4)
    pd.testing.assert_frame_equal(
        peaks.design_hours(mixed, {"P1": 10_000.0}, YEAR),
        peaks.design_hours(year, {"P1": 10_000.0}, YEAR),
    )


def test_an_hour_that_lacks_one_sense_is_no_hour_of_both(year):
    best = year["count"].idxmax()
    year.loc[best, "count"] = np.nan
    row = peaks.design_hours(year, {"P1": 10_000.0}, YEAR).iloc[0]
    assert row["volume"] == pytest.approx(1009.0)
    assert row["hours"] == 8759


def test_without_most_of_the_year_there_is_no_thirtieth_hour(year):
    part = year[year["date"].dt.month.between(2, 12)]
    found = peaks.design_hours(part, {"P1": 10_000.0, "P2": 500.0}, YEAR)
    assert found["reason"].tolist() == [
        "only 92% of the year's hours",
        "no hours were counted",
    ]
    assert found[["k", "d", "volume", "ddhv"]].isna().all(axis=None)


def test_totals_alone_have_no_directional_share(year):
    total = year[year["sense"] == "with"].assign(sense="both")
    row = peaks.design_hours(total, {"P1": 10_000.0}, YEAR).iloc[0]
    assert row["k"] == pytest.approx(0.0606)
    assert row["d"] is None


def test_the_peak_hour_is_four_quarters_that_follow_each_other():
    start = pd.date_range("2025-05-06 07:00", periods=9, freq="15min")
    quarters = pd.Series([10, 20, 30, 40, 50, np.nan, 90, 90, 90], start, dtype="float64")
    found = peaks.peak_hour(quarters)
    assert found["start"] == pd.Timestamp("2025-05-06 07:15")
    assert (found["volume"], found["quarter"], found["phf"]) == (140.0, 50.0, 0.7)
    assert peaks.peak_hour(quarters.drop(start[[2]])) is None
    assert peaks.peak_hour(quarters.iloc[:3]) is None
    assert peaks.peak_hour(quarters.iloc[:0]) is None
