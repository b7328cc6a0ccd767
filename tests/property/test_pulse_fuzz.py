"""Any sequence of pulses gives a result: every pulse in a vehicle, a repeat, an orphan, or alone."""

from __future__ import annotations

import time

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from countmap.tubes.geometry import Geometry, entered
from countmap.tubes.pulses import decode, decode_chunks

SPANS = st.sampled_from([1_000, 100_000, 3_000_000, 100_000_000])


def whole(found, number):
    v = found.vehicles
    assert v.pulses.sum() + found.repeats + len(found.orphans_us) + len(found.alone_us) == number
    assert found.pulses == number
    assert len(v.spacings_m) == np.maximum(v.axles - 1, 0).sum()
    assert (v.complete <= v.axles).all()
    assert np.isfinite(v.spacings_m).all()
    assert ((v.confidence >= 0.5) & (v.confidence <= 1)).all()


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0, 1), st.booleans()), max_size=120),
    SPANS,
    st.sampled_from([0.3, 1.0, 5.0]),
    st.sampled_from([-0.5, 0.0, 2.0]),
)
def test_every_pulse_ends_somewhere(pulses, span, spacing, longer):
    times = np.array([int(t * span) for t, _ in pulses], np.int64)
    tubes = np.array([b for _, b in pulses], np.int8)
    whole(decode(times, tubes, Geometry(spacing, spacing, longer)), len(times))


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6), st.integers(1, 400), st.integers(1, 60))
def test_chunks_of_noise_do_not_matter(seed, number, size):
    rng = np.random.default_rng(seed)
    times = np.sort(rng.integers(0, 40_000 * number, number))
    tubes = rng.integers(0, 2, number).astype(np.int8)
    a = decode(times, tubes, entered(1.0))
    b = decode_chunks(
        [(times[k : k + size], tubes[k : k + size]) for k in range(0, number, size)], entered(1.0)
    )
    assert a.vehicles.time_us.tobytes() == b.vehicles.time_us.tobytes()
    assert a.orphans_us.tobytes() == b.orphans_us.tobytes()


def test_a_storm_of_pulses_ends():
    """Twenty thousand pulses in a second on two tubes: a result, and soon."""
    rng = np.random.default_rng(4)
    times = np.sort(rng.integers(0, 20_000, 20_000)) * 50
    tubes = rng.integers(0, 2, len(times)).astype(np.int8)
    began = time.process_time()
    whole(decode(times, tubes, entered(1.0)), len(times))
    assert time.process_time() - began < 30


def test_one_tube_and_same_stamps():
    whole(decode(np.arange(500) * 1000, np.zeros(500, np.int8), entered(1.0)), 500)
    whole(decode(np.zeros(300, np.int64), np.tile([0, 1], 150), entered(1.0)), 300)
    whole(decode([], [], entered(1.0)), 0)
