"""Does the register still hold together: the file, its references, the blocks and their hashes."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from typing import TYPE_CHECKING

from countmap.errors import CountmapError
from countmap.store import blocks as stored_blocks
from countmap.store.schema import STORED, quoted

if TYPE_CHECKING:
    from countmap.store.blocks import Blocks
    from countmap.store.register import Register

Finding = dict[str, str]


def check(register: Register, blocks: Blocks) -> list[Finding]:
    """Return what is wrong with a workspace's stored data; an empty list if nothing is.

    Returns
    -------
    list of dict
        ``what`` (file, reference, block, leftover), ``where`` and ``why``, one sentence that says
        what to do. Nothing is changed. A leftover is what an interrupted import leaves; it is no
        damage.
    """
    from countmap.store.reading import connect

    if not register.path.is_file():
        return [_finding("file", register.path.name, "is not there; restore it from a backup")]
    try:
        with closing(connect(register.path)) as connection:
            return [
                *_of_file(connection, register.path.name),
                *_of_references(connection),
                *_of_blocks(connection, blocks),
                *leftovers(connection, blocks),
            ]
    except CountmapError as error:
        return [_finding("file", register.path.name, str(error))]
    except sqlite3.DatabaseError as error:
        return [_finding("file", register.path.name, f"{error}; restore it from a backup")]


def _finding(what: str, where: str, why: str) -> Finding:
    return {"what": what, "where": where, "why": why}


def _of_file(connection: sqlite3.Connection, name: str) -> Iterator[Finding]:
    for (said,) in connection.execute("PRAGMA integrity_check"):
        if said != "ok":
            yield _finding("file", name, f"{said}; restore it from a backup")


def _of_references(connection: sqlite3.Connection) -> Iterator[Finding]:
    """Yield rows that point at nothing, those that no foreign key forbids included."""
    for table, rowid, parent, _which in connection.execute("PRAGMA foreign_key_check").fetchall():
        key = ", ".join(map(quoted, STORED[table].key)) if table in STORED else "rowid"
        row = connection.execute(f"SELECT {key} FROM {quoted(table)} WHERE rowid = ?", (rowid,))
        name = " ".join(map(str, row.fetchone() or ()))
        yield _finding("reference", f"{table} {name}", f"points at no row of {parent}; delete it")
    for station, link in connection.execute(
        "SELECT station_id, link_id FROM stations WHERE link_id IS NOT NULL "
        "AND link_id NOT IN (SELECT link_id FROM links) ORDER BY 1"
    ):
        why = f"lies on link {link!r}, which is not in the network; place it again"
        yield _finding("reference", f"station {station}", why)
    for file, station in connection.execute(
        "SELECT name, value FROM files, json_each(files.stations) "
        "WHERE value NOT IN (SELECT station_id FROM stations) ORDER BY 1, 2"
    ):
        why = f"has counts of station {station!r}, which is not in the register; import it"
        yield _finding("reference", f"file {file}", why)


def _of_blocks(connection: sqlite3.Connection, blocks: Blocks) -> Iterator[Finding]:
    for name, block, sha256 in connection.execute(
        "SELECT name, block, block_sha256 FROM files ORDER BY block"
    ):
        path = blocks.workspace / block
        if not path.is_file():
            yield _finding("block", block, f"is not there; import {name} again")
        elif hashlib.sha256(path.read_bytes()).hexdigest() != sha256:
            yield _finding("block", block, f"has changed on disk; import {name} again")


def leftovers(connection: sqlite3.Connection, blocks: Blocks) -> Iterator[Finding]:
    """Yield what lies in the folder of blocks and belongs to no imported file.

    An import that was interrupted, or is going on in another process, leaves such files. They count
    for nothing and harm nothing.
    """
    known = {block for (block,) in connection.execute("SELECT block FROM files")}
    left_out = " ".join(
        before
        for (before,) in connection.execute(
            "SELECT before FROM changes JOIN decisions USING (decision_id) "
            "WHERE table_name = 'files' AND after IS NULL AND undone_by IS NULL"
        )
    )
    folder = blocks.workspace / stored_blocks.FOLDER
    for path in sorted(folder.iterdir()) if folder.is_dir() else ():
        block = path.relative_to(blocks.workspace).as_posix()
        if block not in known and block not in left_out:
            yield _finding("leftover", block, "belongs to no imported file; it counts for nothing")
