"""The decoder against simulated traffic: seeds here were never used to tune it."""

from __future__ import annotations

import numpy as np
import pytest
from made_tubes import FRESH_SEEDS, World, score, simulate

from countmap.errors import InvalidInput
from countmap.schemes.reader import load
from countmap.tubes.geometry import Geometry, entered
from countmap.tubes.pulses import Decoder, decode, decode_chunks
from countmap.tubes.runs import ALONE

SCHEME = load("austroads12")
SURVEYED = Geometry(1.0, 1.0, 0.05)


def measured(world, seed):
    times, tubes, truth = simulate(world, seed)
    found = decode(times, tubes, SURVEYED)
    explained = found.vehicles.pulses.sum() + found.repeats
    assert explained + len(found.orphans_us) + len(found.alone_us) == len(times)
    return score(found, truth, SCHEME, hours=world.hours), found


def test_usual_two_way_road():
    got, _ = measured(World(hours=4), FRESH_SEEDS[0])
    assert got["sense"] >= 0.999
    assert got["speed"] <= 0.2
    assert got["axles"] >= 0.993
    assert got["class"] >= 0.992
    assert got["quarter"] <= 0.006


@pytest.mark.parametrize(
    ("world", "classes"),
    [
        (World(hours=2, pull=0.8), 0.97),
        (World(hours=2, gap=0.4, platoon=0.3), 0.97),
        (World(hours=2, noise=30), 0.97),
        (World(hours=2, miss=0.1), 0.95),
        (World(hours=2, skew=5), 0.97),
    ],
    ids=["acceleration", "short headways", "noise", "misses", "skew"],
)
def test_unkind_roads(world, classes):
    got, _ = measured(world, FRESH_SEEDS[1])
    assert got["class"] >= classes
    assert got["day"] <= 0.02


def test_chunks_do_not_matter():
    times, tubes, _ = simulate(World(hours=6, flow=900), 5)
    whole = decode(times, tubes, SURVEYED).vehicles
    for size in (1, 997, 30_000):
        cut = range(0, len(times) if size > 1 else 3000, size)
        if size == 1:
            times, tubes = times[:3000], tubes[:3000]
            part = decode(times, tubes, SURVEYED).vehicles
        else:
            part = whole
        chunks = ((times[k : k + size], tubes[k : k + size]) for k in cut)
        found = decode_chunks(chunks, SURVEYED).vehicles
        for name in ("time_us", "speed_kmh", "spacings_m", "confidence", "axles"):
            assert getattr(found, name).tobytes() == getattr(part, name).tobytes()
        times, tubes, _ = simulate(World(hours=6, flow=900), 5)


def test_order_of_pulses_does_not_matter():
    times, tubes, _ = simulate(World(hours=0.5), 6)
    order = np.random.default_rng(0).permutation(len(times))
    a, b = (
        decode(t, x, SURVEYED).vehicles for t, x in ((times, tubes), (times[order], tubes[order]))
    )
    assert a.time_us.tobytes() == b.time_us.tobytes()
    assert a.spacings_m.tobytes() == b.spacings_m.tobytes()


def test_one_tube_cut_leaves_axles_alone():
    times, tubes, _ = simulate(World(hours=1, bounce=0), 7)
    cut = times > times[len(times) // 2]
    keep = ~(cut & (tubes == 1))
    found = decode(times[keep], tubes[keep], SURVEYED)
    assert len(found.alone_us) >= (cut & (tubes == 0)).sum() - ALONE
    assert not found.alone_b.any()
    assert found.vehicles.time_us.max() < times[len(times) // 2] + 30_000_000


def test_a_stamp_far_out_of_order_is_refused_in_one_line():
    decoder = Decoder(entered(1.0))
    decoder.feed([0, 5_000_000], [0, 1])
    with pytest.raises(InvalidInput, match=r"pulse 1: time_us 100 lies more than a second before"):
        decoder.feed([100], [0])


def test_a_braking_vehicle_holds_together():
    """Brakes at 2 m/s² from 50 km/h: lags grow, the axles stay one vehicle, and it says so."""
    v0, a, axles = 13.9, -2.0, np.array([0.0, 3.8, 5.1])

    def when(x):
        return (np.sqrt(v0**2 + 2 * a * x) - v0) / a

    stamps = np.concatenate([when(axles), when(axles + 1.0)])
    found = decode(np.round(stamps * 1e6), [0, 0, 0, 1, 1, 1], entered(1.0)).vehicles
    assert found.axles.tolist() == [3]
    assert found.accelerating.tolist() == [True]
    assert found.spacings_m == pytest.approx([3.8, 1.3], abs=0.03)


def test_two_vehicles_meet_on_the_tubes():
    def car(start, kmh, wheelbase, first):
        v = kmh / 3.6
        a = np.array([start, start + wheelbase / v])
        return [*a, *(a + 1 / v)], [first] * 2 + [1 - first] * 2

    (t1, x1), (t2, x2) = car(0.0, 50, 2.6, 0), car(0.05, 70, 3.0, 1)
    found = decode(np.round(np.array(t1 + t2) * 1e6), x1 + x2, entered(1.0)).vehicles
    assert found.b_first.tolist() == [False, True]
    assert found.speed_kmh == pytest.approx([50, 70], abs=0.1)
    assert found.spacings_m == pytest.approx([2.6, 3.0], abs=0.01)
