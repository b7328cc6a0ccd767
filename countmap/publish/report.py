"""The report for engineers: what is known, how well, what disagrees, on what it all rests."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from countmap.publish import compare, paper, payload
from countmap.publish.answers import SURE, answers, km
from countmap.publish.attention import told
from countmap.publish.content import MapContent
from countmap.publish.paper import drawing
from countmap.publish.sheet import interval
from countmap.rounding import rounded
from countmap.tables import STATUSES

MOST_ROWS = 400
"""Stations in the table on paper; the data hold all of them."""
IN_CHART = 36
PERMILLE = 1000.0


@dataclass(frozen=True, slots=True)
class Grounds:
    """What the figures rest on, for the box that says so.

    Attributes
    ----------
    facts : tuple of (label, value)
        Dates, sensors, exclusions, factors, versions; None stays blank.
    excluded : sequence of (station, when, why, reason)
        What decisions left out.
    roads : sequence of (points in metres, link id)
        For the sketch.
    places : mapping of station id to (x, y)
        In the same system.
    changes : mapping, optional
        As `compare.changes` gives them, from the release before; None: there is none.
    release : str
        The line at the foot.
    outside : sequence of (station, survey, counter, since)
        Counters that stand at the road now; for an internal report alone.
    """

    facts: tuple[tuple[str, str | None], ...]
    excluded: Sequence[tuple[str, str, str, str]]
    roads: Sequence[tuple[Sequence[tuple[float, float]], str]]
    places: Mapping[str, tuple[float, float]]
    changes: Mapping[str, Any] | None
    release: str
    outside: Sequence[tuple[str, str, str | None, str]] = ()


def report(content: MapContent, grounds: Grounds) -> paper.Paper:
    """Return the report of what a map of the same content shows."""
    links = payload.link_rows(content)
    stations = payload.station_rows(content, links)
    said = {one["key"]: one for one in answers(content, links)}
    blocks: list[Any] = [
        *(paper.Text(note, "warn") for note in content.notes),
        paper.Keys(tuple(_keys(content, links, stations))),
        *_summary(said),
        paper.Box(
            "What these figures rest on",
            (paper.Facts(grounds.facts), paper.Text(_meaning(content), "soft")),
        ),
        _sketch(links, grounds),
        paper.Heading("How well it is known"),
        _kilometres(links),
        _intervals(stations),
        paper.Heading("Stations"),
        _stations(stations, content),
        paper.Heading("What disagrees"),
        *_tests(content),
        *_suspects(content),
        *_flags(content),
        paper.Heading("What was left out"),
        *_excluded(grounds),
        paper.Heading("What changed since the release before"),
        *_changes(grounds, content),
        *(_house(content, grounds) if content.audience == "internal" else []),
        *([paper.Text("; ".join(content.credits), "soft")] if content.credits else []),
    ]
    return paper.Paper(
        content.title,
        tuple(blocks),
        above=f"Report on counted traffic{'' if content.audience == 'public' else ' (internal)'}",
        below=f"Annual average daily traffic of {content.year}",
        release=grounds.release,
        wide=True,
    )


def _keys(content: MapContent, links: pd.DataFrame, stations: pd.DataFrame) -> list[paper.Key]:
    metres = links["length_m"]
    sure = metres[links["rel"] <= SURE].sum()
    tested = content.junctions["verdict"].isin(("agrees", "disagrees")).sum()
    wrong = content.junctions["verdict"].eq("disagrees").sum()
    return [
        paper.Key(
            "Stations with a figure",
            f"{int(stations['figure'].notna().sum()):,}",
            f"of {len(stations):,}, for {content.year}",
        ),
        paper.Key("Known within ± 10 %", km(sure), f"of {km(metres.sum())} of road"),
        paper.Key(
            "Places that disagree",
            f"{int(wrong):,}" if tested else None,
            f"of {int(tested):,} tested" if tested else "none could be tested",
        ),
        paper.Key(
            "Stations to look at",
            f"{int(((stations['findings'] > 0) | (stations['flags'] > 0)).sum()):,}",
            "named by a check or a sum",
        ),
    ]


def _summary(said: Mapping[str, Mapping[str, str]]) -> list[Any]:
    """Return the four questions with their answers, two and two side by side."""
    parts = [
        (paper.Heading(one["question"], 3), paper.Text(one["answer"])) for one in said.values()
    ]
    half = (len(parts) + 1) // 2
    sides = (parts[:half], parts[half:])
    return [
        paper.Heading("In short"),
        paper.Beside(tuple(tuple(b for part in side for b in part) for side in sides)),
    ]


def _meaning(content: MapContent) -> str:
    return (
        "Figures are vehicles a day, rounded as published, each with a 95 % interval where one can be "
        "given. Measured: a permanent station's own year. Estimated: a short count expanded by "
        "permanent stations. Unadjusted: counted, with nothing honest to expand it. Inferred: from "
        "other counts by balance alone. Unobservable: the counts do not say. A blank is missing, "
        f"never zero. Times are those of {content.timezone}."
    )


def _sketch(links: pd.DataFrame, grounds: Grounds) -> Any:
    """Return the network: width by the square root of flow, stations as rings."""
    flow = dict(zip(links["link_id"], links["figure"], strict=True))
    most = max((v for v in flow.values() if not np.isnan(v)), default=1.0)
    widths = [
        0.6 if np.isnan(flow.get(link, np.nan)) else 1.0 + 7.0 * math.sqrt(flow[link] / most)
        for _, link in grounds.roads
    ]
    roads = [(points, width) for (points, _), width in zip(grounds.roads, widths, strict=True)]
    marks = [(x, y, "") for x, y in grounds.places.values()]
    caption = (
        f"The network: width grows with the square root of flow, the widest is {most:,.0f} vehicles a "
        "day; hairlines have no figure; rings are stations."
    )
    return drawing.sketch(roads, marks, says=caption, caption=caption, height=240)


def _kilometres(links: pd.DataFrame) -> paper.Grid:
    metres = links["length_m"].groupby(links["status"]).sum()
    whole = metres.sum()
    names = [s for s in STATUSES if s in metres.index]
    rows = []
    for name in names:
        here = links[links["status"] == name]
        sure = here.loc[here["rel"] <= SURE, "length_m"].sum()
        median = here["rel"].median()
        rows.append(
            (
                name, paper.Cell(metres[name] / PERMILLE, f"{metres[name] / PERMILLE:,.1f}"),
                paper.Cell(metres[name] / whole, f"{100 * metres[name] / whole:.0f} %"),
                paper.Cell(sure / PERMILLE, f"{sure / PERMILLE:,.1f}"),
                None if np.isnan(median) else paper.Cell(float(median), f"± {100 * median:.0f} %"),
            )
        )  # fmt: skip
    columns = (
        paper.Column("Status"), paper.Column("Length, km", "right", shape="0.0"),
        paper.Column("Share", "right", shape="0 %"),
        paper.Column("Within ± 10 %, km", "right", shape="0.0"),
        paper.Column("Median half width", "right", shape="0 %"),
    )  # fmt: skip
    return paper.Grid("Road by status", columns, tuple(rows), sheet="status")


def _intervals(stations: pd.DataFrame) -> Any:
    """Return the stations' figures with their intervals, the busiest first, on a log axis."""
    known = stations[stations["figure"] > 0].sort_values(
        ["figure", "station_id"], ascending=[False, True]
    )
    shown = known.head(IN_CHART)
    if shown.empty:
        return paper.Text("No station has a figure.")
    low = shown["lower"].where(shown["lower"] > 0, shown["figure"]).min()
    high = shown["upper"].fillna(shown["figure"]).max()
    first, last = math.floor(math.log10(low) * 2) / 2, math.ceil(math.log10(high) * 2) / 2
    left, right, row = 76.0, 600.0, 15.0
    height = 30 + row * len(shown)

    def x(value: float) -> float:
        return left + (right - left) * (math.log10(value) - first) / max(last - first, 0.5)

    shapes: list[paper.Shape] = []
    for tick in _ticks(first, last):
        shapes.append(paper.Line(((x(tick), 6), (x(tick), height - 22)), "rule", 1, (1, 3)))
        shapes.append(paper.Word(x(tick), height - 6, f"{tick:,.0f}", "middle", "soft"))
    for at, one in enumerate(shown.itertuples()):
        y = 14 + row * at
        shapes.append(paper.Word(left - 10, y + 4, paper.clean(one.station_id, longest=12), "end"))
        if not np.isnan(one.lower) and not np.isnan(one.upper) and one.lower > 0:
            shapes.append(paper.Line(((x(one.lower), y), (x(one.upper), y)), "fringe", 6))
        shapes.append(paper.Dot(x(one.figure), y, 6, "disc" if one.kind == "permanent" else "ring"))
        shapes.append(paper.Word(right + 8, y + 4, f"{one.figure:,.0f}", "start"))
    rest = len(known) - len(shown)
    caption = (
        "Vehicles a day with their 95 % interval, busiest first (logarithmic). Disc: permanent; ring: "
        f"short.{f' {rest} more stations are in the table.' if rest else ''}"
    )
    return paper.Drawing(drawing.WIDTH, height, tuple(shapes), caption, caption)


def _ticks(first: float, last: float) -> list[float]:
    whole = range(math.floor(first), math.ceil(last) + 1)
    return [
        step * 10.0**n for n in whole for step in (1, 2, 5)
        if first <= math.log10(step * 10.0**n) <= last
    ]  # fmt: skip


def _stations(stations: pd.DataFrame, content: MapContent) -> paper.Grid:
    columns = (
        paper.Column("Station"), paper.Column("Name", share=3), paper.Column("Basis"),
        paper.Column("Vehicles a day", "right", shape="#,##0"), paper.Column("Interval", "right"),
        paper.Column("±", "right", shape="0 %"), paper.Column("Status"), paper.Column("Method"),
        paper.Column("Days", "right"), paper.Column("Look", share=1),
    )  # fmt: skip
    rows = [_station(one) for one in stations.head(MOST_ROWS).to_dict("records")]
    more = len(stations) - MOST_ROWS
    notes = (
        f"Annual averages of {content.year}, 95 % intervals, rounded as published.",
        *([f"{more:,} more stations are in the data."] if more > 0 else []),
    )
    return paper.Grid(
        "Every station", columns, tuple(rows), notes=notes, dense=True, sheet="stations"
    )


def _station(one: Mapping[str, Any]) -> tuple[Any, ...]:
    within = None if pd.isna(one["lower"]) else f"{one['lower']:,.0f} to {one['upper']:,.0f}"
    rel = None if pd.isna(one["rel"]) else paper.Cell(one["rel"], f"{100 * one['rel']:.0f} %")
    looks = [
        f"{int(one[name])} {word}"
        for name, word in (("findings", "in sums"), ("flags", "in checks"))
        if one[name] > 0
    ]
    status = one["status"] if isinstance(one["status"], str) else None
    days = None if pd.isna(one["days"]) else paper.Cell(one["days"], f"{one['days']:.3g}")
    return (
        one["station_id"], _text(one["name"]) or _text(one["road"]), one["basis"],
        None if pd.isna(one["figure"]) else float(one["figure"]), within, rel, status,
        _text(one["method"]), days, ", ".join(looks),
    )  # fmt: skip


def _text(value: Any) -> str | None:
    return value if isinstance(value, str) and value else None


def _tests(content: MapContent) -> list[Any]:
    wrong = content.junctions[content.junctions["verdict"] == "disagrees"]
    columns = (
        paper.Column("Place", share=2), paper.Column("Difference, vehicles a day", "right"),
        paper.Column("Standard error", "right"), paper.Column("Ratio", "right"),
        paper.Column("Counts", share=1),
    )  # fmt: skip
    rows = [
        (
            _text(one["name"]) or one["junction_id"],
            _signed(one["disagreement"], content), rounded(one["se"], content.rounding),
            None if pd.isna(one["z"]) else paper.Cell(float(one["z"]), f"{one['z']:+.1f}"),
            one["members"],
        )
        for one in wrong.to_dict("records")
    ]  # fmt: skip
    blocks: list[Any] = []
    if rows:
        blocks.append(
            paper.Grid("Places whose counts disagree", columns, tuple(rows), sheet="disagree",
                       notes=("Ratio: the difference over its standard error.",))
        )  # fmt: skip
    else:
        blocks.append(
            paper.Text("No place whose counts could be held against each other disagrees.")
        )
    if len(content.screenlines):
        blocks.append(_screenlines(content))
    return blocks


def _signed(value: float, content: MapContent) -> Any:
    if pd.isna(value):
        return None
    coarse = rounded(value, content.rounding)
    return paper.Cell(float(value), f"{coarse:+,.0f}")


def _screenlines(content: MapContent) -> paper.Grid:
    columns = (
        paper.Column("Line", share=1), paper.Column("Vehicles a day", "right", shape="#,##0"),
        paper.Column("Interval", "right"), paper.Column("Verdict"),
        paper.Column("Not counted", share=1),
    )  # fmt: skip
    rows = []
    for one in content.screenlines.to_dict("records"):
        total = rounded(one["total"], content.rounding)
        within = interval(one["lower"], one["upper"], content.rounding)
        rows.append((one["name"], total, within, one["verdict"], one["missing"]))
    return paper.Grid(
        "Screenlines and cordons, both ways", columns, tuple(rows), sheet="screenlines",
        notes=("A line with a crossing that was not counted has no total.",),
    )  # fmt: skip


def _suspects(content: MapContent) -> list[Any]:
    if content.findings.empty:
        return [paper.Text("No count is contradicted by the others.")]
    columns = (
        paper.Column("Station"), paper.Column("Sense"), paper.Column("What the others say", share=3),
        paper.Column("Could as well be", share=1),
    )  # fmt: skip
    rows = []
    for one in content.findings.to_dict("records"):
        others = one["set"].split() if isinstance(one["set"], str) else []
        rivals = " ".join(other for other in others if other != one["station_id"])
        rows.append((one["station_id"], one["sense"], one["evidence"], rivals))
    return [paper.Grid("Counts that the others contradict", columns, tuple(rows), sheet="suspects")]


def _flags(content: MapContent) -> list[Any]:
    serious = told(content.flags)
    serious = serious[serious["look"].eq(other=True)]
    if serious.empty:
        return [paper.Text("No check has an open finding that needs a look.")]
    columns = (
        paper.Column("Station"), paper.Column("Sense"), paper.Column("From"), paper.Column("Severity"),
        paper.Column("Finding", share=1),
    )  # fmt: skip
    rows = [
        (
            one.station_id, one.sense if isinstance(one.sense, str) else "both",
            f"{one.first_utc.tz_convert(content.timezone):%Y-%m-%d}", one.severity, one.why,
        )
        for one in serious.itertuples()
    ]  # fmt: skip
    return [paper.Grid("Open findings of the checks", columns, tuple(rows), sheet="findings")]


def _excluded(grounds: Grounds) -> list[Any]:
    if not grounds.excluded:
        return [paper.Text("Nothing that was counted is left out.")]
    columns = (
        paper.Column("Station"), paper.Column("When"), paper.Column("What was found", share=2),
        paper.Column("Why it is left out", share=2),
    )  # fmt: skip
    return [
        paper.Grid("Left out by a decision", columns, tuple(grounds.excluded), sheet="left out")
    ]


def _changes(grounds: Grounds, content: MapContent) -> list[Any]:
    if grounds.changes is None:
        return [paper.Text("No earlier release is recorded.")]
    found = dict(grounds.changes)
    return [
        paper.Text(f"From release {found['old']['release']} to {found['new']['release']}.", "soft"),
        *compare.blocks(found, content.rounding),
    ]


def _house(content: MapContent, grounds: Grounds) -> list[Any]:
    """Return what is for the house alone: where counts are due, where counters stand."""
    blocks: list[Any] = [paper.Heading("For the house alone")]
    if len(content.due):
        rows = tuple(
            (_text(one["station_id"]), _text(one["link_id"]), one["why"])
            for one in content.due.head(compare.SHOWN).to_dict("records")
        )
        columns = (paper.Column("Station"), paper.Column("Link"), paper.Column("Why", share=1))
        more = len(content.due) - len(rows)
        notes = (f"{more:,} more are due.",) if more else ()
        blocks.append(paper.Grid("Due, most urgent first", columns, rows, notes=notes, sheet="due"))
    if grounds.outside:
        heads = (paper.Column("Station"), paper.Column("Survey"), paper.Column("Counter"),
                 paper.Column("Since", share=1))  # fmt: skip
        blocks.append(
            paper.Grid("Counters at the road now", heads, tuple(grounds.outside), sheet="outside")
        )
    else:
        blocks.append(
            paper.Text("No survey is without an end: no counter is known to stand outside.")
        )
    return blocks
