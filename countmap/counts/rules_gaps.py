"""Rules on what is not there: zeros, days cut short, weekdays without a day, a repeated hour."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from countmap.counts.bench import Bench, hour_means, runs
from countmap.counts.rules import Finding, Numbers, power_of_ten, rule, span
from countmap.rounding import number_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

_TMG = "[S] FHWA Traffic Monitoring Guide, App. J (monthly volume of permanent stations)"
# A quiet day carries this share of the mean day or more (set for this project).
LEAST = 0.3
_WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


@rule(
    "zero_run",
    _TMG + ": 7 zero hours; [D] elsewhere the Poisson chance of the run",
    {"hours": 7, "chance": 1e-6, "near_days": 28},
)
def zero_run(bench: Bench, numbers: Numbers) -> list[Finding]:
    """Find zeros in a row that the station's own usual traffic at those hours does not explain.

    The chance of a run is exp(−Λ), Λ the usual traffic of its hours: the mean over days of the
    same type (or a quieter type) within ``near_days``, lowered where the rest of the same days was
    low too. A permanent station fails from ``hours`` zeros on; runs that chance explains are one note a station.
    """
    flat = bench.count.ravel()
    hour_exists = (bench.expected > 0).ravel()
    breaks = np.zeros(len(flat), dtype=bool)
    follows = (np.diff(bench.day).astype(int) == 1) & (np.diff(bench.record) == 0)
    breaks[24::24] = ~follows
    # An hour that clocks skip neither feeds nor breaks a run.
    found = runs((flat == 0) | ~hour_exists, breaks)
    limit = -np.log(numbers["chance"])
    # A day type of which the run holds every day looks empty: then the other days speak for it.
    likely = np.fmax(bench.usual, LEAST * hour_means(bench.count, bench.record))
    likely = np.where(bench.expected > 0, np.nan_to_num(likely), 0.0)
    rough = np.concatenate([[0], np.cumsum(likely.ravel())])
    zeros = np.concatenate([[0], np.cumsum(flat == 0)])
    length = zeros[found[:, 1]] - zeros[found[:, 0]] if len(found) else np.empty(0)
    mass = rough[found[:, 1]] - rough[found[:, 0]] if len(found) else np.empty(0)
    owner = bench.record[found[:, 0] // 24] if len(found) else np.empty(0, dtype=int)
    permanent = bench.records["permanent"].to_numpy()[owner]
    long = permanent & (length >= numbers["hours"])
    findings, explained = [], dict[int, list[int]]()
    # Half of the limit: the mean of the year may lie below that of the season.
    for n in np.flatnonzero(long | (mass > limit / 2) | (length >= 24)):
        near = mass[n] > limit / 2 or length[n] >= 24
        usual = _usual_of_run(bench, int(found[n, 0]), int(found[n, 1]), numbers) if near else 0.0
        if usual >= limit:
            findings.append(_zero_finding(bench, found[n], int(length[n]), usual, bool(long[n])))
        elif long[n]:
            explained.setdefault(int(owner[n]), []).append(int(n))
    for record, numbers_ in explained.items():
        findings.append(_explained(bench, record, found[numbers_], length[numbers_]))
    return findings


def _usual_of_run(bench: Bench, first: int, stop: int, numbers: Numbers) -> float:
    """Return the traffic usual at the hours of a run, from the record's other days."""
    d0, d1 = first // 24, (stop - 1) // 24 + 1
    record = bench.record[d0]
    start = int(bench.records["first"].iloc[record])
    end = int(bench.records["stop"].iloc[record])
    rows = np.arange(start, end)
    other = (rows < d0) | (rows >= d1)
    distance = np.abs((bench.day[rows] - bench.day[d0]).astype(int))
    in_run = np.zeros((d1 - d0, 24), dtype=bool)
    in_run.ravel()[first - d0 * 24 : stop - d0 * 24] = True
    expected = np.full((d1 - d0, 24), np.nan)
    for i, d in enumerate(range(d0, d1)):
        expected[i] = _quietest(bench, rows[other], int(bench.kind[d]), distance[other], numbers)
    rest, counted = ~in_run & ~np.isnan(bench.count[d0:d1]), bench.count[d0:d1]
    usual_rest = np.nansum(expected[rest])
    level = min(1.0, (counted[rest].sum() + 1) / (usual_rest + 1)) if rest.any() else 1.0
    in_run &= bench.expected[d0:d1] > 0
    return float(np.nansum(expected[in_run])) * level


def _quietest(
    bench: Bench,
    rows: NDArray[np.int64],
    own: int,
    distance: NDArray[np.int64],
    numbers: Numbers,
) -> NDArray[np.float64]:
    """Return the least that is usual each hour, over the day's own type and the quieter ones.

    The day may be a holiday that nobody declared.
    """
    means = []
    for kind in range(own, 3):
        same = rows[bench.kind[rows] == kind]
        near = rows[(bench.kind[rows] == kind) & (distance <= numbers["near_days"])]
        chosen = near if len(near) >= 2 else same
        if len(chosen):
            means.append(_column_means(bench.count[chosen]))
    if not means:
        return _column_means(bench.count[rows]) * LEAST
    return np.fmin.reduce(means)


def _column_means(block: NDArray[np.float64]) -> NDArray[np.float64]:
    n = (~np.isnan(block)).sum(axis=0)
    return np.divide(np.nansum(block, axis=0), n, out=np.full(24, np.nan), where=n > 0)


def _zero_finding(
    bench: Bench, run: NDArray[np.int64], length: int, usual: float, long: bool
) -> Finding:
    station, sense = bench.name(int(bench.record[run[0] // 24]))
    first, last = _at(bench, run)
    severity = "fail" if long or length >= 7 else "warn"
    why = (
        f"{number_of(length, 'hour')} of zeros from {first:%Y-%m-%d %H:%M}, where {usual:,.0f}"
        f" vehicles are usual at those hours; chance of that {power_of_ten(-usual)}"
    )
    return Finding(station, sense, first, last, severity, why)


def _at(bench: Bench, run: NDArray[np.int64]) -> tuple[pd.Timestamp, pd.Timestamp]:
    first, stop = int(run[0]), int(run[1])
    return span(
        bench.day[first // 24], bench.day[(stop - 1) // 24], (first % 24, (stop - 1) % 24 + 1)
    )


def _explained(
    bench: Bench, record: int, found: NDArray[np.int64], length: NDArray[np.float64]
) -> Finding:
    station, sense = bench.name(record)
    first, last = _at(bench, found[0])[0], _at(bench, found[-1])[1]
    why = (
        f"{len(found)} runs of 7 or more zero hours, the longest {int(length.max())}, none of which"
        " is unlikely at this station's traffic"
    )
    return Finding(station, sense, first, last, "note", why)


@rule("all_zero", "[D] a counter that is dead or not connected", {"hours": 24})
def all_zero(bench: Bench, numbers: Numbers) -> list[Finding]:
    """Find stations, or one of their senses, where every hour of the whole stay is zero.

    With nothing but zeros no usual traffic says that they are strange: that no vehicle in ``hours`` or
    more came by is for people to judge. Left out are links marked ``cul_de_sac`` and stays wholly
    within declared closures, events or holidays.
    """
    counted = ~np.isnan(bench.count)
    empty = [
        record
        for record, rows in bench.slices()
        if counted[rows].sum() >= numbers["hours"]
        and not np.nansum(bench.count[rows])
        and not bench.declared[rows].all()
        and not bench.records["cul_de_sac"].iloc[record]
    ]
    senses = bench.records["station_id"].value_counts()
    findings = []
    for station, records in bench.records.iloc[empty].groupby("station_id"):
        whole = len(records) == senses[station]
        for part in [records] if whole else [records.iloc[[at]] for at in range(len(records))]:
            rows = [bench.day[a:b] for a, b in zip(part["first"], part["stop"], strict=True)]
            days = np.unique(np.concatenate(rows))
            many = f"{len(days)} days" if len(days) > 1 else "1 day"
            side = "" if whole else f" {part['sense'].iloc[0]}, while the other sense counts"
            sense = None if whole else str(part["sense"].iloc[0])
            why = f"every hour is zero{side}: not one vehicle in {many}; is the counter dead?"
            at = span(days[0], days[-1])
            findings.append(Finding(str(station), sense, *at, "warn", why))
    return findings


@rule("weekday_missing", _TMG, {})
def weekday_missing(bench: Bench, numbers: Numbers) -> list[Finding]:
    """Find a month in which some weekday has no full day, at a permanent station."""
    findings = []
    for record, rows in bench.slices():
        if not bench.records["permanent"].iloc[record]:
            continue
        days, full = bench.day[rows], bench.full[rows]
        for month in np.arange(days[0].astype("M8[M]"), days[-1].astype("M8[M]") + 1):
            begin = max(month.astype("M8[D]"), days[0])
            end = min((month + 1).astype("M8[D]"), days[-1] + 1)
            if end - begin < np.timedelta64(14, "D"):
                continue
            inside = full & (days >= begin) & (days < end)
            there = set((days[inside].astype(int) + 3) % 7)
            absent = [name for i, name in enumerate(_WEEKDAYS) if i not in there]
            if absent:
                first, last = span(begin, end - 1)
                names = "any day" if len(absent) == 7 else " or ".join(absent)
                why = f"{pd.Timestamp(begin):%B %Y} has no full {names}"
                findings.append(Finding(*bench.name(record), first, last, "warn", why))
    return findings


@rule("short_day", _TMG, {})
def short_day(bench: Bench, numbers: Numbers) -> list[Finding]:
    """Find a day counted in part: any day of a permanent station, an inner day of a short count."""
    part = (bench.minutes.sum(axis=1) > 0) & ~bench.full
    findings = []
    for record, rows in bench.slices():
        mask = part[rows].copy()
        days = bench.day[rows]
        gap = np.concatenate([[True], np.diff(days).astype(int) != 1])
        if not bench.records["permanent"].iloc[record]:
            mask &= ~gap & ~np.concatenate([gap[1:], [True]])
        minutes, expected = bench.minutes[rows].sum(axis=1), bench.expected[rows].sum(axis=1)
        for a, b in runs(mask, gap):
            first, last = span(days[a], days[b - 1])
            got, due = minutes[a:b].sum() / 60, expected[a:b].sum() / 60
            many = f"{b - a} days have" if b - a > 1 else "the day has"
            why = f"{many} {got:g} of {due:g} hours"
            findings.append(Finding(*bench.name(record), first, last, "warn", why))
    return findings


@rule("single_pass", "[D] clocks going back", {})
def single_pass(bench: Bench, numbers: Numbers) -> list[Finding]:
    """Find the hour that clocks repeat was counted once: one of its two passes is missing."""
    once = (bench.expected == 120) & (bench.minutes > 0) & (bench.minutes <= 60)
    findings = []
    for row, hour in zip(*np.nonzero(once), strict=True):
        first, last = span(bench.day[row], bench.day[row], (int(hour), int(hour) + 1))
        why = f"the hour from {hour:02d}:00 is there once though clocks repeat it; read as the first pass"
        findings.append(Finding(*bench.name(int(bench.record[row])), first, last, "note", why))
    return findings
