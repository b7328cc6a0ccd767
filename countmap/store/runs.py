"""Runs: results with a fingerprint of what they rest on, and whether it still holds."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any

import pandas as pd

from countmap import tables
from countmap.errors import InvalidInput, NotFound
from countmap.store import rows, signature
from countmap.store.reading import read, table_of
from countmap.store.schema import STORED, quoted
from countmap.tables import Table

Records = Iterator[Sequence[Any]]


def enter(  # noqa: PLR0917  # the order of add_run
    connection: sqlite3.Connection,
    kind: str,
    year: int | None,
    fingerprint: str,
    settings: Mapping[str, Any],
    document: Mapping[str, Any],
    *,
    adds: bool,
) -> str:
    """Add a row to ``runs`` and return its id: kind, year and a number, as ``annual-2025-3``."""
    parse(fingerprint)
    (count,) = connection.execute("SELECT count(*) FROM runs").fetchone()
    parts = (kind.replace(" ", "-"), "" if year is None else f"{year}", f"{count + 1}")
    run_id = "-".join(part for part in parts if part)
    values = (
        run_id,
        kind,
        None if year is None else float(year),
        int(adds),
        fingerprint,
        canonical(settings),
        canonical(document),
        signature.who(),
        signature.stamp_now(),
    )
    marks = ", ".join("?" * len(values))
    names = ", ".join(STORED["runs"].table.names)
    connection.execute(f"INSERT INTO runs ({names}) VALUES ({marks})", values)
    return run_id


def canonical(value: Mapping[str, Any]) -> str:
    """Return a mapping as JSON with sorted keys; numpy scalars become plain, NaN becomes null."""
    return json.dumps(_plain(value), sort_keys=True, ensure_ascii=False, allow_nan=False)


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [_plain(v) for v in value]
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    if isinstance(value, float) and value != value:  # noqa: PLR0124  # the test for NaN
        return None
    if value is None or isinstance(value, (str, int, float, bool)):
        return value
    return None if value is pd.NaT or value is pd.NA else str(value)


def results(
    connection: sqlite3.Connection, table: str, year: int | None, kind: str | None
) -> pd.DataFrame:
    """Return the rows of the runs that count; see ``Register.results``."""
    stored = table_of(table)
    if "run_id" not in stored.key:
        raise NotFound(f"table {table!r} is not a table of results")
    counting = _counting(connection, year, kind)
    frame = read(connection, table, {"run_id": counting})
    order = frame["run_id"].map({run: i for i, run in enumerate(counting)})
    key = [name for name in stored.key if name != "run_id"]
    newest = frame.assign(_order=order.astype("float64")).sort_values("_order", kind="stable")
    kinds = dict(connection.execute("SELECT run_id, kind FROM runs"))
    newest = newest.assign(_kind=newest["run_id"].map(kinds).astype("str"))
    kept = newest.drop_duplicates([*key, "_kind"], keep="last").sort_values([*key, "_order"])
    return kept.drop(columns=["_order", "_kind"]).reset_index(drop=True)


def _counting(connection: sqlite3.Connection, year: int | None, kind: str | None) -> list[str]:
    """Return the runs that count, oldest first: all that add, the newest of the others."""
    found = connection.execute("SELECT run_id, kind, year, adds FROM runs ORDER BY fid").fetchall()
    newest: dict[tuple[Any, ...], str] = {}
    for run_id, its_kind, its_year, adds in found:
        if kind is not None and its_kind != kind:
            continue
        if year is not None and its_year is not None and int(its_year) != year:
            continue
        newest[(its_kind, its_year, run_id if adds else "")] = run_id
    counting = set(newest.values())
    return [run_id for run_id, *_ in found if run_id in counting]


def status(connection: sqlite3.Connection, settings: str) -> pd.DataFrame:
    """Return the newest run of each kind and year with what changed since; see ``Register.runs``."""
    today: dict[tuple[str, int | None], str] = {}
    found: dict[tuple[Any, ...], dict[str, Any]] = {}
    query = "SELECT kind, year, run_id, finished, fingerprint, adds FROM runs ORDER BY fid"
    for kind, year, run_id, finished, fingerprint, adds in connection.execute(query).fetchall():
        found[(kind, year, run_id if adds else "")] = {
            "kind": kind,
            "year": year,
            "run_id": run_id,
            "finished": finished,
            "fingerprint": fingerprint,
        }
    for run in found.values():
        whole = None if run["year"] is None else int(run["year"])
        changed = []
        for topic, old in parse(run.pop("fingerprint")).items():
            its_year = whole if topic == "annual" else None
            if (topic, its_year) not in today:
                one = fingerprint_of(connection, topic, its_year, settings)
                today[(topic, its_year)] = one
            if today[(topic, its_year)] != old:
                changed.append(topic)
        run["stale"], run["because"] = bool(changed), changed
    return rows_of_status(list(found.values()))


_STATUS = Table(
    "status",
    ("run_id",),
    (
        tables.Column("kind", "text"),
        tables.Column("year", "float", nullable=True),
        tables.Column("run_id", "text"),
        tables.Column("finished", "time"),
        tables.Column("stale", "bool"),
    ),
)


def rows_of_status(found: list[dict[str, Any]]) -> pd.DataFrame:
    """Return the status rows as a frame, sorted by kind, year and id."""
    frame = rows.frame([[run[name] for name in _STATUS.names] for run in found], _STATUS)
    frame["because"] = pd.Series([run["because"] for run in found], dtype="object")
    return frame.sort_values(["kind", "year", "finished"], ignore_index=True)


def parse(fingerprint: str) -> dict[str, str]:
    """Return a fingerprint's topics.

    Raises
    ------
    InvalidInput
        If it is not ``topic=sha256`` parted by spaces.

    Examples
    --------
    >>> parse("roads=ab12 stations=cd34")
    {'roads': 'ab12', 'stations': 'cd34'}
    """
    found = {}
    for part in fingerprint.split():
        topic, mark, value = part.partition("=")
        if not (topic and mark and value):
            raise InvalidInput(f"fingerprint part {part!r} is not of the form topic=sha256")
        found[topic] = value
    return found


def fingerprint(
    connection: sqlite3.Connection, topics: Sequence[str], year: int | None, settings: str
) -> str:
    """Return ``topic=sha256`` for each topic; see ``Register.fingerprint``."""
    return " ".join(
        f"{topic}={fingerprint_of(connection, topic, year, settings)}"
        for topic in sorted(set(topics))
    )


def fingerprint_of(
    connection: sqlite3.Connection, topic: str, year: int | None, settings: str
) -> str:
    """Return the SHA-256 of one topic.

    Raises
    ------
    NotFound
        If there is no such topic.
    """
    if topic == "settings":
        return hashlib.sha256(settings.encode()).hexdigest()
    if topic not in TOPICS:
        raise NotFound(f"topic {topic!r} is unknown; there are {', '.join([*TOPICS, 'settings'])}")
    return _combined(TOPICS[topic](connection, year))


def _combined(records: Iterable[Sequence[Any]]) -> str:
    """Return a hash of rows in which their order plays no part."""
    whole = hashlib.sha256()
    for line in sorted(rows.digest(record) for record in records):
        whole.update(line.encode())
    return whole.hexdigest()


def _contract(*named: Table) -> Callable[[sqlite3.Connection, int | None], Records]:
    """Return a reader of whole tables in their contract's columns."""

    def records(connection: sqlite3.Connection, _year: int | None) -> Records:
        for table in named:
            columns = ", ".join(map(quoted, table.names))
            for row in connection.execute(f"SELECT {columns} FROM {quoted(table.name)}"):
                yield (table.name, *row)

    return records


def _stations(connection: sqlite3.Connection, year: int | None) -> Records:
    yield from _contract(tables.STATIONS)(connection, year)
    for row in connection.execute("SELECT station_id, state FROM stations"):
        yield ("placement", *row)


def _excluded(connection: sqlite3.Connection, _year: int | None) -> Records:
    """Yield what a decision took out of the counts; an open flag changes no result."""
    yield from connection.execute(
        "SELECT station_id, sense, first_utc, last_utc FROM flags WHERE state = 'excluded'"
    )


def _counts(connection: sqlite3.Connection, _year: int | None) -> Records:
    """Yield the blocks; the order of their import changes no result."""
    for (block,) in connection.execute("SELECT block_sha256 FROM files"):
        yield ("block", block)


def _annual(connection: sqlite3.Connection, year: int | None) -> Records:
    names = list(tables.ANNUAL.names)
    frame = results(connection, "annual", year, None)
    if year is not None:
        frame = frame[frame["year"] == year]
    yield from rows.values(frame[names], tables.ANNUAL.columns, 0)


TOPICS: dict[str, Callable[[sqlite3.Connection, int | None], Records]] = {
    "roads": _contract(tables.NODES, tables.LINKS),
    "stations": _stations,
    "counts": _counts,
    "flags": _excluded,
    "days": _contract(tables.DAYS),
    "declarations": _contract(tables.DECLARATIONS),
    "screenlines": _contract(tables.SCREENLINES),
    "turns": _contract(tables.TURNS),
    "annual": _annual,
}
