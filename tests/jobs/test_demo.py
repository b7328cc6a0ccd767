"""The demo finds what was planted, says what it could not find, and accuses few that are sound."""

from __future__ import annotations

from pathlib import Path

import pytest

FOUND = ("swapped_directions", "copied_day", "outage_zeros", "clock", "level_shift")


@pytest.mark.parametrize("kind", FOUND)
def test_a_planted_fault_is_found_with_its_evidence(worked, kind):
    fault = next(f for f in worked[1]["faults"] if f["kind"] == kind)
    assert fault["found"], fault
    assert any(c.isdigit() for c in fault["evidence"])


def test_every_set_holds_the_true_station_and_is_small(worked):
    for fault in worked[1]["faults"]:
        if fault["found"]:
            assert set(fault["set"]) & set(fault["stations"])
            assert len(fault["set"]) <= 4


def test_what_was_not_found_has_its_reason(worked):
    for fault in worked[1]["faults"]:
        assert fault["found"] or fault["why_not"]


def test_few_sound_stations_are_accused(worked):
    assert len(worked[1]["accused"]) <= 3


def test_the_map_is_there_and_said_last(worked):
    path = Path(worked[1]["map"])
    assert path.is_file()
    assert worked[1]["lines"][-1] == f"The map: {path}"


def test_the_cover_is_printed(worked):
    document = worked[1]
    assert document["intervals"] > 100
    told = f"95 % intervals that hold the true average: {document['covered']} of {document['intervals']}"
    assert any(line.startswith(told) for line in document["lines"])


def test_a_folder_with_something_in_it_is_refused(worked, tmp_path):
    from countmap.errors import Conflict
    from countmap.jobs import demo

    (tmp_path / "note").write_text("mine")
    with pytest.raises(Conflict, match="is not empty; name a new folder for the demo"):
        demo.run(tmp_path)
