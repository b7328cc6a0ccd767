"""Bad input: one line that says what, where and what to do; exit 1; the register as it was."""

from __future__ import annotations

import pytest

from countmap.jobs.common import open_workspace

TOPICS = ["roads", "stations", "counts", "flags", "days", "declarations", "screenlines"]
HEAD = "station_id,direction,start,minutes,count\n"
GOOD = "A,with,2025-05-05T08:00,60,312\n"


def refused(countmap, ws, *words):
    """Run a command that must be refused; return its one line."""
    before = open_workspace(ws).register.fingerprint(TOPICS)
    ended = countmap(*words, "-w", ws)
    assert ended.code == 1, ended
    assert ended.out == ""
    assert ended.err.count("\n") == 1
    assert "Traceback" not in ended.err
    assert open_workspace(ws).register.fingerprint(TOPICS) == before
    return ended.err.strip()


@pytest.mark.parametrize(
    ("text", "told"),
    [
        pytest.param(
            "station_id,start,minutes,count\nA,2025-05-05T08:00,60,1\n",
            ["direction"],
            id="missing column",
        ),
        pytest.param(
            HEAD + GOOD + "A,with,2025-05-05T09:00,60,-3\n",
            ["c.csv:3", "-3", "negative"],
            id="negative",
        ),
        pytest.param(
            HEAD + GOOD + "A,with,2025-05-05T09:00,60,lots\n",
            ["c.csv:3", "lots"],
            id="text in numbers",
        ),
        pytest.param(
            HEAD + GOOD + "Z9,with,2025-05-05T09:00,60,3\n",
            ["c.csv:3", "Z9", "station"],
            id="unknown station",
        ),
        pytest.param(
            HEAD + GOOD + "A,upwards,2025-05-05T09:00,60,3\n",
            ["c.csv:3", "upwards"],
            id="unknown direction",
        ),
        pytest.param(
            HEAD + GOOD + "A,with,2025-03-30T02:30,60,3\n",
            ["c.csv:3", "2025-03-30"],
            id="impossible local time",
        ),
        pytest.param(
            HEAD + GOOD + "A,with,1970-01-01T00:00,60,3\n",
            ["c.csv:3", "1970"],
            id="clock never set",
        ),
        pytest.param(
            HEAD + GOOD + "A,with,2025-05-05T09:00,-60,3\n",
            ["c.csv:3", "minutes"],
            id="negative period",
        ),
        pytest.param(
            HEAD + GOOD + "A,with,2025-05-05T09:00,6000,3\n",
            ["c.csv:3", "6000"],
            id="seconds for minutes",
        ),
        pytest.param("", ["c.csv", "empty"], id="empty file"),
        pytest.param(HEAD, ["c.csv"], id="header only"),
        pytest.param(HEAD + GOOD + "A,with,2025-05-05T09:0", ["c.csv:3"], id="half a file"),
        pytest.param(
            HEAD.replace(",", ";") + "A;with;2025-05-05T08:00;60;3,5x\n",
            ["c.csv:2", "3,5x"],
            id="semicolons",
        ),
    ],
)
def test_counts_that_cannot_be_taken(countmap, ws, tmp_path, text, told):
    file = tmp_path / "c.csv"
    file.write_text(text)
    line = refused(countmap, ws, "counts", "import", file)
    for part in told:
        assert part in line


@pytest.mark.parametrize("encoding", ["utf-16", "latin-1"])
def test_a_wrong_encoding_is_named(countmap, ws, tmp_path, encoding):
    file = tmp_path / "c.csv"
    file.write_bytes((HEAD + "A,Richtung Süd,2025-05-05T08:00,60,3\n").encode(encoding))
    assert "UTF-8" in refused(countmap, ws, "counts", "import", file)


def test_every_offence_lands_in_the_rejects_file(countmap, ws, tmp_path):
    file = tmp_path / "c.csv"
    file.write_text(HEAD + "".join(f"A,with,2025-05-05T{h:02d}:00,60,-{h}\n" for h in range(1, 13)))
    line = refused(countmap, ws, "counts", "import", file)
    assert line.startswith("countmap: c.csv:2: ")
    assert line.endswith(f"and 11 more in {ws / 'rejects.csv'}")
    rejects = (ws / "rejects.csv").read_text().splitlines()
    assert rejects[0] == "file,row,column,value,why"
    assert len(rejects) == 13


def test_one_bad_file_of_two_keeps_both_out(countmap, ws, tmp_path):
    (tmp_path / "a.csv").write_text(HEAD + GOOD)
    (tmp_path / "b.csv").write_text(HEAD + GOOD.replace("312", "-1"))
    refused(countmap, ws, "counts", "import", tmp_path / "a.csv", tmp_path / "b.csv")


def test_semicolons_and_decimal_commas_are_read(countmap, ws, tmp_path):
    file = tmp_path / "c.csv"
    file.write_bytes(
        b"\xef\xbb\xbf" + (HEAD + GOOD).replace(",", ";").replace("\n", "\r\n").encode()
    )
    ended = countmap("counts", "import", file, "-w", ws, "--json")
    assert ended.code == 0
    assert ended.document["files"][0]["periods"] == 1


def test_the_same_file_twice_changes_nothing(countmap, ws, tmp_path):
    file = tmp_path / "c.csv"
    file.write_text(HEAD + GOOD)
    assert countmap("counts", "import", file, "-w", ws).code == 0
    before = open_workspace(ws).register.fingerprint(TOPICS)
    again = countmap("counts", "import", file, "-w", ws)
    assert "already there, nothing changed" in again.out
    assert open_workspace(ws).register.fingerprint(TOPICS) == before


def test_dry_run_changes_nothing(countmap, ws, tmp_path):
    file = tmp_path / "c.csv"
    file.write_text(HEAD + GOOD)
    before = open_workspace(ws).register.fingerprint(TOPICS)
    ended = countmap("counts", "import", file, "-w", ws, "--dry-run")
    assert ended.out.startswith("Nothing was changed (--dry-run). It would be:")
    assert open_workspace(ws).register.fingerprint(TOPICS) == before


STATION_HEAD = "station_id,lon,lat\n"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        pytest.param("station_id,lon,lat\nX,54.5,7.005\n", ["s.csv:2", "lat"], id="swapped"),
        pytest.param(
            "station_id,lon,lat\nX,565000,6040000\n", ["s.csv:2", "565000"], id="metres as degrees"
        ),
        pytest.param("station_id,lon,lat\nX,-7.005,54.5\n", ["s.csv:2"], id="wrong sign"),
        pytest.param("station_id,lon\nX,7.005\n", ["lat"], id="missing column"),
        pytest.param(
            "station_id,lon,lat\nA,7.016,54.5\n",
            ["s.csv:2", "A", "already"],
            id="one id in two places",
        ),
        pytest.param("station_id,x,y\nX,500000,6040000\n", ["--crs"], id="no CRS"),
        pytest.param(
            "station_id,lon,lat\nX,east,54.5\n", ["s.csv:2", "east"], id="text in numbers"
        ),
        pytest.param(
            "station_id,lon,lat\nX,7.005,54.5\nX,7.015,54.5\n", ["s.csv:3", "X"], id="id twice"
        ),
    ],
)
def test_stations_that_cannot_be_taken(countmap, ws, tmp_path, text, told):
    file = tmp_path / "s.csv"
    file.write_text(text)
    line = refused(countmap, ws, "stations", "import", file)
    for part in told:
        assert part in line


@pytest.mark.parametrize(
    ("command", "text", "told"),
    [
        (("days", "import"), "first,last,kind\n2025-05-02,2025-05-01,closure\n", [":2:", "before"]),
        (("days", "import"), "first,last,kind\n2025-05-02,2025-05-03,party\n", [":2", "party"]),
        (
            ("days", "import"),
            "first,last,kind,links\n2025-05-02,2025-05-03,closure,nowhere\n",
            [":2:", "nowhere"],
        ),
        (("roads", "declare"), "kind,id\ngenerator,nowhere\n", [":2:", "nowhere"]),
        (("roads", "declare"), "kind,id,value\nside_access,west,-0.1\n", [":2", "-0.1"]),
        (("surveys", "import"), "survey_id,station_id\ns1,Z9\n", [":2:", "Z9"]),
        (
            ("annual", "import"),
            "station_id,sense,year,aadt,status\nZ9,both,2025,100,estimated\n",
            [":2:", "Z9"],
        ),
        (("screenlines", "import"), "{}", ["screenline", "f.csv"]),
        (("roads", "import", "--replace"), "not a road file", ["f.csv"]),
    ],
)
def test_small_tables_that_cannot_be_taken(countmap, ws, tmp_path, command, text, told):
    file = tmp_path / "f.csv"
    file.write_text(text)
    line = refused(countmap, ws, *command, file)
    for part in told:
        assert part in line


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("counts", "import", "nowhere.csv"), "nowhere.csv: there is no such file"),
        (("roads", "import", "nowhere.gpkg"), "nowhere.gpkg: there is no such file"),
        (("counts", "check"), "the workspace has no counts; run countmap counts import FILE first"),
        (("counts", "show", "Z9"), "there is no station 'Z9'"),
        (("annual", "estimate", "--year", "2025"), "the workspace has no counts"),
        (
            ("annual", "explain", "A", "--year", "2025"),
            "station 'A' has no annual average for 2025",
        ),
        (("balance", "run", "--year", "2025"), "there are no annual averages for 2025"),
        (("balance", "corridor", "A", "B", "--year", "2025"), "there is no balance for 2025"),
        (("plan", "next", "--year", "2025"), "there are no annual averages up to 2025"),
        (("plan", "due", "--on", "tomorrow"), "--on 'tomorrow' is no date; write YYYY-MM-DD"),
        (("publish", "map", "--year", "2025"), "there are no annual averages for 2025"),
        (("publish", "data", "--year", "2025"), "there are no annual averages for 2025"),
        (("flags", "accept", "f1", "--reason", "seen"), "there is no flag 'f1'"),
        (("flags", "accept", "f1", "--reason", " "), "a decision needs a reason"),
        (("stations", "place", "A", "--link", "nowhere"), "there is no link 'nowhere'"),
        (("stations", "move", "A", "--lon", "7.015", "--lat", "54.504"), "carries other traffic"),
        (("undo", "99"), "99"),
        (("roads", "import", "."), "--replace brings in the next network"),
    ],
)
def test_commands_that_cannot_be_done(countmap, ws, words, told):
    assert told in refused(countmap, ws, *words)


def test_a_folder_without_a_workspace(countmap, tmp_path):
    ended = countmap("status", "-w", tmp_path)
    assert ended.code == 1
    assert "is not a workspace" in ended.err


def test_wrong_usage_is_2(countmap):
    assert countmap("counts", "import").code == 2
    assert countmap("annual", "estimate", "--year", "soon").code == 2


def test_an_internal_fault_is_3_and_debug_shows_where(countmap, ws, monkeypatch):
    from countmap.jobs import register

    def broken(_ws):
        raise ZeroDivisionError("by hand")

    monkeypatch.setattr(register, "status", broken)
    ended = countmap("status", "-w", ws)
    assert ended.code == 3
    assert ended.err == (
        "countmap: internal fault: ZeroDivisionError: by hand. Run again with --debug and report it\n"
    )
    assert "Traceback" in countmap("--debug", "status", "-w", ws).err
