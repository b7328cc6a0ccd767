"""The survey sheet of a station: what was counted, hour by day, as a contractor hands it over."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from countmap.publish import paper
from countmap.publish.content import Audience
from countmap.publish.paper import drawing
from countmap.publish.records import told
from countmap.rounding import Chart, rounded
from countmap.tables import BASES

DAYS_ACROSS = 9
"""Days that stand side by side on a page: a week with its two part days."""
SHORT_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
CHECKS = {
    "spacing": "Spacing entered is the spacing measured on the road",
    "parallel": "Tubes equally far apart at both kerbs and in the middle",
    "square": "Tubes square to the way the vehicles take",
    "equal": "Tubes equally long to the counter and equally stretched",
}


@dataclass(frozen=True, slots=True)
class SheetContent:
    """Everything one sheet shows. Missing is None or NaN, never 0.

    Attributes
    ----------
    station : mapping
        A row of tables.STATIONS.
    first, last : date
        Civil days, inclusive.
    hours, as_counted : DataFrame, tables.HOUR_CELLS
        Of the station, without and with what decisions exclude.
    mean5, mean7 : DataFrame
        Index hour, a column a sense: the average day of Monday to Friday and of all seven days.
    total5, total7 : Series by sense
        Their sums; null while an hour is.
    whole5, whole7 : DataFrame
        Index sense; ``days`` counted through and the ``mean`` of their sums.
    peaks : sequence
        ``sense, half, hour, volume, reason`` as `countmap.counts.week.Peak`.
    heavy, speed85 : sequence
        ``sense, value, of, beside, reason`` as `countmap.counts.week.Share`: share, and km/h.
    annual : list of mapping
        ``year, sense, figure, lower, upper, status, method, days, reason``: unrounded.
    surveys : list of mapping
        Rows of tables.SURVEYS that touch these days, each with ``budget``: the document of
        ``tubes budget``, or None where no geometry was recorded.
    conditions : sequence of (when, what)
        From the day file and the calendar of holidays.
    excluded : sequence of (when, sense, why, reason)
        What a decision left out.
    findings : sequence of (when, sense, why)
        Open flags.
    files : sequence of text
        Where the counts came from.
    """

    station: Mapping[str, Any]
    first: date
    last: date
    hours: pd.DataFrame
    as_counted: pd.DataFrame
    mean5: pd.DataFrame
    mean7: pd.DataFrame
    total5: pd.Series
    total7: pd.Series
    whole5: pd.DataFrame
    whole7: pd.DataFrame
    peaks: Sequence[Any]
    heavy: Sequence[Any]
    speed85: Sequence[Any]
    annual: Sequence[Mapping[str, Any]] = ()
    surveys: Sequence[Mapping[str, Any]] = ()
    conditions: Sequence[tuple[str, str]] = ()
    excluded: Sequence[tuple[str, str, str, str]] = ()
    findings: Sequence[tuple[str, str, str]] = ()
    files: Sequence[str] = ()
    timezone: str = "UTC"
    rounding: str | Chart = "stepped"
    audience: Audience = "public"
    release: str = ""
    notes: Sequence[str] = field(default=())


def sheet(content: SheetContent) -> paper.Paper:
    """Return the sheet as a paper."""
    station = content.station
    name = _text(station.get("name")) or _text(station.get("road")) or station["station_id"]
    title = name if name == station["station_id"] else f"{station['station_id']} · {name}"
    blocks: list[Any] = [
        *(paper.Text(note, "warn") for note in content.notes),
        paper.Keys(tuple(_keys(content))),
        *_profile(content),
        paper.Heading("Vehicles by hour and day"),
    ]
    for sense in _senses(content, order=("both", "with", "against")):
        blocks += _hours(content, sense)
    blocks += [
        paper.Heading("Averages and peaks"), _averages(content), _annual(content),
        paper.Heading("What must be known"), *_known(content),
        paper.Heading("Installation"), *_installation(content),
    ]  # fmt: skip
    return paper.Paper(
        title,
        tuple(blocks),
        above=f"Survey sheet{'' if content.audience == 'public' else ' (internal)'}",
        below=f"{span(content.first, content.last)}; times in {content.timezone}",
        release=content.release,
    )


def span(first: date, last: date) -> str:
    """Return a span of days in words.

    >>> span(date(2025, 5, 6), date(2025, 5, 12)), span(date(2025, 5, 6), date(2025, 5, 6))
    ('6 May 2025 to 12 May 2025', '6 May 2025')
    """
    one = day(first)
    return one if first == last else f"{one} to {day(last)}"


def day(when: date) -> str:
    """Return a day in words, without regard to the computer's language."""
    months = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]
    return f"{when.day} {months[when.month - 1]} {when.year}"


def sense_name(station: Mapping[str, Any], sense: str) -> str:
    """Return a sense as the locals say it: its name, else the compass, else with or against."""
    if sense == "both":
        return "both ways"
    return _text(station.get(f"name_{sense}")) or sense


def _text(value: Any) -> str:
    return value if isinstance(value, str) else ""


def _senses(content: SheetContent, order: Sequence[str] = BASES) -> list[str]:
    there = set(content.as_counted["sense"])
    return [sense for sense in order if sense in there]


def _widest(content: SheetContent) -> str | None:
    """Return both, or the one sense there is, or None."""
    senses = _senses(content, order=("both", "with", "against"))
    return senses[0] if senses and (senses[0] == "both" or len(senses) == 1) else None


def _whole(value: float | None) -> str | None:
    return None if value is None or np.isnan(value) else f"{value:,.0f}"


def _keys(content: SheetContent) -> list[paper.Key]:
    basis = _widest(content)
    said = sense_name(content.station, basis) if basis else "no total of both ways"
    keys = []
    for label, totals, days in (
        ("5-day average", content.total5, content.whole5),
        ("7-day average", content.total7, content.whole7),
    ):
        value = _whole(totals.get(basis, np.nan)) if basis else None
        if value:
            keys.append(paper.Key(label, value, f"vehicles a day, {said}"))
            continue
        why = "an hour is missing on one of its weekdays"
        if basis and (mean := _whole(days["mean"].get(basis, np.nan))):
            why = (
                f"{why}; {mean} a day over the {_days_counted(days, basis)} counted through, {said}"
            )
        keys.append(paper.Key(label, None, why))
    for half in ("a.m.", "p.m."):
        peak = next((p for p in content.peaks if p.half == half and p.sense == basis), None)
        if peak is None or peak.hour is None:
            keys.append(paper.Key(f"Peak {half}", None, peak.reason if peak else said))
        else:
            keys.append(
                paper.Key(f"Peak {half}", _whole(peak.volume), f"{clock_hour(peak.hour)}, {said}")
            )
    return keys


def _days_counted(whole: pd.DataFrame, sense: str) -> str:
    days = int(whole["days"].get(sense, 0))
    return f"{days} {'day' if days == 1 else 'days'}"


def clock_hour(hour: int) -> str:
    """Return a clock hour: ``07–08``."""
    return f"{hour:02d}–{hour + 1:02d}"


def _profile(content: SheetContent) -> list[Any]:
    senses = [s for s in _senses(content) if s != "both"] or _senses(content)
    series = [
        (sense_name(content.station, s), [None if np.isnan(v) else v for v in content.mean5[s]])
        for s in senses
    ]
    if not any(v is not None for _, values in series for v in values):
        return []
    caption = "Average Monday to Friday by the hour, vehicles an hour. A gap was not counted."
    ticks = [(h, f"{h:02d}") for h in range(0, 24, 3)]
    return [drawing.chart(series, ticks, says=caption, caption=caption, height=150)]


def _hours(content: SheetContent, sense: str) -> list[Any]:
    """Return the hours of one sense: days across, averages beside them, the sums below."""
    # What exists is told by any sense: both has rows only where both senses are complete.
    expected = _square(content.as_counted, BASES, "minutes_expected")
    counted = _square(content.as_counted, (sense,), "count").reindex_like(expected)
    used = _square(content.hours, (sense,), "count").reindex_like(expected)
    days = list(counted.columns)
    parts = [days[k : k + DAYS_ACROSS] for k in range(0, len(days), DAYS_ACROSS)]
    grids = []
    for number, part in enumerate(parts):
        last = number == len(parts) - 1
        means = [("5-day", content.mean5[sense]), ("7-day", content.mean7[sense])] if last else []
        columns = (
            paper.Column("Hour"),
            *(paper.Column(_head(d), "right", shape="#,##0") for d in part),
            *(paper.Column(name, "right", shape="#,##0") for name, _ in means),
        )
        rows = [
            (
                clock_hour(hour),
                *(_hour_cell(counted, used, d, hour) for d in part),
                *(_mean_cell(mean.loc[hour]) for _, mean in means),
            )
            for hour in range(24)
        ]
        sums = ("Day", *(_day_cell(counted, used, expected, d) for d in part))
        totals = [content.total5[sense], content.total7[sense]] if last else []
        rows.append((*sums, *map(_mean_cell, totals)))
        page = f", part {number + 1} of {len(parts)}" if len(parts) > 1 else ""
        grids.append(
            paper.Grid(
                f"{_capital(sense_name(content.station, sense))}{page}: vehicles an hour",
                columns,
                tuple(rows),
                foot=1,
                dense=True,
                sheet="hours",
                notes=tuple(_hour_notes(counted, used, expected)) if last else (),
            )
        )
    return grids


def _square(cells: pd.DataFrame, senses: Sequence[str], column: str) -> pd.DataFrame:
    here = cells[cells["sense"].isin(senses)]
    return here.pivot_table(
        index="hour", columns="date", values=column, aggfunc="first", dropna=False
    ).reindex(range(24))


def _head(when: pd.Timestamp) -> str:
    return f"{SHORT_DAYS[when.day_of_week]} {when.day}.{when.month}."


def _hour_cell(counted: pd.DataFrame, used: pd.DataFrame, when: Any, hour: int) -> Any:
    value, kept = counted.loc[hour, when], used.loc[hour, when]
    if np.isnan(value):
        return None
    return paper.Cell(float(value), _whole(value), "out" if np.isnan(kept) else "")


def _mean_cell(value: float) -> Any:
    return None if np.isnan(value) else paper.Cell(float(value), _whole(value))


def _day_cell(counted: pd.DataFrame, used: pd.DataFrame, expected: pd.DataFrame, when: Any) -> Any:
    """Return a day's sum: null while an hour that exists is missing; struck out if it is left out."""
    exists = expected[when].notna()
    if counted.loc[exists, when].isna().any():
        return None
    total = float(counted.loc[exists, when].sum())
    out = used.loc[exists, when].isna().any()
    return paper.Cell(total, _whole(total), "out" if out else "")


def _hour_notes(counted: pd.DataFrame, used: pd.DataFrame, expected: pd.DataFrame) -> list[str]:
    notes = []
    exists = expected.notna()
    if (counted.isna() & exists).any(axis=None):
        notes.append("Blank: not counted, or not the whole hour; a day with a blank has no sum.")
    if (counted.notna() & used.isna()).any(axis=None):
        notes.append("Struck out: counted, but left out of all averages by a decision; see below.")
    if (~exists).any(axis=None):
        notes.append("The clocks went forward: the hour that did not exist is blank.")
    if (expected > 60).any(axis=None):
        notes.append(
            "The clocks went back: the repeated hour holds both passes; averages take half."
        )
    notes.append(
        "5-day and 7-day: mean of each weekday first, then of the weekdays; blank while one of them "
        "is missing at that hour."
    )
    return notes


def _averages(content: SheetContent) -> paper.Grid:
    senses = _senses(content)
    columns = (
        paper.Column("Figure"),
        *(paper.Column(_capital(sense_name(content.station, s)), "right") for s in senses),
    )
    rows: list[tuple[Any, ...]] = [
        (label, *(_mean_cell(totals.get(s, np.nan)) for s in senses))
        for label, totals in (
            ("5-day average, vehicles a day", content.total5),
            ("7-day average, vehicles a day", content.total7),
            ("Mean of weekdays counted through", content.whole5["mean"]),
            ("Mean of all days counted through", content.whole7["mean"]),
        )
    ]
    for half in ("a.m.", "p.m."):
        by = {p.sense: p for p in content.peaks if p.half == half}
        rows.append((f"Peak hour {half}", *(_peak_cell(by.get(s), hour=True) for s in senses)))
        rows.append((f"Peak volume {half}, vehicles", *(_peak_cell(by.get(s)) for s in senses)))
    widest = _widest(content) or (senses[0] if senses else "")
    notes = [
        f"Counted through: {_days_counted(content.whole5, widest)} of Monday to Friday, {_days_counted(content.whole7, widest)} in all, {sense_name(content.station, widest)}.",
        "Peaks: the busiest clock hour of the average of the days counted from Monday to Friday.",
    ]
    for label, shares, form in (
        ("Heavy vehicles", content.heavy, lambda v: f"{100 * v:.1f} %"),
        ("85th percentile speed", content.speed85, lambda v: f"{v:.0f} km/h"),
    ):
        by_sense = {s.sense: s for s in shares}
        known = [s for s in shares if s.value is not None]
        rows.append((label, *(_share_cell(by_sense.get(s), form) for s in senses)))
        if known:
            rests = max(s.of for s in known)
            beside = max(s.beside for s in known)
            aside = f"; {beside:,.0f} could not be told" if beside else ""
            notes.append(f"{label}: from {rests:,.0f} vehicles{aside}.")
        why = sorted({s.reason for s in shares if s.value is None and s.reason})
        notes += [f"{label}: blank, {reason}." for reason in why]
    notes += [f"Peak {p.half}: blank, {p.reason}." for p in content.peaks if p.hour is None][:1]
    return paper.Grid(
        f"{span(content.first, content.last)}, as counted, without what was left out",
        columns, tuple(rows), notes=(" ".join(notes),), sheet="figures",
    )  # fmt: skip


def _days(days: float | None) -> paper.Cell | None:
    return None if days is None or np.isnan(days) else paper.Cell(days, f"{days:.3g}")


def _capital(said: str) -> str:
    return said[:1].upper() + said[1:]


def _peak_cell(peak: Any, *, hour: bool = False) -> Any:
    if peak is None or peak.hour is None:
        return None
    return clock_hour(peak.hour) if hour else paper.Cell(peak.volume, _whole(peak.volume))


def _share_cell(share: Any, form: Any) -> Any:
    if share is None or share.value is None:
        return None
    return paper.Cell(float(share.value), form(share.value))


def _annual(content: SheetContent) -> Any:
    if not content.annual:
        return paper.Text("No annual average was estimated for these dates.", "soft")
    return annual_grid(
        content.annual, content.rounding,
        "Annual average daily traffic: what these counts say about the year",
        [_capital(sense_name(content.station, one["sense"])) for one in content.annual],
    )  # fmt: skip


def annual_grid(
    rows: Sequence[Mapping[str, Any]], chart: str | Chart, caption: str, heads: Sequence[str]
) -> paper.Grid:
    """Return annual figures as every paper shows them: rounded as published, beside their interval."""
    columns = (
        paper.Column("Basis"), paper.Column("Year", "right", shape="0"),
        paper.Column("Vehicles a day", "right", shape="#,##0"),
        paper.Column("Interval", "right"), paper.Column("Status"), paper.Column("Method"),
        paper.Column("Days", "right"),
    )  # fmt: skip
    found = []
    for head, one in zip(heads, rows, strict=True):
        found.append(
            (
                head, paper.Cell(one["year"], str(one["year"])), rounded(one["figure"], chart),
                interval(one["lower"], one["upper"], chart), one["status"], one["method"], _days(one["days"]),
            )
        )  # fmt: skip
    reasons = {one["reason"] for one in rows if _text(one.get("reason"))}
    said = [f"On the interval: {reason}." for reason in sorted(reasons)]
    return paper.Grid(
        caption, columns, tuple(found), sheet="annual",
        notes=("Rounded as published; 95 % intervals.", *said),
    )  # fmt: skip


def interval(lower: float | None, upper: float | None, chart: str | Chart) -> str | None:
    """Return an interval as every paper shows it, rounded as published; None where there is none."""
    low, high = rounded(lower, chart), rounded(upper, chart)
    return None if low is None or high is None else f"{low:,.0f} to {high:,.0f}"


def _known(content: SheetContent) -> list[Any]:
    blocks: list[Any] = []
    columns: tuple[paper.Column, ...]
    if content.excluded:
        columns = (
            paper.Column("When"), paper.Column("Sense"), paper.Column("What was found", share=3),
            paper.Column("Why it is left out", share=2),
        )  # fmt: skip
        blocks.append(
            paper.Grid("Left out by a decision", columns, tuple(content.excluded), sheet="left out")
        )
    else:
        blocks.append(paper.Text("Nothing that was counted is left out."))
    if content.findings:
        columns = (paper.Column("When"), paper.Column("Sense"), paper.Column("Finding", share=1))
        blocks.append(
            paper.Grid("Open findings of the checks", columns, tuple(content.findings),
                       sheet="findings")
        )  # fmt: skip
    if content.conditions:
        columns = (paper.Column("When"), paper.Column("Condition", share=1))
        blocks.append(
            paper.Grid("Conditions on these days", columns, tuple(content.conditions),
                       notes=("They are in the averages unless they are left out above.",),
                       sheet="conditions")
        )  # fmt: skip
    else:
        blocks.append(paper.Text("No closure, event or holiday is known for these days."))
    if content.files and content.audience == "internal":  # a file's name may be a person's
        blocks.append(paper.Text(f"Counts from {', '.join(content.files)}.", "soft"))
    return blocks


def _installation(content: SheetContent) -> list[Any]:
    if not content.surveys:
        return [paper.Text("No installation record was handed in for these days.", "soft")]
    blocks: list[Any] = []
    for survey in content.surveys:
        blocks += _survey(survey, content.audience)
    return blocks


_LABELS = {
    "sensor": "Sensor", "counter_id": "Counter", "started": "Started", "ended": "Ended",
    "spacing_entered_m": "Spacing entered, m", "spacing_near_m": "Spacing near, m",
    "spacing_middle_m": "Spacing middle, m", "spacing_far_m": "Spacing far, m",
    "spacing_end_near_m": "At collection near, m", "spacing_end_middle_m": "At collection middle, m",
    "spacing_end_far_m": "At collection far, m", "lead_a_m": "Lead A, m", "lead_b_m": "Lead B, m",
    "width_m": "Carriageway, m", "stretch_a_m": "Stretch A, m", "stretch_b_m": "Stretch B, m",
    "skew_deg": "Skew, °", "dead_time_ms": "Dead time, ms", "air_c": "Air, °C",
    "first_tube_with": "Tube first in sense with", "clock_offset_start_s": "Clock at start, s",
    "clock_offset_end_s": "Clock at end, s", "count_error": "Count error (one standard error)",
}  # fmt: skip


def _survey(survey: Mapping[str, Any], audience: Audience) -> list[Any]:
    epoch = survey.get("epoch")
    suffix = f", geometry {epoch:.0f}" if isinstance(epoch, float) and epoch > 1 else ""
    facts = told(survey, _LABELS, public=audience == "public")
    checks = paper.Checks(
        tuple(paper.Check(said, survey.get(f"check_{name}")) for name, said in CHECKS.items())
    )
    blocks: list[Any] = [
        paper.Heading(f"Survey {survey['survey_id']}{suffix}", 3),
        paper.Facts(tuple(facts)),
        checks,
    ]
    if all(survey.get(f"check_{name}") is None for name in CHECKS):
        blocks.append(paper.Text("The four checks were not recorded.", "soft"))
    budget = survey.get("budget")
    if budget is None:
        blocks.append(
            paper.Text("No error budget: the geometry of the tubes was not recorded.", "soft")
        )
    else:
        blocks.append(_budget(budget))
    return blocks


def _budget(budget: Mapping[str, Any]) -> paper.Grid:
    parts = budget["parts"]
    speeds = sorted({p["speed_kmh"] for p in parts})
    names = list(dict.fromkeys(p["name"] for p in parts))
    by = {(p["name"], p["speed_kmh"]): p for p in parts}
    columns = (
        paper.Column("Part"),
        *(paper.Column(f"at {v:g} km/h: A→B / B→A", "right") for v in speeds),
        paper.Column("Verdict"),
    )
    order = ("redo", "watch", "good")
    rows = []
    for name in names:
        here = [by[name, v] for v in speeds if (name, v) in by]
        worst = min((p["verdict"] for p in here), key=order.index)
        rows.append((name, *(_errors(by.get((name, v))) for v in speeds), worst))
    return paper.Grid(
        "Error of speed and axle spacing to expect of this installation", columns, tuple(rows),
        foot=1, sheet="error budget",
        notes=("The last line is the root of the sum of squares. Local codes and licensed practice decide.",),
    )  # fmt: skip


def _errors(part: Mapping[str, Any] | None) -> str | None:
    if part is None:
        return None
    return f"{100 * part['error_ab']:+.1f} / {100 * part['error_ba']:+.1f} %"
