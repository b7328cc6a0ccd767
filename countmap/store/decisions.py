"""Decisions: rows changed on purpose, with who, when, why, before and after; reversible."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from countmap.errors import Conflict, NotFound
from countmap.store import signature
from countmap.store.schema import STORED, Stored, quoted

Key = tuple[Any, ...]


@dataclass(slots=True)
class Record:
    """A decision being taken: what its rows were before and what they are after."""

    connection: sqlite3.Connection
    decision_id: int
    changes: list[tuple[str, Key, str | None, str | None]] = field(default_factory=list)

    @contextmanager
    def rows(self, stored: Stored, keys: Sequence[Key]) -> Iterator[None]:
        """Note the rows of these keys before and after the block."""
        unique = list(dict.fromkeys(keys))
        before = [state(self.connection, stored, key) for key in unique]
        yield
        for key, old in zip(unique, before, strict=True):
            new = state(self.connection, stored, key)
            if new != old:
                self.changes.append((stored.name, key, old, new))


@contextmanager
def recorded(
    connection: sqlite3.Connection, kind: str, subject: str, reason: str, undoes: int | None = None
) -> Iterator[Record]:
    """Enter a decision and, at the end of the block, the rows it changed."""
    (last,) = connection.execute("SELECT max(decision_id) FROM decisions").fetchone()
    record = Record(connection, (last or 0) + 1)
    connection.execute(
        "INSERT INTO decisions (decision_id, kind, subject, reason, who, at, undoes) "
        "VALUES (?, ?, ?, ?, ?, ?, ?)",
        (
            record.decision_id,
            kind,
            subject,
            reason or None,
            signature.who(),
            signature.stamp_now(),
            undoes,
        ),
    )
    yield record
    connection.executemany(
        "INSERT INTO changes (decision_id, seq, table_name, row_key, before, after) "
        "VALUES (?, ?, ?, ?, ?, ?)",
        [
            (record.decision_id, seq, table, json.dumps(key), before, after)
            for seq, (table, key, before, after) in enumerate(record.changes)
        ],
    )


def undo(connection: sqlite3.Connection, decision_id: int) -> int:
    """Put back what a decision changed, as a decision of its own, and return that one's id.

    Raises
    ------
    NotFound
        If there is no such decision.
    Conflict
        If it is undone already, or a row it touched has changed since.
    """
    row = connection.execute(
        "SELECT kind, subject, undoes, undone_by FROM decisions WHERE decision_id = ?",
        (decision_id,),
    ).fetchone()
    if row is None:
        raise NotFound(f"decision {decision_id} is not in the log")
    kind, subject, undoes, undone_by = row
    if undone_by is not None:
        raise Conflict(
            f"decision {decision_id} ({kind} {subject}) is undone by {undone_by:.0f} already"
        )
    changes = connection.execute(
        "SELECT table_name, row_key, before, after FROM changes WHERE decision_id = ? "
        "ORDER BY seq DESC",
        (decision_id,),
    ).fetchall()
    with recorded(connection, "undo", str(decision_id), "", undoes=decision_id) as record:
        for table, row_key, before, after in changes:
            stored, key = STORED[table], tuple(json.loads(row_key))
            if not _same(state(connection, stored, key), after):
                raise Conflict(
                    f"decision {decision_id} ({kind} {subject}) cannot be undone: {table} "
                    f"{' '.join(map(str, key))} has changed since; undo {_since(connection, decision_id, table, row_key)}first"
                )
            with record.rows(stored, [key]):
                _put_back(connection, stored, key, before)
    connection.execute(
        "UPDATE decisions SET undone_by = ? WHERE decision_id = ?",
        (record.decision_id, decision_id),
    )
    if undoes is not None:
        connection.execute("UPDATE decisions SET undone_by = NULL WHERE decision_id = ?", (undoes,))
    return record.decision_id


def _same(now: str | None, then: str | None) -> bool:
    """Tell whether two states of a row say the same; columns that came later say nothing in the older."""
    if now is None or then is None:
        return now == then
    one, two = json.loads(now), json.loads(then)
    return all(one.get(name) == two.get(name) for name in one.keys() | two.keys())


def _since(connection: sqlite3.Connection, decision_id: int, table: str, row_key: str) -> str:
    """Name the newest standing decision about a row, if one is to blame."""
    (later,) = connection.execute(
        "SELECT max(decision_id) FROM changes JOIN decisions USING (decision_id) "
        "WHERE decision_id > ? AND table_name = ? AND row_key = ? AND undone_by IS NULL",
        (decision_id, table, row_key),
    ).fetchone()
    return f"{later} " if later is not None else "the later change "


def state(connection: sqlite3.Connection, stored: Stored, key: Key) -> str | None:
    """Return a row as canonical JSON, geometries in hexadecimal; None if there is none."""
    columns = ", ".join(map(quoted, stored.columns))
    where = " AND ".join(f"{quoted(name)} = ?" for name in stored.key)
    row = connection.execute(
        f"SELECT {columns} FROM {quoted(stored.name)} WHERE {where}", key
    ).fetchone()
    if row is None:
        return None
    record = dict(zip(stored.columns, row, strict=True))
    return json.dumps(record, default=bytes.hex, ensure_ascii=False, separators=(",", ":"))


def _put_back(connection: sqlite3.Connection, stored: Stored, key: Key, before: str | None) -> None:
    if before is None:
        where = " AND ".join(f"{quoted(name)} = ?" for name in stored.key)
        connection.execute(f"DELETE FROM {quoted(stored.name)} WHERE {where}", key)
        return
    record = json.loads(before)
    if record.get("geometry") is not None:
        record["geometry"] = bytes.fromhex(record["geometry"])
    upsert(connection, stored, [tuple(record.get(name) for name in stored.columns)])


def upsert(
    connection: sqlite3.Connection, stored: Stored, records: Sequence[tuple[Any, ...]]
) -> None:
    """Insert rows of SQL values in the order of ``stored.columns``, or change those that are there."""
    columns = ", ".join(map(quoted, stored.columns))
    marks = ", ".join("?" * len(stored.columns))
    key = ", ".join(map(quoted, stored.key))
    changed = ", ".join(
        f"{quoted(name)} = excluded.{quoted(name)}"
        for name in stored.columns
        if name not in stored.key
    )
    action = f"UPDATE SET {changed}" if changed else "NOTHING"
    connection.executemany(
        f"INSERT INTO {quoted(stored.name)} ({columns}) VALUES ({marks}) "
        f"ON CONFLICT ({key}) DO {action}",
        records,
    )
