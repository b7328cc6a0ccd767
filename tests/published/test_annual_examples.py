"""Worked examples of manuals for short counts, through the doors that carry them.

FDOT, *Project Traffic Forecasting Handbook*: as quoted in public texts. The axle example and
Garber & Hoel, *Traffic and Highway Engineering*, are from memory of the books; the rounding chart
is North Carolina DOT's, quoted.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from countmap.annual import expand, factors
from countmap.rounding import rounded

GROUP = np.array([True])


def test_fdot_axle_count():
    """72 hours of axle pairs, seasonal factor 0.95, axle correction 0.98; the book prints 35,345."""
    counts = pd.DataFrame(
        {"station_id": "a", "count": [37_915.0, 37_987.0, 38_023.0], "quantity": "axle_pairs"}
    )
    vehicles, refused = expand.to_vehicles(counts, {"a": 2 / 0.98})
    assert not refused
    aadt = factors.level(vehicles["count"].sum(), np.full((1, 3), 1 / 0.95), GROUP)
    assert aadt == pytest.approx(35_354.7, abs=0.05)
    assert rounded(aadt) == 35_500


def test_fdot_classified_count_needs_no_axle_correction():
    counts = pd.DataFrame(
        {"station_id": "a", "count": [32_572.0, 32_553.0], "quantity": "vehicles"}
    )
    vehicles, _ = expand.to_vehicles(counts, {"a": 2 / 0.98})
    aadt = factors.level(vehicles["count"].sum(), np.full((1, 2), 1 / 1.05), GROUP)
    assert aadt == pytest.approx(34_190.6, abs=0.05)
    assert rounded(aadt) == 34_000


def test_axles_of_a_year():
    """Inputs as published by Ohio DOT's practice; the answer is arithmetic."""
    per_vehicle = 0.69 * 2 + 0.21 * 3 + 0.06 * 4 + 0.04 * 5
    assert per_vehicle == pytest.approx(2.45)
    axles = pd.DataFrame({"station_id": ["a"], "count": [4_372_096.0], "quantity": ["axles"]})
    vehicles, _ = expand.to_vehicles(axles, {"a": per_vehicle})
    assert vehicles["count"].item() / 365 == pytest.approx(4_889, abs=0.5)


def test_garber_and_hoel_hours_of_a_may_tuesday():
    """Hourly, daily and monthly expansion factors: 11,959 → 13,201 → 18,402."""
    counts = [400.0, 535.0, 650.0, 710.0, 650.0]
    hourly = [29.00, 22.05, 18.80, 17.10, 18.52]
    days = [
        factors.level(count, np.array([[1 / factor]]), GROUP)
        for count, factor in zip(counts, hourly, strict=True)
    ]
    assert np.mean(days) == pytest.approx(11_959, abs=0.5)
    week = factors.level(np.mean(days), np.array([[7 / 7.727]]), GROUP)
    assert week == pytest.approx(13_201, abs=1)
    assert factors.level(week, np.array([[1 / 1.394]]), GROUP) == pytest.approx(18_402, abs=1)


@pytest.mark.parametrize(("stations", "expected"), [(7, 0.0925), (6, 0.1049)])
def test_precision_of_a_factor_group(stations, expected):
    """D = t · CV / √n, Traffic Monitoring Guide; CV 0.10, from memory of the guide's target."""
    assert factors.precision(0.10, stations) == pytest.approx(expected, abs=5e-5)
