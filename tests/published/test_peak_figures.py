"""Peak figures of manuals.

TRB, *Highway Capacity Manual* (from memory): quarter-hours of 1,000, 1,200, 1,100 and 1,000 make an
hour of 4,300 and a flow rate of 4,800, PHF 0.896. FDOT, *Project Traffic Forecasting Handbook* (quoted by
public texts): AADT 34,000, K 8 %, D 52.76 % give 2,720 and 1,435 vehicles an hour.
"""

from __future__ import annotations

import pandas as pd
import pytest

from countmap.annual import factors, peaks


def test_hcm_peak_hour_factor():
    start = pd.date_range("2025-05-06 17:00", periods=4, freq="15min")
    found = peaks.peak_hour(pd.Series([1000.0, 1200.0, 1100.0, 1000.0], start))
    assert found["volume"] == 4300
    assert 4 * found["quarter"] == 4800
    assert found["phf"] == pytest.approx(0.896, abs=0.0005)


def test_fdot_design_hour():
    assert peaks.directional_design_hour(34_000, 0.08, 1.0) == pytest.approx(2_720)
    assert peaks.directional_design_hour(34_000, 0.08, 0.5276) == pytest.approx(1_435, abs=0.5)


@pytest.mark.parametrize(("stations", "precision"), [(7, 0.0925), (6, 0.1049)])
def test_tmg_precision_of_a_group(stations, precision):
    """FHWA Traffic Monitoring Guide's D (from memory), CV 0.10 at 95 %."""
    assert factors.precision(0.10, stations) == pytest.approx(precision, abs=5e-5)
