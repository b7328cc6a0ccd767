"""Two processes that take the same file at the same moment."""

from __future__ import annotations

from countmap.jobs import counts
from countmap.jobs.common import open_workspace


def test_a_file_that_another_process_takes_meanwhile_is_taken_once(ws, tmp_path, monkeypatch):
    path = tmp_path / "c.csv"
    path.write_text("station_id,direction,start,minutes,count\nA,both,2024-05-06T07:00,60,5\n")
    read = counts._read

    def slow(*args):
        monkeypatch.setattr(counts, "_read", read)
        counts.import_(open_workspace(ws), [path])
        return read(*args)

    monkeypatch.setattr(counts, "_read", slow)
    town = open_workspace(ws)
    before = len(town.register.frame("files"))
    counts.import_(town, [path])
    assert len(town.register.frame("files")) == before + 1
