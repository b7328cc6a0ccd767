"""Two files that count the same hours: said, decided by nobody but a person."""

from __future__ import annotations

HEAD = "station_id,direction,start,minutes,count\n"


def rows(count, hours=range(8, 12)):
    return "".join(f"A,with,2025-05-05T{h:02d}:00,60,{count + h}\n" for h in hours)


def test_files_that_differ_are_flagged_and_their_periods_are_missing(countmap, ws, tmp_path):
    (tmp_path / "first.csv").write_text(HEAD + rows(100))
    (tmp_path / "second.csv").write_text(HEAD + rows(200))
    assert countmap("counts", "import", tmp_path / "first.csv", "-w", ws).code == 0
    assert countmap("counts", "import", tmp_path / "second.csv", "-w", ws).code == 0
    found = countmap("counts", "check", "-w", ws, "--json").document["flags"]
    (conflict,) = [f for f in found if f["rule"] == "conflict"]
    assert conflict["why"] == (
        "4 periods are counted in first.csv (438 vehicles) and otherwise in second.csv (838);"
        " they are missing until one of the two files is left out"
    )
    assert (conflict["first_utc"], conflict["last_utc"]) == (
        "2025-05-05T06:00:00+00:00",
        "2025-05-05T10:00:00+00:00",
    )


def test_the_same_counts_under_another_name_are_counted_once(countmap, ws, tmp_path):
    (tmp_path / "first.csv").write_text(HEAD + rows(100))
    (tmp_path / "again.csv").write_text(HEAD + rows(100, range(11, 7, -1)))
    for name in ("first.csv", "again.csv"):
        assert countmap("counts", "import", tmp_path / name, "-w", ws).code == 0
    found = countmap("counts", "check", "-w", ws, "--json").document["flags"]
    assert not [f for f in found if f["rule"] == "conflict"]


def test_findings_end_with_4_when_asked(countmap, ws, tmp_path):
    (tmp_path / "first.csv").write_text(HEAD + rows(100))
    (tmp_path / "second.csv").write_text(HEAD + rows(200))
    countmap("counts", "import", tmp_path / "first.csv", tmp_path / "second.csv", "-w", ws)
    assert countmap("counts", "check", "-w", ws).code == 0
    assert countmap("counts", "check", "-w", ws, "--fail-on-flags").code == 4


def test_a_file_left_out_settles_the_conflict_and_undo_brings_it_back(countmap, ws, tmp_path):
    (tmp_path / "first.csv").write_text(HEAD + rows(100))
    (tmp_path / "second.csv").write_text(HEAD + rows(200))
    countmap("counts", "import", tmp_path / "first.csv", tmp_path / "second.csv", "-w", ws)
    words = ("counts", "leave-out", "second.csv", "--reason", "the wrong week", "-w", ws)
    assert countmap(*words, "--dry-run").out.endswith(
        "second.csv (4 periods) is left out (decision 1)\n"
    )
    assert countmap(*words).code == 0

    def conflicts():
        found = countmap("counts", "check", "-w", ws, "--json").document["flags"]
        return [f for f in found if f["rule"] == "conflict"]

    assert conflicts() == []
    assert countmap("check", "-w", ws).out == "All sound: 1 block verified.\n"
    assert countmap("undo", "1", "-w", ws).code == 0
    assert len(conflicts()) == 1
    gone = countmap("counts", "leave-out", "third.csv", "--reason", "x", "-w", ws)
    assert "no file 'third.csv' was imported" in gone.err
