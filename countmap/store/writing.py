"""One writing transaction: rows in by key, out by key, and what may be done to the roads."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from countmap import tables
from countmap.errors import Conflict
from countmap.store import decisions, rows, runs, schema, signature
from countmap.store.reading import crs_of, read, table_of
from countmap.store.schema import Stored, quoted

if TYPE_CHECKING:
    from countmap.store.blocks import Block


@dataclass(frozen=True, slots=True)
class Writing:
    """The open transaction that ``Register.transaction`` hands out."""

    connection: sqlite3.Connection
    folder: Path

    def frame(self, table: str, **equal: Any) -> pd.DataFrame:
        """Return a table as ``Register.frame`` does, with what this transaction has written."""
        return read(self.connection, table, equal)

    def put(self, table: str, frame: pd.DataFrame) -> None:
        """Insert rows, or change those whose key is there; columns that are absent stay as they are.

        Columns beyond the register's are left out.

        Raises
        ------
        InvalidInput
            If the frame breaks the contract.
        """
        stored = table_of(table)
        if not len(frame):
            return
        self._upsert(stored, self._complete(stored, frame))

    def replace(self, table: str, frame: pd.DataFrame) -> None:
        """Make the table hold the rows of ``frame`` and no others."""
        stored = table_of(table)
        if not len(frame):
            self.connection.execute(f"DELETE FROM {quoted(table)}")
            return
        records = self._complete(stored, frame)
        at = [stored.columns.index(name) for name in stored.key]
        wanted = {tuple(record[i] for i in at) for record in records}
        columns = ", ".join(map(quoted, stored.key))
        there = self.connection.execute(f"SELECT {columns} FROM {quoted(table)}").fetchall()
        self._remove(stored, [key for key in there if key not in wanted])
        self._upsert(stored, records)

    def delete(self, table: str, keys: pd.DataFrame | Iterable[Any]) -> None:
        """Delete rows by key; keys that are not there are passed over.

        Parameters
        ----------
        keys : iterable or DataFrame
            Of single values, of tuples where the key has several columns, or the key columns.
        """
        stored = table_of(table)
        self._remove(stored, key_tuples(stored, keys))

    def decide(
        self,
        kind: str,
        subject: str,
        reason: str,
        changes: Mapping[str, pd.DataFrame] | None = None,
        delete: Mapping[str, pd.DataFrame | Iterable[Any]] | None = None,
    ) -> int:
        """Change rows as one decision that can be undone, and return its id.

        Parameters
        ----------
        kind, subject, reason : str
            What was decided about what, and why.
        changes : mapping of table to frame
            Put as ``put`` does.
        delete : mapping of table to keys
            Deleted as ``delete`` does.
        """
        touched: list[tuple[Stored, list[tuple[Any, ...]], list[tuple[Any, ...]] | None]] = []
        for name, frame in (changes or {}).items():
            stored = table_of(name)
            records = self._complete(stored, frame) if len(frame) else []
            at = [stored.columns.index(column) for column in stored.key]
            touched.append((stored, [tuple(r[i] for i in at) for r in records], records))
        for name, keys in (delete or {}).items():
            stored = table_of(name)
            touched.append((stored, key_tuples(stored, keys), None))
        with decisions.recorded(self.connection, kind, subject, reason) as record:
            for stored, keys, whole in touched:
                with record.rows(stored, keys):
                    if whole is None:
                        self._remove(stored, keys)
                    else:
                        self._upsert(stored, whole)
        return record.decision_id

    def undo(self, decision_id: int) -> int:
        """Reverse a decision; see ``Register.undo``."""
        return decisions.undo(self.connection, decision_id)

    def add_network(
        self, nodes: pd.DataFrame, links: Any, source: str = "", crs: Any = None
    ) -> str:
        """Bring in a road network; the one that was there moves to ``past_nodes``, ``past_links``.

        Parameters
        ----------
        nodes, links : DataFrame, GeoDataFrame
            NODES and LINKS, in one projected CRS.
        source : str
            Where it came from.
        crs : anything ``pyproj.CRS`` takes, optional
            Default: the CRS of ``links``.

        Returns
        -------
        str
            The network's id: "1", "2", …
        """
        known = crs if crs is not None else getattr(links, "crs", None)
        if known is None:
            raise Conflict("a road network needs a coordinate reference system; links has none")
        srs_id = schema.add_srs(self.connection, known)
        self._retire_network()
        (count,) = self.connection.execute("SELECT count(*) FROM networks").fetchone()
        network = str(count + 1)
        for table in ("nodes", "links"):
            schema.set_srs(self.connection, table, srs_id)
        frame = pd.DataFrame(
            {
                "network_id": [network],
                "crs": [crs_of(self.connection, "links").to_string()],
                "srs_id": [srs_id],
                "source": [source or None],
                "imported": [signature.moment()],
                "active": [True],
            }
        )
        self.put("networks", frame)
        self.replace("nodes", nodes)
        self.replace("links", links)
        return network

    def _retire_network(self) -> None:
        active = self.connection.execute(
            "SELECT network_id FROM networks WHERE active = 1"
        ).fetchone()
        if active is None:
            return
        for table in ("nodes", "links"):
            names = ", ".join(map(quoted, schema.STORED[table].table.names))
            self.connection.execute(
                f"INSERT INTO past_{table} (network_id, {names}) SELECT ?, {names} FROM {table}",
                active,
            )
        self.connection.execute("UPDATE networks SET active = 0")

    def add_file(self, name: str, sha256: str, layout: str | None, block: Block) -> str:
        """Enter an imported file and its block, and return the file's id.

        Raises
        ------
        Conflict
            If a file of the same content is in the register.
        """
        row = self.connection.execute(
            "SELECT name, imported FROM files WHERE sha256 = ?", (sha256,)
        ).fetchone()
        if row:
            raise Conflict(f"{name} was imported as {row[0]} on {row[1][:10]}; nothing was changed")
        (last,) = self.connection.execute("SELECT max(seq) FROM files").fetchone()
        frame = pd.DataFrame(
            {
                "file_id": [sha256[:12]],
                "name": [name],
                "sha256": [sha256],
                "layout": [layout or None],
                "block": [block.path],
                "block_sha256": [block.sha256],
                "rows": [block.rows],
                "first_utc": [block.first],
                "last_utc": [block.last],
                "stations": [list(block.stations)],
                "imported": [signature.moment()],
                "seq": [(last or 0) + 1],
            }
        )
        self.put("files", frame)
        return sha256[:12]

    def add_run(  # noqa: PLR0917  # the order in which a run is told
        self,
        kind: str,
        year: int | None,
        fingerprint: str,
        settings: Mapping[str, Any],
        document: Mapping[str, Any],
        frames: Mapping[str, pd.DataFrame],
        *,
        adds: bool = False,
    ) -> str:
        """Enter a result and return its run id.

        Parameters
        ----------
        kind : str
            ``annual``, ``balance``, ``plan`` …
        year : int or None
        fingerprint : str
            Of ``Register.fingerprint``, taken **before** the inputs were read.
        settings, document : mapping
            Kept as JSON.
        frames : mapping of table to frame
            ANNUAL, FLOWS, SUSPECTS; ``run_id`` is filled in here.
        adds : bool
            The run adds to earlier ones of its kind and year (an import) and replaces none.
        """
        run_id = runs.enter(self.connection, kind, year, fingerprint, settings, document, adds=adds)
        for table, frame in frames.items():
            self.put(table, frame.assign(run_id=run_id))
        return run_id

    def _complete(self, stored: Stored, frame: pd.DataFrame) -> list[tuple[Any, ...]]:
        """Return whole rows of SQL values in the order of ``stored.columns``."""
        srs_id = self._srs(stored)
        crs = getattr(frame, "crs", None)
        known = crs_of(self.connection, stored.name) if "geometry" in stored.columns else None
        if crs is not None and "geometry" in stored.table.names and known and crs != known:
            frame = frame.to_crs(known)
        whole = rows.conform(frame, stored.table)
        if "network_id" in stored.key and "network_id" not in whole:
            whole["network_id"] = pd.Series([self._active()] * len(whole), dtype="str")
        if stored.hashed and stored.hashed not in whole:
            whole = _with_ids(whole, stored)
        absent = [name for name in stored.table.names if name not in whole]
        for name in stored.key:
            if name in absent and name in stored.defaults:
                whole[name] = stored.defaults[name]
        if absent:
            whole = self._with_absent(stored, whole, [n for n in absent if n not in whole])
        for name, value in stored.defaults.items():
            whole[name] = whole[name].fillna(value)
        whole = rows.conform(whole, stored.table)
        tables.require(whole, stored.table)
        if stored.point:
            whole["geometry"] = _points(whole, stored.point)
            columns = (*stored.table.columns, tables.Column("geometry", "geometry"))
            return rows.values(whole, columns, srs_id)
        return rows.values(whole, stored.table.columns, srs_id)

    def _with_absent(
        self, stored: Stored, frame: pd.DataFrame, absent: Sequence[str]
    ) -> pd.DataFrame:
        """Add the absent columns: what the rows hold already, null in new rows."""
        keys = list(stored.key)
        missing = [name for name in keys if name not in frame]
        if missing or not absent:
            return frame
        old = pd.DataFrame(read(self.connection, stored.name))[[*keys, *absent]]
        return frame.merge(old, on=keys, how="left") if len(old) else _nulls(frame, absent)

    def _srs(self, stored: Stored) -> int:
        row = self.connection.execute(
            "SELECT srs_id FROM gpkg_geometry_columns WHERE table_name = ?", (stored.name,)
        ).fetchone()
        return int(row[0]) if row else schema.WGS84

    def _active(self) -> str:
        row = self.connection.execute("SELECT network_id FROM networks WHERE active = 1").fetchone()
        if row is None:
            raise Conflict("there is no road network yet; import roads first")
        return str(row[0])

    def _upsert(self, stored: Stored, records: list[tuple[Any, ...]]) -> None:
        decisions.upsert(self.connection, stored, records)

    def _remove(self, stored: Stored, keys: list[tuple[Any, ...]]) -> None:
        where = " AND ".join(f"{quoted(name)} = ?" for name in stored.key)
        self.connection.executemany(f"DELETE FROM {quoted(stored.name)} WHERE {where}", keys)


def key_tuples(stored: Stored, keys: pd.DataFrame | Iterable[Any]) -> list[tuple[Any, ...]]:
    """Return keys as tuples of SQL values in the order of the table's key."""
    if isinstance(keys, pd.DataFrame):
        columns = [stored.table.column(name) for name in stored.key]
        return rows.values(rows.conform(keys, stored.table), columns, schema.WGS84)
    return [tuple(k) if isinstance(k, (tuple, list)) else (k,) for k in keys]


def _with_ids(frame: pd.DataFrame, stored: Stored) -> pd.DataFrame:
    """Add the content id, and null where a column of the content is absent."""
    content = [c for c in stored.table.columns if c.name not in (stored.hashed, "run_id")]
    whole = rows.conform(_nulls(frame, [c.name for c in content]), stored.table)
    ids = rows.content_ids(rows.values(whole, content, schema.WGS84))
    return whole.assign(**{stored.hashed: pd.Series(ids, index=whole.index, dtype="str")})


def _nulls(frame: pd.DataFrame, names: Sequence[str]) -> pd.DataFrame:
    """Add columns of nulls where they are absent."""
    absent = [name for name in names if name not in frame]
    null = pd.DataFrame({name: [None] * len(frame) for name in absent}, frame.index, dtype="object")
    return pd.concat([frame, null], axis=1)


def _points(frame: pd.DataFrame, names: tuple[str, str]) -> Any:
    import shapely

    x, y = (frame[name].to_numpy(dtype="float64") for name in names)
    points = np.full(len(frame), None, dtype=object)
    there = ~(np.isnan(x) | np.isnan(y))
    points[there] = shapely.points(x[there], y[there])
    return points
