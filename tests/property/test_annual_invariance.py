"""The annual estimate does not care about the order of rows, and scales with the counts."""

from __future__ import annotations

from dataclasses import replace

import made_town_counts
import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from countmap.annual import continuous
from countmap.annual.estimate import estimate

FIGURES = ["aadt", "lower", "upper", "log_se", "aawt", "days"]
few = settings(
    max_examples=4, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck)
)


@pytest.fixture(scope="module")
def inputs():
    """Return a small town, totals only."""
    made = made_town_counts.town(11, permanents=5, shorts=5).inputs
    return replace(
        made,
        hour_cells=made.hour_cells.query("sense == 'both'"),
        day_totals=made.day_totals.query("sense == 'both'"),
    )


@pytest.fixture(scope="module")
def before(inputs):
    return estimate(inputs).annual


@few
@given(seed=st.integers(0, 2**32 - 1))
def test_the_order_of_rows_changes_no_bit(inputs, before, seed):
    mixed = replace(
        inputs,
        hour_cells=inputs.hour_cells.sample(frac=1, random_state=seed),
        day_totals=inputs.day_totals.sample(frac=1, random_state=seed),
        stations=inputs.stations.sample(frac=1, random_state=seed),
    )
    pd.testing.assert_frame_equal(estimate(mixed).annual, before, check_exact=True)


@few
@given(factor=st.sampled_from([0.5, 2.0, 3.0, 10.0]))
def test_scaling_every_count_scales_every_figure(inputs, before, factor):
    scaled = replace(
        inputs,
        hour_cells=inputs.hour_cells.assign(count=inputs.hour_cells["count"] * factor),
        day_totals=inputs.day_totals.assign(count=inputs.day_totals["count"] * factor),
    )
    after = estimate(scaled).annual
    assert after["aadt"].to_numpy() == pytest.approx(before["aadt"].to_numpy() * factor, rel=1e-9)
    assert list(after["status"]) == list(before["status"])
    measured = before["status"] == "measured"
    assert after.loc[measured, "aadt"].to_numpy() == pytest.approx(
        before.loc[measured, "aadt"].to_numpy() * factor, rel=1e-12
    )


@settings(max_examples=20, deadline=None, derandomize=True)
@given(year=st.sampled_from([2023, 2024, 2025]), seed=st.integers(0, 1000))
def test_both_estimators_stay_within_the_days_they_average(year, seed):
    date = pd.date_range(f"{year}-01-01", f"{year}-12-31").as_unit("us")
    count = np.random.default_rng(seed).uniform(0, 5000, len(date))
    days = pd.DataFrame({"station_id": "p", "sense": "both", "date": date, "count": count})
    hours = days.loc[days.index.repeat(24)].reset_index(drop=True)
    hours = hours.assign(hour=np.tile(np.arange(24), len(days)), count=hours["count"] / 24)
    mean = continuous.plain_mean(days)["aadt"].item()
    assert continuous.fhwa_hourly(hours)["aadt"].item() == pytest.approx(mean, rel=1e-12)
    assert count.min() < continuous.aashto(days)["aadt"].item() < count.max()
