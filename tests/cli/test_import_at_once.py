"""Two processes that take the same file at the same moment."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from countmap.errors import InvalidInput
from countmap.jobs import counts, importing
from countmap.jobs.common import open_workspace


def test_a_file_that_another_process_takes_meanwhile_is_taken_once(ws, tmp_path, monkeypatch):
    path = tmp_path / "c.csv"
    path.write_text("station_id,direction,start,minutes,count\nA,both,2024-05-06T07:00,60,5\n")
    read = importing._one

    def slow(*task):
        monkeypatch.setattr(importing, "_one", read)
        counts.import_(open_workspace(ws), [path])
        return read(*task)

    monkeypatch.setattr(importing, "_one", slow)
    town = open_workspace(ws)
    before = len(town.register.frame("files"))
    counts.import_(town, [path])
    assert len(town.register.frame("files")) == before + 1


def test_the_result_is_the_same_at_any_number_of_workers(small_town, tmp_path):
    files = []
    for day in range(1, 6):
        path = tmp_path / f"{day}.csv"
        rows = "".join(f"A,both,2024-05-0{day}T{h:02d}:00,60,{h * day}\n" for h in range(24))
        path.write_text("station_id,direction,start,minutes,count\n" + rows)
        files.append(path)
    told = []
    for workers in (1, 3):
        folder = Path(shutil.copytree(small_town / "ws", tmp_path / f"ws{workers}"))
        town = open_workspace(folder)
        document = counts.import_(town, files, workers=workers)
        told.append(
            (document, town.register.frame("files").drop(columns="imported").to_dict("records"))
        )
    assert told[0] == told[1]
    (tmp_path / "4.csv").write_text(
        "station_id,direction,start,minutes,count\nA,both,2024-06-01T07:00,60,-4\n"
    )
    (tmp_path / "5.csv").write_text(
        "station_id,direction,start,minutes,count\nA,both,2024-06-01T07:00,60,-5\n"
    )
    for workers in (1, 3):
        town = open_workspace(tmp_path / f"ws{workers}")
        with pytest.raises(InvalidInput, match=r"4\.csv:2: count -4 is negative"):
            counts.import_(town, files, workers=workers)
        assert len(town.register.frame("files")) == 5
