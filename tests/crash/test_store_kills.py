"""A process killed while it writes: what it acknowledged is there, the rest is whole or absent."""

from __future__ import annotations

import multiprocessing
import time
from pathlib import Path

import geopandas as gpd
import made_store
import pandas as pd

from countmap.store import verify
from countmap.workspace import open_workspace

KILLS = 10
# Children are forked from a server that has the libraries loaded: a kill costs no import.
PROCESSES = multiprocessing.get_context("forkserver")
PROCESSES.set_forkserver_preload(["made_store", "countmap.store.blocks", "pyarrow.parquet"])


def killed(folder: Path, start: int, after: int) -> list[tuple[str, int]]:
    """Run a writer, kill it after some acknowledgements, and return all it acknowledged."""
    ours, theirs = PROCESSES.Pipe(duplex=False)
    process = PROCESSES.Process(target=made_store.write_for_ever, args=(folder, start, theirs))
    process.start()
    theirs.close()
    said = [ours.recv() for _ in range(after)]
    busy_until = time.perf_counter() + 0.0017 * (start % 7)  # not always right after a commit
    while time.perf_counter() < busy_until:
        pass
    process.kill()
    process.join()
    assert process.exitcode == -9
    while True:
        try:
            said.append(ours.recv())
        except (EOFError, OSError):  # an acknowledgement cut in two was never given
            return said


def test_nothing_acknowledged_is_lost_and_nothing_is_half_there(tmp_path):
    ws = made_store.workspace(tmp_path / "w", with_roads=False)
    acknowledged = set()
    for kill in range(KILLS):
        acknowledged |= set(killed(ws.path, kill * 1000 + kill, 1 + kill % 4))
        stations = open_workspace(ws.path).register.frame("stations")
        ours = stations[stations["station_id"].str.startswith("P")]
        files = ws.register.frame("files")
        assert {n for what, n in acknowledged if what == "put"} <= set(ours["name"].astype(int))
        decided = ours.loc[ours["road"] == "decided", "name"].astype(int)
        assert {n for what, n in acknowledged if what == "decide"} <= set(decided)
        assert {f"{n}.csv" for what, n in acknowledged if what == "file"} <= set(files["name"])
        # Whole or absent: pairs come in twos, a decision has both its rows, a row has its block.
        assert ours.groupby("name").size().eq(2).all()
        assert ours["road"].fillna("").groupby(ours["name"]).nunique().eq(1).all()
        assert ws.register.frame("changes").groupby("decision_id").size().eq(2).all()
        assert len(ws.register.frame("decisions")) == decided.nunique()
        findings = verify.check(ws.register, ws.blocks)
        assert {f["what"] for f in findings} <= {"leftover"}
        assert len(findings) <= kill + 1  # at most one block without a row, or one part, a kill
    assert len(acknowledged) >= KILLS
    assert len(gpd.read_file(ws.register.path, layer="stations")) == len(stations)


def test_the_test_would_see_a_loss(tmp_path):
    """The same comparison on a register from which one acknowledged pair was taken."""
    ws = made_store.workspace(tmp_path / "w", with_roads=False)
    acknowledged = killed(ws.path, 0, 1)
    with ws.register.transaction() as writing:
        writing.delete("stations", pd.Series(["P000000a", "P000000b"]))
    names = set(ws.register.frame("stations")["name"].dropna())
    assert not {str(n) for what, n in acknowledged if what == "put"} <= names
