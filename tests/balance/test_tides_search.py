"""The evidence for each hypothesis against a reference library, and two faults side by side."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from made_balance import given, two_way
from made_hours import hourly, permanents, year_of_days
from made_roads import net
from scipy.stats import multivariate_normal

from countmap.balance import evidence as weighing
from countmap.balance.evidence import ODDS, weigh
from countmap.balance.hours import timeline
from countmap.balance.patterns import PATTERNS, basis, coefficients
from countmap.balance.tides import examine, study
from countmap.balance.views import ground, view

NAMES = [f"P{i}" for i in range(8)]
SERIES = net(a=[(0, 0), (5000, 0)])
SENSES = ["with", "against"]


@pytest.fixture(scope="module")
def days_and_permanents():
    rng = np.random.default_rng(5)
    days = year_of_days(rng)
    return days, permanents(rng, days)


def series(days_and_permanents, kept):
    """Return inputs and cells of stations in series, each in a week of its own, with what each keeps."""
    days, cells = days_and_permanents
    counts, parts = {}, [cells]
    for i, (name, share) in enumerate(kept.items()):
        rng = np.random.default_rng(i)
        flow = 3000.0 * share
        week = slice(100 + 14 * i, 107 + 14 * i)
        counts[name] = ("a", 500 + 800 * i, two_way(flow, flow))
        parts += hourly(rng, name, (flow, flow), 0.4, days, days=week).values()
    inputs = given(SERIES, counts)
    kinds = pd.DataFrame({"station_id": NAMES, "kind": "permanent"})
    stations = pd.concat([inputs.stations.assign(kind="short"), kinds], ignore_index=True)
    return replace(inputs, stations=stations.astype({"link_id": "str"})), pd.concat(parts)


@pytest.fixture(scope="module")
def region(days_and_permanents):
    inputs, cells = series(days_and_permanents, {"A": 1.0, "B": 0.65, "C": 1.0})
    line = timeline(cells)
    base = basis(line, NAMES)
    (one,) = weigh(inputs, base, coefficients(line, base, line.stations())).regions
    # Wide enough that the scatter of the patterns asks for no more.
    white = np.linalg.solve(np.linalg.cholesky(one.covariance), one.residual)
    return replace(one, covariance=one.covariance * max(1.0, np.median(white**2) / 0.45))


def whole(evidence, fault):
    """Return the design of a hypothesis over all rows."""
    full = np.zeros((len(evidence.residual), fault.design.shape[1]))
    rows = (np.array(fault.areas)[:, None] * PATTERNS + np.arange(PATTERNS)).ravel()
    full[rows] = fault.design
    return full


def log_density(evidence, faults):
    """Return the log density of the residuals with some faults there (scipy, no algebra of ours)."""
    mean, covariance = np.zeros(len(evidence.residual)), evidence.covariance.copy()
    for fault in faults:
        design = whole(evidence, fault)
        mean += design.sum(axis=1) * fault.mean
        covariance += fault.sd**2 * design @ design.T
    return multivariate_normal(mean, covariance).logpdf(evidence.residual)


@pytest.mark.parametrize("members", [[], ["swap"], ["scale", "leak"]])
def test_the_odds_by_the_hours_are_the_ratio_of_two_densities(region, members):
    """Reference: scipy.stats.multivariate_normal."""
    taken = [next(j for j, f in enumerate(region.faults) if f.kind == kind) for kind in members]
    seen = view(ground(region), taken)
    there = [region.faults[j] for j in taken]
    plain = log_density(region, there)
    for j, fault in enumerate(region.faults):
        if j not in taken:
            odds = log_density(region, [*there, fault]) - plain + np.log(ODDS[fault.kind])
            assert seen.hours[j] == pytest.approx(odds, abs=1e-5)


def test_a_place_has_one_fault(region):
    base = ground(region)
    taken = next(j for j, f in enumerate(region.faults) if f.kind == "scale")
    gain = view(base, [taken]).gain
    station = region.faults[taken].at
    same = [j for j, f in enumerate(region.faults) if f.at == station]
    assert len(same) == 5
    assert np.isneginf(gain[same]).all()


def test_two_neighbours_that_lose_alike_are_both_named(days_and_permanents):
    """One fault between them would be a street nobody declared, or two counters that find too many."""
    kept = {"A": 1.0, "B": 1.0, "C": 0.65, "D": 0.65, "E": 1.0, "F": 1.0}
    inputs, cells = series(days_and_permanents, kept)
    found = examine(cells, inputs)
    assert sorted(found["station_id"]) == ["C", "D"]
    assert set(found["hypothesis"]) == {"scale"}
    assert found["size"].to_numpy() == pytest.approx([-0.35, -0.35], abs=0.04)


def test_a_region_too_large_is_said_and_left_out(days_and_permanents, monkeypatch):
    monkeypatch.setattr(weighing, "MOST_AREAS", 3)
    inputs, cells = series(days_and_permanents, {"A": 1.0, "B": 0.65, "C": 1.0})
    found = study(cells, inputs)
    assert found.suspects.empty
    assert [u["station_id"] for u in found.untestable] == ["A", "B", "C"]
    assert found.untestable[0]["reason"] == (
        "by the hours: 4 places hang together around it, more than the 1,200 that are weighed at "
        "once; balance a part of the network at a time"
    )
