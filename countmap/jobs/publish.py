"""Jobs of publishing: the map and the data."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any, Literal

import geopandas as gpd
import numpy as np
import pandas as pd

from countmap.formats import ground as ground_file
from countmap.jobs import panels, releases
from countmap.jobs.common import Document, Network, Workspace, last_counted, latest
from countmap.jobs.roads import OSM_SUFFIXES
from countmap.jobs.rounds import last_rounds
from countmap.plan import coverage
from countmap.store import queries

Audience = Literal["public", "internal"]
SATURDAY = 5
TESTED = ("agrees", "disagrees")
NOTHING: Document = {"junctions": [], "sections": [], "areas": [], "screenlines": [], "pairs": []}


def map_(
    ws: Workspace,
    *,
    year: int,
    audience: Audience = "public",
    title: str = "",
    out: Path | None = None,
    ground: Path | None = None,
) -> Document:
    """Write the map of a year; returns ``path``, ``bytes`` and ``release``.

    ``ground`` is an OpenStreetMap file whose place names and water are drawn under the roads.

    Raises
    ------
    NotFound
        No annual averages of that year; no such file of the ground.
    InvalidInput, MissingExtra
        The file of the ground cannot be read.
    """
    from countmap.publish import map as drawing

    content = map_content(ws, year=year, audience=audience, title=title)
    content = releases.public_content(ws, content)
    if ground is not None:
        places, water = ground_file.read(ground)
        credit = f"Place names and water: © OpenStreetMap contributors (ODbL), from {ground.name}"
        content = dataclasses.replace(
            content, places=places, water=water, credits=(*content.credits, credit)
        )
    path = out or ws.path / "published" / f"map-{year}.html"
    drawing.write_map(path, content)
    return {"path": str(path), "bytes": path.stat().st_size, "release": content.release}


def map_content(ws: Workspace, *, year: int, audience: Audience = "public", title: str = "") -> Any:
    """Gather everything a map shows from the register and the blocks."""
    from countmap.publish.content import MapContent

    run = releases.require_annual(ws, year)
    balance = latest(ws, "balance", year)
    network = Network(ws)
    hours, days = queries.hours_and_days(ws, f"{year}-01-01", f"{year}-12-31")
    stations = ws.register.frame("stations")
    found = balance["document"] if balance else NOTHING
    explanations = run["document"]["explanations"]
    return MapContent(
        title=title or ws.path.resolve().name,
        year=year,
        release=_release_line(ws, run, balance, releases.release_id(ws, year)),
        links=_links(network),
        flows=ws.register.results("flows", year),
        stations=stations,
        annual=ws.register.results("annual", year),
        flags=ws.register.frame("flags"),
        findings=ws.register.results("suspects", year),
        junctions=_places(found, network, stations),
        screenlines=_screenlines(found["screenlines"], ws),
        pairs=_pairs(found["pairs"]),
        profiles=profiles(hours),
        day_series=day_series(days, _as_counted(ws, days, year)),
        explanations={station: short(explanations[station]) for station in sorted(explanations)},
        summaries=panels.summaries(ws, year),
        design_hours=panels.design_hours(
            run["document"],
            stations.set_index("station_id").to_dict("index"),
            ws.settings.rounding,
        ),
        surveys=panels.surveys(ws, year),
        due=_due(ws, network, year),
        rounding=ws.settings.rounding,
        audience=audience,
        timezone=ws.settings.timezone,
        credits=_credits(ws),
        notes=_notes(run, balance),
    )


def profiles(hours: pd.DataFrame) -> dict[str, dict[str, dict[str, list[float | None]]]]:
    """Return mean counts by civil hour: station → weekday or weekend → sense → 24 values."""
    known = hours.dropna(subset=["count"])
    kind = np.where(known["date"].dt.day_of_week >= SATURDAY, "weekend", "weekday")
    means = known.assign(kind=kind).pivot_table(
        index=["station_id", "kind", "sense"], columns="hour", values="count", aggfunc="mean"
    )
    means = means.reindex(columns=range(24))
    found: dict[str, dict[str, dict[str, list[float | None]]]] = {}
    for (station, part, sense), row in means.iterrows():
        values = [None if np.isnan(v) else round(float(v), 1) for v in row]
        found.setdefault(station, {}).setdefault(part, {})[sense] = values
    return found


def day_series(
    days: pd.DataFrame, counted: pd.DataFrame
) -> dict[str, list[tuple[Any, float | None, bool]]]:
    """Return two-way day totals, or those of the one sense there is: station → (date, count, excluded).

    Parameters
    ----------
    days, counted : DataFrame, tables.DAY_TOTALS
        With and without what decisions exclude: a day that is only in the latter is excluded.
    """
    key = ["station_id", "sense", "date"]
    used = pd.MultiIndex.from_frame(days.loc[days["count"].notna(), key])
    order = counted["sense"].map({"both": 0, "with": 1, "against": 2})
    best = order.groupby(counted["station_id"]).transform("min")
    chosen = counted[order == best].sort_values(["station_id", "date"])
    out = chosen["count"].notna() & ~pd.MultiIndex.from_frame(chosen[key]).isin(used)
    found: dict[str, list[tuple[Any, float | None, bool]]] = {}
    for row, excluded in zip(chosen.itertuples(), out, strict=True):
        count = None if np.isnan(row.count) else float(row.count)
        found.setdefault(row.station_id, []).append((row.date.date(), count, bool(excluded)))
    return found


def short(by_sense: Document) -> Document:
    """Return the part of an explanation that fits a panel: that of both senses, or of the only one."""
    chosen = by_sense.get("both") or next(iter(by_sense.values()))
    return {key: value for key, value in chosen.items() if isinstance(value, str | int | float)}


def _links(network: Network) -> gpd.GeoDataFrame:
    """Return the links in WGS84, each end with the junction of several nodes it lies in."""
    links = network.roads.wgs84()
    junction = network.junctions.set_index("node_id")["junction_id"]
    several = junction[junction.duplicated(keep=False)]
    for end in ("from", "to"):
        links[f"{end}_cluster"] = links[f"{end}_node"].map(several)
    names = ["link_id", "name", "road_class", "allowed", "from_cluster", "to_cluster", "geometry"]
    return links[names]


def _as_counted(ws: Workspace, days: pd.DataFrame, year: int) -> pd.DataFrame:
    """Return the year's day totals with the excluded days as they were counted."""
    stations = sorted(set(ws.register.frame("flags", state="excluded")["station_id"].dropna()))
    if not stations:
        return days
    whole = queries.day_totals(ws, f"{year}-01-01", f"{year}-12-31", stations, exclusions=False)
    return pd.concat([days[~days["station_id"].isin(stations)], whole], ignore_index=True)


def _places(found: Document, network: Network, stations: pd.DataFrame) -> pd.DataFrame:
    """Return what was tested as the map draws it: junctions at their nodes, the rest amid its counts."""
    from countmap.publish.content import JUNCTION_COLUMNS

    nodes = network.junctions.merge(network.roads.nodes[["node_id", "x", "y"]], on="node_id")
    centre = nodes.groupby("junction_id")[["x", "y"]].mean()
    lon, lat = network.roads.to_wgs84(centre["x"].to_numpy(), centre["y"].to_numpy())
    at_node = dict(zip(centre.index, zip(lon, lat, strict=True), strict=True))
    at_station = stations.set_index("station_id")[["lon", "lat"]]
    rows = [
        one | {"members": _stations(one), "place": at_node[one["junction_id"]]}
        for one in found["junctions"]
    ]
    for one in (*found["sections"], *found["areas"]):
        members = _stations(one)
        where = tuple(at_station.loc[members.split()].mean())
        key = one.get("section_id") or one["junction_ids"][0]
        name = one.get("name") or f"between {members.replace(' ', ' and ')}"
        rows.append(one | {"junction_id": key, "name": name, "members": members, "place": where})
    if not rows:
        return pd.DataFrame({name: pd.Series([], dtype="object") for name in JUNCTION_COLUMNS})
    frame = pd.DataFrame(rows)
    frame["lon"], frame["lat"] = frame["place"].str[0], frame["place"].str[1]
    frame["verdict"] = frame["verdict"].replace("no equation", "untested")
    strongest = frame.assign(size=frame["z"].astype("float64").abs()).sort_values(
        "size", ascending=False, kind="stable"
    )
    once = strongest.drop_duplicates(["junction_id", "name"]).sort_index()
    return once[list(JUNCTION_COLUMNS)].reset_index(drop=True)


def _screenlines(found: list[Document], ws: Workspace) -> pd.DataFrame:
    from countmap.publish.content import SCREENLINE_COLUMNS

    lines = ws.register.frame("screenlines")
    if not found:
        return pd.DataFrame({name: pd.Series([], dtype="object") for name in SCREENLINE_COLUMNS})
    frame = pd.DataFrame(
        {
            "name": one["name"],
            "total": one["both"]["flow"],
            "lower": one["both"]["lower"],
            "upper": one["both"]["upper"],
            "verdict": one["verdict"] if one.get("verdict") in TESTED else "untested",
            "missing": " ".join(one["both"]["missing"]),
        }
        for one in found
    )
    return lines[["name", "geometry"]].merge(frame, on="name")


def _pairs(found: list[Document]) -> pd.DataFrame:
    from countmap.publish.content import PAIR_COLUMNS

    rows = [one | {"links": " ".join(one["links"])} for one in found]
    return pd.DataFrame(rows, columns=list(PAIR_COLUMNS))


def _stations(one: Document) -> str:
    return " ".join(sorted({m["station_id"] for m in one["members"]}))


def _due(ws: Workspace, network: Network, year: int) -> pd.DataFrame:
    """Return the counts of the year's plan, then what is due at its end; sections, so that each is drawn."""
    found = coverage.due(
        network.sections,
        network.roads.links,
        ws.register.frame("stations"),
        last_counted(ws),
        pd.Timestamp(year, 12, 31),
        cycle_years=ws.settings.cycle_years,
    ).sections
    found = found[found["due"]]
    first = (
        network.sections.sort_values(["section_id", "seq"]).groupby("section_id")["link_id"].first()
    )
    run = latest(ws, "plan", year)
    chosen = [] if run is None else run["document"]["next"]
    planned = pd.DataFrame(
        {
            "station_id": [one["station_id"] for one in chosen],
            "link_id": [first.get(one["section_id"]) for one in chosen],
            "why": [f"planned: {one['why']}" for one in chosen],
            "planned": True,
        }
    )
    left = found[~found["section_id"].isin([one["section_id"] for one in chosen])]
    rest = pd.DataFrame(
        {
            "station_id": [s.split()[-1] if isinstance(s, str) else None for s in left["stations"]],
            "link_id": left["section_id"].map(first),
            "why": left["why"],
            "planned": False,
        }
    )
    table = pd.concat([p for p in (planned, rest) if len(p)] or [rest], ignore_index=True)
    visits = _visits(ws)
    sections = network.sections.set_index("link_id")["section_id"]
    keys = zip(table["station_id"], table["link_id"], strict=True)
    visit = [visits.get(s) or visits.get(sections.get(link)) for s, link in keys]
    return table.assign(visit=pd.Series(visit, index=table.index, dtype="object"))


def _visits(ws: Workspace) -> dict[str, str]:
    """Return when each place of the last rounds is set and collected, in words."""
    run = last_rounds(ws)
    found: dict[str, str] = {}
    for one in [] if run is None else run["document"]["visits"]:
        said = f"{one['visit']} {one['date']} {one['start']}, round {one['round']}"
        before = found.get(one["station_id"])
        found[one["station_id"]] = f"{before}; {said}" if before else said
    return found


def _credits(ws: Workspace) -> tuple[str, ...]:
    """Return the attribution that the source of the roads asks for."""
    networks = ws.register.frame("networks", active=True)
    source = str(networks["source"].iloc[0]) if len(networks) else ""
    if source.lower().endswith(OSM_SUFFIXES):
        return (f"Roads: © OpenStreetMap contributors (ODbL), from {source}",)
    return (f"Roads: {source}",) if source else ()


def _release_line(ws: Workspace, run: Document, balance: Document | None, release: str) -> str:
    from countmap import __version__

    runs = " and ".join(one["run_id"] for one in (run, balance) if one is not None)
    files = len(ws.register.frame("files"))
    return f"{release}: {runs}, from {files} count files; countmap {__version__}"


def _notes(run: Document, balance: Document | None) -> tuple[str, ...]:
    stale = [
        f"The {what['kind']} figures are older than: {', '.join(what['because'])}. Run them again."
        for what in (run, balance)
        if what is not None and what["stale"]
    ]
    if balance is None:
        stale.append(
            "No balance was run: nothing is inferred, and nothing is said about agreement."
        )
    return tuple(stale)
