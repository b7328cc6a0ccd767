"""The register's schema version, and the steps from one version to the next."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

from countmap.contract import Column
from countmap.errors import Conflict, InvalidInput
from countmap.formats import whole
from countmap.store import schema

Step = Callable[[sqlite3.Connection], None]

# STEPS[n] brings a register from version n to n + 1, inside one transaction.
STEPS: dict[int, Step] = {}


def version(connection: sqlite3.Connection, path: Path) -> int:
    """Return the schema version of a register.

    Raises
    ------
    InvalidInput
        If the file is not a register of ours.
    """
    try:
        row = connection.execute("SELECT version FROM schema_version").fetchone()
    except sqlite3.DatabaseError as error:
        raise InvalidInput(
            f"{path} is not a countmap register ({error}); restore it from a backup"
        ) from error
    return int(row[0])


def require_current(connection: sqlite3.Connection, path: Path) -> None:
    """Refuse a register of another schema version.

    Raises
    ------
    Conflict
        If it is newer than this countmap, or older and not brought up to date yet.
    """
    found = version(connection, path)
    if found > schema.VERSION:
        raise Conflict(
            f"{path} has schema version {found}, this countmap knows {schema.VERSION}; "
            "update countmap"
        )
    if found < schema.VERSION:
        raise Conflict(
            f"{path} has schema version {found}, this countmap needs {schema.VERSION}; "
            "open the workspace to bring it up to date"
        )


def migrate(
    path: Path, steps: dict[int, Step] | None = None, target: int | None = None
) -> Path | None:
    """Bring a register up to date and return the backup made before; None if nothing was to do.

    Parameters
    ----------
    path : Path
        The register.
    steps, target : optional
        Other steps and another version than this countmap's.

    Raises
    ------
    Conflict
        If the register is newer than ``target``, a step is missing, or it cannot be written to.
    """
    from countmap.store.reading import connect

    known = STEPS if steps is None else steps
    wanted = schema.VERSION if target is None else target
    with closing(connect(path)) as connection:
        found = version(connection, path)
        if found > wanted:
            raise Conflict(
                f"{path} has schema version {found}, this countmap knows {wanted}; update countmap"
            )
        if found == wanted and not any(_gained(connection)):
            return None
        missing = [n for n in range(found, wanted) if n not in known]
        if missing:
            raise Conflict(f"{path}: there is no step from schema version {missing[0]}")
        try:
            saved = backup(connection, _free(path.with_name(f"{path.stem}-v{found}.gpkg")))
            _advance(connection, path, known, wanted)
        except OSError as error:
            raise Conflict(f"{path} {_TOO_OLD} ({error.strerror})") from error
        except sqlite3.OperationalError as error:
            if getattr(error, "sqlite_errorcode", 0) & 0xFF != sqlite3.SQLITE_READONLY:
                raise
            raise Conflict(f"{path} {_TOO_OLD} (it is read-only)") from error
    return saved


_TOO_OLD = (
    "is of an older countmap and cannot be brought up to date here; copy the folder, open the copy"
)


def _advance(
    connection: sqlite3.Connection, path: Path, known: dict[int, Step], wanted: int
) -> None:
    """Take the steps and add what the contracts have gained, all of it or nothing."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        # Read again: another process may have been faster since.
        for number in range(version(connection, path), wanted):
            known[number](connection)
            connection.execute("UPDATE schema_version SET version = ?", (number + 1,))
        for stored, column in list(_gained(connection)):
            if column is None:
                schema.add_table(connection, stored)
            else:
                said = schema.column_ddl(column, stored)
                connection.execute(f"ALTER TABLE {schema.quoted(stored.name)} ADD COLUMN {said}")
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise


def _gained(connection: sqlite3.Connection) -> Iterator[tuple[schema.Stored, Column | None]]:
    """Yield the tables (None) and columns that the contracts have and the register lacks.

    A column that may be null needs no step of its own: its rows say nothing yet.
    """
    for stored in schema.STORED.values():
        rows = connection.execute(f"PRAGMA table_info({schema.quoted(stored.name)})").fetchall()
        there = {name for _, name, *_ in rows}
        if not there:
            yield stored, None
            continue
        for column in stored.table.columns:
            if column.name not in there:
                yield stored, column


def _free(path: Path) -> Path:
    """Return the path, numbered where an earlier backup bears its name."""
    taken, number = path, 2
    while taken.exists():
        taken = path.with_name(f"{path.stem}-{number}{path.suffix}")
        number += 1
    return taken


def backup(connection: sqlite3.Connection, target: Path) -> Path:
    """Write a whole copy of an open register to ``target`` and return it."""
    with whole.replacing(target) as part, closing(sqlite3.connect(part)) as copy:
        connection.backup(copy)
    return target
