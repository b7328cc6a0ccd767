"""Rules on the pattern of counts: the clock, the profile, caps, values that repeat."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import special, stats

from countmap.counts import rules_copies
from countmap.counts.bench import Bench, runs
from countmap.counts.rules import Finding, Numbers, power_of_ten, rule, span

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["identical", "night_share", "plateau", "profile", "rules_copies"]


@rule(
    "identical",
    "[D] 4 / 8 identical values in a row; the chance of it beside",
    {"warn": 4, "fail": 8, "above": 5, "chance": 1e-3},
)
def identical(bench: Bench, numbers: Numbers) -> list[Finding]:
    """Find the same value over and over, where traffic would vary.

    Two independent Poisson counts of mean v agree with probability e^(−2v) I₀(2v); a run is found
    if less than ``chance`` of its length would be expected in the whole series.
    """
    s = bench.series
    if not len(s.count):
        return []
    joined = (
        (s.code[1:] == s.code[:-1]) & (s.start[1:] == s.end[:-1]) & (s.count[1:] == s.count[:-1])
    )
    first = np.flatnonzero(np.concatenate([[True], ~joined]))
    stop = np.append(first[1:], len(s.count))
    length, value = stop - first, s.count[first]
    size = np.bincount(s.code)[s.code[first]]
    some = (length >= numbers["warn"]) & (value > numbers["above"])
    first, stop, length = first[some], stop[some], length[some]
    value, size = value[some], size[some]
    log = (length - 1) * np.log(special.ive(0, 2 * value)) + np.log(size)
    findings = []
    for n in np.flatnonzero(log < np.log(numbers["chance"])):
        a, b = int(first[n]), int(stop[n])
        severity = "fail" if length[n] >= numbers["fail"] else "warn"
        why = (
            f"{length[n]} counts in a row are {value[n]:g}; expected in the series by chance"
            f" {power_of_ten(log[n])} times"
        )
        station, sense = s.names[s.code[a]]
        findings.append(Finding(station, sense, s.start[a], s.end[b - 1], severity, why))
    return findings


@rule(
    "plateau",
    "[D] 255, 999, 9999, 65535: the largest figures of one or two bytes, of three or four digits",
    {"cap_1": 255, "cap_2": 999, "cap_3": 9999, "cap_4": 65535, "chance": 1e-6},
)
def plateau(bench: Bench, numbers: Numbers) -> list[Finding]:
    """Find counts pile up at the largest figure that a counter can hold, and none is above it.

    Compared with the Poisson chance, given how often the ten values below the cap occur.
    """
    s = bench.series
    if not len(s.count):
        return []
    heads = np.flatnonzero(np.diff(s.code, prepend=-1))
    top = np.maximum.reduceat(s.count, heads)
    caps = [numbers[f"cap_{i}"] for i in range(1, 5)]
    findings = []
    for n in np.flatnonzero(np.isin(top, caps)):
        a, b = heads[n], heads[n + 1] if n + 1 < len(heads) else len(s.count)
        count = s.count[a:b]
        at = np.flatnonzero(count == top[n])
        below = ((count >= top[n] - 10) & (count < top[n])).sum() / 10
        if stats.poisson.sf(len(at) - 1, max(below, 0.1)) >= numbers["chance"]:
            continue
        station, sense = s.names[s.code[a]]
        why = (
            f"{len(at)} counts are exactly {top[n]:g} and none is above it; the values just below"
            f" occur {below:.1f} times each"
        )
        first, last = s.start[a + at[0]], s.end[a + at[-1]]
        findings.append(Finding(station, sense, first, last, "fail", why))
    return findings


def _weeks(bench: Bench) -> NDArray[np.int64]:
    """Return the number of the week (from Monday) of each row."""
    return (bench.day.astype(int) + 3) // 7


@rule("night_share", "[D] night 01–04 over 30 % of 07–09", {"share": 0.3, "z": 3.3})
def night_share(bench: Bench, numbers: Numbers) -> list[Finding]:
    """Find weeks in which an hour of 01–04 carries over 30 % of an hour of 07–09: a clock 12 hours off?

    Weekdays count where the week has any. The excess must be ``z`` Poisson standard errors. More at
    night than in the morning fails.
    """
    night, morning = bench.count[:, 1:4].sum(axis=1), bench.count[:, 7:9].sum(axis=1)
    frame = pd.DataFrame(
        {
            "record": bench.record,
            "week": _weeks(bench),
            "weekday": (bench.kind == 0) & ~bench.declared,
            "night": night,
            "morning": morning,
            "day": bench.day.astype(int),
        }
    ).dropna()
    any_weekday = frame.groupby(["record", "week"])["weekday"].transform("any")
    frame = frame[frame["weekday"] | ~any_weekday]
    weeks = frame.groupby(["record", "week"], as_index=False).agg(
        night=("night", "sum"),
        morning=("morning", "sum"),
        first=("day", "min"),
        last=("day", "max"),
    )
    rate, base = weeks["night"] / 3, weeks["morning"] / 2
    error = np.sqrt(weeks["night"] / 9 + numbers["share"] ** 2 * weeks["morning"] / 4)
    weeks["over"] = rate - numbers["share"] * base > numbers["z"] * np.maximum(error, 1)
    breaks = (weeks["record"].diff() != 0) | (weeks["week"].diff() != 1)
    findings = []
    for a, b in runs(weeks["over"].to_numpy(), breaks.to_numpy()):
        part = weeks.iloc[a:b]
        at_night, in_morning = part["night"].sum() / 3, part["morning"].sum() / 2
        severity = "fail" if at_night > in_morning else "warn"
        ratio = f"{at_night / in_morning:.0%}" if in_morning else "all"
        why = (
            f"an hour from 01 to 04 carries {ratio} of an hour from 07 to 09"
            f" ({part['night'].sum():,.0f} against {part['morning'].sum():,.0f} vehicles):"
            " the clock may be 12 hours off"
        )
        when = span(
            np.datetime64(int(part["first"].iloc[0]), "D"),
            np.datetime64(int(part["last"].iloc[-1]), "D"),
        )
        findings.append(Finding(*bench.name(int(part["record"].iloc[0])), *when, severity, why))
    return findings


@rule(
    "profile",
    "[D] correlation with the own past 0.9 / 0.7; better by 0.05 an hour off",
    {"warn": 0.9, "fail": 0.7, "shift": 0.05, "weeks": 4, "signal": 0.98},
)
def profile(bench: Bench, numbers: Numbers) -> list[Finding]:
    """Find a week's weekday profile unlike the station's other weeks, or alike if shifted by an hour.

    The reference is the median profile of the record's weeks (``weeks`` at least). Weeks in which
    Poisson noise alone takes the share 1 − ``signal`` of the variance are not judged, nor those in
    which the other stations' profiles change as much.
    """
    rows, weeks = _week_profiles(bench)
    if weeks.empty:
        return []
    shape = rows / rows.sum(axis=1, keepdims=True)
    number = weeks.groupby("record")["week"].transform("size").to_numpy()
    reference = (
        pd.DataFrame(shape).groupby(weeks["record"].to_numpy()).transform("median").to_numpy()
    )
    mean, spread = rows.mean(axis=1), rows.var(axis=1)
    clear = (spread - mean) / np.maximum(spread, 1e-9) > numbers["signal"]
    judged = clear & (number >= numbers["weeks"])
    now = _correlation(shape, reference)
    later = _correlation(shape[:, 1:], reference[:, :-1])
    sooner = _correlation(shape[:, :-1], reference[:, 1:])
    others = (
        pd.Series(now)
        .where(judged)
        .groupby(weeks["week"].to_numpy())
        .transform("median")
        .to_numpy()
    )
    shifted = judged & (np.maximum(later, sooner) - now > numbers["shift"]) & (now < 0.97)
    unlike = judged & (now < numbers["warn"]) & (now < others - numbers["shift"])
    breaks = (weeks["record"].diff() != 0) | (weeks["week"].diff() != 1)
    findings = []
    for a, b in runs(shifted, breaks.to_numpy()):
        is_late = later[a:b].mean() > sooner[a:b].mean()
        best = np.maximum(later, sooner)[a:b].mean()
        way = "late" if is_late else "early"
        why = (
            f"the weekday profile fits the station's other weeks with r = {now[a:b].mean():.3f}, and"
            f" with {best:.3f} if it is an hour {way}: the clock may be off"
        )
        findings.append(_week_finding(bench, weeks.iloc[a:b], "fail", why))
    for a, b in runs(unlike & ~shifted, breaks.to_numpy()):
        worst = now[a:b].min()
        severity = "fail" if worst < numbers["fail"] else "warn"
        why = (
            f"the weekday profile fits the station's other weeks with r = {worst:.2f} only,"
            f" the stations in the middle theirs with {np.nanmedian(others[a:b]):.2f}"
        )
        findings.append(_week_finding(bench, weeks.iloc[a:b], severity, why))
    return findings


def _week_finding(bench: Bench, weeks: pd.DataFrame, severity: str, why: str) -> Finding:
    first, last = (
        np.datetime64(int(d), "D") for d in (weeks["first"].iloc[0], weeks["last"].iloc[-1])
    )
    return Finding(*bench.name(int(weeks["record"].iloc[0])), *span(first, last), severity, why)


def _week_profiles(bench: Bench) -> tuple[NDArray[np.float64], pd.DataFrame]:
    """Return the summed hours of each week's full weekdays, and ``record, week, first, last``."""
    use = bench.full & (bench.kind == 0) & ~bench.declared
    frame = pd.DataFrame(np.nan_to_num(bench.count[use]))
    frame["record"], frame["week"] = bench.record[use], _weeks(bench)[use]
    frame["day"] = bench.day[use].astype(int)
    by_week = frame.groupby(["record", "week"])
    hours = by_week[list(range(24))].sum().to_numpy(dtype=np.float64)
    weeks = by_week["day"].agg(first="min", last="max").reset_index()
    some = hours.sum(axis=1) > 0
    return hours[some], weeks[some].reset_index(drop=True)


def _correlation(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    a = a - a.mean(axis=1, keepdims=True)
    b = b - b.mean(axis=1, keepdims=True)
    size = np.sqrt((a**2).sum(axis=1) * (b**2).sum(axis=1))
    return np.divide((a * b).sum(axis=1), size, out=np.zeros(len(a)), where=size > 0)
