"""Direction words: own names, senses, compass points, one-way roads, and what cannot be told."""

from __future__ import annotations

import pytest

from countmap.counts import directions

STATION = {
    "station_id": "S1",
    "bearing_deg": 10.0,
    "name_with": "towards the bridge",
    "name_against": "Old Town",
}


@pytest.mark.parametrize(
    ("word", "sense"),
    [
        ("with", "with"),
        ("AGAINST", "against"),
        ("Both", "both"),
        ("two-way", "both"),
        ("N", "with"),
        ("nb", "with"),
        ("Northbound", "with"),
        ("NE", "with"),
        ("S", "against"),
        ("south-west bound", "against"),
        ("190°", "against"),
        ("Towards  the Bridge", "with"),
        ("the bridge", "with"),
        ("old-town", "against"),
        ("towards Old Town", "against"),
    ],
)
def test_words_that_are_understood(word, sense):
    assert directions.read(word, STATION) == directions.Reading(sense)


@pytest.mark.parametrize(
    ("bearing", "word", "sense"),
    [
        (0, "N", "with"),
        (60, "N", "with"),
        (60.5, "N", ""),
        (90, "N", ""),
        (119.5, "N", ""),
        (120, "N", "against"),
        (300, "N", "with"),
        (350, "S", "against"),
    ],
)
def test_a_compass_point_belongs_to_one_sense_within_60_degrees(bearing, word, sense):
    assert directions.read(word, {"station_id": "S", "bearing_deg": bearing}).sense == sense


def test_an_ambiguous_word_names_both_candidates():
    assert directions.read("E", STATION).why == (
        "direction 'E' is ambiguous at station S1: it lies 80° from the one; it could be "
        "with ('towards the bridge', 10°) or against ('Old Town', 190°). Write with or against"
    )
    assert directions.read("E", {"station_id": "S2", "bearing_deg": None}).why == (
        "direction 'E' is ambiguous at station S2: the station has no bearing; it could be "
        "with or against. Write with or against"
    )
    same = {"station_id": "S3", "name_with": "Mill Lane", "name_against": "mill lane"}
    assert "both senses carry that name" in directions.read("Mill Lane", same).why


def test_an_unknown_word_lists_what_would_do():
    assert directions.read("uphill", STATION).why == (
        "direction 'uphill' is unknown at station S1. Use one of with, against, both, "
        "a compass point, 'towards the bridge', 'Old Town'"
    )


def test_a_one_way_road_has_one_sense():
    one = {"station_id": "S9", "bearing_deg": 90.0}
    assert directions.read("both", one, "with").sense == "with"
    assert directions.read("N", one, "against").sense == "against"
    assert directions.read("W", one, "against").sense == "against"
    read = directions.read("lane 1", one, "with")
    assert (read.sense, read.note) == (
        "with",
        "direction 'lane 1' at station S9 was read as with, the only sense of its one-way road",
    )
    assert directions.read("E", one, "against").why == (
        "direction 'E' runs against the one-way road at station S9, whose only sense is against. "
        "Correct the row, or the road's allowed senses"
    )
