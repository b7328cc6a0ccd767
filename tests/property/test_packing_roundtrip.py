"""Whatever is packed comes back: numbers to their unit, text and nulls exactly, lines to theirs."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import LineString

from countmap.publish.packed import Lines, Numbers, Text, pack, unpack, unvarint, varint

numbers = st.lists(st.one_of(st.just(math.nan), st.floats(-1e9, 1e9)), max_size=40)
texts = st.lists(st.one_of(st.none(), st.text(max_size=12)), max_size=40)
points = st.tuples(st.floats(-180, 180), st.floats(-90, 90))
lines = st.lists(st.lists(points, min_size=2, max_size=9), max_size=12)


@given(st.lists(st.integers(0, 2**63 - 1), max_size=50))
def test_varints(values):
    assert unvarint(varint(np.array(values, dtype=np.uint64))).tolist() == values


@given(numbers, st.sampled_from([1, 10, 1000]))
def test_numbers(values, scale):
    read = unpack(pack({"t": {"n": Numbers(values, scale)}}))["t"]["n"]
    assert len(read) == len(values)
    for got, given_ in zip(read, values, strict=True):
        if math.isnan(given_):
            assert got is None
        else:
            assert abs(got - given_) <= 0.5 / scale + 1e-6


@given(texts)
def test_text(values):
    readable = [v if v is None else v.encode("utf-8", "replace").decode() for v in values]
    assert unpack(pack({"t": {"s": Text(values)}}))["t"]["s"] == readable


@given(lines)
def test_lines(values):
    shapes = np.array([LineString(v) for v in values], dtype=object)
    read = unpack(pack({"t": {"g": Lines(shapes)}}))["t"]["g"]
    assert [len(line) for line in read] == [len(v) for v in values]
    for got, given_ in zip(read, values, strict=True):
        np.testing.assert_allclose(got, given_, atol=0.5e-5 + 1e-9)
