"""Check vectors for the annual averages of a permanent station.

The formulas are those of the FHWA Traffic Monitoring Guide 2022 (AASHTO: appendix L, read in the
source; FHWA hourly: chapter 3, quoted by Jessberger et al. 2016, TRR 2593). The expected figures
are derived from them by hand arithmetic for years of a simple weekly and seasonal shape.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from countmap.annual import continuous

WEEK = np.array([1000, 1000, 1000, 1000, 1000, 700, 500.0])


def days(year, count):
    date = pd.date_range(f"{year}-01-01", f"{year}-12-31").as_unit("us")
    return pd.DataFrame({"station_id": "P1", "sense": "both", "date": date, "count": count(date)})


def hours(day_totals):
    """Spread each day evenly over its 24 hours."""
    out = day_totals.loc[day_totals.index.repeat(24)].reset_index(drop=True)
    return out.assign(hour=np.tile(np.arange(24), len(day_totals)), count=out["count"] / 24)


def week(date):
    return WEEK[date.day_of_week]


def month_is(month, low):
    return lambda date: np.where(date.month == month, low, 1000.0)


def seasonal(date):
    season = np.where(np.isin(date.month, [12, 1, 2]), 0.8, 1.0)
    return week(date) * np.where(np.isin(date.month, [6, 7, 8]), 1.2, season)


def sundays_gone(date):
    gone = (date.month == 7) & (date.day_of_week == 6) & (date.day != 2)
    return np.where(gone, np.nan, week(date))


@pytest.mark.parametrize(
    ("year", "shape", "aashto", "fhwa"),
    [
        (2023, week, 885.7143, 884.6575),
        (2023, sundays_gone, 885.7143, 884.6575),
        (2023, month_is(1, 500.0), 958.3333, 957.5342),
        (2024, month_is(2, 500.0), 958.3333, 960.3825),
        (2024, seasonal, 885.7143, 886.5574),
    ],
)
def test_both_estimators(year, shape, aashto, fhwa):
    totals = days(year, shape)
    assert continuous.aashto(totals)["aadt"].item() == pytest.approx(aashto, abs=5e-5)
    assert continuous.fhwa_hourly(hours(totals))["aadt"].item() == pytest.approx(fhwa, abs=5e-5)


def test_the_plain_mean_follows_the_gaps():
    assert continuous.plain_mean(days(2023, sundays_gone))["aadt"].item() == pytest.approx(
        888.9197, abs=5e-5
    )


def test_fhwa_equals_the_plain_mean_of_a_complete_year():
    totals = days(2024, seasonal)
    fhwa = continuous.fhwa_hourly(hours(totals)).iloc[0]
    mean = continuous.plain_mean(totals).iloc[0]
    assert fhwa["aadt"] == pytest.approx(mean["aadt"], rel=1e-12)
    assert fhwa["aawt"] == pytest.approx(mean["aawt"], rel=1e-12)


def test_june_madt():
    months = continuous.aashto_monthly(days(2024, seasonal)).set_index("month")
    assert months.loc[6, "madt"] == pytest.approx(1062.8571, abs=5e-5)
    hourly = continuous.fhwa_monthly(hours(days(2024, seasonal))).set_index("month")
    # June 2024 has five Saturdays and five Sundays, so its days' mean lies lower.
    assert hourly.loc[6, "madt"] == pytest.approx(1.2 * (20 * 1000 + 5 * 700 + 5 * 500) / 30)
