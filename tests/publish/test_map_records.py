"""The panel's records: installation with its error budget, class and speed; what a public map leaves out."""

from __future__ import annotations

import dataclasses
from datetime import date

import pytest
from made_town import town

from countmap.publish.content import Summary
from countmap.publish.records import installed, mixes

BUDGET = {
    "parts": [
        {"name": name, "speed_kmh": v, "error_ab": e, "error_ba": -e / 2, "verdict": verdict}
        for name, v, e, verdict in (
            ("skew", 30.0, 0.004, "good"), ("skew", 60.0, 0.021, "watch"),
            ("all", 30.0, 0.031, "redo"), ("all", 60.0, 0.018, "watch"),
        )
    ]
}  # fmt: skip
SURVEY = {
    "survey_id": "V1", "sensor": "tube", "counter_id": "T1", "started": "2025-09-15T11:40",
    "ended": "2025-09-22T11:35", "spacing_entered_m": 1.0, "skew_deg": float("nan"),
    "check_spacing": True, "check_square": False, "check_equal": None, "budget": BUDGET,
}  # fmt: skip


def told(audience, **changes):
    content = dataclasses.replace(town(), surveys={"S0001": [SURVEY | changes]}, audience=audience)
    table = installed(content, {"S0000": 0, "S0001": 1})["records"]
    assert set(table["station"].values) <= {1.0}
    return dict(zip(table["label"].values, table["value"].values, strict=True))


def test_a_record_is_told_with_its_checks_and_the_worst_of_its_budget():
    assert told("internal") == {
        "sensor": "tube",
        "counter": "T1",
        "started": "2025-09-15 11:40",
        "ended": "2025-09-22 11:35",
        "spacing entered, m": "1",
        "checked: spacing": "done",
        "checked: square": "not so",
        "error of speed, skew": "2.1 % at 60 km/h: watch",
        "error of speed, all": "3.1 % at 30 km/h: redo",
    }


def test_a_public_map_names_no_counter_and_none_that_stands_at_the_road():
    assert "counter" not in told("public")
    assert told("public", ended=None) == {}
    assert told("internal", ended=None)["counter"] == "T1"


def test_a_record_without_geometry_says_so():
    assert told("public", budget=None)["error budget"] == "none: the geometry was not recorded"


def test_class_and_speed_are_kept_with_their_reasons():
    one = Summary(
        first=date(2025, 5, 6), last=date(2025, 5, 12), heavy=0.0624, classified=41_200.0,
        scheme="axles", classes=(("car", 38_000.0), ("lorry", 3_200.0)),
        speed_why="speeds were not counted",
    )  # fmt: skip
    content = dataclasses.replace(town(), summaries={"S0001": one})
    tables = mixes(content, {"S0000": 0, "S0001": 1})
    assert tables["mixes"]["station"].values == [1.0]
    assert tables["mixes"]["first"].values == [20_214.0], "days since 1970: 6 May 2025"
    assert tables["mixes"]["heavy"].values == [pytest.approx(0.0624)]
    assert tables["mixes"]["speed_why"].values == ["speeds were not counted"]
    assert tables["classes"]["word"].values == ["car", "lorry"]
