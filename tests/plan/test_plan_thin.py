"""Due by age and cycle, next by the widest interval."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from countmap.plan import choose, coverage

ON = pd.Timestamp("2026-01-01")


@pytest.fixture
def town():
    sections = pd.DataFrame(
        {"link_id": ["l0", "l1", "l2", "l3", "l4"], "section_id": ["s0", "s0", "s1", "s2", None]}
    )
    links = pd.DataFrame(
        {
            "link_id": ["l0", "l1", "l2", "l3", "l4"],
            "name": ["High Road", "High Road", "Low Road", "Mews", None],
            "road_class": ["primary", "primary", "tertiary", "residential", "primary"],
            "length_m": [400.0, 600.0, 500.0, 100.0, 30.0],
        }
    )
    stations = pd.DataFrame({"station_id": ["a", "b", "c"], "link_id": ["l0", "l1", "l2"]})
    return sections, links, stations


def test_a_section_is_as_young_as_its_latest_count(town):
    last = pd.Series({"a": pd.Timestamp("2020-06-01"), "b": pd.Timestamp("2025-06-01")})
    found = coverage.due(*town, last, ON)
    by_id = found.sections.set_index("section_id")
    assert not by_id.loc["s0", "due"]
    assert by_id.loc["s0", "why"] == "counted 0.6 years ago; cycle 3 years"
    assert by_id.loc["s1", "due"]
    assert by_id.loc["s1", "why"] == "never counted; cycle 6 years"
    assert not by_id.loc["s2", "due"]
    assert by_id.loc["s2", "why"] == "counted on request"
    assert (found.km, found.km_in_cycle) == (1.5, 1.0)


def test_main_roads_fall_due_after_three_years_others_after_six(town):
    # FHWA HPMS Field Manual: 3-year cycle on main roads, 6-year on others.
    last = pd.Series({"b": pd.Timestamp("2022-12-30"), "c": pd.Timestamp("2022-12-30")})
    found = coverage.due(*town, last, ON)
    assert list(found.sections.loc[found.sections["due"], "section_id"]) == ["s0"]
    assert "last counted 3.0 years ago; cycle 3 years" in set(found.sections["why"])


def test_an_agency_can_set_its_own_cycle_even_for_local_streets(town):
    found = coverage.due(
        *town, pd.Series(dtype="datetime64[us]"), ON, cycle_years={"residential": 1}
    )
    assert found.sections["due"].all()
    assert found.km == pytest.approx(1.6)


def flows(rows):
    return pd.DataFrame(rows, columns=["link_id", "sense", "flow", "lower", "upper", "status"])


def test_the_least_known_comes_first_and_local_streets_last(town):
    sections, links, _ = town
    known = flows(
        [
            ("l0", "with", 1000, 900, 1100, "estimated"),
            ("l0", "against", 1000, 500, 1500, "estimated"),
            ("l1", "with", np.nan, np.nan, np.nan, "unobservable"),
            ("l2", "with", 800, 400, 1200, "inferred"),
            ("l2", "against", 800, 700, 900, "inferred"),
        ]
    )
    found = choose.widest(sections, links, known, budget=9)
    assert list(found["section_id"]) == ["s0", "s1", "s2"]
    np.testing.assert_equal(found["half_width"].to_numpy(), [0.5, 0.5, np.nan])
    assert found["why"].iloc[2] == "unobservable: nothing says how much runs here"
    assert len(choose.widest(sections, links, known, budget=1)) == 1


def test_a_measured_section_is_no_candidate(town):
    sections, links, _ = town
    known = flows(
        [("l0", "with", 1000, 990, 1010, "measured"), ("l2", "with", 5, 4, 6, "estimated")]
    )
    assert "s0" not in set(choose.widest(sections, links, known, budget=9)["section_id"])


def by_section(town, rows):
    return choose.widest(town[0], town[1], flows(rows), budget=9).set_index("section_id")


def test_counted_without_a_factor_is_not_unknown(town):
    null = np.nan
    found = by_section(
        town,
        [
            ("l0", "with", 700, null, null, "unadjusted"),
            ("l0", "against", 600, null, null, "unadjusted"),
            ("l1", "with", null, null, null, "unobservable"),
            ("l1", "against", null, null, null, "unobservable"),
            ("l2", "with", null, null, null, "unobservable"),
        ],
    )
    assert found.loc["s0", "why"] == "counted, but nothing honest to expand it"
    assert found.loc["s0", "flow"] == 1300
    assert found.loc["s1", "why"] == "unobservable: nothing says how much runs here"
    assert list(found.index) == ["s1", "s0", "s2"]
    assert not np.isinf(found["half_width"]).any()


def test_an_observed_zero_is_known(town):
    found = by_section(
        town,
        [
            ("l2", "with", 0, 0, 0.8, "estimated"),
            ("l2", "against", 0, 0, 0.8, "estimated"),
            ("l0", "with", 500, 400, 600, "inferred"),
        ],
    )
    assert found.loc["s1", "half_width"] == 0.4
    assert found.loc["s1", "flow"] == 0
    assert found.loc["s1", "why"] == ("estimated, next to nothing: known to ± 0.4 vehicles a day")


def test_rows_are_not_mixed(town):
    # The worst sense has no flow; the status and width must come from one row, not column by column.
    null = np.nan
    rows = [
        ("l2", "with", 800, 700, 900, "estimated"),
        ("l2", "against", null, null, null, "unobservable"),
        ("l2", "both", null, null, null, "unobservable"),
    ]
    found = by_section(town, rows)
    assert found.loc["s1", "status"] == "unobservable"
    assert np.isnan(found.loc["s1", ["flow", "half_width"]].astype(float)).all()
    again = by_section(town, rows[::-1])
    pd.testing.assert_frame_equal(found, again)


def test_a_two_way_total_stands_for_its_senses(town):
    null = np.nan
    found = by_section(
        town,
        [
            ("l2", "with", null, null, null, "unobservable"),
            ("l2", "against", null, null, null, "unobservable"),
            ("l2", "both", 900, 810, 990, "estimated"),
        ],
    )
    assert found.loc["s1", "flow"] == 900
    assert found.loc["s1", "why"] == "estimated, known to ± 10%"
