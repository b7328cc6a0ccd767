"""What can be put back without taking anything away: ``repair`` adds and never changes or deletes."""

from __future__ import annotations

import hashlib
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from countmap import tables
from countmap.errors import InvalidInput
from countmap.formats import whole
from countmap.store import blocks as stored_blocks
from countmap.store import rows, verify
from countmap.store.blocks import Block

if TYPE_CHECKING:
    from countmap.store.blocks import Blocks
    from countmap.store.register import Register
    from countmap.store.writing import Writing

KIND = "repair"
Added = dict[str, str]

_POINTING_AT_STATIONS = ("surveys", "flags")


def register_from_backup(register: Register, *, dry_run: bool = False) -> list[Added]:
    """Put the newest backup in the place of a register that is gone; nothing if it is there."""
    if register.path.exists():
        return []
    kept = sorted(
        register.path.parent.glob(f"{register.path.stem}-*{register.path.suffix}"),
        key=lambda path: (path.stat().st_mtime_ns, path.name),
    )
    if not kept:
        return []
    if not dry_run:
        with whole.replacing(register.path) as part:
            shutil.copyfile(kept[-1], part)
    return [_added("register", register.path.name, f"copied from {kept[-1].name}")]


def blocks_under_another_name(register: Register, blocks: Blocks, *, dry_run: bool) -> list[Added]:
    """Copy blocks that are not there from files of the same content in the folder of blocks."""
    folder = blocks.workspace / stored_blocks.FOLDER
    files = register.frame("files")
    gone = files[[not (blocks.workspace / block).exists() for block in files["block"]]]
    if gone.empty:
        return []
    there = {_sha256(path): path for path in sorted(folder.glob("*")) if path.is_file()}
    found = []
    for name, sha256 in zip(gone["block"], gone["block_sha256"], strict=True):
        source = there.get(sha256)
        if source is None:
            continue
        if not dry_run:
            whole.write(blocks.workspace / name, source.read_bytes())
        found.append(_added("block", name, f"copied from {source.name}, which has its content"))
    return found


def rows_that_are_missing(tx: Writing, blocks: Blocks) -> list[Added]:
    """Enter, each by a decision that undo takes back, what other rows or whole blocks speak of.

    Blocks that no file names are what an interrupted import, or a register put back from a backup,
    leaves behind. Stations that only counts, surveys or flags speak of are entered without a place.
    Ends of links that are no node are entered where the line ends.
    """
    return [*_unnamed_blocks(tx, blocks), *_stations(tx), *_nodes(tx)]


def _unnamed_blocks(tx: Writing, blocks: Blocks) -> Iterator[Added]:
    known = set(tx.frame("files")["block_sha256"])
    for finding in verify.leftovers(tx.connection, blocks):
        path = blocks.workspace / finding["where"]
        block = _readable(path, finding["where"])
        if block is None or block.sha256 in known:
            continue
        file_id = tx.add_file(path.name, block.sha256, None, block)
        row = tx.frame("files", file_id=file_id)
        tx.delete("files", [file_id])  # entered by a decision, so that undo knows of it
        tx.decide(KIND, path.name, "a whole block that no file named", {"files": row})
        yield _added("file", path.name, f"{block.rows:,} periods of a block that no file named")


def _readable(path: Path, name: str) -> Block | None:
    """Return a block as it lies on disk; None if it is not whole."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    if path.suffix != ".parquet" or not path.is_file():
        return None
    try:
        plain = pq.read_table(path).to_pandas()
        plain = plain.astype(dict.fromkeys(plain.select_dtypes("category"), "str"))
        frame = rows.conform(plain, tables.PERIODS)
        tables.require(frame, tables.PERIODS)
    except (OSError, pa.ArrowException, InvalidInput):
        return None
    return stored_blocks.described(frame, name, _sha256(path))


def _stations(tx: Writing) -> Iterator[Added]:
    spoken = {name for listed in tx.frame("files")["stations"] for name in listed}
    for table in _POINTING_AT_STATIONS:
        spoken |= set(tx.frame(table)["station_id"].dropna())
    for name in sorted(spoken - set(tx.frame("stations")["station_id"])):
        row = pd.DataFrame({"station_id": [name]})
        tx.decide(KIND, name, "counts speak of it and it was not there", {"stations": row})
        yield _added("station", name, "entered without a place; import it or place it")


def _nodes(tx: Writing) -> Iterator[Added]:
    links = tx.frame("links")
    there = set(tx.frame("nodes")["node_id"])
    for column, at in (("from_node", 0), ("to_node", -1)):
        for link in links[~links[column].isin(there)].itertuples():
            name: Any = getattr(link, column)
            if name in there:
                continue
            there.add(name)
            x, y = link.geometry.coords[at]
            row = pd.DataFrame({"node_id": [name], "x": [x], "y": [y]})
            tx.decide(KIND, name, f"link {link.link_id} ends there", {"nodes": row})
            yield _added("node", name, f"entered where link {link.link_id} ends")


def beyond_repair(register: Register) -> str:
    """Return why the register cannot be opened at all; "" if it can."""
    if not register.path.exists():
        return "there is no register and no backup of one; start over with countmap init"
    try:
        with closing(
            sqlite3.connect(f"{register.path.absolute().as_uri()}?mode=ro", uri=True)
        ) as c:
            c.execute("SELECT count(*) FROM sqlite_master")
    except sqlite3.DatabaseError as error:
        return (
            f"{register.path.name} cannot be read ({error}); move it aside, and repair puts the "
            "newest backup in its place"
        )
    return ""


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _added(what: str, where: str, why: str) -> Added:
    return {"what": what, "where": where, "why": why}
