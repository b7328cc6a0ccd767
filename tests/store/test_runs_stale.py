"""Runs know what they rest on: a fingerprint a topic, stale when one of them has changed."""

from __future__ import annotations

import made_store
import pandas as pd
import pytest

from countmap.errors import InvalidInput, NotFound
from countmap.store import runs
from countmap.workspace import open_workspace

TOPICS = ["roads", "stations", "counts", "flags", "days", "declarations", "screenlines", "settings"]


@pytest.fixture
def ws(tmp_path):
    return made_store.workspace(tmp_path / "w")


def annual(station="S1", aadt=1000.0, year=2025):
    return pd.DataFrame(
        {
            "station_id": [station],
            "sense": ["both"],
            "year": [year],
            "aadt": [aadt],
            "status": ["measured"],
        }
    )


def run(ws, kind="annual", year=2025, topics=TOPICS, **more):
    fingerprint = ws.register.fingerprint(topics, year)
    with ws.register.transaction() as writing:
        frames = more.pop("frames", {"annual": annual(year=year or 2025)})
        return writing.add_run(kind, year, fingerprint, {}, {"n": 1}, frames, **more)


def because(ws):
    return ws.register.runs()["because"].tolist()


def test_a_fresh_run_is_not_stale(ws):
    assert run(ws) == "annual-2025-1"
    found = ws.register.runs()
    assert list(found.columns) == ["kind", "year", "run_id", "finished", "stale", "because"]
    assert found.loc[0, ["kind", "year", "run_id", "stale", "because"]].tolist() == [
        "annual", 2025.0, "annual-2025-1", False, [],
    ]  # fmt: skip
    assert ws.register.document("annual-2025-1") == {"n": 1}


def flag(state):
    return pd.DataFrame(
        {
            "flag_id": ["f"], "rule": ["zeros"], "severity": ["warn"], "station_id": ["S1"],
            "first_utc": pd.to_datetime(["2025-01-01T00:00Z"]).as_unit("us"),
            "last_utc": pd.to_datetime(["2025-01-01T05:00Z"]).as_unit("us"),
            "why": ["five zeros"], "state": [state],
        }
    )  # fmt: skip


def test_each_topic_makes_it_stale_and_is_named(ws):
    run(ws)
    day = pd.to_datetime(["2025-05-01"]).as_unit("us")
    changes = {
        "days": ("days", pd.DataFrame({"first": day, "last": day, "kind": "event"})),
        "declarations": ("declarations", pd.DataFrame({"kind": ["quiet"], "id": ["l0"]})),
        "flags": ("flags", flag("excluded")),
        "roads": ("links", made_store.roads()[1].assign(speed_kmh=50.0)),
        "stations": ("stations", pd.DataFrame({"station_id": ["S3"], "kind": ["permanent"]})),
    }
    so_far = []
    for topic in sorted(changes):
        table, frame = changes[topic]
        with ws.register.transaction() as writing:
            writing.put(table, frame)
        so_far.append(topic)
        assert because(ws) == [so_far]
    made_store.add(ws, made_store.periods("2025-01-01", [1.0]))
    assert because(ws) == [sorted([*so_far, "counts"])]


def test_an_open_flag_changes_no_result(ws):
    run(ws)
    with ws.register.transaction() as writing:
        writing.put("flags", flag("open"))
    assert because(ws) == [[]]


def test_settings_make_it_stale(ws):
    run(ws)
    path = ws.path / "countmap.toml"
    path.write_text(path.read_text().replace('"stepped"', '"coarse"'))
    again = open_workspace(ws.path)
    assert because(again) == [["settings"]]


def test_undoing_a_change_makes_it_fresh_again(ws):
    run(ws)
    with ws.register.transaction() as writing:
        writing.decide(
            "declare", "l0", "", {"declarations": pd.DataFrame({"kind": ["quiet"], "id": ["l0"]})}
        )
    assert because(ws) == [["declarations"]]
    ws.register.undo(1)
    assert because(ws) == [[]]


def test_the_newest_run_of_a_kind_and_year_counts(ws):
    run(ws)
    run(ws, frames={"annual": annual(aadt=2000.0)})
    run(ws, year=2024)
    assert ws.register.runs()["run_id"].tolist() == ["annual-2024-3", "annual-2025-2"]
    assert ws.register.results("annual", 2025)["aadt"].tolist() == [2000.0]
    assert len(ws.register.results("annual")) == 2
    assert len(ws.register.frame("annual")) == 3


def test_imports_add_up_and_the_later_row_holds(ws):
    first = pd.concat([annual("S1", 10.0), annual("S2", 20.0)])
    run(ws, "annual import", frames={"annual": first}, adds=True)
    run(ws, "annual import", frames={"annual": annual("S2", 21.0)}, adds=True)
    found = ws.register.results("annual", 2025, kind="annual import")
    assert found[["station_id", "aadt"]].to_numpy().tolist() == [["S1", 10.0], ["S2", 21.0]]


def test_a_run_on_annual_figures_is_stale_after_those_of_its_year_only(ws):
    run(ws)
    run(ws, "balance", topics=["annual"], frames={})
    run(ws, year=2024)
    assert because(ws)[-1] == []
    run(ws, frames={"annual": annual(aadt=1001.0)})
    assert because(ws)[-1] == ["annual"]


def test_the_order_of_overlapping_files_is_not_in_the_fingerprint(tmp_path):
    one = made_store.periods("2025-01-01", [1.0, 2.0])
    two = made_store.periods("2025-01-01", [1.0, 3.0])
    far = made_store.periods("2025-02-01", [5.0])
    prints = []
    for i, order in enumerate([(one, two, far), (two, one, far), (far, one, two)]):
        ws = made_store.workspace(tmp_path / f"w{i}")
        for frame in order:
            made_store.add(ws, frame, f"{frame['count'].sum()}.csv")
        prints.append(ws.register.fingerprint(["counts"]))
    assert prints[0] == prints[1] == prints[2]
    made_store.add(ws, made_store.periods("2025-03-01", [5.0]), "more.csv")
    assert ws.register.fingerprint(["counts"]) != prints[0]


def test_an_unknown_topic_a_broken_fingerprint_a_lost_run(ws):
    with pytest.raises(
        NotFound, match="topic 'weather' is unknown; there are roads, stations, counts"
    ):
        ws.register.fingerprint(["weather"])
    with pytest.raises(
        InvalidInput, match="fingerprint part 'abc' is not of the form topic=sha256"
    ):
        runs.parse("roads=1 abc")
    with pytest.raises(NotFound, match="run 'annual-1999' is not in the register"):
        ws.register.document("annual-1999")
    with pytest.raises(NotFound, match="table 'days' is not a table of results"):
        ws.register.results("days")
