"""Frames to SQL values and back, with exactly the types of the contracts."""

from __future__ import annotations

import hashlib
import json
import struct
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from countmap.tables import Column, Table

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

_ENVELOPE_BYTES = (0, 32, 48, 48, 64)  # by the envelope code [OGC 12-128r18, 2.1.3]
_HEADER_BYTES = 8
_LITTLE_ENDIAN, _EMPTY = 0x01, 0x10


def conform(frame: pd.DataFrame, table: Table) -> pd.DataFrame:
    """Return the contract's columns of ``frame`` in the contract's types, where nothing is lost by it.

    Text kept as objects becomes text, whole floats become integers, times in a zone become UTC.
    What does not fit stays as it is, for ``tables.require`` to name. Absent columns stay absent.
    """
    columns = {
        c.name: _conformed(frame[c.name], c) for c in table.columns if c.name in frame.columns
    }
    return pd.DataFrame(columns, index=frame.index).reset_index(drop=True)


def _conformed(values: pd.Series, column: Column) -> pd.Series:
    kind = column.kind
    if kind == "geometry":
        return pd.Series(np.asarray(values, dtype=object), index=values.index)
    if kind == "list":
        return values
    null = values.isna()
    if null.all():
        return _all_null(len(values), column, values.index)
    is_type = pd.api.types
    if kind == "text":
        kept = values[~null]
        if kept.map(lambda v: isinstance(v, str)).all():
            return values.astype("str")
    elif kind == "float" and is_type.is_numeric_dtype(values) and not is_type.is_bool_dtype(values):
        return values.astype("float64")
    elif kind == "int" and is_type.is_numeric_dtype(values) and not null.any():
        if not is_type.is_bool_dtype(values) and (values % 1 == 0).all():
            return values.astype("int64")
    elif kind == "bool" and values[~null].isin([True, False]).all():
        return _bools([None if n else bool(v) for v, n in zip(values, null, strict=True)], values)
    elif kind == "date" and is_type.is_datetime64_dtype(values):
        return values.astype("datetime64[us]")
    elif kind == "time" and isinstance(values.dtype, pd.DatetimeTZDtype):
        return values.dt.tz_convert("UTC").astype("datetime64[us, UTC]")
    return values


def _all_null(size: int, column: Column, index: Any) -> pd.Series:
    kind = column.kind
    if kind in ("float", "int"):
        return pd.Series(np.full(size, np.nan), index=index)
    if kind in ("date", "time"):
        dtype = "datetime64[us]" if kind == "date" else "datetime64[us, UTC]"
        return pd.Series([pd.NaT] * size, index=index, dtype=dtype)
    return pd.Series([None] * size, index=index, dtype="str" if kind == "text" else "object")


def _bools(values: list[bool | None], like: pd.Series) -> pd.Series:
    dtype = "object" if None in values else "bool"
    return pd.Series(values, index=like.index, dtype=dtype)


def values(frame: pd.DataFrame, columns: Sequence[Column], srs_id: int) -> list[tuple[Any, ...]]:
    """Return the rows of a conformed frame as SQL values; geometries become GeoPackage blobs."""
    lists = [_sql(frame[c.name], c, srs_id) for c in columns]
    return list(zip(*lists, strict=True)) if lists else []


def _sql(values: pd.Series, column: Column, srs_id: int) -> list[Any]:
    if column.kind == "geometry":
        return blobs(values.to_numpy(), srs_id)
    if column.kind == "list":
        return [None if v is None else json.dumps(list(v)) for v in values]
    null = values.isna().to_numpy()
    if column.kind == "date":
        texts = values.dt.strftime("%Y-%m-%d").to_list()
    elif column.kind == "time":
        texts = [None if pd.isna(v) else stamp(v) for v in values]
    elif column.kind == "bool":
        texts = [None if n else int(v) for v, n in zip(values, null, strict=True)]
    else:
        texts = values.to_list()
    return [None if n else v for v, n in zip(texts, null, strict=True)] if null.any() else texts


def stamp(moment: pd.Timestamp) -> str:
    """Return a UTC moment as text, with a fraction only where it has one.

    Examples
    --------
    >>> import pandas as pd
    >>> stamp(pd.Timestamp("2025-03-04T07:15:00Z")), stamp(pd.Timestamp("2025-03-04T07:15:00.5Z"))
    ('2025-03-04T07:15:00Z', '2025-03-04T07:15:00.500000Z')
    """
    return moment.tz_convert("UTC").tz_localize(None).isoformat() + "Z"


def frame(records: Iterable[Sequence[Any]], table: Table) -> pd.DataFrame:
    """Return SQL rows, in the order of ``table``'s columns, as a frame of the contract's types.

    Null is NaN, NaT or None. Geometries are shapely objects.
    """
    rows = list(records)
    lists = list(zip(*rows, strict=True)) if rows else [()] * len(table.columns)
    return pd.DataFrame({c.name: _series(v, c) for c, v in zip(table.columns, lists, strict=True)})


def _series(values: Sequence[Any], column: Column) -> pd.Series:
    kind = column.kind
    if kind == "text":
        return pd.Series(list(values), dtype="str")
    if kind == "int" and None not in values:
        return pd.Series(list(values), dtype="int64")
    if kind in ("int", "float"):
        return pd.Series(np.array(values, dtype="float64"))
    if kind == "bool":
        flags = [None if v is None else bool(v) for v in values]
        return pd.Series(flags, dtype="object" if None in flags else "bool")
    if kind == "date":
        return pd.Series(np.array(values, dtype="datetime64[us]"))
    if kind == "time":
        naive = np.array([v and v.rstrip("Z") for v in values], dtype="datetime64[us]")
        return pd.Series(naive).dt.tz_localize("UTC")
    if kind == "list":
        return pd.Series([None if v is None else json.loads(v) for v in values], dtype="object")
    return pd.Series(shapes(values), dtype="object")


def blobs(geometries: Any, srs_id: int) -> list[bytes | None]:
    """Return shapely geometries as GeoPackage blobs: header, no envelope, WKB."""
    import shapely

    array = np.asarray(geometries, dtype=object)
    wkb = shapely.to_wkb(array, byte_order=1, output_dimension=2)
    headers = [
        struct.pack("<2sBBi", b"GP", 0, _LITTLE_ENDIAN | (_EMPTY if empty else 0), srs_id)
        for empty in shapely.is_empty(array)
    ]
    return [None if w is None else h + w for h, w in zip(headers, wkb, strict=True)]


def shapes(values: Sequence[bytes | None]) -> Any:
    """Return GeoPackage blobs as an object array of shapely geometries; null stays None.

    Envelopes, which other programs add when they edit the file, are skipped.
    """
    import shapely

    wkb = np.empty(len(values), dtype=object)
    for i, blob in enumerate(values):
        if blob is not None:
            wkb[i] = blob[_HEADER_BYTES + _ENVELOPE_BYTES[(blob[3] >> 1) & 0x07] :]
    return shapely.from_wkb(wkb)


def srs_id(blob: bytes) -> int:
    """Return the coordinate reference system that a GeoPackage blob names."""
    return int.from_bytes(blob[4:8], "little" if blob[3] & _LITTLE_ENDIAN else "big", signed=True)


def content_ids(records: Iterable[Sequence[Any]]) -> list[str]:
    """Return a short id made from each row's SQL values: the same content has the same id."""
    return [digest(record)[:12] for record in records]


def digest(record: Sequence[Any]) -> str:
    """Return the SHA-256 of one row of SQL values, as 64 hexadecimal digits."""
    text = json.dumps(record, default=bytes.hex, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()
