"""Every acknowledged write was synced, file and folder, before anything spoke of it.

What is seen: the order in which this process asks the system to sync and to rename, and the statements
that SQLite is given in between. What is not seen: SQLite's own syncs (its documentation promises one a
commit under synchronous = FULL in WAL mode, https://sqlite.org/pragma.html#pragma_synchronous; the bench
tests/bench/bench_sync.py watches them in the kernel's calls), and whether a disk keeps its word.
"""

from __future__ import annotations

import os
from pathlib import Path

import made_store
import pytest

from countmap.formats import csv_table, whole
from countmap.store import reading, register
from countmap.workspace import init_workspace, open_workspace


@pytest.fixture
def calls(monkeypatch):
    """Return the list of calls that the test's act makes, in order."""
    seen: list[tuple[str, str]] = []
    fsync, replace, connect = os.fsync, os.replace, reading.connect

    def watched(path):
        connection = connect(path)
        connection.set_trace_callback(lambda sql: seen.append(("sql", " ".join(sql.split()[:3]))))
        return connection

    def synced(handle):
        fsync(handle)
        seen.append(("sync", Path(f"/proc/self/fd/{handle}").readlink().name))

    def renamed(source, target, **options):
        replace(source, target, **options)
        seen.append(("rename", Path(target).name))

    monkeypatch.setattr(os, "fsync", synced)
    monkeypatch.setattr(os, "replace", renamed)
    monkeypatch.setattr(register, "connect", watched)
    return seen


def test_a_block_is_on_disk_before_its_row_is_committed(tmp_path, calls):
    ws = made_store.workspace(tmp_path / "w")
    calls.clear()
    made_store.add(ws, made_store.periods("2025-01-01", [1.0]), "a.csv")
    (block,) = [p.name for p in (ws.path / "counts").iterdir()]
    told = [c for c in calls if c[0] != "sql" or c[1] in ('INSERT INTO "files"', "COMMIT")]
    assert told == [
        ("sync", block),
        ("rename", block),
        ("sync", "counts"),
        ("sql", 'INSERT INTO "files"'),
        ("sql", "COMMIT"),
    ]


def test_a_new_workspace_is_on_disk_with_every_folder_that_holds_it(tmp_path, calls):
    ws = init_workspace(tmp_path / "new" / "town", "UTC")
    synced = [name for what, name in calls if what == "sync"]
    assert synced == [
        tmp_path.name,  # new
        "new",  # town
        "town",  # counts
        "register.gpkg",
        "town",
        "countmap.toml",
        "town",
    ]
    assert [name for what, name in calls if what == "rename"] == ["register.gpkg", "countmap.toml"]
    calls.clear()
    ws.register.backup(ws.path / "kept.gpkg")
    assert [c for c in calls if c[0] != "sql"] == [
        ("sync", "kept.gpkg"),
        ("rename", "kept.gpkg"),
        ("sync", "town"),
    ]


@pytest.mark.parametrize("kind", ["bytes", "table"])
def test_an_exported_file_is_synced_then_renamed_then_its_folder_is_synced(tmp_path, calls, kind):
    if kind == "bytes":
        whole.write(tmp_path / "out.csv", b"x")
    else:
        csv_table.write(made_store.stations(), tmp_path / "out.csv")
    assert calls == [("sync", "out.csv"), ("rename", "out.csv"), ("sync", tmp_path.name)]


def failing(path):
    with whole.replacing(path) as part:
        part.write_text("new")
        raise ZeroDivisionError


def test_a_file_that_fails_takes_no_place(tmp_path, calls):
    (tmp_path / "out.csv").write_text("old")
    with pytest.raises(ZeroDivisionError):
        failing(tmp_path / "out.csv")
    assert [p.name for p in tmp_path.iterdir()] == ["out.csv"]
    assert (tmp_path / "out.csv").read_text() == "old"
    assert calls == []


def test_every_commit_of_the_register_is_synced_by_sqlite(tmp_path):
    ws = open_workspace(init_workspace(tmp_path / "w", "UTC").path)
    with ws.register.transaction() as writing:
        said = {
            name: writing.connection.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("synchronous", "journal_mode", "foreign_keys")
        }
    assert said == {"synchronous": 2, "journal_mode": "wal", "foreign_keys": 1}
