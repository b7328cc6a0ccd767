"""Frames packed small for a page: quantised numbers, delta-coded lines, text by dictionary.

The form is a directory (JSON) and one byte stream:

    "CMP1" · length of the directory, uint32 little-endian · directory · streams in its order

Numbers are integers in units of 1/scale, zig-zag coded and shifted by one so that 0 is null, then
written seven bits a byte, low bits first (a varint, as in the open Protocol Buffers encoding).
Lines are vertex counts, then zig-zag differences of x and y from the vertex before, running on from
line to line. The browser's side of this is ``static/unpack.js``.
"""

from __future__ import annotations

import base64
import gzip
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from countmap.errors import InvalidInput

MAGIC = b"CMP1"
DEGREES = 1e5  # units a degree: 1.1 m north to south, less east to west


@dataclass(frozen=True, slots=True)
class Numbers:
    """A column of numbers; NaN is null. Kept to 1/``scale``."""

    values: ArrayLike
    scale: float = 1.0


@dataclass(frozen=True, slots=True)
class Text:
    """A column of text; None and NaN are null."""

    values: Sequence[Any]


@dataclass(frozen=True, slots=True)
class Lines:
    """A column of LineStrings in degrees, kept to 1/``scale``."""

    values: ArrayLike
    scale: float = DEGREES


Column = Numbers | Text | Lines
Tables = Mapping[str, Mapping[str, Column]]


def zigzag(values: NDArray[np.int64]) -> NDArray[np.uint64]:
    """Fold signed integers onto unsigned ones: 0, −1, 1, −2, … become 0, 1, 2, 3, …

    >>> zigzag(np.array([0, -1, 1, -2])).tolist()
    [0, 1, 2, 3]
    """
    return ((values << 1) ^ (values >> 63)).astype(np.uint64)


def unzigzag(values: NDArray[np.uint64]) -> NDArray[np.int64]:
    """Undo `zigzag`."""
    half = (values >> np.uint64(1)).astype(np.int64)
    return half ^ -(values & np.uint64(1)).astype(np.int64)


def varint(values: NDArray[np.uint64]) -> bytes:
    """Write unsigned integers seven bits a byte, low bits first; the top bit says that more follow.

    >>> varint(np.array([1, 127, 128, 300], dtype=np.uint64)).hex(" ")
    '01 7f 80 01 ac 02'
    """
    if len(values) == 0:
        return b""
    size = np.ones(len(values), dtype=np.int64)
    rest = values >> np.uint64(7)
    while rest.any():
        size += rest > 0
        rest = rest >> np.uint64(7)
    start = np.cumsum(size) - size
    out = np.zeros(int(size.sum()), dtype=np.uint8)
    for place in range(int(size.max())):
        here = size > place
        byte = (values[here] >> np.uint64(7 * place)) & np.uint64(0x7F)
        more = (size[here] > place + 1).astype(np.uint64) << np.uint64(7)
        out[start[here] + place] = (byte | more).astype(np.uint8)
    return out.tobytes()


def unvarint(data: bytes) -> NDArray[np.uint64]:
    """Undo `varint`."""
    raw = np.frombuffer(data, dtype=np.uint8)
    if len(raw) == 0:
        return np.zeros(0, dtype=np.uint64)
    start = np.flatnonzero(np.r_[True, raw[:-1] < 0x80])
    place = np.arange(len(raw)) - np.repeat(start, np.diff(np.r_[start, len(raw)]))
    parts = (raw & 0x7F).astype(np.uint64) << (7 * place).astype(np.uint64)
    return np.add.reduceat(parts, start)


def _numbers(column: Numbers) -> tuple[dict[str, Any], bytes]:
    values = np.asarray(column.values, dtype=np.float64)
    null = np.isnan(values)
    units = np.rint(np.where(null, 0.0, values) * column.scale).astype(np.int64)
    codes = np.where(null, np.uint64(0), zigzag(units) + np.uint64(1))
    return {"kind": "numbers", "scale": column.scale}, varint(codes)


def _text(column: Text) -> tuple[dict[str, Any], bytes]:
    words: dict[str, int] = {}
    codes = [
        0 if value is None or value != value else words.setdefault(str(value), len(words) + 1)  # noqa: PLR0124  # NaN is the only value that differs from itself
        for value in column.values
    ]
    return {"kind": "text", "words": list(words)}, varint(np.array(codes, dtype=np.uint64))


def _lines(column: Lines) -> tuple[dict[str, Any], bytes]:
    shapes = np.asarray(column.values, dtype=object)
    odd = np.flatnonzero((shapely.get_type_id(shapes) != 1) | shapely.is_empty(shapes))
    if len(odd):
        raise InvalidInput(
            f"geometry {odd[0]} is {shapes[odd[0]]!s:.60}, not a line; explode or drop it first"
        )
    counts = shapely.get_num_coordinates(shapes).astype(np.uint64)
    units = np.rint(shapely.get_coordinates(shapes) * column.scale).astype(np.int64)
    steps = np.diff(units, axis=0, prepend=np.zeros((1, 2), dtype=np.int64))
    return (
        {"kind": "lines", "scale": column.scale},
        varint(counts) + varint(zigzag(steps[:, 0])) + varint(zigzag(steps[:, 1])),
    )


def pack(tables: Tables) -> bytes:
    """Pack tables of columns into one byte string.

    Parameters
    ----------
    tables : dict of table name to dict of column name to Numbers, Text or Lines
        The columns of a table have one length.

    Raises
    ------
    InvalidInput
        A Lines column holds anything but a LineString.
    """
    directory: dict[str, Any] = {}
    streams: list[bytes] = []
    for table, columns in tables.items():
        entries: dict[str, Any] = {}
        rows = 0
        for name, column in columns.items():
            match column:
                case Numbers():
                    entry, stream = _numbers(column)
                case Text():
                    entry, stream = _text(column)
                case Lines():
                    entry, stream = _lines(column)
            rows = len(np.asarray(column.values, dtype=object))
            entries[name] = entry | {"bytes": len(stream)}
            streams.append(stream)
        directory[table] = {"rows": rows, "columns": entries}
    head = json.dumps(directory, ensure_ascii=False, separators=(",", ":"))
    head_bytes = head.encode("utf-8", "replace")
    return b"".join((MAGIC, len(head_bytes).to_bytes(4, "little"), head_bytes, *streams))


def unpack(data: bytes) -> dict[str, dict[str, list[Any]]]:
    """Read what `pack` wrote: numbers as floats (None for null), lines as arrays of degrees.

    Raises
    ------
    InvalidInput
        The bytes are not a packed table.
    """
    if data[:4] != MAGIC:
        raise InvalidInput(f"packed tables begin with {MAGIC!r}, got {data[:4]!r}")
    at = 8 + int.from_bytes(data[4:8], "little")
    directory = json.loads(data[8:at])
    tables: dict[str, dict[str, list[Any]]] = {}
    for table, entry in directory.items():
        columns = tables[table] = {}
        for name, column in entry["columns"].items():
            codes = unvarint(data[at : at + column["bytes"]])
            at += column["bytes"]
            columns[name] = _READERS[column["kind"]](codes, column, entry["rows"])
    return tables


def _read_numbers(codes: NDArray[np.uint64], column: dict[str, Any], rows: int) -> list[Any]:
    units = unzigzag(np.maximum(codes, np.uint64(1)) - np.uint64(1))
    return [
        None if code == 0 else float(unit) / column["scale"]
        for code, unit in zip(codes, units, strict=True)
    ]


def _read_text(codes: NDArray[np.uint64], column: dict[str, Any], rows: int) -> list[Any]:
    words = [None, *column["words"]]
    return [words[int(code)] for code in codes]


def _read_lines(codes: NDArray[np.uint64], column: dict[str, Any], rows: int) -> list[Any]:
    counts = codes[:rows].astype(np.int64)
    steps = unzigzag(codes[rows:]).reshape(2, -1).T
    degrees = np.cumsum(steps, axis=0) / column["scale"]
    return np.split(degrees, np.cumsum(counts)[:-1]) if rows else []


_READERS = {"numbers": _read_numbers, "text": _read_text, "lines": _read_lines}


def embed(data: bytes) -> str:
    """Return ``data`` gzipped (no time stamp: same in, same out) and in base64."""
    return base64.b64encode(gzip.compress(data, compresslevel=9, mtime=0)).decode("ascii")
