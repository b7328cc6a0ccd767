"""``turns import`` and what ``balance explain`` makes of it."""

from __future__ import annotations

import json

import pytest

from countmap.jobs.common import Network, open_workspace

HEADER = "junction_id,from_link,to_link,start,minutes,count\n"
ANNUAL = """station_id,sense,year,aadt,lower,upper,level,status
A,with,2025,5000,4700,5300,0.95,estimated
A,against,2025,5100,4800,5400,0.95,estimated
B,with,2025,4000,3800,4200,0.95,estimated
B,against,2025,4100,3900,4300,0.95,estimated
C,with,2025,1500,1400,1600,0.95,estimated
C,against,2025,1500,1400,1600,0.95,estimated
"""


@pytest.fixture
def middle(ws):
    table = Network(open_workspace(ws)).junctions
    return table.loc[table["kind"].eq("junction"), "junction_id"].iloc[0]


def rows(junction, *movements):
    return HEADER + "".join(
        f"{junction},{a},{b},2025-05-06T07:00:00+02:00,60,{n}\n" for a, b, n in movements
    )


MOVEMENTS = [
    ("west", "east", 300), ("west", "side", 90), ("east", "west", 310),
    ("east", "side", 60), ("side", "west", 80), ("side", "east", 50),
]  # fmt: skip


def test_turning_counts_end_as_movements_of_an_average_day(countmap, ws, middle, tmp_path):
    file = tmp_path / "turns.csv"
    file.write_text(rows(middle, *MOVEMENTS))
    said = countmap("turns", "import", file, "-w", ws, "--dry-run", "--json")
    assert json.loads(said.out)["new"] == 6
    said = countmap("turns", "import", file, "-w", ws)
    assert said.out == "6 turning counts taken, 6 of them new\n"
    again = countmap("turns", "import", file, "-w", ws)
    assert again.out == "6 turning counts taken, 0 of them new\n"
    annual = tmp_path / "annual.csv"
    annual.write_text(ANNUAL)
    countmap("annual", "import", annual, "-w", ws)
    run = json.loads(countmap("balance", "run", "--year", "2025", "-w", ws, "--json").out)
    (turn,) = run["turns"]
    assert turn["reason"] is None
    into = {leg["link_id"]: leg["in"] for leg in turn["legs"]}
    west = [m["flow"] for m in turn["movements"] if m["from_link"] == "west"]
    assert sum(west) == pytest.approx(into["west"])
    shown = countmap("balance", "explain", "A", "--year", "2025", "-w", ws).out
    assert "turning movements at Long Road / Short Lane, vehicles a day" in shown
    assert "west  to  east" in shown


@pytest.mark.parametrize(
    ("movement", "told"),
    [
        (("west", "nowhere", 3), "carries nothing out of junction"),
        (("slip", "west", 3), "link 'slip' carries nothing into junction"),
        (("west", "east", -3), "-3"),
        (("west", "east", "many"), "many"),
    ],
)
def test_turning_counts_that_cannot_be(countmap, ws, middle, tmp_path, movement, told):
    file = tmp_path / "turns.csv"
    file.write_text(rows(middle, movement))
    ended = countmap("turns", "import", file, "-w", ws)
    assert ended.code == 1
    assert "turns.csv:2" in ended.err
    assert told in ended.err


def test_an_unknown_junction_is_named(countmap, ws, tmp_path):
    file = tmp_path / "turns.csv"
    file.write_text(rows("J9", *MOVEMENTS[:1]))
    ended = countmap("turns", "import", file, "-w", ws)
    assert "turns.csv:2: there is no junction 'J9'" in ended.err
