"""Varints and zig-zag numbers against the Protocol Buffers encoding guide (values from memory)."""

from __future__ import annotations

import numpy as np
import pytest

from countmap.publish.packed import unvarint, unzigzag, varint, zigzag


@pytest.mark.parametrize(("number", "written"), [(1, "01"), (150, "96 01"), (300, "ac 02")])
def test_varints_of_the_guide(number, written):
    # Protocol Buffers, Encoding, "Base 128 Varints".
    data = varint(np.array([number], dtype=np.uint64))
    assert data.hex(" ") == written
    assert unvarint(data).tolist() == [number]


def test_zigzag_table_of_the_guide():
    # Protocol Buffers, Encoding, "Signed Integers": the table of ZigZag values.
    signed = np.array([0, -1, 1, -2, 0x7FFFFFFF, -0x80000000], dtype=np.int64)
    assert zigzag(signed).tolist() == [0, 1, 2, 3, 0xFFFFFFFE, 0xFFFFFFFF]
    assert unzigzag(zigzag(signed)).tolist() == signed.tolist()
