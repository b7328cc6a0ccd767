"""Shares of season and weekday, groups of one, growth by group."""

from __future__ import annotations

from dataclasses import replace

import made_town_counts
import numpy as np
import pandas as pd
import pytest

from countmap.annual import factors
from countmap.annual.estimate import estimate
from countmap.annual.expand import ALL_HOURS, Block
from countmap.annual.pool import Pool, day_number

FIRST = day_number("2025-01-01")
DATES = pd.date_range("2025-01-01", "2025-12-31")


def pool(counts):
    hour = np.full((len(counts), counts.shape[1], 24), np.nan)
    series = [(f"P{k}", "both") for k in range(len(counts))]
    return Pool(series, np.arange(len(counts)), FIRST, counts, hour)


def shape(week):
    """Return a year whose weekdays and weeks multiply, on an AADT of its own mean."""
    season = 1 + 0.2 * np.sin(2 * np.pi * np.minimum((DATES.day_of_year - 1) // 7, 51) / 52)
    return np.asarray(1000 * np.array(week)[DATES.day_of_week] * season)[None]


@pytest.fixture(scope="module")
def made():
    """Return a small town, totals of whole days only."""
    inputs = made_town_counts.town(4, permanents=8, shorts=4).inputs
    days = inputs.day_totals.query("sense == 'both'")
    return replace(inputs, hour_cells=inputs.hour_cells.iloc[:0], day_totals=days)


def test_week_and_weekday_shares_give_such_a_year_back():
    counts = shape([1.1, 1.1, 1.1, 1.1, 1.1, 0.8, 0.7])
    level = counts.mean(axis=1)
    found = factors.shares(pool(counts), level, slice(0, 365), set(), "week")
    window = tuple(Block("day", ((FIRST + d, ALL_HOURS),), 0.0) for d in range(0, 364, 13))
    share = factors.block_shares(found, window)
    days = [block.first - FIRST for block in window]
    assert share[0] * level == pytest.approx(counts[0, days], rel=0.005)


def test_a_week_without_a_count_has_no_share():
    counts = shape([1.0] * 7)
    counts[0, 70:77] = np.nan
    found = factors.shares(pool(counts), np.array([1000.0]), slice(0, 365), set(), "week")
    window = tuple(Block("day", ((FIRST + d, ALL_HOURS),), 0.0) for d in (69, 70, 76, 77))
    assert np.isnan(factors.block_shares(found, window)[0]).tolist() == [False, True, True, False]


def growing(ratios):
    rows = [(name, year, 1000 * (ratio if year == 2025 else 1)) for name, ratio in ratios.items()
            for year in (2024, 2025)]  # fmt: skip
    return pd.DataFrame(rows, columns=["station_id", "year", "aadt"]).assign(sense="both")


def test_growth_of_a_group_is_drawn_to_that_of_all():
    ratios = {"a": 1.09, "b": 1.10, "c": 1.11, "d": 0.99, "e": 1.00, "f": 1.01}
    groups = dict(zip("abcdef", ["new"] * 3 + ["old"] * 3, strict=True))
    every = factors.growth(growing(ratios), "both", (2024, 2025))
    found = factors.growth(growing(ratios), "both", (2024, 2025), groups, "new")
    assert found.group == "new"
    assert 0.9 < found.own_weight < 1
    mean = np.log([1.09, 1.10, 1.11]).mean()
    expected = found.own_weight * mean + (1 - found.own_weight) * every.log_ratio
    assert found.log_ratio == pytest.approx(expected)
    assert found.log_se < 0.5 * every.log_se


def test_groups_that_grow_alike_are_one():
    ratios = {"a": 1.02, "b": 1.08, "c": 1.05, "d": 1.03, "e": 1.07, "f": 1.05}
    groups = dict(zip("abcdef", ["new"] * 3 + ["old"] * 3, strict=True))
    found = factors.growth(growing(ratios), "both", (2024, 2025), groups, "new")
    assert found.own_weight == 0
    assert found.log_ratio == pytest.approx(np.log(list(ratios.values())).mean())


def textbook(made, groups, **more):
    stations = made.stations.assign(group=made.stations["station_id"].map(groups))
    settings = replace(made.settings, method="textbook", **more)
    return estimate(replace(made, stations=stations, settings=settings))


def test_a_short_count_takes_the_shares_of_its_own_group(made):
    result = textbook(made, {"P01": "ring", "P02": "ring", "P03": "ring", "S10": "ring"})
    note = result.explanations["S10", "both"]
    assert (note["group_name"], note["group"]) == ("ring", ["P01", "P02", "P03"])
    assert note["stations_tested"] == 8
    assert note["form"] == "month × weekday"
    assert result.explanations["S11", "both"]["group"] == [f"P0{k}" for k in range(8)]
    table = result.groups.set_index("station_id")
    assert table.loc["P01", "given"]
    assert table.loc["P01", "stations"] == 3


def test_one_permanent_alone_can_be_the_group(made):
    note = textbook(made, {"P05": "own", "S10": "own"}, shares="week").explanations["S10", "both"]
    assert note["group"] == ["P05"]
    assert note["group_precision"] is None
    assert (note["stations_tested"], note["form"]) == (7, "week and weekday")


def test_a_group_without_a_permanent_leaves_the_count_unadjusted(made):
    annual = textbook(made, {"S10": "lake"}).annual.set_index("station_id")
    assert annual.loc["S10", "status"] == "unadjusted"
    assert annual.loc["S10", "reason"] == "no sound permanent station is in its group 'lake'"
