"""Whatever is put, decided and undone: undoing all restores exactly; order of import is no content."""

from __future__ import annotations

import shutil

import made_store
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal

from countmap.errors import Conflict
from countmap.workspace import open_workspace

TABLES = ("stations", "declarations", "links")
STATIONS = st.sampled_from(["S1", "S2", "S3", "S4", "S5"])
TEXTS = st.one_of(st.none(), st.text(st.characters(exclude_categories=["Cs"]), max_size=6))
ROWS = st.dictionaries(
    STATIONS, st.fixed_dictionaries({"name": TEXTS, "offset_m": st.floats(0, 1e6)}), min_size=1
)
STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("change"), ROWS),
        st.tuples(st.just("delete"), st.sets(STATIONS, min_size=1)),
        st.tuples(st.just("declare"), st.sampled_from(["l0", "l1", "l9"])),
        st.tuples(st.just("undo"), st.integers(1, 8)),
    ),
    max_size=6,
)
LIGHT = settings(
    max_examples=12,
    derandomize=True,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)


@pytest.fixture(scope="module")
def template(tmp_path_factory):
    return made_store.workspace(tmp_path_factory.mktemp("template") / "w").path


def state(ws):
    return {name: ws.register.frame(name) for name in TABLES}


def same(one, two):
    for name in TABLES:
        assert_frame_equal(pd.DataFrame(one[name]), pd.DataFrame(two[name]))


def take(ws, step, value):
    """Take one step; an undo that is refused leaves everything as it was."""
    if step == "undo":
        before = state(ws)
        try:
            ws.register.undo(value)
        except (Conflict, LookupError):
            same(before, state(ws))
        return
    with ws.register.transaction() as writing:
        if step == "change":
            frame = pd.DataFrame([{"station_id": k, **v} for k, v in value.items()])
            writing.decide("change", "stations", "", {"stations": frame})
        elif step == "delete":
            writing.decide("delete", "stations", "", delete={"stations": sorted(value)})
        else:
            row = pd.DataFrame({"kind": ["quiet"], "id": [value]})
            writing.decide("declare", value, "", {"declarations": row})


@LIGHT
@given(steps=STEPS)
def test_undoing_every_standing_decision_restores_exactly(template, tmp_path_factory, steps):
    ws = open_workspace(shutil.copytree(template, tmp_path_factory.mktemp("run") / "w"))
    before, prints = state(ws), ws.register.fingerprint(["stations", "declarations", "roads"])
    for step, value in steps:
        take(ws, step, value)
    for decision in reversed(ws.register.frame("decisions")["decision_id"].tolist()):
        log = ws.register.frame("decisions", decision_id=decision)
        if log["kind"].item() != "undo" and pd.isna(log["undone_by"].item()):
            ws.register.undo(decision)
    same(before, state(ws))
    assert ws.register.fingerprint(["stations", "declarations", "roads"]) == prints


def imported(folder, order):
    """Return the fingerprint of four files, days and stations brought in one after the other."""
    ws = open_workspace(folder)
    days = pd.DataFrame(
        {
            "first": pd.to_datetime([f"2025-0{i + 1}-01" for i in range(4)]).as_unit("us"),
            "last": pd.to_datetime([f"2025-0{i + 1}-02" for i in range(4)]).as_unit("us"),
            "kind": "event",
        }
    )
    for i in order:
        made_store.add(ws, made_store.periods(f"2025-0{i + 1}-01", [float(i)] * 3), f"{i}.csv")
        with ws.register.transaction() as writing:
            writing.put("days", days.iloc[[i]])
            writing.put("stations", pd.DataFrame({"station_id": [f"N{i}"], "name": [f"no. {i}"]}))
    return ws.register.fingerprint(["counts", "days", "stations"])


@pytest.fixture(scope="module")
def in_order(template, tmp_path_factory):
    return imported(shutil.copytree(template, tmp_path_factory.mktemp("run") / "w"), range(4))


@settings(LIGHT, max_examples=5)
@given(order=st.permutations(range(4)))
def test_the_order_of_import_does_not_change_fingerprints(
    template, tmp_path_factory, in_order, order
):
    folder = shutil.copytree(template, tmp_path_factory.mktemp("run") / "w")
    assert imported(folder, order) == in_order
