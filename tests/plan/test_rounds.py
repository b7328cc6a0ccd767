"""Rounds: every constraint kept, optimal where all plans can be tried, or the constraint that breaks."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from functools import cache
from itertools import permutations, product

import made_rounds
import numpy as np
import pandas as pd
import pytest
from made_roads import EAST, NORTH, net

from countmap.errors import InvalidInput
from countmap.plan import rounds, routes, search, travel
from countmap.plan.sun import daylight


def kept(problem, plan):
    """Assert every constraint from the visits themselves."""
    n, settings = len(problem.names), problem.settings
    visits = plan.visits
    assert not plan.missing
    assert len(visits) == 2 * n
    assert not visits.duplicated(["station_id", "visit"]).any()
    at = {name: i for i, name in enumerate(problem.names)}
    when = {d: i for i, d in enumerate(problem.dates)}
    days = plan.days.set_index("station_id")
    for name, i in at.items():
        pair = [when[days.loc[name, c].date()] for c in ("set_on", "collect_on")]
        assert problem.allowed[problem.group[i], pair[0], pair[1]]
    for g in set(problem.group.tolist()):
        inside = [problem.names[i] for i in np.flatnonzero(problem.group == g)]
        assert len(days.loc[inside].drop_duplicates()) == 1
    for day in problem.dates:
        stamp = pd.Timestamp(day)
        assert ((days["set_on"] <= stamp) & (days["collect_on"] >= stamp)).sum() <= problem.stock
    driven = 0.0
    for (day, crew), one in visits.groupby(["date", "crew"]):
        opens, closes, ends, begins = problem.spans[when[day.date()]]
        assert 1 <= crew <= problem.crews
        here, clock = 0, begins
        for row in one.itertuples():
            place = at[row.station_id] + 1
            leg = problem.travel[here, place]
            driven += leg
            lasts = settings.set_minutes if row.visit == "set" else settings.collect_minutes
            assert row.start >= clock + leg - 1e-6
            assert row.start >= opens - 1e-6
            assert row.leave == pytest.approx(row.start + lasts)
            assert row.leave <= closes + 1e-6
            assert all(row.leave <= a or row.start >= b for a, b in settings.shut)
            here, clock = place, row.leave
        driven += problem.travel[here, 0]
        assert clock + problem.travel[here, 0] <= ends + 1e-6
    assert plan.minutes == pytest.approx(driven)


@pytest.mark.parametrize("seed", range(3))
def test_every_constraint_is_kept(seed):
    problem = made_rounds.problem(seed, 24, crews=2, stock=14, effort=300)
    kept(problem, rounds.solve(problem))


def test_groups_stand_in_the_same_days():
    problem = made_rounds.problem(5, 18, crews=2, stock=12, effort=300)
    grouped = np.minimum(np.arange(18) // 3, 4)
    allowed = rounds.allowed_days(problem.dates, grouped, [{}] * 18, full_days=6, longest_days=9)
    kept_together = replace(problem, group=grouped, allowed=allowed)
    kept(kept_together, rounds.solve(kept_together))


def best_by_all_plans(problem):
    """Return the fewest minutes driven: every choice of days and crews, each round the best of its orders."""
    n, crews = len(problem.names), problem.crews
    shut = problem.settings.shut

    @cache
    def round_of(day, visits):
        least = np.inf
        for order in permutations(visits):
            total = search.drive(
                np.array(order, dtype=np.int64), len(order), problem.travel, problem.work,
                *problem.spans[day], shut,
            )  # fmt: skip
            least = min(least, total)
        return least

    @cache
    def day_cost(day, visits):
        """Split a day's visits among alike crews: exact dynamic programme over subsets."""

        @cache
        def split(rest, left):
            if not rest:
                return 0.0
            if left == 0:
                return np.inf
            first, *others = rest
            least = np.inf
            for mask in range(1 << len(others)):
                mine = (first, *(v for k, v in enumerate(others) if mask >> k & 1))
                then = tuple(v for k, v in enumerate(others) if not mask >> k & 1)
                own = round_of(day, mine)
                if own < least:
                    least = min(least, own + split(then, left - 1))
            return least

        return split(visits, crews)

    pairs = [np.argwhere(problem.allowed[g]).tolist() for g in problem.group]
    least = np.inf
    for days in product(*pairs):
        out = np.zeros(len(problem.dates), dtype=int)
        by_day = {}
        for i, (a, b) in enumerate(days):
            out[a : b + 1] += 1
            by_day.setdefault(a, []).append(i)
            by_day.setdefault(b, []).append(n + i)
        if out.max() > problem.stock:
            continue
        least = min(least, sum(day_cost(d, tuple(v)) for d, v in by_day.items()))
    return least


@pytest.mark.parametrize("seed", range(6))
def test_up_to_eight_stops_the_plan_is_the_best_there_is(seed):
    # Exact: all pairs of days, then dynamic programming over subsets and all orders of a round.
    problem = made_rounds.problem(
        seed, 4, crews=2, stock=3 + seed % 2, days=9, full=2, longest=4, effort=400,
        shift_hours=5 + seed % 3,
    )  # fmt: skip
    plan = rounds.solve(problem)
    kept(problem, plan)
    assert plan.minutes == pytest.approx(best_by_all_plans(problem), abs=1e-6)


def test_the_routing_solver_finds_no_better_plan():
    # OR-tools on the same problem, alone.
    problem = made_rounds.problem(2, 8, crews=2, stock=8, days=8, effort=500)
    ours = rounds.solve(problem)
    other = routes.solve(problem, seconds=3)
    kept(problem, other)
    assert ours.minutes <= 1.05 * other.minutes
    better = routes.solve(problem, seconds=1, start=ours)
    assert better is None or better.minutes <= ours.minutes + 0.5


def test_the_same_problem_gives_the_same_plan():
    problem = made_rounds.problem(4, 12, effort=200)
    pd.testing.assert_frame_equal(rounds.solve(problem).visits, rounds.solve(problem).visits)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"stock": 4}, "in the way: counters in stock (4)"),
        ({"crews": 1}, "in the way: crews (1)"),
    ],
)
def test_what_cannot_be_done_names_the_constraint(change, told):
    problem = made_rounds.problem(
        1, 6, crews=2, stock=6, days=6, effort=200, set_minutes=90, collect_minutes=90, wide=10.0
    )
    assert not rounds.solve(problem).missing
    plan = rounds.solve(replace(problem, **change))
    assert plan.missing
    assert any(told in said for said in plan.breaks), plan.breaks


def test_too_far_and_no_days_are_said_of_the_station():
    problem = made_rounds.problem(1, 5, effort=100)
    far = problem.travel.copy()
    far[3, :] = far[:, 3] = 300.0
    plan = rounds.solve(replace(problem, travel=far))
    assert plan.breaks[0].startswith("S02: 600 min of driving and 40 min on site fit no shift")
    never = problem.allowed.copy()
    never[2] = False
    plan = rounds.solve(replace(problem, allowed=never))
    assert plan.missing == ("S02",)
    assert "no two working days of this season leave enough full normal days" in plan.breaks[0]


def test_nobody_works_alone():
    with pytest.raises(InvalidInput, match="nobody works beside traffic alone; two people or more"):
        rounds.RoundSettings(people=1)


def test_work_waits_for_the_end_of_a_peak():
    shut = np.array([[420.0, 540.0], [960.0, 1080.0]])
    assert search.start_after(480.0, 40.0, shut) == 540.0
    assert search.start_after(930.0, 40.0, shut) == 1080.0
    assert search.start_after(920.0, 40.0, shut) == 920.0


def test_the_sun_rises_over_london_as_the_almanac_has_it():
    # 21 June 2025: 04:43 and 21:21, British summer time; 21 December 08:04 and 15:53 [from memory].
    for day, rise, fall in ((date(2025, 6, 21), 283, 1281), (date(2025, 12, 21), 484, 953)):
        found = daylight(day, 51.5, -0.12, "Europe/London")
        assert found == (pytest.approx(rise, abs=3), pytest.approx(fall, abs=3))
    assert daylight(date(2025, 6, 21), 75.0, 20.0, "Europe/Oslo") == (0.0, 1440.0)


def test_driving_times_follow_the_streets():
    # Speed 60 km/h driven at 0.8: 48 km/h, 1,000 m in 1.25 min.
    roads = net(
        a=([(0, 0), (1000, 0)], {"speed_kmh": 60.0}),
        b=([(1000, 0), (2000, 0)], {"speed_kmh": 60.0}),
        back=([(2000, 0), (2000, 500), (0, 500), (0, 0)], {"speed_kmh": 60.0, "allowed": "with"}),
    )
    stops = pd.DataFrame(
        {"station_id": ["A", "B"], "link_id": ["a", "back"], "offset_m": [400.0, 1500.0]}
    )
    found = travel.minutes(roads, stops, (EAST, NORTH))
    assert found[0, 1] == pytest.approx(0.5)
    assert found[1, 0] == pytest.approx(0.5)
    assert found[0, 2] == pytest.approx((2000 + 1500) * 0.00125)
    assert found[2, 0] == pytest.approx(1500 * 0.00125)
    with pytest.raises(InvalidInput, match="the depot lies 99 km from the network"):
        travel.minutes(roads, stops, (EAST - 99_000, NORTH))
