"""Rules on how much was counted: shares of the senses, days, months, lanes, the last count."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from countmap.counts.bench import Bench, runs
from countmap.counts.rules import Finding, Numbers, rule, span
from countmap.rounding import number_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

_TMG = "[S] FHWA Traffic Monitoring Guide, App. J (monthly volume of permanent stations)"


@rule("split", _TMG + ": 40–60 %", {"low": 0.4, "high": 0.6, "z": 3.3})
def split(bench: Bench, numbers: Numbers) -> list[Finding]:
    """Find a full day whose traffic is split between the senses outside 40–60 %, on a two-way road.

    At low flows a share strays by chance: it must lie ``z`` binomial standard errors outside.
    """
    records = bench.records
    by_name = {bench.name(n): n for n in range(len(records))}
    findings = []
    for station in records["station_id"].unique():
        one, other = by_name.get((station, "with")), by_name.get((station, "against"))
        if one is None or other is None or records["one_way"].iloc[one]:
            continue
        a, b = _rows(bench, one), _rows(bench, other)
        days, i, j = np.intersect1d(bench.day[a], bench.day[b], return_indices=True)
        forth, back = bench.total[a][i], bench.total[b][j]
        both = forth + back
        share = np.divide(forth, both, out=np.full(len(days), np.nan), where=both > 0)
        limit = np.where(share < 0.5, numbers["low"], numbers["high"])
        error = np.sqrt(limit * (1 - limit) / np.maximum(both, 1))
        with np.errstate(invalid="ignore"):
            outside = np.abs(share - 0.5) > np.abs(limit - 0.5) + numbers["z"] * error
        # Full days alone are in question, so days in between that are missing do not end a run.
        gap = np.zeros(len(days), dtype=bool)
        for first, stop in runs(outside, gap):
            inside = slice(first, stop)
            mean = np.nansum(forth[inside]) / np.nansum(both[inside])
            many = f"on {stop - first} days in a row" if stop - first > 1 else "on the day"
            why = (
                f"{mean:.0%} of the traffic went with and {1 - mean:.0%} against {many}"
                f" ({np.nansum(forth[inside]):,.0f} and {np.nansum(back[inside]):,.0f})"
            )
            when = span(days[first], days[stop - 1])
            findings.append(Finding(str(station), "both", *when, "warn", why))
    return findings


def _rows(bench: Bench, record: int) -> slice:
    return slice(int(bench.records["first"].iloc[record]), int(bench.records["stop"].iloc[record]))


@rule(
    "month_last_year",
    _TMG + ": within 20 % of the same month last year",
    {"share": 0.2, "vehicles": 50, "days": 14},
)
def month_last_year(bench: Bench, numbers: Numbers) -> list[Finding]:
    """Find a month's average day more than 20 % from that of the same month a year before.

    The average day weighs each weekday by 1/7; months with fewer than ``days`` full days or without
    one of some weekday are not judged, nor differences below ``vehicles`` a day.
    """
    full = bench.full
    frame = pd.DataFrame(
        {
            "record": bench.record[full],
            "month": bench.day[full].astype("M8[M]").astype(int),
            "weekday": (bench.day[full].astype(int) + 3) % 7,
            "total": bench.total[full],
        }
    )
    by_weekday = frame.groupby(["record", "month", "weekday"])["total"].agg(["mean", "size"])
    months = by_weekday.groupby(level=["record", "month"]).agg(
        mean=("mean", "mean"), weekdays=("mean", "size"), days=("size", "sum")
    )
    months = months[(months["weekdays"] == 7) & (months["days"] >= numbers["days"])].reset_index()
    before = months.assign(month=months["month"] + 12)[["record", "month", "mean"]]
    pairs = months.merge(before, on=["record", "month"], suffixes=("", "_before"))
    findings = []
    for row in pairs.itertuples(index=False):
        change = row.mean / row.mean_before - 1 if row.mean_before else np.inf
        if (
            abs(change) <= numbers["share"]
            or abs(row.mean - row.mean_before) <= numbers["vehicles"]
        ):
            continue
        begin = np.datetime64(int(row.month), "M")
        first, last = span(begin.astype("M8[D]"), (begin + 1).astype("M8[D]") - 1)
        why = (
            f"{pd.Timestamp(begin):%B %Y} has {row.mean:,.0f} vehicles a day, {change:+.0%} against"
            f" {row.mean_before:,.0f} in the same month a year before"
        )
        findings.append(Finding(*bench.name(int(row.record)), first, last, "warn", why))
    return findings


@rule("lane_maximum", _TMG + "; [D] the figures", {"warn": 1800, "fail": 2400})
def lane_maximum(bench: Bench, numbers: Numbers) -> list[Finding]:
    """Find more vehicles in an hour than the lanes can carry, where the lanes are known."""
    lanes = bench.records["lanes"].to_numpy(dtype=float)[bench.record]
    with np.errstate(invalid="ignore", divide="ignore"):
        each = bench.count / lanes[:, None]
        over = each > numbers["warn"]
    findings = []
    for record, rows in bench.slices():
        days = np.flatnonzero(over[rows].any(axis=1)) + rows.start
        if not len(days):
            continue
        peak = np.nanmax(each[days])
        row = days[int(np.nanargmax(np.nanmax(each[days], axis=1)))]
        hour = int(np.nanargmax(each[row]))
        severity = "fail" if peak > numbers["fail"] else "warn"
        why = (
            f"up to {peak:,.0f} vehicles an hour a lane ({bench.day[row]} {hour:02d}:00,"
            f" {number_of(lanes[row], 'lane')}), over {numbers['warn']:,.0f}"
            f" on {number_of(len(days), 'day')}"
        )
        when = span(bench.day[days[0]], bench.day[days[-1]])
        findings.append(Finding(*bench.name(record), *when, severity, why))
    return findings


@rule(
    "day_off",
    "[O] Montana practice (Sustainability 17/21/9896): 20 %, 19 h; [D] the test beside it",
    {"share": 0.2, "hours": 19, "z": 6.0},
)
def day_off(bench: Bench, numbers: Numbers) -> list[Finding]:
    """Find a day more than 20 % from the mean of that weekday in its month, 19 hours or more present.

    Weather and holidays move all stations together, so what moved the median station that day is
    taken off first. A day then stands out if what is left is beyond 20 %, ``z`` times the station's
    own spread, and what was taken off; the others beyond 20 % are one note a station.
    """
    # A day that stands out must not spoil the mean of its neighbours: a second look leaves it out.
    first = _day_ratios(bench, numbers["hours"], bench.declared)
    spoilt = bench.declared | _stands_out(bench, *first, numbers)
    ratio, own, error = _day_ratios(bench, numbers["hours"], spoilt)
    alone = _stands_out(bench, ratio, own, error, numbers) & ~bench.declared
    findings = []
    for record, rows in bench.slices():
        days, r = bench.day[rows], ratio[rows]
        gap = np.concatenate([[True], np.diff(days).astype(int) != 1])
        for a, b in runs(alone[rows], gap):
            many = f"{b - a} days are" if b - a > 1 else "the day is"
            mean, other = np.exp(r[a:b].mean()) - 1, np.exp((r - own[rows])[a:b].mean()) - 1
            why = (
                f"{many} {mean:+.0%} from the mean of that weekday in its month, where the stations"
                f" in the middle are {other:+.0%}"
            )
            when = span(days[a], days[b - 1])
            findings.append(Finding(*bench.name(record), *when, "warn", why))
        rest = np.flatnonzero(_beyond(r, numbers) & ~alone[rows])
        if len(rest):
            why = (
                f"{len(rest)} of {int(np.isfinite(r).sum())} days are more than"
                f" {numbers['share']:.0%} from the mean of that weekday in their month, as chance,"
                " weather or a known day explain"
            )
            when = span(days[rest[0]], days[rest[-1]])
            findings.append(Finding(*bench.name(record), *when, "note", why))
    return findings


def _beyond(ratio: NDArray[np.float64], numbers: Numbers) -> NDArray[np.bool_]:
    low, high = np.log(1 - numbers["share"]), np.log(1 + numbers["share"])
    with np.errstate(invalid="ignore"):
        return np.asarray((ratio < low) | (ratio > high))


def _stands_out(
    bench: Bench,
    ratio: NDArray[np.float64],
    own: NDArray[np.float64],
    error: NDArray[np.float64],
    numbers: Numbers,
) -> NDArray[np.bool_]:
    """Return the days beyond the limit, also without what is common, and beyond their spread."""
    out = _beyond(ratio, numbers) & _beyond(own, numbers)
    for _, rows in bench.slices():
        if out[rows].any():
            o = own[rows]
            spread = 1.4826 * np.nanmedian(np.abs(o - np.nanmedian(o)))
            with np.errstate(invalid="ignore"):
                out[rows] &= np.abs(o) > numbers["z"] * np.maximum(spread, error[rows])
                # What moves all stations moves each by its own measure: Sundays empty some roads.
                out[rows] &= np.abs(o) > np.abs(ratio[rows] - o)
    return out


def _day_ratios(
    bench: Bench, hours: float, left_out: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return ln(day / mean of the other days of its weekday and month), the same without what is
    common to the stations that day, and its Poisson error; ``left_out`` days enter no mean.
    """
    month = bench.day.astype("M8[M]").astype(int)
    weekday = (bench.day.astype(int) + 3) % 7
    code = (bench.record * 100_000 + month) * 7 + weekday
    _, group = np.unique(code, return_inverse=True)
    there = ~np.isnan(bench.count)
    used = there & ~left_out[:, None]
    filled = np.where(there, bench.count, 0.0)
    expected, observed = np.zeros(len(group)), np.zeros(len(group))
    others = np.full(len(group), np.inf)
    for hour in range(24):
        n = np.bincount(group, weights=used[:, hour])[group] - used[:, hour]
        own = filled[:, hour] * used[:, hour]
        total = np.bincount(group, weights=own)[group] - own
        use = there[:, hour] & (n >= 2)
        expected[use] += total[use] / n[use]
        observed[use] += filled[use, hour]
        others[use] = np.minimum(others[use], n[use])
    judged = (there.sum(axis=1) >= hours) & (expected > 0) & np.isfinite(others)
    ratio = np.full(len(group), np.nan)
    # Half a vehicle keeps the logarithm of an empty day finite.
    ratio[judged] = np.log((observed[judged] + 0.5) / (expected[judged] + 0.5))
    error = np.sqrt((1 + 1 / others) / np.maximum(np.minimum(expected, observed + 1), 1))
    return ratio, ratio - _common(bench, ratio), error


def _common(bench: Bench, ratio: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the median ratio of each date where three stations or more tell it, else 0."""
    frame = pd.DataFrame({"day": bench.day.astype(int), "ratio": ratio, "record": bench.record})
    frame["station"] = bench.records["station_id"].to_numpy()[bench.record]
    by_day = frame.dropna(subset="ratio").groupby("day")
    middle = by_day["ratio"].median().where(by_day["station"].nunique() >= 3, 0.0)
    return frame["day"].map(middle).fillna(0.0).to_numpy()


@rule(
    "new_against_last",
    "[O] Āpōpō guidelines 2022: 20 % or 100 veh/d, the larger",
    {"share": 0.2, "vehicles": 100, "gap_days": 28},
)
def new_against_last(bench: Bench, numbers: Numbers) -> list[Finding]:
    """Find a short count's weekdays against those of the count before it at the same station.

    Where three permanent stations or more counted on both occasions, their median change (season
    and growth) is taken off first.
    """
    use = bench.full & (bench.kind == 0) & ~bench.declared
    findings = []
    for record, rows in bench.slices():
        if bench.records["permanent"].iloc[record]:
            continue
        days, total = bench.day[rows][use[rows]], bench.total[rows][use[rows]]
        cuts = np.flatnonzero(np.diff(days).astype(int) > numbers["gap_days"]) + 1
        stays = list(zip(np.split(days, cuts), np.split(total, cuts), strict=True))
        for (old_days, old), (new_days, new) in pairwise(stays):
            change, known = _change_elsewhere(bench, use, old_days, new_days)
            due = old.mean() * change
            if abs(new.mean() - due) <= max(numbers["share"] * due, numbers["vehicles"]):
                continue
            season = f", {due:,.0f} with the change at {known} permanent stations" if known else ""
            why = (
                f"{new.mean():,.0f} vehicles a weekday from {new_days[0]}, {new.mean() / due - 1:+.0%}"
                f" against the last count ({old.mean():,.0f} from {old_days[0]}{season})"
            )
            when = span(new_days[0], new_days[-1])
            findings.append(Finding(*bench.name(record), *when, "warn", why))
    return findings


def _change_elsewhere(
    bench: Bench,
    use: NDArray[np.bool_],
    old_days: NDArray[np.datetime64],
    new_days: NDArray[np.datetime64],
) -> tuple[float, int]:
    """Return the median change of permanent records between two sets of days, and how many told."""
    changes = []
    for record, rows in bench.slices():
        if not bench.records["permanent"].iloc[record]:
            continue
        days, total = bench.day[rows][use[rows]], bench.total[rows][use[rows]]
        old, new = (total[np.isin(days, d)] for d in (old_days, new_days))
        if len(old) and len(new) and old.mean() > 0 and new.mean() > 0:
            changes.append(new.mean() / old.mean())
    return (float(np.median(changes)), len(changes)) if len(changes) >= 3 else (1.0, 0)
