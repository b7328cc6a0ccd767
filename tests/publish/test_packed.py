"""The packed form as it lies in the page."""

from __future__ import annotations

import base64
import gzip
import json

import numpy as np
import pytest
from shapely.geometry import LineString, MultiLineString, Point

from countmap.errors import InvalidInput
from countmap.publish.packed import Lines, Numbers, Text, embed, pack, unpack


def test_the_bytes_are_as_described():
    data = pack({"t": {"n": Numbers([0, -1, np.nan, 64]), "s": Text(["a", None, "a", "b"])}})
    size = int.from_bytes(data[4:8], "little")
    directory = json.loads(data[8 : 8 + size])
    assert data[:4] == b"CMP1"
    assert directory["t"]["rows"] == 4
    assert directory["t"]["columns"]["s"] == {"kind": "text", "words": ["a", "b"], "bytes": 4}
    assert data[8 + size :].hex(" ") == "01 02 00 81 01 01 00 01 02"


def test_columns_of_several_tables_keep_apart():
    read = unpack(pack({"a": {"n": Numbers([1, 2])}, "b": {"m": Numbers([0.25], 100)}, "c": {}}))
    assert read == {"a": {"n": [1.0, 2.0]}, "b": {"m": [0.25]}, "c": {}}


def test_neighbouring_lines_cost_two_bytes_a_vertex():
    at = np.cumsum(np.full((5000, 2), 4e-4), axis=0)
    lines = np.array([LineString(at[k : k + 5]) for k in range(0, 4990, 5)], dtype=object)
    assert len(pack({"t": {"g": Lines(lines)}})) < 2.3 * 5000


@pytest.mark.parametrize("shape", [Point(1, 2), MultiLineString([[(0, 0), (1, 1)]]), LineString()])
def test_only_lines_are_lines(shape):
    with pytest.raises(InvalidInput, match=r"geometry 1 is .*, not a line; explode or drop it"):
        pack({"t": {"g": Lines(np.array([LineString([(0, 0), (1, 1)]), shape], dtype=object))}})


def test_other_bytes_are_refused():
    with pytest.raises(InvalidInput, match="packed tables begin with b'CMP1', got b'PK"):
        unpack(b"PK\x03\x04")


def test_embedding_is_gzip_in_base64_without_a_time_stamp():
    text = embed(b"abc" * 100)
    assert gzip.decompress(base64.b64decode(text)) == b"abc" * 100
    assert base64.b64decode(text)[4:8] == b"\0\0\0\0"
