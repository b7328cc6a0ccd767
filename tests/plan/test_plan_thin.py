"""Due by age and cycle, and how well each section is known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from countmap.plan import coverage, knowledge

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


def by_section(town, rows):
    return knowledge.by_section(town[0], flows(rows))


def test_a_section_is_as_well_known_as_its_best_link_a_link_as_its_worst_sense(town):
    known = by_section(
        town,
        [
            ("l0", "with", 1000, 900, 1100, "estimated"),
            ("l0", "against", 1000, 500, 1500, "estimated"),
            ("l1", "with", np.nan, np.nan, np.nan, "unobservable"),
            ("l2", "with", 800, 400, 1200, "inferred"),
            ("l2", "against", 800, 700, 900, "inferred"),
        ],
    )
    assert list(known.index) == ["s0", "s1", "s2"]
    np.testing.assert_equal(known["half_width"].to_numpy(), [0.5, 0.5, np.nan])
    assert known["status"].tolist() == ["estimated", "inferred", "unobservable"]


def test_counted_without_a_factor_is_not_unknown(town):
    null = np.nan
    rows = [
        ("l0", "with", 700, null, null, "unadjusted"),
        ("l0", "against", 600, null, null, "unadjusted"),
        ("l1", "with", null, null, null, "unobservable"),
        ("l1", "against", null, null, null, "unobservable"),
    ]
    found = by_section(town, rows).loc["s0"]
    assert found["flow"] == 1300
    assert knowledge.said(*found[["status", "half_width", "flow"]]) == (
        "counted, but nothing honest to expand it"
    )


def test_an_observed_zero_is_known(town):
    rows = [("l2", "with", 0, 0, 0.8, "estimated"), ("l2", "against", 0, 0, 0.8, "estimated")]
    found = by_section(town, rows).loc["s1"]
    assert (found["half_width"], found["flow"]) == (0.4, 0)
    assert knowledge.said(*found[["status", "half_width", "flow"]]) == (
        "estimated, next to nothing: known to ± 0.4 vehicles a day"
    )


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
    pd.testing.assert_frame_equal(found, by_section(town, rows[::-1]))


def test_a_two_way_total_stands_for_its_senses(town):
    null = np.nan
    rows = [
        ("l2", "with", null, null, null, "unobservable"),
        ("l2", "against", null, null, null, "unobservable"),
        ("l2", "both", 900, 810, 990, "estimated"),
    ]
    found = by_section(town, rows).loc["s1"]
    assert (found["flow"], found["half_width"]) == (900, 0.1)


def test_the_share_that_is_known_is_by_length_and_by_traffic(town):
    rows = [
        ("l0", "both", 1000, 950, 1050, "estimated"),
        ("l2", "both", 200, 100, 300, "estimated"),
    ]
    lengths = pd.Series({"s0": 1.0, "s1": 0.5, "s2": 0.1})
    share = knowledge.share(by_section(town, rows), lengths)
    assert (share.km, share.known_km) == (1.6, 1.0)
    assert (share.vehicle_km, share.known_vehicle_km) == (1100.0, 1000.0)


def test_what_is_due_says_how_well_it_is_known(town):
    rows = [("l2", "both", 200, 184, 216, "inferred")]
    found = coverage.due(*town, pd.Series(dtype="datetime64[us]"), ON, known=by_section(town, rows))
    why = found.sections.set_index("section_id")["why"]
    assert why["s1"] == "never counted; cycle 6 years; inferred, known to ± 8 %"
    assert found.vehicle_km == pytest.approx(100.0)
    assert found.vehicle_km_in_cycle == 0.0
