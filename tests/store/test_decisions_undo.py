"""Decisions are logged with who, when and why; any of them can be taken back, unless overtaken."""

from __future__ import annotations

import getpass

import made_store
import pandas as pd
import pytest
from pandas.testing import assert_frame_equal

from countmap.errors import Conflict, InvalidInput, NotFound

PLACED = pd.DataFrame(
    {
        "station_id": ["S1"],
        "link_id": ["l0"],
        "offset_m": [12.5],
        "same_way": [False],
        "state": ["placed"],
    }
)


@pytest.fixture
def ws(tmp_path):
    return made_store.workspace(tmp_path / "w")


def decide(ws, *args, **more):
    with ws.register.transaction() as writing:
        return writing.decide(*args, **more)


def test_a_decision_says_who_when_and_why(ws, monkeypatch):
    monkeypatch.setattr(getpass, "getuser", lambda: "anna")
    assert decide(ws, "place", "S1", "seen on site", {"stations": PLACED}) == 1
    row = ws.register.frame("decisions").iloc[0]
    assert row[["kind", "subject", "reason", "who"]].tolist() == [
        "place",
        "S1",
        "seen on site",
        "anna",
    ]
    assert abs(row["at"] - pd.Timestamp.now("UTC")) < pd.Timedelta("60s")
    changes = ws.register.frame("changes")
    assert changes[["table_name", "row_key"]].iloc[0].tolist() == ["stations", '["S1"]']


def test_without_a_login_name_who_is_unknown(ws, monkeypatch):
    def nobody():
        raise OSError("no such user")

    monkeypatch.setattr(getpass, "getuser", nobody)
    decide(ws, "place", "S1", "", {"stations": PLACED})
    assert ws.register.frame("decisions")["who"].tolist() == ["unknown"]


def test_undo_restores_changed_new_and_deleted_rows(ws):
    before = ws.register.frame("stations"), ws.register.frame("links")
    new = pd.DataFrame({"station_id": ["S7"], "lon": [9.5], "lat": [48.5]})
    decide(
        ws, "tidy", "two tables", "",
        {"stations": pd.concat([PLACED, new])}, delete={"links": ["l1"], "surveys": [("V", 1.0)]},
    )  # fmt: skip
    assert len(ws.register.frame("stations")) == 4
    assert ws.register.frame("links")["link_id"].tolist() == ["l0"]
    assert ws.register.undo(1) == 2
    assert_frame_equal(ws.register.frame("stations"), before[0])
    assert_frame_equal(ws.register.frame("links"), before[1])
    log = ws.register.frame("decisions")
    assert log["kind"].tolist() == ["tidy", "undo"]
    assert log["undone_by"].tolist()[0] == 2
    assert log["undoes"].tolist()[1] == 1


def test_an_undo_can_be_undone(ws):
    decide(ws, "place", "S1", "", {"stations": PLACED})
    after = ws.register.frame("stations")
    ws.register.undo(1)
    ws.register.undo(2)
    assert_frame_equal(ws.register.frame("stations"), after)
    assert ws.register.undo(1) == 4


def test_what_is_undone_is_not_undone_again(ws):
    decide(ws, "place", "S1", "", {"stations": PLACED})
    ws.register.undo(1)
    with pytest.raises(Conflict) as caught:
        ws.register.undo(1)
    assert str(caught.value) == "decision 1 (place S1) is undone by 2 already"


def test_a_row_changed_since_stops_the_undo_whole(ws):
    decide(ws, "place", "S1", "", {"stations": pd.concat([PLACED, PLACED.assign(station_id="S2")])})
    decide(ws, "move", "S1", "", {"stations": PLACED.assign(offset_m=80.0)})
    before = ws.register.frame("stations")
    with pytest.raises(Conflict) as caught:
        ws.register.undo(1)
    assert str(caught.value) == (
        "decision 1 (place S1) cannot be undone: stations S1 has changed since; undo 2 first"
    )
    assert_frame_equal(ws.register.frame("stations"), before)
    assert len(ws.register.frame("decisions")) == 2
    ws.register.undo(2)
    assert ws.register.undo(1) == 4


def test_a_change_outside_decisions_stops_the_undo_too(ws):
    decide(ws, "place", "S1", "", {"stations": PLACED})
    with ws.register.transaction() as writing:
        writing.put("stations", pd.DataFrame({"station_id": ["S1"], "name": ["Mill Street"]}))
    with pytest.raises(
        Conflict, match="stations S1 has changed since; undo the later change first"
    ):
        ws.register.undo(1)


def test_an_unknown_decision_is_not_found(ws):
    with pytest.raises(NotFound, match=r"^decision 5 is not in the log$"):
        ws.register.undo(5)


def test_a_refused_decision_leaves_no_trace(ws):
    with pytest.raises(InvalidInput, match="stations: state must be one of placed"):
        decide(ws, "place", "S1", "", {"stations": PLACED.assign(state="nowhere")})
    assert ws.register.frame("decisions").empty


def test_declarations_are_undone_by_id(ws):
    row = pd.DataFrame({"kind": ["quiet"], "id": ["l0"]})
    decide(ws, "declare", "quiet l0", "", {"declarations": row})
    assert ws.register.frame("declarations")["id"].tolist() == ["l0"]
    ws.register.undo(1)
    assert ws.register.frame("declarations").empty
