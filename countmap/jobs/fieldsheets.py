"""Job of the field sheet: gather what a crew needs at a station or on a round, and write it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from countmap.errors import NotFound
from countmap.jobs import planning
from countmap.jobs.common import Document, Workspace, records
from countmap.jobs.rounds import Places, last_rounds, places
from countmap.plan import spots
from countmap.roads.along import bearing_deg
from countmap.tubes import budget as tubes

if TYPE_CHECKING:
    from countmap.publish.fieldsheet import RoundContent, StationContent

OTHER_SPEED_KMH = 50.0
NEAR_M = 350.0
"""Half the width of the sketch around a station."""
FLAT = 0.58
NAME_GAP_M = 35.0
MOST_NAMES = 7
FAST_KMH = 80.0
WIDE_LANES = 2
EIGHT = ("north", "northeast", "east", "southeast", "south", "southwest", "west", "northwest")
CLASS_WIDTH = {"motorway": 5.0, "trunk": 4.0, "primary": 4.0, "secondary": 3.0, "tertiary": 2.4}


def fieldsheet(ws: Workspace, name: str, *, pdf: bool = False, out: Path | None = None) -> Document:
    """Write the field sheet of a station, a planned place, or a round of the last plan of rounds.

    Parameters
    ----------
    name : str
        A station, a section or link, or a round as ``plan rounds`` names it: date/crew.

    Raises
    ------
    NotFound
        Nothing is called that.
    MissingExtra
        A PDF without its library.
    """
    from countmap.publish import fieldsheet as drawing
    from countmap.publish import written
    from countmap.publish.paper import file_name

    run = last_rounds(ws)
    rounds = (
        [] if run is None else list(dict.fromkeys(v["round"] for v in run["document"]["visits"]))
    )
    if name in rounds and run is not None:
        page = drawing.whole_round(_round(ws, run, name))
    elif "/" in name:
        known = (
            f"the last plan has {', '.join(rounds[:6])}" if rounds else "run countmap plan rounds"
        )
        raise NotFound(f"there is no round {name!r}; {known}")
    else:
        page = drawing.station(_stations(ws, (name,), run)[0])
    path = out or ws.path / "published" / file_name("fieldsheet", name, ".html")
    return {"asked": name, "title": page.title, "files": written.write(page, path, pdf=pdf)}


def _round(ws: Workspace, run: Document, name: str) -> RoundContent:
    from countmap.publish.fieldsheet import RoundContent, Stop

    visits = [v for v in run["document"]["visits"] if v["round"] == name]
    at = {p["station_id"]: p for p in run["document"]["places"]}
    stops = [
        Stop(
            v["start"], v["leave"], v["visit"], v["station_id"], at[v["station_id"]]["road"] or "",
            v["drive_min"], at[v["station_id"]]["x"], at[v["station_id"]]["y"],
        )
        for v in visits
    ]  # fmt: skip
    names = tuple(dict.fromkeys(v["station_id"] for v in visits))
    found = _stations(ws, names, run)
    where = places(ws, names)
    xy = np.array([[s.x, s.y] for s in stops])
    low, high = xy.min(axis=0) - NEAR_M, xy.max(axis=0) + NEAR_M
    day = pd.Timestamp(visits[0]["date"])
    return RoundContent(
        name=name,
        day=f"{day:%A} {day.day} {day:%B %Y}, crew {visits[0]['crew']}",
        people=run["document"]["people"],
        stops=stops,
        roads=_roads(where, shapely.box(*low, *high)),
        cautions=tubes.CAUTIONS,
        stations=found,
        release=f"{run['run_id']}, {ws.path.resolve().name}",
    )


def _stations(ws: Workspace, names: tuple[str, ...], run: Document | None) -> list[StationContent]:
    where = places(ws, names)
    known = ws.register.frame("stations").set_index("station_id")
    return [_station(ws, where, one, known, run) for one in records(where.table)]


def _station(
    ws: Workspace, where: Places, one: Document, known: pd.DataFrame, run: Document | None
) -> StationContent:
    from countmap.publish.fieldsheet import StationContent

    name = one["station_id"]
    row = known.loc[name] if name in known.index else None
    link = where.network.roads.links.set_index("link_id").loc[one["link_id"]]
    lanes = None if pd.isna(link["lanes"]) else float(link["lanes"])
    best, *fallback = _spots(ws, where, one, planned=row is None)
    document = {} if run is None else run["document"]
    visits = [v for v in document.get("visits", []) if v["station_id"] == name]
    group = {g["station_id"]: g["group"] for g in document.get("groups", [])}
    together = [s for s, g in group.items() if g == group.get(name) and s != name]
    speed = one["speed_kmh"]
    x, y = one["x"], one["y"]
    window = shapely.box(x - NEAR_M, y - FLAT * NEAR_M, x + NEAR_M, y + FLAT * NEAR_M)
    return StationContent(
        station_id=name,
        name="" if row is None else _text(row["name"]),
        road=_text(one["road"]),
        planned=row is None,
        spot=best,
        fallback=fallback,
        speed_kmh=speed,
        lanes=lanes,
        flow=_flow(ws, one["link_id"]),
        senses=_senses(link, one, row),
        roads=_roads(where, window),
        x=x,
        y=y,
        limits=_limits(speed),
        names=_names(where, window),
        cautions=tubes.CAUTIONS,
        notices=_notices(speed, lanes),
        visits=_visits(visits),
        together=together,
        release=ws.path.resolve().name
        if run is None
        else f"{run['run_id']}, {ws.path.resolve().name}",
    )


def _visits(rows: Sequence[Document]) -> list[Any]:
    from countmap.publish.fieldsheet import Visit

    return [Visit(v["round"], v["visit"], v["start"], v["leave"]) for v in rows]


def _text(value: Any) -> str:
    return value if isinstance(value, str) else ""


def _spots(ws: Workspace, where: Places, one: Document, *, planned: bool) -> list[Any]:
    """Return the place itself, then two more on its section."""
    from countmap.publish.fieldsheet import Spot

    sections = where.network.sections
    links = sections.loc[sections["section_id"] == one["section_id"], "link_id"].tolist()
    ranked = spots.spots(
        where.network.roads,
        where.network.junctions,
        links or [one["link_id"]],
        settings=planning.spot(ws),
    )
    lon, lat = where.network.roads.to_wgs84(ranked["x"].to_numpy(), ranked["y"].to_numpy())
    rows = records(ranked.assign(lon=lon, lat=lat))
    own = Spot(one["link_id"], one["offset_m"], one["lat"], one["lon"], one["why"])
    others = [
        Spot(r["link_id"], r["offset_m"], r["lat"], r["lon"], r["why"])
        for r in rows
        if r["link_id"] != one["link_id"] or abs(r["offset_m"] - one["offset_m"]) > 1
    ]
    return [own, *others[:2]]


def _senses(link: Any, one: Document, row: Any) -> list[tuple[str, str, float]]:
    """Return the senses that carry traffic, with the names of the place and their bearings."""
    line, offset = link.geometry, one["offset_m"]
    a, b = (line.interpolate(min(max(offset + d, 0.0), line.length)) for d in (-5.0, 5.0))
    ahead = float(bearing_deg(b.x - a.x, b.y - a.y)) % 360
    same = True if row is None or pd.isna(row["same_way"]) else bool(row["same_way"])
    bearing = ahead if same else (ahead + 180) % 360
    found = []
    for sense, turn in (("with", 0.0), ("against", 180.0)):
        on_link = sense if same else {"with": "against", "against": "with"}[sense]
        if link["allowed"] in ("both", on_link):
            degrees = (bearing + turn) % 360
            own = "" if row is None else _text(row[f"name_{sense}"])
            found.append((sense, own or f"to the {EIGHT[round(degrees / 45) % 8]}", degrees))
    return found


def _flow(ws: Workspace, link: str) -> float | None:
    flows = ws.register.results("flows")
    rows = flows[(flows["link_id"] == link) & flows["flow"].notna()]
    if rows.empty:
        return None
    newest = rows[rows["year"] == rows["year"].max()].set_index("sense")["flow"]
    return float(newest["both"]) if "both" in newest else float(newest.sum())


def _limits(speed: float | None) -> list[tuple[str, str, str]]:
    """Return the error budget's limits at the road's speed, for tubes a metre apart."""
    level = tubes.Installation(
        1.0, 1.0, 1.0, 1.0, lead_a_m=5.0, lead_b_m=5.0, width_m=7.0, skew_deg=0.0
    )
    names = {
        "spacing": "entered less measured",
        "taper": "near less far kerb",
        "lengths": "lead B less lead A",
        "skew": "out of square",
    }
    return [
        (names[part.name], part.limit, part.redo)
        for part in tubes.budget(level, (speed or OTHER_SPEED_KMH,))
        if part.name in names
    ]


def _notices(speed: float | None, lanes: float | None) -> list[str]:
    found = []
    if speed is not None and speed >= FAST_KMH:
        found.append(f"{speed:.0f} km/h: nobody crosses this road without planned traffic control.")
    if lanes is not None and lanes > WIDE_LANES:
        found.append(f"{lanes:.0f} lanes: a pair of tubes counts two; consider another sensor.")
    return found


def _inside(where: Places, window: Any) -> pd.DataFrame:
    """Return the pieces of road inside a window: ``piece, name, road_class``."""
    links = where.network.roads.links
    hit = links[links.intersects(window)]
    rows = [
        (part, name, class_)
        for shape, name, class_ in zip(hit.geometry, hit["name"], hit["road_class"], strict=True)
        for part in shapely.get_parts(shape.intersection(window))
        if part.geom_type == "LineString" and part.length > 0
    ]
    return pd.DataFrame(rows, columns=["piece", "name", "road_class"])


def _roads(where: Places, window: Any) -> list[tuple[list[tuple[float, float]], float]]:
    """Return the roads inside a window, each with the width it is drawn in."""
    rows = _inside(where, window)
    return [
        (list(piece.coords), CLASS_WIDTH.get(class_, 1.4))
        for piece, class_ in zip(rows["piece"], rows["road_class"], strict=True)
    ]


def _names(where: Places, window: Any) -> list[tuple[float, float, str]]:
    """Return where the names of the roads stand: amid the longest piece of each, clear of others."""
    rows = _inside(where, window)
    rows = rows[rows["name"].notna()]
    rows = rows.assign(length=[piece.length for piece in rows["piece"]])
    rows = rows.sort_values(["length", "name"], ascending=[False, True]).drop_duplicates("name")
    found: list[tuple[float, float, str]] = []
    for piece, name in zip(rows["piece"], rows["name"], strict=True):
        at = piece.interpolate(0.75, normalized=True)
        if all(abs(at.y - y) > NAME_GAP_M or abs(at.x - x) > 5 * NAME_GAP_M for x, y, _ in found):
            found.append((at.x, at.y, name))
        if len(found) == MOST_NAMES:
            break
    return found
