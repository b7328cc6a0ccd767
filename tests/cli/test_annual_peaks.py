"""The peak hour and the heavy share of a station, whatever files tell of it."""

from __future__ import annotations

import pytest

from countmap.jobs import annual, counts
from countmap.jobs.common import open_workspace

HOURS = [f"2025-09-{day:02d}T{hour:02d}" for day in (9, 10) for hour in range(24)]


def write(path, head, rows):
    lines = [",".join(str(cell) for cell in row) for row in rows]
    path.write_text("\n".join([f"station_id,direction,start,minutes,count,{head}", *lines]) + "\n")
    return path


@pytest.mark.parametrize("top", range(66, 71))
def test_the_heavy_share_is_of_the_classes_whatever_file_of_speeds_lies_beside(ws, tmp_path, top):
    """Which file comes first hangs on a hash of its bytes: five tops, five hashes."""
    classes = write(
        tmp_path / "classes.csv", "vehicle_class,scheme",
        [("B", "with", f"{h}:00", 60, n, c, "austroads12") for h in HOURS for c, n in ((1, 90), (9, 10))],
    )  # fmt: skip
    speeds = write(
        tmp_path / "speeds.csv", "speed_low_kmh,speed_high_kmh",
        [("B", "with", f"{h}:00", 60, n, *b) for h in HOURS for b, n in (((0, 60), 80), ((60, top), 20))],
    )  # fmt: skip
    town = open_workspace(ws)
    counts.import_(town, [classes, speeds])
    assert annual.peaks_of(town, "B", 2025)["heavy_share"] == pytest.approx(0.1)


def test_a_speed_bin_without_a_lower_end_is_no_volume(ws, tmp_path):
    rows = [
        ("B", "with", f"{hour}:{minute:02d}", 15, n, *ends)
        for hour in HOURS
        for minute in (0, 15, 30, 45)
        for ends, n in ((("", 30), 1), ((30, 60), 100), ((60, 90), 20))
    ]
    town = open_workspace(ws)
    counts.import_(town, [write(tmp_path / "bins.csv", "speed_low_kmh,speed_high_kmh", rows)])
    assert annual.peaks_of(town, "B", 2025)["peak_hour"] is None
