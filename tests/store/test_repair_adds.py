"""`repair` puts back what adding alone can mend; everything that was there stays as it was."""

from __future__ import annotations

import sqlite3
from contextlib import closing

import made_store
import pandas as pd
import pytest
from pandas.testing import assert_frame_equal

from countmap.jobs import register as jobs
from countmap.jobs.common import open_workspace
from countmap.store.schema import STORED


@pytest.fixture
def ws(tmp_path):
    ws = made_store.workspace(tmp_path / "w")
    made_store.add(ws, made_store.periods("2025-01-01", [1.0, 2.0]), "a.csv")
    return ws


def behind_its_back(ws, *statements):
    """Change the register as another program would, without foreign keys."""
    with closing(sqlite3.connect(ws.register.path)) as connection, connection:
        for statement in statements:
            connection.execute(statement)


def everything(ws):
    return {name: pd.DataFrame(ws.register.frame(name)) for name in STORED}


def kept(before, after):
    """Tell that every row of ``before`` is in ``after`` as it was."""
    for name, frame in before.items():
        key = list(STORED[name].key)
        now = after[name].merge(frame[key], on=key)
        assert_frame_equal(
            now.sort_values(key, ignore_index=True), frame.sort_values(key, ignore_index=True)
        )


def test_a_sound_workspace_is_left_as_it_is(ws):
    before = everything(ws)
    document = jobs.repair(ws)
    assert (document["added"], document["remains"]) == ([], [])
    after = everything(ws)
    for name in STORED:
        assert_frame_equal(before[name], after[name])


def test_rows_that_others_speak_of_are_entered_and_nothing_else_changes(ws):
    survey = pd.DataFrame({"survey_id": ["V1"], "station_id": ["S3"]})
    with ws.register.transaction() as writing:
        writing.put("surveys", survey)
    behind_its_back(
        ws,
        "DELETE FROM stations WHERE station_id IN ('S1', 'S3')",
        "DELETE FROM nodes WHERE node_id = 'n2'",
    )
    before = everything(ws)
    planned = jobs.repair(ws, dry_run=True)
    assert [(a["what"], a["where"]) for a in planned["added"]] == [
        ("station", "S1"),
        ("station", "S3"),
        ("node", "n2"),
    ]
    kept(before, everything(ws))
    assert len(everything(ws)["stations"]) == 1
    document = jobs.repair(ws)
    assert document["added"] == planned["added"]
    assert document["remains"] == []
    after = everything(ws)
    kept(before, after)
    node = after["nodes"].set_index("node_id").loc["n2"]
    assert (node["x"], node["y"]) == (250.0, 0.0)
    assert after["stations"].set_index("station_id").loc["S1", "state"] == "unplaced"


def test_what_repair_entered_can_be_undone(ws):
    behind_its_back(ws, "DELETE FROM stations WHERE station_id = 'S1'")
    jobs.repair(ws)
    (decision,) = ws.register.frame("decisions")["decision_id"]
    ws.register.undo(decision)
    assert "S1" not in set(ws.register.frame("stations")["station_id"])


def test_a_whole_block_that_no_file_names_is_entered_and_a_torn_one_is_not(ws):
    block = ws.blocks.write(made_store.periods("2025-02-01", [9.0], station="S2"), "b.csv")
    torn = ws.path / "counts" / "c-0123.parquet"
    torn.write_bytes((ws.path / block.path).read_bytes()[:100])
    assert [f["where"] for f in jobs.check(ws)["leftovers"]] == [
        block.path,
        "counts/c-0123.parquet",
    ]
    document = jobs.repair(ws)
    name = block.path.removeprefix("counts/")
    assert document["added"] == [
        {"what": "file", "where": name, "why": "1 periods of a block that no file named"}
    ]
    files = ws.register.frame("files").set_index("name")
    assert files.loc[name, "block_sha256"] == block.sha256
    assert [f["where"] for f in jobs.check(ws)["leftovers"]] == ["counts/c-0123.parquet"]
    assert torn.exists()
    assert jobs.repair(ws)["added"] == []


def test_a_block_that_was_renamed_is_copied_back(ws):
    (block,) = ws.register.frame("files")["block"]
    (ws.path / block).rename(ws.path / "counts" / "mine.parquet")
    assert [f["what"] for f in jobs.check(ws)["findings"]] == ["block"]
    document = jobs.repair(ws)
    assert [(a["what"], a["where"]) for a in document["added"]] == [("block", block)]
    assert document["remains"] == []
    assert (ws.path / "counts" / "mine.parquet").exists()


def test_a_register_that_is_gone_comes_back_from_the_newest_backup(ws, countmap):
    ws.register.backup(ws.path / "register-before-2.gpkg")
    before = everything(ws)
    ws.register.path.unlink()
    ended = countmap("repair", "-w", ws.path)
    assert ended.out == "register register.gpkg: copied from register-before-2.gpkg\n"
    after = everything(open_workspace(ws.path))
    for name in STORED:
        assert_frame_equal(before[name], after[name])


def test_without_a_backup_there_is_one_line(ws, countmap):
    ws.register.path.unlink()
    ended = countmap("repair", "-w", ws.path)
    assert (ended.code, ended.err) == (
        1,
        "countmap: there is no register and no backup of one; start over with countmap init\n",
    )


def test_what_adding_cannot_mend_is_listed(ws, countmap):
    behind_its_back(ws, "UPDATE stations SET link_id = 'gone' WHERE station_id = 'S2'")
    line = "station S2: lies on link 'gone', which is not in the network; place it again"
    assert countmap("repair", "-w", ws.path).out.splitlines() == [
        "There is nothing to put back.",
        "What adding cannot mend:",
        f"reference {line}",
    ]
    assert countmap("check", "-w", ws.path).out.splitlines() == [
        f"reference {line}",
        "countmap repair puts back what adding can mend",
    ]
