"""One row a place: the whole, its senses, its interval, and what is left null."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from countmap.publish.figures import headline, shown


def flows(*rows):
    names = ["link_id", "sense", "flow", "lower", "upper", "status"]
    return pd.DataFrame(rows, columns=names).assign(year=2025)


def test_both_is_taken_as_given():
    found = headline(
        flows(
            ("a", "both", 1000.0, 900.0, 1150.0, "estimated"),
            ("a", "with", 600.0, 500.0, 700.0, "estimated"),
            ("a", "against", 500.0, 450.0, 550.0, "estimated"),
        ),
        "link_id", "flow", 2025,
    ).loc["a"]  # fmt: skip
    assert (found["figure"], found["lower"], found["upper"], found["basis"]) == (
        1000,
        900,
        1150,
        "both",
    )
    assert found["rel"] == pytest.approx(0.15)
    assert found["with_figure"] == 600
    assert found["against_upper"] == 550


def test_two_senses_add_up_and_err_together_and_the_weaker_status_counts():
    found = headline(
        flows(
            ("a", "with", 600.0, 500.0, 700.0, "measured"),
            ("a", "against", 500.0, 450.0, 550.0, "inferred"),
        ),
        "link_id", "flow", 2025,
    ).loc["a"]  # fmt: skip
    assert (found["figure"], found["lower"], found["upper"]) == (1100, 950, 1250)
    assert (found["basis"], found["status"]) == ("both", "inferred")


def test_a_sum_over_a_gap_is_null():
    frame = flows(
        ("a", "with", 600.0, 500.0, 700.0, "measured"),
        ("a", "against", np.nan, np.nan, np.nan, "unobservable"),
        ("b", "with", 600.0, 500.0, 700.0, "measured"),
    )
    found = headline(frame, "link_id", "flow", 2025)
    assert found["figure"].isna().all()
    assert found["basis"].isna().all()
    assert found.loc["b", "with_figure"] == 600


def test_the_one_sense_of_a_one_way_link_is_the_whole_and_says_so():
    one_way = pd.Series({"a": True})
    found = headline(
        flows(("a", "against", 600.0, 500.0, 700.0, "measured")), "link_id", "flow", 2025, one_way
    ).loc["a"]
    assert (found["figure"], found["basis"]) == (600, "against")


def test_a_missing_interval_is_null_not_zero():
    found = headline(
        flows(("a", "both", 600.0, np.nan, np.nan, "unadjusted")), "link_id", "flow", 2025
    ).loc["a"]
    assert np.isnan(found["rel"])


def test_other_years_are_left_out_and_row_order_does_not_matter():
    frame = flows(
        ("b", "both", 10.0, 9.0, 11.0, "measured"), ("a", "both", 20.0, 18.0, 22.0, "measured")
    )
    old = frame.assign(year=2024, flow=1.0)
    one = headline(pd.concat([frame, old]), "link_id", "flow", 2025)
    other = headline(pd.concat([old, frame]).iloc[::-1], "link_id", "flow", 2025)
    pd.testing.assert_frame_equal(one, other)
    assert one["figure"].tolist() == [20, 10]


def test_rounding_follows_the_chart_and_keeps_null():
    assert np.array_equal(
        shown([84, 35_354.7, np.nan], "stepped"), [80, 35_500, np.nan], equal_nan=True
    )
    assert shown([84.2], "none").tolist() == [84.2]
