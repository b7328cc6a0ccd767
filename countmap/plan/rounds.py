"""Rounds: who sets and collects which counter on which day, in what order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from countmap.errors import InvalidInput
from countmap.plan import search
from countmap.plan.sun import daylight

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Mask = NDArray[np.bool_]

DAY_MIN = 1440.0


@dataclass(frozen=True, slots=True)
class RoundSettings:
    """How crews work. Minutes are of the civil day.

    ``shift_start``, ``shift_hours``: a crew leaves the depot no earlier and is back after so many
    hours at most. ``set_minutes``, ``collect_minutes``: on site, two people on a two-lane road
    [common practice: 30 to 45]. ``peak_…``: no work beside the road between these hours [common
    practice]. ``dawn_minutes``: work begins so long after sunrise and ends so long before sunset.
    ``people``: of a crew; never fewer than two. ``effort``: steps of the search.
    """

    shift_start: float = 8
    shift_hours: float = 8
    set_minutes: float = 40
    collect_minutes: float = 20
    peak_morning_from: float = 7
    peak_morning_to: float = 9
    peak_evening_from: float = 16
    peak_evening_to: float = 18
    dawn_minutes: float = 30
    people: float = 2
    effort: float = 10_000

    def __post_init__(self) -> None:
        if self.people < 2:
            raise InvalidInput(
                f"a crew of {self.people:g} is refused: nobody works beside traffic alone; "
                "two people or more"
            )
        if self.shift_hours <= 0 or self.set_minutes <= 0 or self.collect_minutes <= 0:
            raise InvalidInput("shift_hours, set_minutes and collect_minutes must be above 0")

    @property
    def shut(self) -> Floats:
        """Spans without work (k, 2), minutes of the day."""
        spans = [
            (self.peak_morning_from, self.peak_morning_to),
            (self.peak_evening_from, self.peak_evening_to),
        ]
        return np.array([s for s in spans if s[1] > s[0]], dtype=np.float64).reshape(-1, 2) * 60


@dataclass(frozen=True, eq=False)
class Problem:
    """Stations to set and collect.

    ``names`` (n); ``travel`` minutes (n + 1, n + 1), the depot first; ``group`` (n,) which stations
    share their days; ``dates`` the working days; ``allowed`` (groups, days, days): whether a group set
    on the one and collected on the other yields what it has to; ``spans`` (days, 4): work from and to,
    back by, leave after; ``crews`` and ``stock`` of counters, each out on every day from its set to its
    collection.
    """

    names: tuple[str, ...]
    travel: Floats
    group: Ints
    dates: tuple[date, ...]
    allowed: Mask
    spans: Floats
    crews: int
    stock: int
    settings: RoundSettings

    @property
    def work(self) -> Floats:
        """Minutes on site of each visit (2n,): sets, then collections."""
        n = len(self.names)
        return np.repeat([self.settings.set_minutes, self.settings.collect_minutes], n)

    @property
    def members(self) -> tuple[Ints, Ints]:
        """Stations by group, and where each group begins."""
        order = np.argsort(self.group, kind="stable").astype(np.int64)
        number = int(self.group.max()) + 1 if len(self.group) else 0
        first = np.searchsorted(self.group[order], np.arange(number + 1)).astype(np.int64)
        return order, first


@dataclass(frozen=True, eq=False)
class Rounds:
    """A plan of rounds.

    ``visits``, in order: ``date, crew`` (from 1), ``stop`` (from 1), ``station_id, visit`` (set or
    collect), ``arrive, start, leave`` (minutes of the day), ``drive_min`` from the stop before.
    ``days`` by station: ``station_id, set_on, collect_on`` (null: not placed). ``minutes`` driven in
    all. ``missing`` are stations that found no place, ``breaks`` which constraint stands in the way.
    """

    visits: pd.DataFrame
    days: pd.DataFrame
    minutes: float
    missing: tuple[str, ...]
    breaks: tuple[str, ...]


def working_spans(
    dates: Sequence[date], place: tuple[float, float], timezone: str, settings: RoundSettings
) -> Floats:
    """Return for each day: work from, work to, back by, leave after (days, 4), minutes.

    Parameters
    ----------
    place : (lat, lon), WGS84
    """
    begins = settings.shift_start * 60
    ends = begins + settings.shift_hours * 60
    rows = []
    for day in dates:
        rise, fall = daylight(day, *place, timezone)
        rows.append(
            (
                max(begins, rise + settings.dawn_minutes),
                min(ends, fall - settings.dawn_minutes),
                ends,
                begins,
            )
        )
    return np.array(rows, dtype=np.float64).reshape(-1, 4)


def allowed_days(
    dates: Sequence[date],
    group: Ints,
    odd: Sequence[Mapping[date, str]],
    *,
    full_days: int,
    longest_days: int,
) -> Mask:
    """Return whether each group set on one day and collected on another yields enough normal days.

    Parameters
    ----------
    dates : sequence of date
        Days on which crews work.
    group : (stations,) int array
    odd : sequence of mapping
        The days that are not normal, by station.
    full_days, longest_days : int
    """
    number = int(group.max()) + 1 if len(group) else 0
    found = np.zeros((number, len(dates), len(dates)), dtype=bool)
    closed = [
        {d for i in np.flatnonzero(group == g).tolist() for d in odd[i]} for g in range(number)
    ]
    for a, set_on in enumerate(dates):
        for b in range(a + 1, len(dates)):
            stay = (dates[b] - set_on).days
            if stay > longest_days or stay - 1 < full_days:
                continue
            inside = {set_on + timedelta(days=k) for k in range(1, stay)}
            for g in range(number):
                found[g, a, b] = not inside & closed[g]
    return found


def solve(problem: Problem, *, seed: int = 1) -> Rounds:
    """Plan the rounds with the fewest minutes driven.

    Notes
    -----
    Every station is set and collected once, its group on the same days; times, peaks and daylight are
    kept on every round; at no time are more counters out than there are. Where a station finds no
    place, each constraint is let go in turn: what then finds one stands in the way. The search takes
    parts of the plan out and puts them back cheaper; its seed is fixed.

    References
    ----------
    S. Ropke & D. Pisinger, "An adaptive large neighborhood search heuristic for the pickup and
    delivery problem with time windows", Transportation Science 40, 2006.
    """
    routes, sizes, days = _searched(problem, int(problem.settings.effort), seed)
    found = told(problem, routes, sizes, days)
    if found.missing:
        return replace(found, breaks=tuple(_breaks(problem, found.missing, seed)))
    return found


def _searched(problem: Problem, effort: int, seed: int) -> tuple[Ints, Ints, Ints]:
    if not len(problem.names) or not len(problem.dates):
        none = np.zeros((0, search.LONGEST), dtype=np.int64)
        groups = int(problem.group.max()) + 1 if len(problem.group) else 0
        return none, np.zeros(0, dtype=np.int64), np.full((groups, 2), -1, dtype=np.int64)
    member, first = problem.members
    task = search.Task(
        member, first, problem.allowed, problem.stock, problem.crews, problem.travel, problem.work,
        problem.spans, problem.settings.shut,
    )  # fmt: skip
    routes, sizes, days, _ = search.search(task, effort, seed)
    return routes, sizes, days


def told(problem: Problem, routes: Ints, sizes: Ints, days: Ints) -> Rounds:
    """Return a plan in words: every visit with its times."""
    n, crews = len(problem.names), problem.crews
    shut, work = problem.settings.shut, problem.work
    rows, driven = [], 0.0
    for r in range(len(sizes)):
        if sizes[r] == 0:
            continue
        day = r // crews
        opens, _, _, begins = problem.spans[day]
        at, here = begins, 0
        for k in range(int(sizes[r])):
            visit = int(routes[r, k])
            leg = float(problem.travel[here, visit % n + 1])
            arrive = at + leg
            start = search.start_after(max(arrive, opens), float(work[visit]), shut)
            if k == 0:
                arrive = start  # nobody leaves the depot to wait
            at = start + float(work[visit])
            rows.append(
                (
                    problem.dates[day], r % crews + 1, k + 1, problem.names[visit % n],
                    "set" if visit < n else "collect", arrive, start, at, leg,
                )
            )  # fmt: skip
            driven += leg
            here = visit % n + 1
        driven += float(problem.travel[here, 0])
    columns = [
        "date", "crew", "stop", "station_id", "visit", "arrive", "start", "leave", "drive_min",
    ]  # fmt: skip
    visits = pd.DataFrame(rows, columns=columns)
    visits["date"] = pd.to_datetime(visits["date"]).astype("datetime64[us]")
    visits = visits.sort_values(["date", "crew", "stop"]).reset_index(drop=True)
    own = days[problem.group] if len(problem.group) else np.zeros((0, 2), dtype=np.int64)
    missing = tuple(problem.names[i] for i in range(n) if own[i, 0] < 0)
    when = [
        [pd.NaT if d < 0 else pd.Timestamp(problem.dates[d]) for d in own[:, side]]
        for side in (0, 1)
    ]
    table = pd.DataFrame(
        {"station_id": list(problem.names), "set_on": when[0], "collect_on": when[1]}
    )
    for name in ("set_on", "collect_on"):
        table[name] = pd.to_datetime(table[name]).astype("datetime64[us]")
    return Rounds(visits, table, driven, missing, ())


def _breaks(problem: Problem, missing: Sequence[str], seed: int) -> list[str]:
    """Say which constraint stands in the way: the one without which every station finds a place."""
    who = f"{missing[0]}" + (f" and {len(missing) - 1} more" if len(missing) > 1 else "")
    away = _too_far(problem, missing)
    if away:
        return away
    barred = [
        name
        for name in missing
        if not problem.allowed[problem.group[problem.names.index(name)]].any()
    ]
    if barred:
        return [
            f"{barred[0]}" + (f" and {len(barred) - 1} more" if len(barred) > 1 else "")
            + ": no two working days of this season leave enough full normal days between them; "
            "lengthen the season or ask for fewer days"
        ]  # fmt: skip
    settings = problem.settings
    open_all = problem.spans.copy()
    open_all[:, 0], open_all[:, 1] = open_all[:, 3], open_all[:, 2]
    longer = problem.spans.copy()
    longer[:, 1:3] += 120
    no_peaks = replace(
        settings,
        peak_morning_to=settings.peak_morning_from,
        peak_evening_to=settings.peak_evening_from,
    )
    trials = (
        ("counters in stock", f"{problem.stock}", replace(problem, stock=len(problem.names))),
        ("crews", f"{problem.crews}", replace(problem, crews=problem.crews + 1)),
        ("daylight", "as the sun has it", replace(problem, spans=open_all)),
        ("peak hours", "without work", replace(problem, settings=no_peaks)),
        ("shift length", f"{settings.shift_hours:g} h", replace(problem, spans=longer)),
    )
    found = []
    for name, now, looser in trials:
        _, _, days = _searched(looser, min(int(settings.effort), 300), seed)
        if (days[:, 0] >= 0).all():
            found.append(f"{who}: no place left; in the way: {name} ({now})")
    said = (
        f"{who}: no place left, and no single constraint is to blame; lengthen the season or take"
    )
    return found or [f"{said} stations out"]


def _too_far(problem: Problem, missing: Sequence[str]) -> list[str]:
    """Name the stations that one crew cannot serve on any day, were it the only visit."""
    shut = problem.settings.shut
    for name in missing:
        i = problem.names.index(name)
        alone = [
            search.drive(
                np.array([i], dtype=np.int64), 1, problem.travel, problem.work, *span, shut
            )
            for span in problem.spans
        ]
        if alone and min(alone) >= 1e8:
            there = problem.travel[0, i + 1] + problem.travel[i + 1, 0]
            said = (
                f"{name}: {there:.0f} min of driving and {problem.work[i]:.0f} min on site fit no"
            )
            return [
                f"{said} shift between peaks in daylight; move the depot, the shift or the peaks"
            ]
    return []
