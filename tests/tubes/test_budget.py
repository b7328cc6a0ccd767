"""The budget: each part by its own physics, a verdict and what to do."""

from __future__ import annotations

import pytest

from countmap.tubes import budget as b


def part(name, speed=80.0, **site):
    found = b.budget(b.Installation(**{"spacing_entered_m": 1.0, **site}), (speed,))
    return next(p for p in found if p.name == name)


@pytest.mark.parametrize(
    ("measured", "verdict"), [(1.0, "good"), (1.01, "good"), (1.02, "watch"), (1.05, "redo")]
)
def test_spacing(measured, verdict):
    found = part("spacing", spacing_near_m=measured, spacing_far_m=measured)
    assert found.verdict == verdict
    assert found.error_ab == found.error_ba == pytest.approx(1 / measured - 1)


def test_taper_is_a_matter_of_lanes_not_of_speed():
    slow, fast = (
        part("taper", v, spacing_near_m=1.0, spacing_middle_m=1.01, spacing_far_m=1.02)
        for v in (50, 110)
    )
    assert slow.error_ab == fast.error_ab == -slow.error_ba
    assert abs(slow.error_ab) == pytest.approx(
        0.005, rel=0.02
    )  # ± half of ± 1 %: lanes at 1/4, 3/4
    assert slow.verdict == "good"
    assert part("taper", spacing_near_m=1.0, spacing_far_m=1.05).verdict == "redo"


def test_lengths_have_opposite_signs_and_name_the_longer_tube():
    found = part("lengths", lead_a_m=5.3, lead_b_m=5.0)
    assert found.error_ab > 0 > found.error_ba
    assert found.redo == "cut or re-lead tube A: it is 30 cm longer"
    assert (
        part("lengths", lead_a_m=5, lead_b_m=5, stretch_a_m=0.7, stretch_b_m=0.42).verdict
        == "watch"
    )


def test_skew_and_dead_time():
    assert part("skew", skew_deg=2).verdict == "good"
    assert part("skew", skew_deg=-4).verdict == "watch"
    assert part("skew", skew_deg=6).verdict == "redo"
    assert part("skew", skew_deg=2, dead_time_ms=5).verdict == "watch"  # ghost axles
    assert part("dead time", 110, dead_time_ms=18).verdict == "good"
    assert part("dead time", 110, dead_time_ms=45).verdict == "redo"


def test_the_sum_is_the_root_of_the_squares():
    site = b.Installation(
        1.0, spacing_near_m=1.01, spacing_far_m=1.01, lead_a_m=5, lead_b_m=5.1, step_ms=0.1
    )
    parts = b.budget(site, (80.0,))
    *each, total = parts
    assert total.error_ab**2 == pytest.approx(sum(p.error_ab**2 for p in each))
    assert total.error_ab < sum(abs(p.error_ab) for p in each)


def test_what_was_not_measured_makes_no_part_and_unanswered_checks_say_so():
    assert [p.name for p in b.budget(b.Installation(1.0), (80.0,))] == ["together"]
    site = b.Installation(1.0, checks=(("spacing", True), ("square", False)))
    assert [verdict for _, _, verdict in b.answers(site)] == [
        "good",
        "unanswered",
        "redo",
        "unanswered",
    ]
