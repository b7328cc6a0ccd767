"""Turning movements: margins, refusals."""

from __future__ import annotations

import pytest

from countmap.balance.turns import fit
from countmap.errors import InvalidInput


def test_margins_that_disagree_are_refused_or_rescaled_aloud():
    with pytest.raises(
        InvalidInput, match="40 vehicles enter and 80 leave; reconcile the legs first"
    ):
        fit([[1, 1], [1, 1]], [30, 10], [40, 40])
    turns = fit([[1, 1], [1, 1]], [30, 10], [40, 40], rescale=True)
    assert turns.rescaled == 0.5
    assert turns.movements.sum() == pytest.approx(40)


@pytest.mark.parametrize(
    ("base", "into", "out", "text"),
    [
        ([[1, -1]], [1], [1, 0], "base has the value -1"),
        ([[1, 1]], [float("nan")], [1, 0], "into has the value nan"),
        ([[1, 1]], [1, 2], [1, 2], "a matrix of 2 × 2 is needed"),
        (
            [[0, 0], [1, 1]],
            [5, 1],
            [3, 3],
            "5 vehicles enter by leg 0, but every turn there is forbidden",
        ),
        (
            [[0, 1], [0, 1]],
            [3, 3],
            [5, 1],
            "5 vehicles leave by leg 0, but every turn there is forbidden",
        ),
        ([[1, 0], [0, 1]], [3, 3], [5, 1], "the forbidden turns leave no way to fit"),
    ],
)
def test_impossible_tables_say_why(base, into, out, text):
    with pytest.raises(InvalidInput, match=text):
        fit(base, into, out)


def test_no_traffic_is_no_turns():
    assert fit([[1, 1], [1, 1]], [0, 0], [0, 0]).movements.tolist() == [[0, 0], [0, 0]]
