"""The chance that two Poisson counts agree, against the Skellam distribution of scipy.stats.

Skellam, J. G. (1946), "The frequency distribution of the difference between two Poisson variates",
J. R. Statist. Soc. 109: the difference of two independent Poisson variates of mean v is zero with
probability e^(−2v) I₀(2v). The rules `identical` and `copied` rest on it.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import special, stats

from countmap import tables
from countmap.counts import checks
from countmap.counts.rules import RULES

ONLY = {name: {"off": True} for name in RULES if name != "identical"}


@pytest.mark.parametrize("mean", [1, 6, 50, 400, 5000])
def test_formula_is_the_skellam_probability_of_zero(mean):
    assert special.ive(0, 2 * mean) == pytest.approx(stats.skellam.pmf(0, mean, mean), rel=1e-6)


@pytest.mark.parametrize("value", [20, 400])
def test_a_run_is_found_from_the_length_at_which_the_expectation_falls_below_the_limit(value):
    """size · p^(k−1) < 0.001, p from scipy's Skellam."""
    size, p = 24 * 40, stats.skellam.pmf(0, value, value)
    least = max(4, int(np.floor(1 + np.log(1e-3 / size) / np.log(p))) + 1)
    assert [len(flags_of_run(value, k)) for k in (least - 1, least)] == [0, 1]


def flags_of_run(value, length):
    days = pd.date_range("2025-03-03", periods=40, freq="D").as_unit("us")
    count = value + np.tile([0.0, 1.0], 480)
    count[100 : 100 + length] = value
    count[100 + length] = count[99] = value + 2
    hours = pd.DataFrame(
        {
            "station_id": "S1",
            "sense": "with",
            "date": np.repeat(days, 24),
            "hour": np.tile(np.arange(24), 40),
            "count": count,
            "minutes": 60.0,
            "minutes_expected": 60.0,
            "quantity": "vehicles",
        }
    )
    stations = pd.DataFrame({"station_id": ["S1"], "kind": ["short"]})
    empty = (tables.empty(t) for t in (tables.PERIODS, tables.LINKS, tables.DAYS))
    periods, links, days_ = empty
    return checks.run(hours, hours, periods, stations, links, days_, ONLY)
