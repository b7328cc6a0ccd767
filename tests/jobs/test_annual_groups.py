"""The annual job: groups from a file, peak figures in the result and in the explanation."""

from __future__ import annotations

import pytest

from countmap.errors import InvalidInput
from countmap.jobs import annual


def test_a_file_of_groups_holds(town, tmp_path):
    file = tmp_path / "groups.csv"
    file.write_text("station_id,group\nP03,ring\nP04,ring\nS10,ring\n")
    document = annual.estimate(town, year=2025, method="textbook", groups=file, dry_run=True)
    ring = [row for row in document["groups"] if row["group"] == "ring"]
    assert [(row["station_id"], row["stations"], row["given"]) for row in ring] == [
        ("P03", 2, True),
        ("P04", 2, True),
    ]
    assert {r["group"] for r in document["annual"] if r["station_id"] == "S10"} == {"ring"}
    assert all(row["cohesion"] >= 0 for row in document["groups"])


def test_a_group_of_a_station_that_is_not_there_is_refused(town, tmp_path):
    file = tmp_path / "groups.csv"
    file.write_text("station_id,group\nP03,ring\nZZ9,ring\n")
    with pytest.raises(InvalidInput, match=r"groups.csv:3: there is no station 'ZZ9'"):
        annual.estimate(town, year=2025, groups=file, dry_run=True)


def test_peak_figures_stand_in_the_result_and_in_the_explanation(town):
    document = annual.estimate(town, year=2025)
    peak = {row["station_id"]: row for row in document["peaks"]}
    assert all(station.startswith("P") for station in peak)
    assert 0.06 < peak["P03"]["k"] < 0.2
    assert peak["P05"]["k"] is None
    assert peak["P05"]["reason"].startswith("only 9")
    found = annual.explain(town, "P03", year=2025)
    chain = found["senses"][0]["chain"]
    assert chain["k30"] == pytest.approx(peak["P03"]["k"])
    assert list(chain["madt"]) == [f"{month:02d}" for month in range(1, 13)]
    hourly = found["peaks"]
    assert hourly["peak_hour"] is None  # its counter stores hours
    short = annual.explain(town, "S10", year=2025)
    assert "k30" not in short["senses"][0]["chain"]
