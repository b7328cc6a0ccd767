"""The register's schema version, and the steps from one version to the next."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from countmap.errors import Conflict, InvalidInput
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
        If the register is newer than ``target``, or a step is missing.
    """
    from countmap.store.reading import connect

    known = STEPS if steps is None else steps
    wanted = schema.VERSION if target is None else target
    with closing(connect(path)) as connection:
        found = version(connection, path)
        if found == wanted:
            return None
        if found > wanted:
            raise Conflict(
                f"{path} has schema version {found}, this countmap knows {wanted}; update countmap"
            )
        missing = [n for n in range(found, wanted) if n not in known]
        if missing:
            raise Conflict(f"{path}: there is no step from schema version {missing[0]}")
        saved = backup(connection, path.with_name(f"{path.stem}-v{found}.gpkg"))
        connection.execute("BEGIN IMMEDIATE")
        try:
            for number in range(found, wanted):
                known[number](connection)
                connection.execute("UPDATE schema_version SET version = ?", (number + 1,))
            connection.execute("COMMIT")
        except BaseException:
            connection.execute("ROLLBACK")
            raise
    return saved


def backup(connection: sqlite3.Connection, target: Path) -> Path:
    """Write a whole copy of an open register to ``target`` and return it."""
    part = target.with_name(target.name + ".part")
    part.unlink(missing_ok=True)
    with closing(sqlite3.connect(part)) as copy:
        connection.backup(copy)
    part.replace(target)
    return target
