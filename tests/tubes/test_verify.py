"""The geometry from the data themselves, and the shares of a survey."""

from __future__ import annotations

import numpy as np
import pytest
from made_tubes import FRESH_SEEDS, World, simulate

from countmap.tubes.geometry import Geometry, entered, lag
from countmap.tubes.pulses import decode
from countmap.tubes.vehicles import Vehicles
from countmap.tubes.verify import geometry, shares, usual_wheelbase


def fleet(n, *, spacing=(1.0, 1.0), longer=0.0, seed=1):
    """Return ``n`` cars a sense as a counter reads them that knows 1 m alone, and the true mode."""
    rng = np.random.default_rng(seed)
    true = np.exp(rng.normal(np.log(2.65), 0.045, 2 * n))
    true = np.where(rng.random(2 * n) < 0.2, rng.normal(3.0, 0.08, 2 * n), true)
    b = np.arange(2 * n) % 2 == 1
    speed = rng.normal(80, 10, 2 * n)
    took = np.where(
        b,
        lag(speed, spacing[1], crossing="BA", length_difference_m=longer),
        lag(speed, spacing[0], crossing="AB", length_difference_m=longer),
    )
    took = took + rng.normal(0, 1e-4, 2 * n)
    read = 1 / took * 3.6
    none = np.full(2 * n, np.nan)
    two = np.full(2 * n, 2, np.int16)
    vehicles = Vehicles(
        time_us=np.arange(2 * n) * 10**6, b_first=b, speed_kmh=read,
        accelerating=np.zeros(2 * n, bool), axles=two, spacings_m=true * read / speed,
        confidence=np.ones(2 * n, np.float32), complete=two, pulses=two * 2, lag_change_s=none,
        lag_lever=none,
    )  # fmt: skip
    return vehicles, usual_wheelbase(true)


@pytest.mark.parametrize(
    ("spacing", "longer"),
    [((1.0, 1.0), 0.30), ((1.0, 1.0), -0.15), ((0.99, 1.03), 0.0), ((1.02, 1.02), 0.2)],
)
def test_geometry_within_five_centimetres_and_half_a_percent(spacing, longer):
    vehicles, mode = fleet(20_000, spacing=spacing, longer=longer, seed=FRESH_SEEDS[0])
    proposal, _ = geometry(vehicles, entered(1.0), wheelbase_m=mode)
    assert proposal is not None
    assert proposal.geometry.length_difference_m == pytest.approx(longer, abs=0.05)
    assert proposal.geometry.spacing_ab_m == pytest.approx(spacing[0], rel=0.005)
    assert proposal.geometry.spacing_ba_m == pytest.approx(spacing[1], rel=0.005)
    assert "a fleet 1 % off its reference shifts the spacing by 1 %" in proposal.evidence


def test_spacing_and_fleet_are_confounded():
    vehicles, mode = fleet(20_000)
    proposal, _ = geometry(vehicles, entered(1.0), wheelbase_m=1.01 * mode)
    assert proposal.geometry.spacing_ab_m == pytest.approx(1.01, abs=0.005)


def test_a_good_pair_gets_no_proposal_and_few_cars_give_none():
    vehicles, mode = fleet(20_000, seed=4)
    proposal, findings = geometry(vehicles, entered(1.0), wheelbase_m=mode)
    assert proposal is None
    assert {f.verdict for f in findings} == {"good"}
    few, _ = fleet(300, longer=0.5)
    assert geometry(few, entered(1.0)) == (None, ())


def test_without_a_reference_the_spacing_stays():
    vehicles, _ = fleet(20_000, spacing=(1.05, 1.05), longer=0.3)
    proposal, _ = geometry(vehicles, entered(1.0))
    assert not proposal.spacing_known
    assert proposal.geometry.spacing_ab_m == 1.0
    assert proposal.geometry.length_difference_m == pytest.approx(0.3, abs=0.06)


def test_from_pulses_to_the_length_difference():
    world = World(hours=10, flow=800, longer_b=0.4, speed=75)
    times, tubes, truth = simulate(world, FRESH_SEEDS[3])
    found = decode(times, tubes, entered(1.0)).vehicles
    proposal, _ = geometry(found, entered(1.0))
    error = max(3 * proposal.length_error_m, 0.05)
    assert proposal.geometry.length_difference_m == pytest.approx(0.4, abs=error)
    again = decode(times, tubes, Geometry(1.0, 1.0, proposal.geometry.length_difference_m))
    for side in (False, True):
        read = again.vehicles.speed_kmh[again.vehicles.b_first == side]
        true = truth.speed[truth.b_first == side]
        assert np.nanmean(read) == pytest.approx(true.mean(), rel=75 / 3.6 * error / 340)


def test_shares_have_verdicts():
    vehicles, _ = fleet(1000)
    found = {
        f.name: f.verdict
        for f in shares(vehicles, pulses=(4000, 3800), orphans=500, alone=0, unclassified=10)
    }
    assert found == {
        "tubes": "watch", "orphans": "bad", "missed": "good", "unclassified": "good",
        "fast": "good",
    }  # fmt: skip
