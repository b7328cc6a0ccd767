"""Vehicles to interval counts, speed figures, headways."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from countmap.counts.periods import (
    cells,
    headways,
    interval_counts,
    percentile_from_bins,
    sample_size,
    speed_figures,
)
from countmap.errors import InvalidInput
from countmap.tables import PERIODS, require

START = pd.Timestamp("2025-03-04T06:00Z")


def made(n=400, seed=1):
    rng = np.random.default_rng(seed)
    time = START + pd.to_timedelta(np.sort(rng.integers(0, 7200, n)), unit="s")
    return pd.DataFrame(
        {
            "time": pd.Series(time).dt.as_unit("us"),
            "sense": rng.choice(["with", "against"], n).astype(object),
            "speed_kmh": np.where(rng.random(n) < 0.05, np.nan, rng.normal(55, 9, n)),
            "vehicle_class": rng.choice(["1", "3", "unclassified"], n).astype(object),
            "scheme": "austroads12",
            "survey_id": "V1",
        }
    )


def counted(vehicles, **options):
    span = (START, START + pd.Timedelta(hours=2))
    return of_span(vehicles, span, **options)


def of_span(vehicles, span, *, minutes=15, silent=None, **options):
    parts = [cells(half, minutes=minutes, **options) for half in (vehicles[::2], vehicles[1::2])]
    return interval_counts(
        pd.concat(parts), span, "Europe/Berlin", station_id="S1", survey_id="V1",
        scheme="austroads12", minutes=minutes, silent=silent,
    )  # fmt: skip


def test_every_vehicle_of_a_whole_interval_is_counted_once():
    vehicles = made()
    found = counted(vehicles, edges_kmh=[0, 50, 60, 300])
    require(found, PERIODS)
    assert found["count"].sum() == len(vehicles)
    for (sense, name), here in vehicles.groupby(["sense", "vehicle_class"]):
        rows = found[(found["sense"] == sense) & (found["vehicle_class"] == name)]
        assert rows["count"].sum() == len(here)
    slow = found[found["speed_high_kmh"] == 50]["count"].sum()
    assert slow == (vehicles["speed_kmh"] < 50).sum()
    assert found[found["speed_low_kmh"].isna()]["count"].sum() == vehicles["speed_kmh"].isna().sum()
    assert set(found["utc_offset_min"]) == {60}


def test_partial_intervals_are_left_out_and_silent_ones_missing():
    vehicles = made()
    span = (START + pd.Timedelta(minutes=1), START + pd.Timedelta(minutes=44))
    found = of_span(vehicles, span, by_class=False)
    assert found["start_utc"].dt.minute.unique().tolist() == [15]
    silent = pd.Series([START + pd.Timedelta(minutes=20)])
    found = counted(vehicles, by_class=False, silent=silent)
    assert found[found["count"].isna()]["start_utc"].dt.minute.tolist() == [15, 15]
    assert len(found) == 16


def test_an_interval_without_vehicles_is_an_observed_zero():
    found = counted(made().iloc[:0], by_class=False)
    assert found["count"].tolist() == [0.0] * 16


def test_no_use_of_odd_intervals():
    with pytest.raises(InvalidInput, match="7 minutes do not divide the hour"):
        counted(made(), minutes=7)
    with pytest.raises(InvalidInput, match="do not rise"):
        counted(made(), edges_kmh=[50, 40])


def test_v85_from_bins_agrees_with_the_vehicles():
    speeds = np.random.default_rng(3).normal(58, 8, 40_000)
    edges = np.arange(0, 140, 2)
    binned = percentile_from_bins(edges, np.histogram(speeds, edges)[0])
    assert binned == pytest.approx(speed_figures(speeds)["v85"], abs=0.25)
    assert math.isnan(percentile_from_bins(edges, np.zeros(len(edges) - 1)))


def test_sample_sizes_of_a_course_text():
    """Institute of Transportation Engineers' formula as printed in a course: 18 and 30."""
    assert round(sample_size(5.3, 3, u=1.04), 2) == 18.47
    assert round(sample_size(6.7, 3, u=1.04), 1) == 29.5


def test_headways_by_sense_whatever_the_order():
    found = headways([5_000_000, 0, 2_000_000, 9_000_000], ["with", "with", "against", "with"])
    assert found[[0, 3]].tolist() == [5.0, 4.0]
    assert np.isnan(found[[1, 2]]).all()
