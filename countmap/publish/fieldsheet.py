"""The field sheet: one page for the kerb, to read in the rain and to fill in by hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from countmap.publish import paper
from countmap.publish.paper import drawing

SKETCH_HEIGHT = 390.0
NAME_SIZE = 9.0

KIT = (
    "counter, charged; chain and lock; two equal tubes and a spare; plugs, clamps, nails counted; "
    "tapes of 5 and 30 m; a set watch; hi-vis, signs and cones as the traffic-control plan asks; permit; "
    "pencil, camera."
)
CHECKS = {
    "spacing": "Spacing entered is the spacing measured",
    "parallel": "Equally far apart: kerbs and middle",
    "square": "Square to the way vehicles take",
    "equal": "Equal length to the counter, equal stretch",
}
"""The four checks before leaving, short enough for a line."""
STAND = (
    "No queue, no parking over the tubes, ever",
    "Sight both ways beyond stopping distance",
    "Fast anchors; nothing across a footway",
    "Sound surface; no joint, hump, crossing",
)


@dataclass(frozen=True, slots=True)
class Spot:
    """A place on the road: metres along the link, degrees, and why."""

    link_id: str
    offset_m: float
    lat: float
    lon: float
    why: str


@dataclass(frozen=True, slots=True)
class Visit:
    """When a crew comes: round, civil times as text, set or collect."""

    round: str
    visit: str
    start: str
    leave: str


@dataclass(frozen=True, slots=True)
class StationContent:
    """Everything a station's field sheet shows.

    Attributes
    ----------
    station_id, name, road : str
    planned : bool
        A place that is no station yet.
    spot : Spot
        Where to lay the tubes.
    fallback : sequence of Spot
    speed_kmh, lanes, flow : float or None
        The limit, the lanes, vehicles a day to expect.
    senses : sequence of (sense, name, bearing in degrees)
        Those that carry traffic.
    roads : sequence of (points, width)
        Of the neighbourhood, metres of a projected system.
    x, y : float
        The spot in it.
    limits : sequence of (what, limit, what to redo)
        Of the error budget at this road's speed.
    names : sequence of (x, y, road)
        Where the roads' names stand in the sketch.
    cautions : sequence of str
    notices : sequence of str
        What the planner must say of this place: fast road, many lanes, one-way.
    visits : sequence of Visit
    together : sequence of str
        Stations that stand in the same days.
    release : str
    """

    station_id: str
    name: str
    road: str
    planned: bool
    spot: Spot
    fallback: Sequence[Spot]
    speed_kmh: float | None
    lanes: float | None
    flow: float | None
    senses: Sequence[tuple[str, str, float]]
    roads: Sequence[tuple[Sequence[tuple[float, float]], float]]
    x: float
    y: float
    limits: Sequence[tuple[str, str, str]]
    cautions: Sequence[str]
    names: Sequence[tuple[float, float, str]] = ()
    notices: Sequence[str] = ()
    visits: Sequence[Visit] = ()
    together: Sequence[str] = ()
    release: str = ""


@dataclass(frozen=True, slots=True)
class Stop:
    """A stop of a round: time, visit, station, road, minutes driven to it, and its place in metres."""

    start: str
    leave: str
    visit: str
    station_id: str
    road: str
    drive_min: float
    x: float
    y: float


@dataclass(frozen=True, slots=True)
class RoundContent:
    """A round: its name, the day in words, people, stops in order, the roads to draw, the sheets."""

    name: str
    day: str
    people: int
    stops: Sequence[Stop]
    roads: Sequence[tuple[Sequence[tuple[float, float]], float]]
    cautions: Sequence[str]
    stations: Sequence[StationContent]
    release: str = ""


def station(content: StationContent) -> paper.Paper:
    """Return the field sheet of a station, one page."""
    return paper.Paper(
        title=_title(content),
        blocks=tuple(_station_blocks(content)),
        below=f"Field sheet · {_below(content)}",
        release=content.release,
        tight=True,
    )


def whole_round(content: RoundContent) -> paper.Paper:
    """Return the sheets of a round: the round itself, then a page for each station that is set."""
    sets = sum(s.visit == "set" for s in content.stops)
    columns = (
        paper.Column("Stop", "right", 0.6),
        paper.Column("Time", share=1.4),
        paper.Column("Visit", share=1.0),
        paper.Column("Station", share=1.2),
        paper.Column("Road", share=3.0),
        paper.Column("Drive", "right", 0.9),
        paper.Column("Done", share=0.9),
    )
    rows = tuple(
        (
            n,
            f"{s.start} to {s.leave}",
            s.visit,
            s.station_id,
            s.road,
            f"{s.drive_min:.0f} min",
            None,
        )
        for n, s in enumerate(content.stops, start=1)
    )
    marks = [(s.x, s.y, str(n)) for n, s in enumerate(content.stops, start=1)]
    blocks: list[paper.Block] = [
        paper.Grid("Stops in order", columns, rows),
        drawing.sketch(
            content.roads,
            marks,
            says="The stops of the round on the roads around them",
            height=300,
        ),
        paper.Blanks(
            (
                paper.Blank("Lookout", 4),
                paper.Blank("Driver", 4),
                paper.Blank("Traffic control", 4),
                paper.Blank("Left the depot", 3),
                paper.Blank("Back", 3),
                paper.Blank("Clock against reference", 3, unit="s"),
                paper.Blank("Nails out less in", 3),
            )
        ),
        paper.Text(
            f"Counters to take: {sets}. Counters to bring back: {len(content.stops) - sets}. "
            f"Crew of {content.people}, never fewer than two. Kit: {KIT}"
        ),
        _cautions(content.cautions),
    ]
    for one in content.stations:
        blocks += [
            paper.Break(),
            paper.Heading(_title(one)),
            paper.Text(_below(one), "soft"),
            *_station_blocks(one),
        ]
    return paper.Paper(
        title=f"Round {content.name}",
        blocks=tuple(blocks),
        above="Field sheet: round of a crew",
        below=content.day,
        release=content.release,
        tight=True,
    )


def _title(content: StationContent) -> str:
    name = content.name or content.road
    return f"{content.station_id} {name}".strip()


def _below(content: StationContent) -> str:
    spot = content.spot
    parts = [
        content.road,
        f"{spot.lat:.5f}, {spot.lon:.5f}",
        f"link {spot.link_id} at {spot.offset_m:.0f} m",
        "planned place, no station yet" if content.planned else "",
    ]
    return " · ".join(part for part in parts if part)


def _station_blocks(content: StationContent) -> list[paper.Block]:
    return [
        paper.Beside(((_sketch(content),), tuple(_place(content)))),
        _record(content),
        paper.Beside(
            (
                (paper.Heading("The four checks", 3), _boxes(tuple(CHECKS.values()))),
                (paper.Heading("Can tubes lie here?", 3), _boxes(STAND)),
            )
        ),
        _retrieval(),
        _cautions(content.cautions),
        paper.Text(f"Kit: {KIT}", "soft"),
    ]


def _sketch(content: StationContent) -> paper.Drawing:
    made = drawing.sketch(
        content.roads,
        [(content.x, content.y, content.station_id)],
        says=f"Where {content.station_id} lies on the roads around it, north up",
        height=SKETCH_HEIGHT,
    )
    return _halved(made, content)


def _halved(made: paper.Drawing, content: StationContent) -> paper.Drawing:
    """Return a sketch for half the page: its places drawn in, its words as large as before."""
    xs = [p[0] for points, _ in content.roads for p in points] + [content.x]
    ys = [p[1] for points, _ in content.roads for p in points] + [content.y]
    wide, high = max(max(xs) - min(xs), 1.0), max(max(ys) - min(ys), 1.0)
    inner = made.width - 2 * drawing.MARGIN, made.height - 2 * drawing.MARGIN
    scale = min(inner[0] / wide, inner[1] / high)
    left, top = (made.width - wide * scale) / 2, (made.height - high * scale) / 2
    shapes: list[paper.Shape] = []
    for shape in made.shapes:
        if isinstance(shape, paper.Line | paper.Area):
            shapes.append(replace(shape, points=tuple((x / 2, y / 2) for x, y in shape.points)))
        else:
            shapes.append(replace(shape, x=shape.x / 2, y=shape.y / 2))
    for x, y, name in content.names:
        across = (left + (x - min(xs)) * scale) / 2
        down = (top + (max(ys) - y) * scale) / 2 - 3
        late = across > made.width / 3
        word = paper.clean(name, longest=drawing.NAMED)
        anchor: Literal["start", "end"] = "end" if late else "start"
        shapes.append(
            paper.Word(across + (-5 if late else 5), down, word, anchor, "soft", size=NAME_SIZE)
        )
    return replace(made, width=made.width / 2, height=made.height / 2, shapes=tuple(shapes))


def _place(content: StationContent) -> list[paper.Block]:
    facts: list[tuple[str, str | None]] = [
        (sense.capitalize(), f"{name}, bearing {bearing:.0f}°")
        for sense, name, bearing in content.senses
    ]
    speed = "limit not known" if content.speed_kmh is None else f"{content.speed_kmh:.0f} km/h"
    lanes = "lanes not known" if content.lanes is None else f"{content.lanes:.0f} lanes"
    flow = "" if content.flow is None else f", about {content.flow:,.0f} a day"
    facts.append(("Road", f"{speed}, {lanes}{flow}"))
    facts += [(v.visit.capitalize(), f"{v.round}, {v.start} to {v.leave}") for v in content.visits]
    if content.together:
        facts.append(("Same days as", ", ".join(content.together)))
    blocks: list[paper.Block] = [paper.Facts(tuple(facts), 1)]
    if content.spot.why:
        blocks.append(paper.Text(content.spot.why, "soft"))
    blocks += [paper.Text(one, "warn") for one in content.notices]
    if content.fallback:
        said = "; ".join(
            f"{one.link_id} at {one.offset_m:.0f} m ({one.lat:.5f}, {one.lon:.5f})"
            for one in content.fallback
        )
        blocks.append(paper.Text(f"If it will not do: {said}. Write down where.", "soft"))
    return blocks


def _record(content: StationContent) -> paper.Box:
    limits = "; ".join(f"{what} {limit.split(';')[0]}" for what, limit, _ in content.limits)
    at = "" if content.speed_kmh is None else f" at {content.speed_kmh:.0f} km/h"
    first = content.senses[0][0] if content.senses else "with"
    return paper.Box(
        "Tubes as laid",
        (
            paper.Blanks(
                (
                    paper.Blank("Counter", 2),
                    paper.Blank("Set, day and time", 3),
                    paper.Blank("Counter less watch", 2, unit="s"),
                    paper.Blank(f"{first.capitalize()}: A or B", 2),
                    paper.Blank("By (two names)", 3),
                    paper.Blank("Spacing near kerb", 3, unit="m"),
                    paper.Blank("middle", 3, unit="m"),
                    paper.Blank("far kerb", 3, unit="m"),
                    paper.Blank("entered", 3, unit="m"),
                    paper.Blank("Lead A", 2, unit="m"),
                    paper.Blank("Lead B", 2, unit="m"),
                    paper.Blank("Stretch A", 2, unit="m"),
                    paper.Blank("Stretch B", 2, unit="m"),
                    paper.Blank("Width", 2, unit="m"),
                    paper.Blank("Out of square", 2, unit="cm"),
                ),
                height_mm=7.0,
            ),
            paper.Text(
                f"{first.capitalize()}: which tube that direction strikes first. Good within{at}: {limits}.",
                "soft",
            ),
        ),
    )


def _retrieval() -> paper.Box:
    return paper.Box(
        "Collected",
        (
            paper.Blanks(
                (
                    paper.Blank("Day and time", 4),
                    paper.Blank("Counter less watch", 3, unit="s"),
                    paper.Blank("Nails in", 2),
                    paper.Blank("Nails out", 3),
                    paper.Blank("Spacing near kerb", 3, unit="m"),
                    paper.Blank("middle", 3, unit="m"),
                    paper.Blank("far kerb", 3, unit="m"),
                    paper.Blank("What was seen", 3),
                ),
                height_mm=7.0,
            ),
        ),
    )


def _boxes(texts: Sequence[str]) -> paper.Checks:
    return paper.Checks(tuple(paper.Check(text[:1].upper() + text[1:]) for text in texts))


def _cautions(texts: Sequence[str]) -> paper.Box:
    *bullets, last = texts
    title = f"Beside traffic. {last}"
    return paper.Box(title, (paper.Bullets(tuple(bullets)),), strong=True)
