"""From a short count to its level: by the same dates, by textbook shares, by growth."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from countmap.annual import factors, matched
from countmap.annual.expand import Block, joined
from countmap.annual.inputs import Work
from countmap.annual.intervals import (
    Interval,
    from_errors,
    normal_multiplier,
    student_multiplier,
)
from countmap.annual.levels import Lessons
from countmap.annual.measured import measured_level
from countmap.annual.pool import block_counts
from countmap.annual.shorts import Short

Array = np.ndarray[Any, np.dtype[np.float64]]
ODD_CHANCE = 0.001
"""A pattern is called unlike any permanent's when chance alone gives it less often than this."""
LISTED = 25
"""So many permanents are named in an explanation, those of most weight."""
NO_COVER = "too few permanent stations were counted on its dates"


@dataclass(frozen=True)
class Level:
    """An estimated level: ln AADT, ln AAWT (NaN if unknown), interval, and what explains it."""

    log_aadt: float
    log_weekday: float
    interval: Interval
    method: str
    blocks: tuple[Block, ...]
    story: dict[str, Any]
    reason: str | None = None


def by_dates(work: Work, lessons: Lessons, members: list[Short]) -> list[Level | str]:
    """Estimate short counts that share one set of blocks, by the permanents on the same hours.

    Returns
    -------
    list of Level or str
        In the members' order; a str says why the dates cannot be matched.

    Notes
    -----
    The interval is that of `intervals.from_errors` on the leave-one-station-out errors over these
    very blocks, each in units of its own standard error.
    """
    settings, teachers = work.settings, lessons.teachers
    if teachers is None or lessons.stations < settings.min_permanents:
        return [f"only {lessons.stations} sound permanent stations"] * len(members)
    y = _logs(lessons, members[0].blocks)
    covered = _covered(lessons, y, settings.min_permanents)
    window = tuple(b for b, ok in zip(members[0].blocks, covered, strict=True) if ok)
    if sum(b.hours for b in window) < settings.min_hours:
        return [NO_COVER] * len(members)
    join = joined(window)
    days = np.array([b.first for b in window]) - lessons.pool.first
    learned = matched.blocks(teachers, y[:, covered], days, join)
    rows, test = matched.left_out(teachers, learned, lessons.health.trust, _prior(lessons))
    stations = len(np.unique(lessons.pool.owner[rows]))
    if stations < settings.min_permanents:
        return [NO_COVER] * len(members)
    half, rule = from_errors(test.level / test.log_se, stations, settings.level)
    counts = np.array([[b.count for b in m.blocks] for m in members])[:, covered]
    counts = np.maximum(counts, 0.5)
    without = np.array([_fold(lessons, teachers, m) for m in members])
    scarcity = _scarcity(counts, _usual(lessons, y[:, covered])) @ join**2
    prior = _prior(lessons, [m.key[0] for m in members])
    found = matched.fit(
        teachers, learned, np.log(counts) @ join, without, extra=scarcity, prior=prior
    )
    scarce = np.sqrt((found.weight**2 * scarcity).sum(axis=1))
    weekday = found.share @ _weekday_logs(lessons)
    z = normal_multiplier(settings.level)
    out: list[Level | str] = []
    for i, member in enumerate(members):
        story = _story(lessons, learned, found, i) | _like_group(work, lessons, found.share[i])
        story |= {"rule": rule, "stations_tested": stations, "multiplier": half}
        if lessons.kin is not None and prior is not None:
            story |= {
                "weight_of_another_class": lessons.kin.other_class,
                "weight_of_the_far": lessons.kin.far,
                "near_m": lessons.kin.near_m if np.isfinite(lessons.kin.near_m) else None,
            }
        story |= {"misfit": float(found.misfit[i]), "misfit_expected": float(found.free[i])}
        parts = {
            "pattern": half * float(found.log_se[i]),
            "few_vehicles": z * float(scarce[i]),
            "count": _count_half(work, member),
        }
        level = float(found.level[i])
        interval = Interval(parts, settings.level)
        odd = _oddity(found, i, test)
        out.append(Level(level, level + float(weekday[i]), interval, "matched", window, story, odd))
    return out


def _prior(lessons: Lessons, stations: list[str] | None = None) -> Array | None:
    """Return what class and distance make of the permanents' weights; None where they say nothing."""
    kin = lessons.kin
    if kin is None or (kin.other_class == 1 and kin.far == 1):
        return None
    return kin.weights(list(kin.names) if stations is None else stations)


def _logs(lessons: Lessons, window: tuple[Block, ...]) -> Array:
    """Return ln V − ln AADT of every permanent series over each block."""
    counts = block_counts(lessons.pool, window)
    return np.log(np.where(counts > 0, counts, np.nan)) - np.log(lessons.level)[:, None]


def _covered(lessons: Lessons, y: Array, least: int) -> Any:
    """Say for each block whether so many stations were counted in it."""
    return np.array(
        [len(np.unique(lessons.pool.owner[np.isfinite(column)])) >= least for column in y.T]
    )


def _fold(lessons: Lessons, teachers: matched.Teachers, short: Short) -> int:
    """Return the fold that leaves the station itself out, −1 where it is no permanent."""
    own = [at for at, (name, _) in enumerate(lessons.pool.series) if name == short.key[0]]
    return int(teachers.fold[own[0]]) if own else -1


def _usual(lessons: Lessons, y: Array) -> Array:
    """Return the permanents' median count by block."""
    volume = np.exp(y) * lessons.level[:, None]
    return np.array([np.median(column[np.isfinite(column)]) for column in volume.T])


def _scarcity(counts: Array, usual: Array) -> Array:
    """Return the Poisson variance of ln v beyond that of the permanents' own counts."""
    return np.asarray(np.maximum(1 / counts - 1 / np.maximum(usual, 0.5), 0.0))


def _weekday_logs(lessons: Lessons) -> Array:
    """Return ln AAWT − ln AADT of each series, 0 for those that may not teach."""
    return np.nan_to_num(np.log(lessons.weekday_level / lessons.level))


def _count_half(work: Work, short: Short) -> float:
    return normal_multiplier(work.settings.level) * work.count_error(short.key[0])


def _oddity(found: matched.Fit, at: int, test: matched.Fit) -> str | None:
    """Say so when a count's days follow no pattern that a permanent has."""
    misfit, free = float(found.misfit[at]), float(found.free[at])
    if free < 1:
        return None
    ratio, others = misfit / free, test.misfit / np.maximum(test.free, 1)
    if ratio <= others.max() or stats.chi2.sf(misfit, free) >= ODD_CHANCE:
        return None
    own = matched.OWN_SCALE_DF
    widened = np.sqrt((own + misfit) / (own + free))
    return (
        f"its days follow no permanent station's pattern (misfit {ratio:.1f} a day, theirs "
        f"{np.median(others):.1f}, at most {others.max():.1f}): interval widened {widened:.1f} times"
    )


def _story(
    lessons: Lessons, learned: matched.Blocks, found: matched.Fit, at: int
) -> dict[str, Any]:
    """Return the permanents with weight and ratio, and those that were not used.

    With many permanents those of most weight are listed and the rest summed up, so that
    ln AADT = Σ ω ln v + Σ weight · ln ratio still holds of what is listed.
    """
    pool, health = lessons.pool, lessons.health
    share = found.share[at]
    log_ratio = -(learned.y @ found.weight[at])
    taught = np.flatnonzero(health.trust > 0)
    order = taught[np.lexsort((taught, -share[taught]))]
    permanents = [
        {
            "station_id": pool.series[k][0],
            "sense": pool.series[k][1],
            "weight": float(share[k]),
            "ratio": float(np.exp(log_ratio[k])),
            "trust": float(health.trust[k]),
            "finding": health.notes[k],
        }
        for k in order[:LISTED]
    ]
    rest = order[LISTED:]
    story: dict[str, Any] = {"permanents": permanents, "ignored": _ignored(lessons)}
    if len(rest) and share[rest].sum() > 0:
        story["others"] = {
            "series": len(rest),
            "weight": float(share[rest].sum()),
            "ratio": float(np.exp(share[rest] @ log_ratio[rest] / share[rest].sum())),
        }
    return story


def _like_group(work: Work, lessons: Lessons, share: Array) -> dict[str, Any]:
    """Return the factor group whose permanents have most weight, and that weight."""
    weight: dict[str, float] = {}
    for (station, _), part in zip(lessons.pool.series, share, strict=True):
        if station in work.groups:
            name = work.groups[station]
            weight[name] = weight.get(name, 0.0) + float(part)
    if not weight:
        return {}
    best = max(sorted(weight), key=lambda name: weight[name])
    return {"like_group": best, "like_group_weight": weight[best]}


def _ignored(lessons: Lessons) -> list[dict[str, Any]]:
    return [
        {"station_id": station, "sense": sense, "reason": lessons.health.notes[k]}
        for k, (station, sense) in enumerate(lessons.pool.series)
        if lessons.health.trust[k] == 0
    ]


def by_textbook(work: Work, lessons: Lessons, found: factors.Shares, short: Short) -> Level | str:
    """Estimate one short count by Σ count / Σ group mean share of season and weekday.

    Notes
    -----
    The group is that which the user gave the station (one permanent alone is a group too), else all
    permanents. Public holidays have no share and are left out. The interval comes from the same estimate of
    every permanent by the others of that group, on the count's dates (or, where nobody was counted then, on the
    same weekdays 52 weeks away).
    """
    least, hours_least = work.settings.min_permanents, work.settings.min_hours
    keep = lessons.health.trust > 0
    keep &= np.array([station != short.key[0] for station, _ in lessons.pool.series])
    group, name = keep, work.groups.get(short.key[0])
    if name is not None:
        group = keep & np.array([work.groups.get(s) == name for s, _ in lessons.pool.series])
        if not group.any():
            return f"no sound permanent station is in its group {name!r}"
    plain = tuple(b for b in short.blocks if not any(day in work.holidays for day, _ in b.cells))
    share = factors.block_shares(found, plain)
    known: Any = np.isfinite(share[group]).any(axis=0)
    window, share = tuple(b for b, ok in zip(plain, known, strict=True) if ok), share[:, known]
    if sum(b.hours for b in window) < hours_least:
        return f"too few hours on days with a {factors.FORMS[work.form]} share"
    rows, errors = factors.left_out(lessons.pool, lessons.level, share, window, keep, group=group)
    stations = len(np.unique(lessons.pool.owner[rows]))
    total = sum(b.count for b in window)
    if stations < least or total <= 0:
        return f"only {stations} permanent stations to try its dates on"
    half, rule = from_errors(errors, stations, work.settings.level)
    aadt = factors.level(total, share, group)
    mean = factors.mean_of_seen(share[group].T)
    ratio = share[group].sum(axis=1)
    ratio = ratio[np.isfinite(ratio)] / mean.sum()
    story = {
        "shares": [
            {"day": b.first, "count": b.count, "share": float(s)}
            for b, s in zip(window, mean, strict=True)
        ],
        "shares_of": lessons.year,
        "form": factors.FORMS[work.form],
        "group": sorted({lessons.pool.series[k][0] for k in np.flatnonzero(group)}),
        "group_name": name,
        "group_precision": _precision(ratio, work.settings.level),
        "rule": rule,
        "stations_tested": stations,
        "holidays_left_out": [b.first for b in short.blocks if b not in plain],
    }
    weekday = float(np.mean(_weekday_logs(lessons)[group]))
    interval = Interval({"pattern": half, "count": _count_half(work, short)}, work.settings.level)
    return Level(np.log(aadt), np.log(aadt) + weekday, interval, "textbook", window, story)


def _precision(ratio: Array, level: float) -> float | None:
    """Return the precision D of a group's factor; None for one station."""
    number = len(ratio)
    return factors.precision(float(ratio.std(ddof=1)), number, level) if number > 1 else None


def grown(work: Work, short: Short, level: Level) -> Level | str:
    """Bring a level from the year of its counts to the year wanted; a str says why it cannot be."""
    wanted = work.inputs.year
    if short.year == wanted:
        return level
    columns = ["station_id", "sense", "year", "aadt"]
    known = [work.averages[columns]]
    if work.inputs.other_years is not None:
        known.append(work.inputs.other_years[columns])
    annual = pd.concat(known).drop_duplicates(["station_id", "sense", "year"])
    annual = annual[annual["station_id"] != short.key[0]]
    sense = short.key[1] if annual["sense"].eq(short.key[1]).any() else "both"
    group = work.groups.get(short.key[0]) or level.story.get("like_group")
    found = factors.growth(annual, sense, (short.year, wanted), work.groups, group)
    if found is None:
        return (
            f"counted in {short.year}; no two permanent stations have both {short.year} and "
            f"{wanted} to give its growth"
        )
    half = student_multiplier(work.settings.level, len(found.stations) - 1) * found.log_se
    growth = {
        "from": short.year,
        "to": wanted,
        "factor": float(np.exp(found.log_ratio)),
        "stations": list(found.stations),
        "group": found.group,
        "group_weight": found.own_weight,
    }
    return replace(
        level,
        log_aadt=level.log_aadt + found.log_ratio,
        log_weekday=level.log_weekday + found.log_ratio,
        interval=replace(level.interval, parts={**level.interval.parts, "growth": half}),
        story=level.story | {"growth": growth},
    )


def earlier_measured(work: Work, short: Short) -> Level | None:
    """Return a permanent's average of another year as a level, if that is what there is."""
    if short.year == work.inputs.year or short.key[0] not in work.permanents:
        return None
    value = measured_level(work, short.key, short.year)
    if value is None:
        return None
    interval = Interval({"count": _count_half(work, short)}, work.settings.level)
    story = {"measured_in": short.year}
    method = work.settings.estimator
    return Level(np.log(value), np.nan, interval, method, short.blocks, story)
