"""A workspace that cannot be written to: everything can be read, and every change is one line."""

from __future__ import annotations

import multiprocessing
import os
import sqlite3
import tempfile
from pathlib import Path

import made_store
import pytest

from countmap.errors import Conflict
from countmap.store import verify
from countmap.workspace import open_workspace

NOBODY = 65534
PROCESSES = multiprocessing.get_context("fork")


@pytest.fixture
def folder():
    """Return a workspace whose folders and files are read-only, where anybody may look at it."""
    with tempfile.TemporaryDirectory() as open_to_all:
        Path(open_to_all).chmod(0o755)
        yield from read_only(Path(open_to_all) / "w")


def read_only(place):
    """Yield the workspace, and put the rights back at the end."""
    ws = made_store.workspace(place)
    made_store.add(ws, made_store.periods("2025-01-01", [1.0, 2.0]), "a.csv")
    parts = [ws.path, *ws.path.rglob("*")]
    for path in parts:
        path.chmod(0o555 if path.is_dir() else 0o444)
    yield ws.path
    for path in parts:
        path.chmod(0o755 if path.is_dir() else 0o644)


def as_nobody(folder, act):
    """Return what ``act`` gives in a process that may not write, in the workspace's folder."""

    def child(pipe):
        os.chdir(folder)
        if os.geteuid() == 0:
            os.setgid(NOBODY)
            os.setuid(NOBODY)
        try:
            pipe.send(act())
        except Exception as error:  # noqa: BLE001  # told to the test
            pipe.send(error)

    ours, theirs = PROCESSES.Pipe(duplex=False)
    process = PROCESSES.Process(target=child, args=(theirs,))
    process.start()
    theirs.close()
    said = ours.recv()
    process.join()
    return said


def test_a_read_only_workspace_is_read_and_verified(folder):
    def act():
        ws = open_workspace()
        return len(ws.register.frame("stations")), verify.check(ws.register, ws.blocks)

    assert as_nobody(folder, act) == (3, [])
    assert sorted(p.name for p in folder.iterdir()) == ["countmap.toml", "counts", "register.gpkg"]


def test_a_change_is_refused_in_one_line(folder):
    def act():
        with open_workspace().register.transaction() as writing:
            writing.delete("stations", ["S1"])

    said = as_nobody(folder, act)
    assert isinstance(said, Conflict)
    assert str(said) == "register.gpkg: attempt to write a readonly database; nothing was changed"


def test_changes_that_wait_in_the_log_are_not_passed_over(folder):
    (folder / "register.gpkg-wal").write_bytes(b"waiting")
    said = as_nobody(folder, open_workspace)
    assert isinstance(said, Conflict)
    assert str(said) == (
        ". is read-only and register.gpkg-wal holds changes that are not in register.gpkg yet; "
        "copy the folder and open the copy"
    )
    (folder / "register.gpkg-wal").unlink()


def test_an_older_register_that_cannot_be_brought_up_to_date_says_so(folder):
    folder.chmod(0o755)
    (folder / "register.gpkg").chmod(0o644)
    with sqlite3.connect(folder / "register.gpkg") as connection:
        connection.execute("ALTER TABLE suspects DROP COLUMN firm")
    connection.close()
    folder.chmod(0o555)
    said = as_nobody(folder, open_workspace)
    assert isinstance(said, Conflict)
    assert str(said) == (
        "register.gpkg is of an older countmap and cannot be brought up to date here; "
        "copy the folder, open the copy (Permission denied)"
    )
