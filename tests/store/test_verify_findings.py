"""The check finds what no longer holds together, and nothing in a sound workspace."""

from __future__ import annotations

import sqlite3
from contextlib import closing

import made_store
import pandas as pd
import pytest

from countmap.store import verify


@pytest.fixture
def ws(tmp_path):
    ws = made_store.workspace(tmp_path / "w")
    made_store.add(ws, made_store.periods("2025-01-01", [1.0, 2.0]), "a.csv")
    return ws


def found(ws):
    return [(f["what"], f["where"], f["why"]) for f in verify.check(ws.register, ws.blocks)]


def block(ws):
    return ws.register.frame("files")["block"].iloc[0]


def test_a_sound_workspace_has_no_finding(ws):
    assert found(ws) == []


def test_a_block_that_is_gone_or_changed(ws):
    name = block(ws)
    (ws.path / name).write_bytes(b"PAR1")
    assert found(ws) == [("block", name, "has changed on disk; import a.csv again")]
    (ws.path / name).unlink()
    assert found(ws) == [("block", name, "is not there; import a.csv again")]


def test_a_block_without_a_row_counts_for_nothing(ws):
    orphan = ws.blocks.write(made_store.periods("2025-02-01", [9.0]), "b.csv")
    assert found(ws) == [
        ("leftover", orphan.path, "belongs to no imported file; it counts for nothing")
    ]


def test_rows_that_point_at_nothing(ws):
    with ws.register.transaction() as writing:
        writing.put("stations", pd.DataFrame({"station_id": ["S2"], "link_id": ["gone"]}))
        writing.delete("stations", ["S1"])
    with closing(sqlite3.connect(ws.register.path)) as other, other:  # without foreign keys
        other.execute("DELETE FROM nodes WHERE node_id = 'n2'")
    assert found(ws) == [
        ("reference", "links l1", "points at no row of nodes; delete it"),
        (
            "reference",
            "station S2",
            "lies on link 'gone', which is not in the network; place it again",
        ),
        (
            "reference",
            "file a.csv",
            "has counts of station 'S1', which is not in the register; import it",
        ),
    ]


def test_a_file_that_is_no_register(ws):
    path = ws.register.path
    path.write_bytes(b"not a database, and long enough to be taken for one" * 40)
    ((what, where, why),) = found(ws)
    assert (what, where) == ("file", "register.gpkg")
    assert why.endswith("; restore it from a backup")
    path.unlink()
    assert found(ws) == [("file", "register.gpkg", "is not there; restore it from a backup")]


def test_a_damaged_page_is_found(ws):
    with closing(sqlite3.connect(ws.register.path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        (root,) = connection.execute(
            "SELECT rootpage FROM sqlite_master WHERE name = 'links'"
        ).fetchone()
        (size,) = connection.execute("PRAGMA page_size").fetchone()
    with ws.register.path.open("r+b") as file:
        file.seek((root - 1) * size + 3)
        file.write(b"\xff\xff")
    assert any(what == "file" for what, _, _ in found(ws))
