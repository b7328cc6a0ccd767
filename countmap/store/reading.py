"""Reading the register: its connection, and its tables as frames."""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from countmap.errors import Conflict, InvalidInput, NotFound
from countmap.store import rows, schema
from countmap.store.schema import STORED, quoted

BUSY_S = 120.0


def connect(path: Path) -> sqlite3.Connection:
    """Open a register's file: every commit synced, foreign keys on, no implicit transactions.

    In a folder that cannot be written to it is opened for reading alone.

    Raises
    ------
    InvalidInput
        If SQLite cannot read the file.
    Conflict
        If the folder is read-only and holds changes that SQLite must first fold in.
    """
    source = path.absolute().as_uri() + _mode(path)
    try:
        connection = sqlite3.connect(source, timeout=BUSY_S, isolation_level=None, uri=True)
    except sqlite3.OperationalError as error:
        raise InvalidInput(
            f"{path} cannot be opened ({error}); check the path and rights"
        ) from error
    try:
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
    except sqlite3.DatabaseError as error:
        connection.close()
        raise InvalidInput(
            f"{path} is not a countmap register ({error}); restore it from a backup"
        ) from error
    return connection


def _mode(path: Path) -> str:
    """Return how a register in a read-only folder is opened; "" where it can be written to.

    WAL needs a shared memory file beside the register, which a read-only folder cannot hold; where
    nothing waits in the log, the register alone is whole [sqlite.org/wal.html, Read-Only Databases].
    """
    if os.access(path.parent, os.W_OK):
        return ""
    waiting = path.with_name(path.name + "-wal")
    if waiting.is_file() and waiting.stat().st_size:
        if path.with_name(path.name + "-shm").is_file():
            return "?mode=ro"
        raise Conflict(
            f"{path.parent} is read-only and {waiting.name} holds changes that are not in "
            f"{path.name} yet; copy the folder and open the copy"
        )
    return "?immutable=1"


def table_of(name: str) -> schema.Stored:
    """Return how a table is stored.

    Raises
    ------
    NotFound
        If the register has no such table.
    """
    if name not in STORED:
        raise NotFound(f"table {name!r} is not in the register; it has {', '.join(sorted(STORED))}")
    return STORED[name]


def read(connection: sqlite3.Connection, name: str, equal: Mapping[str, Any] | None = None) -> Any:
    """Return a table as a (geo)frame, or the rows where columns have given values, sorted by key."""
    stored = table_of(name)
    where, bound = _where(stored, equal or {})
    columns = ", ".join(map(quoted, stored.table.names))
    key = ", ".join(map(quoted, stored.key))
    records = connection.execute(
        f"SELECT {columns} FROM {quoted(name)}{where} ORDER BY {key}", bound
    ).fetchall()
    frame = rows.frame(records, stored.table)
    if "geometry" not in stored.table.names:
        return frame
    import geopandas

    crs = crs_of(connection, name)
    if not stored.feature:  # past networks may lie in several systems: each blob names its own
        at = stored.table.names.index("geometry")
        found = {rows.srs_id(record[at]) for record in records}
        crs = _crs(connection, found.pop()) if len(found) == 1 else None
    return geopandas.GeoDataFrame(frame, geometry="geometry", crs=crs)


def _where(stored: schema.Stored, equal: Mapping[str, Any]) -> tuple[str, list[Any]]:
    parts: list[str] = []
    bound: list[Any] = []
    for column, wanted in equal.items():
        if column not in stored.table.names:
            raise NotFound(f"{stored.name} has no column {column!r}")
        if isinstance(wanted, (list, tuple, set, frozenset)):
            parts.append(f"{quoted(column)} IN (SELECT value FROM json_each(?))")
            bound.append(json.dumps(sorted(wanted)))
        else:
            parts.append(f"{quoted(column)} IS ?")
            bound.append(wanted)
    return (" WHERE " + " AND ".join(parts) if parts else ""), bound


def crs_of(connection: sqlite3.Connection, table: str) -> Any:
    """Return the coordinate reference system of a feature table; None where it is not set."""
    row = connection.execute(
        "SELECT srs_id FROM gpkg_geometry_columns WHERE table_name = ?", (table,)
    ).fetchone()
    return None if row is None else _crs(connection, row[0])


def _crs(connection: sqlite3.Connection, srs_id: int) -> Any:
    import pyproj

    (definition,) = connection.execute(
        "SELECT definition FROM gpkg_spatial_ref_sys WHERE srs_id = ?", (srs_id,)
    ).fetchone()
    if definition == "undefined":
        return None
    if srs_id < schema.FIRST_OWN_SRS:
        return pyproj.CRS.from_epsg(srs_id)
    return pyproj.CRS.from_wkt(definition)
