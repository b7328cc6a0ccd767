"""Compass words, read alike wherever they stand."""

from __future__ import annotations

import math

import pytest

from countmap.compass import compass_deg


@pytest.mark.parametrize("form", ["{}", "{}b", "{} bound", "{}BOUND"])
@pytest.mark.parametrize(
    ("letters", "bearing"),
    # The 32-wind compass rose names its eight principal and eight half winds 22.5° apart.
    [("N", 0), ("nne", 22.5), ("E", 90), ("SE", 135), ("s", 180), ("WSW", 247.5), ("NNW", 337.5)],
)
def test_letters_are_the_whole_name(letters, bearing, form):
    assert compass_deg(form.format(letters)) == bearing


@pytest.mark.parametrize(
    ("text", "bearing"),
    [
        ("south-west bound", 225),
        ("Westwards", 270),
        ("towards the north", 0),
        ("north north-east", 22.5),
        ("North (northbound)", 0),
        ("traffic heading south", 180),
        ("southern", 180),
        ("\uff2e\uff22", 0),  # full-width letters
        ("S. W.", 225),
        ("190.5 °", 190.5),
        ("360deg", 0),
    ],
)
def test_words_that_state_a_bearing(text, bearing):
    assert compass_deg(text) == bearing


@pytest.mark.parametrize(
    "text",
    [
        "",
        "bound",
        "to the",
        "north / south",
        "towards North Cross",
        "to N",
        "West Street",
        "Southend",
        "190",
        "400°",
        "uphill",
        None,
        float("nan"),
        90.0,
    ],
)
def test_words_that_state_none(text):
    assert math.isnan(compass_deg(text))
