"""Lost shares and swaps on two junctions in a row, each leg counted in a week of its own."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from made_balance import given, two_way
from made_hours import DAYS, cells, permanents, shape, year_of_days
from made_roads import net

from countmap.balance.hours import timeline
from countmap.balance.patterns import PATTERNS, basis, coefficients
from countmap.balance.tides import examine, study
from countmap.tables import SUSPECTS, require

NAMES = [f"P{i}" for i in range(8)]
ROADS = net(
    a=[(-1500, 0), (0, 0)],
    b=[(0, -1500), (0, 0)],
    c=[(0, 0), (1500, 0)],
    d=[(1500, 0), (3000, 0)],
    e=[(1500, 0), (1500, 1500)],
)
ENDS = "abde"
TRIPS = {
    "ab": (900, 0.1),
    "ad": (3200, 0.7),
    "ae": (1500, -0.3),
    "bd": (1700, -0.6),
    "be": (1200, 0.5),
    "de": (800, 0.2),
}
"""Trips a day each way between two ends, and how much the first way has of the morning."""


@pytest.fixture(scope="module")
def town():
    rng = np.random.default_rng(17)
    days = year_of_days(rng)
    weekend = np.asarray(DAYS.day_of_week >= 5)[:, None]
    flow = {(leg, s): np.zeros((len(DAYS), 24)) for leg in "abcde" for s in ("in", "out")}
    for (one, other), (level, tide) in TRIPS.items():
        for start, end, sign in ((one, other, 1), (other, one, -1)):
            work = shape(1 + sign * tide, 1 - sign * tide, 0.6)
            mean = level * days[:, None] * np.where(weekend, shape(0.1, 0.4, 1.2), work)
            trips = rng.poisson(mean)
            flow[start, "in"] += trips
            flow[end, "out"] += trips
            if (start in "ab") != (end in "ab"):
                flow["c", "in" if start in "ab" else "out"] += trips
    return permanents(rng, days), flow


def counted(town, *, kept=None, swapped=(), blank=()):
    """Return inputs and cells: ``kept`` maps a leg to the share its counter sees."""
    rng = np.random.default_rng(3)
    measure, flow = town
    parts, counts = [measure], {}
    for i, leg in enumerate("abcde"):
        at = slice(70 + 45 * i, 77 + 45 * i)
        # a, b and c are drawn towards where "in" goes, d and e away from the junction.
        senses = ("in", "out") if leg in "abc" else ("out", "in")
        if leg in swapped:
            senses = senses[::-1]
        share = (kept or {}).get(leg, 1.0)
        seen = [rng.binomial(flow[leg, s][at].astype(int), share) for s in senses]
        if leg in blank:
            continue
        counts[leg.upper()] = (leg, 700, two_way(*[n.sum() / 7 for n in seen]))
        for sense, n in zip(("with", "against"), seen, strict=True):
            parts.append(cells(leg.upper(), sense, n, DAYS[at]))
    inputs = given(ROADS, counts)
    kinds = pd.DataFrame({"station_id": NAMES, "kind": "permanent"})
    stations = pd.concat([inputs.stations.assign(kind="short"), kinds], ignore_index=True)
    object.__setattr__(inputs, "stations", stations.astype({"link_id": "str"}))
    return inputs, pd.concat(parts, ignore_index=True)


def test_sound_counts_accuse_nobody(town):
    inputs, frame = counted(town)
    assert examine(frame, inputs).empty


@pytest.mark.parametrize("share", [0.6, 0.65])
def test_a_loss_of_both_senses_is_named_with_its_size(town, share):
    inputs, frame = counted(town, kept={"c": share})
    found = study(frame, inputs)
    row = require(found.suspects, SUSPECTS).iloc[0]
    assert len(found.suspects) == 1
    assert (row["station_id"], row["hypothesis"], row["sense"]) == ("C", "scale", "both")
    assert row["size"] == pytest.approx(share - 1, abs=0.04)
    assert row["firm"]
    assert row["posterior"] > 0.9
    assert row["power"] > 15
    assert "both senses fit its neighbours as counts of" in row["evidence"]


def test_a_loss_of_both_senses_leaves_each_junction_balanced_by_day(town):
    _, flow = town
    inside = flow["c", "in"][70:77].sum() / flow["c", "out"][70:77].sum()
    assert inside == pytest.approx(1.0, abs=0.02)


def test_a_swap_is_named_as_a_swap(town):
    inputs, frame = counted(town, swapped=("c",))
    found = examine(frame, inputs)
    assert found[["station_id", "hypothesis"]].to_numpy().tolist() == [["C", "swap"]]
    assert np.isnan(found["size"].iloc[0])


def test_who_cannot_be_tested_is_said(town):
    inputs, frame = counted(town, blank=("b", "e"))
    found = study(frame, inputs)
    assert found.suspects.empty
    inputs, frame = counted(town)
    whole = study(frame, inputs)
    assert {u["station_id"] for u in whole.untestable} <= {"A", "B", "C", "D", "E"}
    assert all(u["reason"].startswith("by the hours: ") for u in whole.untestable)


def test_rows_in_any_order_give_the_same(town):
    inputs, frame = counted(town, kept={"c": 0.65})
    one, two = examine(frame, inputs), examine(frame.sample(frac=1.0, random_state=2), inputs)
    pd.testing.assert_frame_equal(one, two)


def test_patterns_bring_weeks_to_the_year(town):
    """A week's count becomes the annual figure of its own year of hours."""
    _, frame = counted(town)
    line = timeline(frame)
    base = basis(line, NAMES)
    found = coefficients(line, base, ["A", "C", "E"])
    for leg in "ace":
        level = found[leg.upper()].value @ base.total
        true = [town[1][leg, s].sum(axis=1).mean() for s in ("in", "out")]
        assert sorted(level) == pytest.approx(sorted(true), rel=0.05)
        assert found[leg.upper()].covariance.shape == (2 * PATTERNS, 2 * PATTERNS)


def test_few_permanents_make_no_basis(town):
    line = timeline(town[0])
    assert basis(line, NAMES[:5]) is None
    assert basis(line, NAMES[:6]) is not None
