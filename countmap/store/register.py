"""The register: one GeoPackage, read as frames and changed in transactions."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import shapely.errors

from countmap.errors import Conflict, CountmapError, InvalidInput, NotFound
from countmap.formats import whole
from countmap.store import migrations, schema
from countmap.store.reading import connect, read
from countmap.store.schema import STORED, quoted

if TYPE_CHECKING:
    import pandas as pd

    from countmap.store.writing import Writing


def create(path: Path) -> None:
    """Make an empty register at ``path``, whole or not at all."""
    with whole.replacing(path) as part, closing(connect(part)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("BEGIN IMMEDIATE")
        schema.create(connection)
        connection.execute("COMMIT")


@dataclass(frozen=True, slots=True)
class Register:
    """A register on disk. It holds no connection: every call opens, reads and closes.

    Parameters
    ----------
    path : Path
        The GeoPackage.
    settings : str
        The workspace's settings as canonical JSON; the topic ``settings`` of fingerprints.
    """

    path: Path
    settings: str = "{}"

    def frame(self, table: str, **equal: Any) -> pd.DataFrame:
        """Return a table, sorted by its key, in the types of its contract.

        Parameters
        ----------
        table : str
            A name in ``schema.STORED``.
        **equal
            Columns and the value (or list of values) they must have: ``state="excluded"``.

        Returns
        -------
        DataFrame or GeoDataFrame
            The contract's columns and the store's own. With a CRS where the contract has a geometry.

        Raises
        ------
        NotFound
            If there is no such table or column.
        """
        with self._reading() as connection:
            return read(connection, table, equal)

    def results(self, table: str, year: int | None = None, kind: str | None = None) -> pd.DataFrame:
        """Return the rows of the runs that count: the newest of each kind and year.

        Runs that add to others (imports) all count; where two of them give the same row, the later
        one holds. The rows carry ``run_id``.

        Parameters
        ----------
        table : {"annual", "flows", "suspects"}
        year : int, optional
            Only the results of runs for this year.
        kind : str, optional
            Only runs of this kind.
        """
        from countmap.store import runs

        with self._reading() as connection:
            return runs.results(connection, table, year, kind)

    @contextmanager
    def transaction(self) -> Iterator[Writing]:
        """Open the one writing transaction: committed at the end, rolled back on any error.

        Raises
        ------
        Conflict
            If another process is writing for longer than two minutes, the rows would not fit together, or
            the disk is full or read-only.
        """
        from countmap.store.writing import Writing

        with closing(self._open()) as connection:
            _begin(connection, self.path)
            try:
                yield Writing(connection, self.path.parent)
                _commit(connection)
            except BaseException as error:
                if connection.in_transaction:
                    connection.execute("ROLLBACK")
                if isinstance(error, sqlite3.Error):
                    raise Conflict(f"{self.path.name}: {error}; nothing was changed") from error
                raise

    def backup(self, target: Path) -> Path:
        """Write a whole copy of the register to ``target`` and return it."""
        with self._reading() as connection:
            return migrations.backup(connection, target)

    def undo(self, decision_id: int) -> int:
        """Reverse a decision and return the id of the decision that did so.

        Raises
        ------
        NotFound
            If there is no such decision.
        Conflict
            If it is undone already, or a row that it touched has changed since.
        """
        with self.transaction() as writing:
            return writing.undo(decision_id)

    def fingerprint(self, topics: list[str] | tuple[str, ...], year: int | None = None) -> str:
        """Return what the topics hold, as ``topic=sha256`` parted by spaces.

        Neither the order of rows nor the time of import changes it.

        Parameters
        ----------
        topics : list of str
            Of ``runs.TOPICS`` and ``settings``.
        year : int, optional
            For the topic ``annual``: only this year's.
        """
        from countmap.store import runs

        with self._reading() as connection:
            return runs.fingerprint(connection, topics, year, self.settings)

    def runs(self) -> pd.DataFrame:
        """Return the newest run of each kind and year and whether what it rests on has changed.

        Returns
        -------
        DataFrame
            ``kind, year`` (NaN: no single year), ``run_id, finished, stale`` (bool), ``because``
            (list of the topics that changed).
        """
        from countmap.store import runs

        with self._reading() as connection:
            return runs.status(connection, self.settings)

    def document(self, run_id: str) -> dict[str, Any]:
        """Return the document that a run left.

        Raises
        ------
        NotFound
            If there is no such run.
        """
        with self._reading() as connection:
            row = connection.execute(
                "SELECT document FROM runs WHERE run_id = ?", (run_id,)
            ).fetchone()
        if row is None:
            raise NotFound(f"run {run_id!r} is not in the register")
        found: dict[str, Any] = json.loads(row[0])
        return found

    @contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection]:
        with closing(self._open()) as connection:
            try:
                connection.execute("BEGIN")
                yield connection
            except CountmapError:
                raise
            except sqlite3.OperationalError as error:
                if getattr(error, "sqlite_errorcode", 0) == sqlite3.SQLITE_BUSY:
                    raise Conflict(
                        f"{self.path.name} is held by another process; try again when it is done"
                    ) from error
                raise self._damaged(error) from error
            except (sqlite3.DatabaseError, ValueError, shapely.errors.ShapelyError) as error:
                raise self._damaged(error) from error

    def _damaged(self, error: Exception) -> InvalidInput:
        said = " ".join(str(error).split())[:120]
        return InvalidInput(
            f"{self.path.name} is damaged ({said}); countmap check says where, a backup restores it"
        )

    def _open(self) -> sqlite3.Connection:
        if not self.path.is_file():
            raise NotFound(f"{self.path} is not there; restore it or start over with countmap init")
        connection = connect(self.path)
        try:
            migrations.require_current(connection, self.path)
        except BaseException:
            connection.close()
            raise
        return connection


def _begin(connection: sqlite3.Connection, path: Path) -> None:
    try:
        connection.execute("BEGIN IMMEDIATE")
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode == sqlite3.SQLITE_BUSY:
            why = "is being written by another process; try again when it is done"
        else:
            why = f"cannot be written ({error})"
        raise Conflict(f"{path.name} {why}") from error


def _commit(connection: sqlite3.Connection) -> None:
    try:
        connection.execute("COMMIT")
    except sqlite3.IntegrityError as error:
        raise Conflict(_dangling(connection)) from error


def _dangling(connection: sqlite3.Connection) -> str:
    """Return one line on the first row that points at nothing."""
    found = connection.execute("PRAGMA foreign_key_check").fetchall()
    table, rowid, parent, which = found[0]
    keys = connection.execute(f"PRAGMA foreign_key_list({quoted(table)})").fetchall()
    column = next(key[3] for key in keys if key[0] == which)
    key = ", ".join(map(quoted, STORED[table].key))
    row = connection.execute(
        f"SELECT {quoted(column)}, {key} FROM {quoted(table)} WHERE fid = ?", (rowid,)
    ).fetchone()
    name = " ".join(map(str, row[1:]))
    more = f"; {len(found) - 1} more" if len(found) > 1 else ""
    return f"{table} {name}: {column} {row[0]!r} is not in {parent}; nothing was changed{more}"
