"""Federal records by the command line: what a workspace writes, another takes in again."""

from __future__ import annotations

import json
import shutil

import pandas as pd
import pytest
from pandas.testing import assert_frame_equal

from countmap.formats import tmg, tmg_write
from countmap.jobs.common import open_workspace
from countmap.store import queries

COUNTS = "station_id,direction,start,minutes,count\n" + "".join(
    f"A,{sense},2025-03-0{day}T{hour:02d}:00,60,{hour * day}\n"
    for day in (4, 5)
    for sense in ("with", "against")
    for hour in range(24)
)


def test_volumes_go_out_and_come_in(countmap, ws, small_town, tmp_path):
    (tmp_path / "c.csv").write_text(COUNTS)
    assert countmap("counts", "import", tmp_path / "c.csv", "-w", ws).code == 0
    for pipe in ([], ["--pipe"]):
        words = ("--kind", "volume", "--state", "17", "--year", "2025", *pipe)
        ended = countmap("counts", "export", tmp_path / "v.txt", *words, "-w", ws)
        assert ended.out == f"{tmp_path / 'v.txt'}: volume records of 1 station\n"
        other = shutil.copytree(small_town / "ws", tmp_path / f"other{len(pipe)}")
        assert countmap("counts", "import", tmp_path / "v.txt", "-w", other).code == 0
        one, two = (queries.periods(open_workspace(p)) for p in (ws, other))
        assert_frame_equal(one, two)


@pytest.mark.parametrize("kind", ["volume", "class"])
def test_volumes_and_classes_of_two_files_each_go_out_whole(countmap, ws, tmp_path, kind):
    """Which of two files of the same hours is looked at must not depend on their bytes."""
    (tmp_path / "v.csv").write_text(COUNTS)
    head, *rows = COUNTS.split()
    classes = "\n".join([f"{head},vehicle_class,scheme", *(f"{row},2,fhwa13" for row in rows)])
    (tmp_path / "k.csv").write_text(classes + "\n")
    for name in ("v.csv", "k.csv"):
        assert countmap("counts", "import", tmp_path / name, "-w", ws).code == 0
    words = ("--kind", kind, "--state", "17", "--year", "2025", "-w", ws, "--json")
    ended = countmap("counts", "export", tmp_path / "out.txt", *words)
    assert json.loads(ended.out)["periods"] == 2 * 2 * 24
    assert len(tmg.read_counts(tmp_path / "out.txt").raw) >= 2 * 2 * 24


def test_stations_come_in(countmap, ws, tmp_path):
    place = pd.DataFrame(
        {"station_id": ["A9"], "lon": [-89.1], "lat": [39.6], "bearing_deg": [90.0]}
    )
    tmg_write.write_stations(place, tmp_path / "s.txt", state="17", year=2025, pipe=True)
    ended = countmap("stations", "import", tmp_path / "s.txt", "-w", ws, "--dry-run")
    assert ended.code == 1
    assert ended.err.startswith("countmap: s.txt:1: ")  # read, and too far from these roads


def test_stations_in_the_east_do_not_fit(countmap, ws, tmp_path):
    words = ("--kind", "station", "--state", "17", "--year", "2025", "-w", ws)
    ended = countmap("counts", "export", tmp_path / "s.txt", *words)
    assert (ended.code, ended.err) == (
        1,
        "countmap: s.txt: a station lies at 7.005°, east of where the records reach (the north-west of the globe). Leave it out\n",
    )
    assert not (tmp_path / "s.txt").exists()


def test_what_cannot_be_written_is_one_line(countmap, ws, tmp_path):
    words = ("--state", "17", "--year", "2025", "-w", ws)
    ended = countmap("counts", "export", tmp_path / "v.txt", "--kind", "axles", *words)
    assert ended.err == (
        "countmap: kind 'axles' is unknown; use one of volume, speed, class, station\n"
    )
    ended = countmap("counts", "export", tmp_path / "v.txt", "--kind", "class", *words)
    assert ended.err == "countmap: there are no class counts of 2025 at these stations\n"
