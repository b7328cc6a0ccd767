"""Annual averages with intervals for every station, sense and `both`; and how each came about."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache, partial
from typing import Any

import numpy as np
import pandas as pd

from countmap import tables
from countmap.annual import continuous, explain, factors, peaks, routes, shorts
from countmap.annual.groups import COLUMNS as GROUP_COLUMNS
from countmap.annual.groups import groups
from countmap.annual.inputs import AnnualInputs, AnnualSettings, Key, Rows, Work, blank, prepare
from countmap.annual.kin import learn
from countmap.annual.levels import Lessons, study
from countmap.annual.measured import measure
from countmap.annual.pool import Pool, day_number, gather

__all__ = ["AnnualInputs", "AnnualResult", "AnnualSettings", "estimate"]

BASES = (("both",), ("with", "against"))


@dataclass(frozen=True)
class AnnualResult:
    """What came out.

    Attributes
    ----------
    annual : DataFrame
        ANNUAL.
    explanations : dict
        For every (station, sense) the chain of numbers behind its row (JSON-able).
    groups : DataFrame
        Factor groups of the permanent stations, their cohesion and precision: see `groups.groups`.
    peaks : DataFrame
        Design hours of the permanent stations: see `peaks.design_hours`.
    """

    annual: pd.DataFrame
    explanations: dict[Key, dict[str, Any]]
    groups: pd.DataFrame
    peaks: pd.DataFrame


def estimate(inputs: AnnualInputs) -> AnnualResult:
    """Estimate the annual averages of every station and sense.

    Parameters
    ----------
    inputs : AnnualInputs

    Returns
    -------
    AnnualResult
        One row for each station and sense that was counted. Permanents are `measured`, short counts
        `estimated`; where there is no honest factor the row is `unadjusted`: its ``aadt`` is the
        plain mean of the complete days (or null), its interval null, and ``reason`` says why.

    Notes
    -----
    `both` is estimated from the totals by the same machinery. Then the senses are made to agree with
    it: those of a short count are scaled to add up to `both`, each keeping its own relative
    interval; where a sense was measured, `both` becomes their sum and keeps its relative interval.
    ``log_se`` is the half-width over the normal multiplier of the level.
    """
    work = prepare(inputs)
    rows: Rows = {}
    notes: Rows = {}
    pool = cache(partial(_pool, work))
    studied = cache(lambda taught, year: _studied(work, pool(taught, year), year))
    totals = studied(_taught(work, BASES[0]), inputs.year)
    table = _group_table(totals, given_groups(inputs.stations))
    known = dict(zip(table["station_id"], table["group"], strict=True))
    work = replace(work, groups=known | given_groups(inputs.stations))
    for senses in BASES:
        taught = _taught(work, senses)
        raw = pool(taught, inputs.year)
        lessons = partial(studied, taught)
        measure(work, raw, lessons(inputs.year), rows, notes)
        _basis(work, senses, lessons, rows, notes, totals_only=taught != senses)
    for station, reason in work.refused.items():
        key = (station, inputs.settings.one_way.get(station, "both"))
        rows.setdefault(key, blank(key, inputs.year, reason=reason))
        notes.setdefault(key, {"reason": reason})
    _one_way(inputs, rows, notes)
    _reconcile(rows, notes)
    for (station, _), row in rows.items():
        row["group"] = work.groups.get(station)
    _months(work, rows, notes)
    design = _design_hours(work, rows, notes)
    order = sorted(rows)
    frame = pd.DataFrame([rows[key] for key in order], columns=list(tables.ANNUAL.names))
    types = tables.empty(tables.ANNUAL).dtypes.to_dict()
    told = {key: notes[key] for key in order}
    return AnnualResult(frame.astype(types), told, table, design)


def _basis(
    work: Work,
    senses: tuple[str, ...],
    lessons: Callable[[int], Lessons],
    rows: Rows,
    notes: Rows,
    *,
    totals_only: bool,
) -> None:
    """Estimate the short counts of one basis: the totals, or the single senses together."""
    wanted = work.inputs.year
    alike: dict[Any, list[shorts.Short]] = defaultdict(list)
    for short in shorts.collect(work, senses, set(rows)):
        alike[(short.year, tuple(block.cells for block in short.blocks))].append(short)
    years = sorted({*work.averages["year"].tolist(), wanted})
    shares: dict[int, factors.Shares] = {}
    for (year, _), members in alike.items():
        levels: list[routes.Level | str] = _too_short(work, members)
        if not levels:
            levels = [routes.NO_COVER] * len(members)
            if work.settings.method == "matched":
                levels = routes.by_dates(work, lessons(year), members)
        for short, found in zip(members, levels, strict=True):
            level = routes.earlier_measured(work, short) or found
            if isinstance(level, str) and short.hours >= work.settings.min_hours:
                near = _nearest(years, year, lessons)
                if near not in shares and lessons(near).teachers is not None:
                    shares[near] = _shares(work, lessons(near))
                level = _textbook(work, lessons(near), shares.get(near), short, level)
            if not isinstance(level, str):
                level = routes.grown(work, short, _noted(level, totals_only))
            explain.write(work, short, level, rows, notes)


def _nearest(years: list[int], year: int, lessons: Callable[[int], Lessons]) -> int:
    """Return the nearest year whose permanents can teach, or the nearest of all."""
    near = sorted(years, key=lambda other: (abs(other - year), other))
    return next((other for other in near if lessons(other).teachers is not None), near[0])


def _studied(work: Work, pool: Pool, year: int) -> Lessons:
    found = study(pool, year, frozenset(work.holidays))
    if found.teachers is None:
        return found
    names = [station for station, _ in pool.series]
    told, taught = work.inputs, found.teachers
    kin = learn(told.stations, told.distance, names, taught.deviation, taught.weight)
    return replace(found, kin=kin)


def _pool(work: Work, taught: tuple[str, ...], year: int) -> Pool:
    """Lay out the permanents of one year, with a month on either side.

    Among totals stands a one-way station's only sense: it is that road's total.
    """
    only = work.settings.one_way if "both" in taught else {}
    hours, days = (
        frame[
            frame["station_id"].isin(work.permanents)
            & (frame["sense"].isin(taught) | (frame["station_id"].map(only) == frame["sense"]))
        ]
        for frame in (work.hours, work.days)
    )
    first = day_number(f"{year}-01-01") - shorts.MARGIN_DAYS
    return gather(hours, days, first, day_number(f"{year + 1}-01-01") + shorts.MARGIN_DAYS - 1)


def _taught(work: Work, senses: tuple[str, ...]) -> tuple[str, ...]:
    """Return ``senses``, or `both` where the permanents were counted in no single sense."""
    known = {
        sense
        for frame in (work.hours, work.days)
        for sense in frame.loc[frame["station_id"].isin(work.permanents), "sense"].unique()
    }
    return senses if known & set(senses) else ("both",)


def _shares(work: Work, lessons: Lessons) -> factors.Shares:
    pool = lessons.pool
    days = pool.days_of(lessons.year)
    return factors.shares(pool, lessons.level, days, set(work.holidays), work.form)


def _textbook(
    work: Work, lessons: Lessons, shares: factors.Shares | None, short: shorts.Short, why: str
) -> routes.Level | str:
    """Fall back to shares of season and weekday, and say why."""
    if shares is None:
        return why
    level = routes.by_textbook(work, lessons, shares, short)
    if isinstance(level, str) or work.settings.method == "textbook":
        return level
    reason = f"{why}: {factors.FORMS[work.form]} shares of {lessons.year} instead"
    return replace(level, reason=reason)


def _noted(level: routes.Level, totals_only: bool) -> routes.Level:
    if not totals_only:
        return level
    says = "the permanent stations give totals only: the interval does not know the sense's own day"
    return replace(level, reason="; ".join(filter(None, (level.reason, says))))


def _too_short(work: Work, members: list[shorts.Short]) -> list[routes.Level | str]:
    if members[0].hours >= work.settings.min_hours:
        return []
    return [f"only {m.hours} usable hours, {work.settings.min_hours} are needed" for m in members]


def _one_way(inputs: AnnualInputs, rows: Rows, notes: Rows) -> None:
    """Refuse what was counted against a one-way station, and drop its `both`."""
    for station, sense in inputs.settings.one_way.items():
        for other in tables.BASES:
            key = (station, other)
            if other == sense or key not in rows:
                continue
            if other == "both" and (station, sense) in rows:
                del rows[key], notes[key]
                continue
            reason = f"one-way station: traffic runs {sense!r} only, but this was counted {other!r}"
            rows[key] = blank(key, inputs.year, reason=reason)
            notes[key] = {"reason": reason}


def _reconcile(rows: Rows, notes: Rows) -> None:
    """Make with + against equal `both`: scale the senses of short counts, sum measured ones."""
    for station in sorted({station for station, sense in rows if sense == "both"}):
        keys = [(station, sense) for sense in tables.SENSES]
        both = rows[(station, "both")]
        if any(key not in rows or not rows[key]["aadt"] for key in keys) or not both["aadt"]:
            continue
        total = sum(rows[key]["aadt"] for key in keys)
        estimated = all(rows[key]["status"] == "estimated" for key in (*keys, (station, "both")))
        if estimated:
            for key in keys:
                _scale(rows[key], both["aadt"] / total)
                notes[key]["scaled_to_both"] = both["aadt"] / total
        elif all(rows[key]["status"] != "unadjusted" for key in keys):
            notes[(station, "both")]["scaled_to_senses"] = total / both["aadt"]
            _scale(both, total / both["aadt"])


def given_groups(stations: pd.DataFrame) -> dict[str, str]:
    """Return station id → the group that the user gave it."""
    if "group" not in stations:
        return {}
    named = stations.dropna(subset="group")
    return dict(zip(named["station_id"].astype("str"), named["group"].astype("str"), strict=True))


def _group_table(lessons: Lessons, given: dict[str, str]) -> pd.DataFrame:
    """Put the permanents that have a whole year's pattern into factor groups."""
    keep: list[int] = []
    season = week = np.ones((0, 0))
    if lessons.teachers is not None:
        days = lessons.pool.days_of(lessons.year)
        share = factors.shares(lessons.pool, lessons.level, days, set()).day
        season = np.stack([factors.mean_of_seen(share[:, m]) for m in range(12)], axis=1)
        week = np.stack([factors.mean_of_seen(share[:, :, j]) for j in range(7)], axis=1)
        whole: Any = (season > 0).all(axis=1) & (week > 0).all(axis=1)
        _, first = np.unique(lessons.pool.owner, return_index=True)
        keep = [int(k) for k in first if whole[k] and lessons.health.trust[k] > 0]
    if not keep:
        return pd.DataFrame(columns=GROUP_COLUMNS)
    return groups([lessons.pool.series[k][0] for k in keep], season[keep], week[keep], given)


def _months(work: Work, rows: Rows, notes: Rows) -> None:
    """Tell each measured permanent's monthly averages (MADT), by the estimator of its year."""
    for method, frame, average in (
        ("fhwa", work.hours, continuous.fhwa_monthly),
        ("aashto", work.days, continuous.aashto_monthly),
    ):
        keys = {k for k, r in rows.items() if (r["status"], r["method"]) == ("measured", method)}
        named = frame["station_id"].isin([station for station, _ in keys])
        year = frame["date"].dt.year == work.inputs.year
        found = average(frame[named & year]) if keys else pd.DataFrame(columns=["station_id"])
        for one in found.to_dict("records"):
            key = (one["station_id"], one["sense"])
            if key in keys and one["reason"] is None:
                notes[key].setdefault("madt", {})[f"{one['month']:02d}"] = one["madt"]


def _design_hours(work: Work, rows: Rows, notes: Rows) -> pd.DataFrame:
    """Find the design hour of every measured permanent and tell it in the station's explanation."""
    measured: dict[str, float] = {}
    place: dict[str, Key] = {}
    for key, row in sorted(rows.items()):
        one_way = work.settings.one_way.get(key[0], "both") == key[1]
        if row["status"] == "measured" and one_way and key[0] in work.permanents:
            measured[key[0]], place[key[0]] = row["aadt"], key
    cells = work.hours[work.hours["station_id"].isin(list(measured))]
    found = peaks.design_hours(cells, measured, work.inputs.year)
    for one in found.to_dict("records"):
        told = {f"k{one['rank']}": one["k"], "design_hour_volume": one["volume"]}
        told |= {"d": one["d"], "ddhv": one["ddhv"], "heavier_sense": one["sense"]}
        told |= {"design_hour": one["date"] and f"{one['date']} {one['hour']:02d}:00"}
        notes[place[one["station_id"]]] |= {k: v for k, v in told.items() if v is not None}
    return found


def _scale(row: dict[str, Any], factor: float) -> None:
    for name in ("aadt", "lower", "upper", "aawt"):
        if row[name] is not None:
            row[name] *= factor
