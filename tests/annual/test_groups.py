"""Factor groups: planted patterns are found, the user's word holds, order does not matter."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from countmap.annual.groups import groups


@pytest.fixture
def made():
    """Return ten stations: five commuter roads and five summer roads, a little apart."""
    rng = np.random.default_rng(1)
    month = np.cos(2 * np.pi * (np.arange(12) - 6.5) / 12)
    answer = np.array([0.02] * 5 + [0.45] * 5)
    season = np.exp(answer[:, None] * month + rng.normal(0, 0.02, (10, 12)))
    week = np.exp(rng.normal(0, 0.02, (10, 7)))
    return [f"P{k}" for k in range(10)], season, week


def test_two_kinds_of_road_make_two_groups(made):
    found = groups(*made)
    assert found["group"].tolist() == ["group 1"] * 5 + ["group 2"] * 5
    assert (found["precision"] < 0.10).all()
    assert (found["cohesion"] < 0.06).all()


def test_one_group_when_it_is_precise_enough(made):
    names, season, week = made
    assert set(groups(names[:5], season[:5], week[:5])["group"]) == {"group 1"}


def test_the_order_of_stations_does_not_matter(made):
    names, season, week = made
    turn = np.random.default_rng(2).permutation(10)
    mixed = groups([names[k] for k in turn], season[turn], week[turn])
    pd.testing.assert_frame_equal(mixed, groups(*made))


def test_a_given_group_holds(made):
    found = groups(*made, given={"P0": "ring road", "P9": "ring road"}).set_index("station_id")
    assert found.loc[["P0", "P9"], "group"].tolist() == ["ring road"] * 2
    assert found.loc[["P0", "P9"], "given"].all()
    assert found.loc["P0", "stations"] == 2
    assert found.loc["P1", "group"] != found.loc["P5", "group"]


def test_precision_is_the_worst_month_s():
    """D = t(0.975, n − 1) · CV / √n; CV 0.10, n 7 → 9.25 % (worked for methods of this project)."""
    at = np.array([-1.0, 1, -1, 1, -1, 1, 0])
    season = np.ones((7, 12))
    season[:, 3] += 0.10 * at / at.std(ddof=1)
    found = groups(list("abcdefg"), season, np.ones((7, 7)))
    assert found["precision"].iloc[0] == pytest.approx(0.0925, abs=5e-5)
