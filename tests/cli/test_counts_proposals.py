"""`counts import` of a foreign file: the proposal on the screen, and that nothing is taken by it."""

from __future__ import annotations

import tomllib

from countmap.jobs.common import open_workspace

FOREIGN = "Site;Dir;Day;Hour;Number\n" + "".join(
    f"A;with;04.03.2025;{h:02d}:00;{h}\n" for h in range(7)
)


def test_a_foreign_file_is_refused_without_a_layout(countmap, ws, tmp_path):
    (tmp_path / "f.csv").write_text(FOREIGN)
    ended = countmap("counts", "import", tmp_path / "f.csv", "-w", ws)
    assert ended.code == 1
    assert ended.err == (
        "countmap: f.csv:1: counts.csv needs the columns 'station_id', 'direction', 'start', 'minutes', "
        "'count'; the header has 'site', 'dir', 'day', 'hour', 'number'. Rename or add the columns. For a "
        "file of another layout, countmap counts import FILE --dry-run proposes one\n"
    )


def test_the_proposal_shows_five_rows_and_what_would_be_refused(countmap, ws, tmp_path):
    (tmp_path / "f.csv").write_text(FOREIGN + "Z;with;04.03.2025;08:00;1\n")
    ended = countmap("counts", "import", tmp_path / "f.csv", "-w", ws, "--dry-run")
    lines = ended.out.splitlines()
    assert lines[0] == "Nothing was changed (--dry-run). It would be:"
    at = lines.index("Read so, it gives 7 periods; the first:")
    assert lines[at + 1 :] == [
        "  station  sense  lane  start             min  count  class",
        "  A        with         2025-03-04 00:00   60      0",
        "  A        with         2025-03-04 01:00   60      1",
        "  A        with         2025-03-04 02:00   60      2",
        "  A        with         2025-03-04 03:00   60      3",
        "  A        with         2025-03-04 04:00   60      4",
        "1 row would be refused; the first:",
        "  line 9: station 'Z' is unknown. Correct the id, or import the station first",
    ]
    assert open_workspace(ws).register.frame("files").empty


def test_the_proposed_layout_does_what_the_proposal_said(countmap, ws, tmp_path):
    (tmp_path / "f.csv").write_text(FOREIGN)
    said = countmap(
        "counts", "import", tmp_path / "f.csv", "-w", ws, "--dry-run", "--json"
    ).document
    (offer,) = said["files"]
    tomllib.loads(offer["layout"])
    (tmp_path / "l.toml").write_text(offer["layout"])
    ended = countmap(
        "counts", "import", tmp_path / "f.csv", "-w", ws, "--layout", tmp_path / "l.toml", "--json"
    )
    assert ended.document["files"][0]["periods"] == offer["periods"] == 7


def test_federal_records_are_recognised_and_previewed(countmap, ws, tmp_path):
    day = "317  A     10202503043" + "".join(f"{h:05d}" for h in range(24)) + "0"
    (tmp_path / "v.txt").write_text(day + "\n")
    ended = countmap("counts", "import", tmp_path / "v.txt", "-w", ws, "--dry-run")
    assert ended.code == 1
    assert "direction 'N' is ambiguous at station A" in ended.err
    (tmp_path / "v.txt").write_text(day.replace("A     1", "A     3") + "\n")
    ended = countmap("counts", "import", tmp_path / "v.txt", "-w", ws, "--dry-run")
    assert "v.txt: 24 periods at 1 station, 2025-03-04 to 2025-03-04, 0 missing" in ended.out
    assert open_workspace(ws).register.frame("files").empty
