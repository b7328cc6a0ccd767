"""Decisions of the command line: dry runs, edits, declarations, and what undo cannot do."""

from __future__ import annotations

import json

import pytest

from countmap.jobs.common import open_workspace

TOPICS = ["roads", "stations", "counts", "flags", "days", "declarations", "screenlines"]
STATIONS = """station_id,lon,lat,road,kind,bearing_deg,name_with,name_against
A,7.005,54.5,Long Road,permanent,90,towards the mole,towards the hills
B,7.015,54.5,Long Road,short,270,towards the harbour,towards the hills
"""


def prints(ws):
    return open_workspace(ws).register.fingerprint(TOPICS)


@pytest.mark.parametrize(
    "words",
    [
        ("stations", "place", "A", "--link", "east"),
        ("stations", "retire", "A", "--on", "2025-06-01"),
        ("stations", "move", "A", "--lon", "7.006", "--lat", "54.5"),
    ],
)
def test_a_dry_run_of_a_decision_changes_nothing(countmap, ws, words):
    before = prints(ws)
    ended = countmap(*words, "-w", ws, "--dry-run")
    assert ended.code == 0
    assert ended.out.startswith("Nothing was changed (--dry-run)")
    assert prints(ws) == before
    assert countmap(*words, "-w", ws).code == 0
    assert prints(ws) != before
    assert countmap("undo", "1", "-w", ws, "--dry-run").code == 0
    assert prints(ws) != before
    assert countmap("undo", "1", "-w", ws).code == 0
    assert prints(ws) == before


def test_a_station_described_anew_is_a_decision(countmap, ws, tmp_path):
    (tmp_path / "s.csv").write_text(STATIONS)
    before = prints(ws)
    ended = countmap("stations", "import", tmp_path / "s.csv", "-w", ws)
    assert ended.out.splitlines() == [
        "2 stations: 0 placed, 0 ambiguous, 2 known already",
        "  described anew (undo takes it back): A",
        "  B: bearing_deg stays 90.0, the file says 270.0; countmap stations place decides",
    ]
    row = open_workspace(ws).register.frame("stations", station_id="A").iloc[0]
    assert row["name_with"] == "towards the mole"
    assert countmap("undo", "1", "-w", ws).code == 0
    assert prints(ws) == before


def test_a_declaration_that_cannot_stand_is_refused_with_its_row(countmap, ws, tmp_path):
    (tmp_path / "d.csv").write_text("kind,id,other_id\nquiet,side,\npair,west,west\n")
    ended = countmap("roads", "declare", tmp_path / "d.csv", "-w", ws)
    assert ended.code == 1
    assert "d.csv:3: " in ended.err
    assert "paired with itself" in ended.err
    assert countmap("plan", "due", "--on", "2026-01-01", "-w", ws).code == 0


def test_a_replaced_network_is_kept_whole_beside_the_register(countmap, ws, small_town):
    raw = json.loads((small_town / "roads.geojson").read_text())
    raw["features"][0]["properties"]["name"] = "Longer Road"
    (small_town / "next.geojson").write_text(json.dumps(raw))
    ended = countmap("roads", "import", small_town / "next.geojson", "--replace", "-w", ws)
    kept = ws / "register-before-2.gpkg"
    assert f"The register as it was is kept as {kept}" in ended.out
    assert kept.is_file()
    refused = countmap("undo", "1", "-w", ws)
    assert refused.code == 1
    assert (
        "replaced the roads and cannot be undone; the register as it was is kept as" in refused.err
    )


def test_every_document_is_json(countmap, town):
    for words in (
        ("status",),
        ("log",),
        ("check",),
        ("roads", "check"),
        ("stations", "list"),
        ("counts", "check"),
        ("counts", "show", "S03"),
        ("flags", "list", "--all"),
        ("annual", "explain", "S03", "--year", "2025"),
        ("balance", "run", "--year", "2025", "--dry-run"),
        ("balance", "corridor", "S32", "S38", "--year", "2025"),
        ("balance", "explain", "S33", "--year", "2025"),
        ("plan", "due", "--on", "2027-01-01"),
        ("plan", "next", "--year", "2025"),
        ("publish", "data", "--year", "2025"),
    ):
        ended = countmap(*words, "-w", town.path, "--json")
        assert ended.code == 0, (words, ended.err)
        json.loads(ended.out, parse_constant=pytest.fail)
