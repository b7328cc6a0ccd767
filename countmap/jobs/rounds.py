"""Jobs of the season: spots for tubes, windows of normal days, rounds of the crews."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import shapely

from countmap.errors import InvalidInput, NotFound
from countmap.formats import csv_table
from countmap.jobs import planning
from countmap.jobs.common import Document, Network, Workspace, day, records
from countmap.plan import rounds, routes, seasons, spots, travel
from countmap.tables import AVOID

TOPICS = ("roads", "stations", "declarations", "days", "settings")
KIND = "rounds"
LONGEST_SEASON_DAYS = 400


@dataclass(frozen=True, eq=False)
class Places:
    """Where counters are to stand: stations, and planned spots on sections without one.

    ``table``: ``station_id`` (or the section's id), ``planned`` (bool), ``link_id, offset_m, x, y, lon,
    lat, section_id, road, road_class, speed_kmh, allowed, why``.
    """

    network: Network
    table: pd.DataFrame


def places(ws: Workspace, names: tuple[str, ...], *, year: int | None = None) -> Places:
    """Return the named stations and sections, or without names those of the last plan.

    Raises
    ------
    NotFound
        A name that is nothing here; no names and no plan.
    """
    network = Network(ws)
    wanted = list(dict.fromkeys(names)) or _planned(ws, year)
    stations = ws.register.frame("stations").dropna(subset=["link_id"]).set_index("station_id")
    sections = network.sections.dropna(subset=["section_id"])
    section_of = dict(zip(sections["link_id"], sections["section_id"], strict=True))
    links = network.roads.links.set_index("link_id")
    rows = []
    for name in wanted:
        if name in stations.index:
            station = stations.loc[name]
            link, offset, why = station["link_id"], float(station["offset_m"]), ""
        elif name in section_of or name in set(sections["section_id"]):
            section = section_of.get(name, name)
            inside = sections.loc[sections["section_id"] == section, "link_id"].tolist()
            best = spots.spots(
                network.roads, network.junctions, inside, settings=planning.spot(ws), most=1
            ).iloc[0]
            link, offset, why = best["link_id"], float(best["offset_m"]), best["why"]
        else:
            raise NotFound(f"{name!r} is no placed station, link or section of this network")
        point = links.geometry[link].interpolate(offset)
        rows.append(
            {
                "station_id": name,
                "planned": name not in stations.index,
                "link_id": link,
                "offset_m": offset,
                "x": point.x,
                "y": point.y,
                "section_id": section_of.get(link),
                "road": links["name"][link],
                "road_class": links["road_class"][link],
                "speed_kmh": links["speed_kmh"][link],
                "allowed": links["allowed"][link],
                "why": why,
            }
        )
    table = pd.DataFrame(rows)
    lon, lat = network.roads.to_wgs84(table["x"].to_numpy(), table["y"].to_numpy())
    return Places(network, table.assign(lon=lon, lat=lat))


def _planned(ws: Workspace, year: int | None) -> list[str]:
    """Return the stations of the last plan; a section's id where it has none."""
    runs = ws.register.runs()
    of_kind = runs[runs["kind"] == "plan"]
    if year is not None:
        of_kind = of_kind[of_kind["year"] == year]
    if of_kind.empty:
        raise NotFound(
            "there is no plan; name stations or sections, or run countmap plan next first"
        )
    newest = of_kind.sort_values("finished")["run_id"].iloc[-1]
    return [one["station_id"] or one["section_id"] for one in ws.register.document(newest)["next"]]


def spots_(ws: Workspace, name: str, *, avoid: Path | None = None, most: int = 3) -> Document:
    """Propose exact places for tubes on a section, or around a station's own.

    Raises
    ------
    NotFound
        No such station, link or section.
    InvalidInput
        The file of what to avoid cannot be read.
    """
    found = places(ws, (name,))
    network, section = found.network, found.table["section_id"].iloc[0]
    links = network.sections.loc[network.sections["section_id"] == section, "link_id"].tolist()
    ranked = spots.spots(
        network.roads,
        network.junctions,
        links or [found.table["link_id"].iloc[0]],
        avoid=_avoid(avoid, network),
        settings=planning.spot(ws),
        most=most,
    )
    lon, lat = network.roads.to_wgs84(ranked["x"].to_numpy(), ranked["y"].to_numpy())
    ranked = ranked.assign(lon=lon, lat=lat)
    return {
        "asked": name,
        "section_id": section,
        "road": found.table["road"].iloc[0],
        "spots": records(ranked),
        "rules": spots.SOURCES,
    }


def _avoid(file: Path | None, network: Network) -> pd.DataFrame | None:
    if file is None:
        return None
    frame = csv_table.read_or_raise(file, AVOID)
    x, y = network.roads.to_working(frame["lon"].to_numpy(), frame["lat"].to_numpy())
    return pd.DataFrame({"kind": frame["kind"], "x": x, "y": y})


def seasons_(
    ws: Workspace,
    *,
    first: str,
    last: str,
    names: tuple[str, ...] = (),
    full_days: int | None = None,
) -> Document:
    """List the windows of full normal days, and which stations stand in the same days.

    Raises
    ------
    NotFound, InvalidInput
        No roads or plan; days that are no dates or in the wrong order.
    """
    begin, end = span(first, last)
    options = planning.season(ws, full_days)
    days = ws.register.frame("days")
    general = seasons.odd_days(
        begin, end, calendar=ws.settings.holidays, days=days, settings=options
    )
    found = seasons.windows(begin, end, general, timezone=ws.settings.timezone, settings=options)
    where = places(ws, names)
    together = _together(ws, where)
    closed = {}
    for one in where.table.itertuples():
        own = seasons.odd_days(
            begin, end, calendar=ws.settings.holidays, days=days, link=one.link_id, settings=options
        )
        extra = {f"{d:%Y-%m-%d}": why for d, why in own.items() if d not in general}
        if extra:
            closed[one.station_id] = extra
    return {
        "first": f"{begin}",
        "last": f"{end}",
        "full_days": int(options.full_days),
        "calendar": ws.settings.holidays,
        "windows": records(found),
        "odd_days": [{"date": f"{d}", "why": why} for d, why in general.items()],
        "groups": records(together),
        "own_odd_days": closed,
    }


def span(first: str, last: str) -> tuple[date, date]:
    """Return the first and the last day of a season.

    Raises
    ------
    InvalidInput
        No dates, in the wrong order, or more than 400 days.
    """
    begin, end = day(first, "--from").date(), day(last, "--to").date()
    if end <= begin:
        raise InvalidInput(f"--from {begin} does not lie before --to {end}; exchange them")
    if (end - begin).days > LONGEST_SEASON_DAYS:
        raise InvalidInput(
            f"{begin} to {end} is {(end - begin).days} days; a season holds {LONGEST_SEASON_DAYS}"
        )
    return begin, end


def _together(ws: Workspace, where: Places) -> pd.DataFrame:
    """Return the groups of stations of one junction or screenline."""
    lines = ws.register.frame("screenlines")
    crossings: dict[str, list[str]] = {}
    if len(lines):
        links = where.network.roads.wgs84()
        for line in lines.itertuples():
            shape = line.geometry
            edge = shape.boundary if shape.geom_type.endswith("Polygon") else shape
            hit = shapely.intersects(links.geometry.to_numpy(), edge)
            crossings[f"{line.kind} {line.name}"] = links.loc[hit, "link_id"].tolist()
    return seasons.together(
        where.network.roads,
        where.network.junctions,
        where.table[["station_id", "link_id"]],
        crossings,
    )


def rounds_(
    ws: Workspace,
    *,
    first: str,
    last: str,
    depot: str,
    crews: int = 1,
    stock: int = 10,
    names: tuple[str, ...] = (),
    full_days: int | None = None,
    apart: bool = False,
    improve_s: int = 0,
    dry_run: bool = False,
) -> Document:
    """Plan who sets and collects which counter when, and keep the rounds as a run.

    Parameters
    ----------
    first, last : str
        The season.
    depot : str
        ``lon,lat``, or a station to start from.
    crews, stock : int
        Crews of two or more, counters.
    names : stations and sections
        Default: those of the last plan.
    apart : bool
        Stations of one junction or screenline need not share their days.
    improve_s : int
        Seconds in which the routing solver (extra ``routes``) may improve the plan.

    Raises
    ------
    NotFound, InvalidInput
        Something named is not there; numbers that make no plan.
    MissingExtra
        ``improve_s`` without the routing solver.
    """
    if crews < 1 or stock < 1:
        raise InvalidInput(
            f"{crews} crews and {stock} counters make no rounds; one of each at least"
        )
    fingerprint = ws.register.fingerprint(TOPICS)
    begin, end = span(first, last)
    where = places(ws, names)
    problem, why = _problem(
        ws, where, begin, end, _depot(where, depot), (crews, stock), full_days, apart
    )
    found = rounds.solve(problem)
    if improve_s and not found.missing:
        better = routes.solve(problem, seconds=improve_s, start=found)
        if better is not None and better.minutes < found.minutes:
            found = better
    document = {
        "first": f"{begin}",
        "last": f"{end}",
        "crews": crews,
        "people": int(problem.settings.people),
        "stock": stock,
        "depot": depot,
        "minutes": found.minutes,
        "visits": _clocked(found.visits),
        "days": records(found.days),
        "places": records(where.table),
        "groups": why,
        "missing": list(found.missing),
        "breaks": list(found.breaks),
    }
    asked = {"first": first, "last": last, "depot": depot, "crews": crews, "stock": stock}
    if not dry_run:
        with ws.register.transaction() as tx:
            document["run_id"] = tx.add_run(KIND, None, fingerprint, asked, document, {})
    return document | {"dry_run": dry_run}


def _problem(  # noqa: PLR0917
    ws: Workspace,
    where: Places,
    begin: date,
    end: date,
    depot: tuple[float, float],
    have: tuple[int, int],
    full_days: int | None,
    apart: bool,
) -> tuple[rounds.Problem, list[Document]]:
    table = where.table
    settings, season = planning.round_(ws), planning.season(ws, full_days)
    days = ws.register.frame("days")
    odd = [
        seasons.odd_days(
            begin, end, calendar=ws.settings.holidays, days=days, link=link, settings=season
        )
        for link in table["link_id"]
    ]
    off = seasons.odd_days(begin, end, calendar=ws.settings.holidays, settings=season)
    free = [d for d, why in off.items() if not why.startswith(("day before", "day after"))]
    dates = tuple(
        d
        for d in (begin + timedelta(days=k) for k in range((end - begin).days + 1))
        if d.weekday() not in seasons.WEEKEND and d not in set(free)
    )
    together = _together(ws, where)
    if apart:
        together = together.assign(group=together["station_id"], why="alone")
    by_station = together.set_index("station_id")["group"].reindex(table["station_id"])
    group = pd.factorize(by_station)[0].astype(np.int64)
    allowed = rounds.allowed_days(
        dates, group, odd, full_days=int(season.full_days), longest_days=int(season.longest_days)
    )
    middle = (float(table["lat"].mean()), float(table["lon"].mean()))
    problem = rounds.Problem(
        tuple(table["station_id"]),
        travel.minutes(where.network.roads, table, depot),
        group,
        dates,
        allowed,
        rounds.working_spans(dates, middle, ws.settings.timezone, settings),
        have[0],
        have[1],
        settings,
    )
    return problem, records(together)


def _depot(where: Places, text: str) -> tuple[float, float]:
    """Return the depot in the working CRS.

    Raises
    ------
    InvalidInput
        The text is no ``lon,lat``.
    """
    try:
        lon, lat = (float(part) for part in text.split(","))
    except ValueError as error:
        raise InvalidInput(
            f"--depot {text!r} is no position; write lon,lat such as 6.90,54.40"
        ) from error
    x, y = where.network.roads.to_working([lon], [lat])
    if not np.isfinite([x[0], y[0]]).all():
        raise InvalidInput(f"--depot {text!r} lies nowhere on this map; write lon,lat")
    return float(x[0]), float(y[0])


def _clocked(visits: pd.DataFrame) -> list[Document]:
    """Return the visits with their times as hh:mm and the round's name, ``date/crew``."""
    shown = visits.assign(
        round=[f"{d:%Y-%m-%d}/{c}" for d, c in zip(visits["date"], visits["crew"], strict=True)]
    )
    for name in ("arrive", "start", "leave"):
        whole = np.rint(shown[name].to_numpy(dtype=float)).astype(int)
        shown[name] = [f"{m // 60:02d}:{m % 60:02d}" for m in whole]
    return records(shown)


def last_rounds(ws: Workspace) -> Document | None:
    """Return the newest rounds with their ``document``, or None."""
    runs = ws.register.runs()
    found = runs[runs["kind"] == KIND]
    if found.empty:
        return None
    run: dict[str, Any] = records(found.sort_values("finished").tail(1))[0]
    return run | {"document": ws.register.document(run["run_id"])}
