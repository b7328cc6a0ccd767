"""Jobs of the stations: import, place, move, retire, list."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pyproj

from countmap.errors import Conflict, InvalidInput, NotFound
from countmap.formats import cells, counts_file, csv_table, tmg
from countmap.jobs.common import (
    Document,
    Network,
    Workspace,
    cell,
    day,
    last_counted,
    records,
    refusing,
    station_row,
    writing,
)
from countmap.roads import place as placing
from countmap.tables import STATIONS

DESCRIBED = ("name", "road", "kind", "name_with", "name_against", "valid_from", "valid_to")


def import_(
    ws: Workspace, file: Path, *, crs: str = "", radius_m: float = 40, dry_run: bool = False
) -> Document:
    """Take stations and place them; ambiguous ones wait for ``place``.

    Stations that are there already keep their placement unless their coordinates changed.

    Raises
    ------
    InvalidInput
        A row that breaks the contract, or a place the network does not reach, with the suspected cause.
    Conflict
        An id that is there already with coordinates elsewhere: that is a move, or another station.
    """
    network = Network(ws)
    with refusing(ws):
        frame = _read(file)
        frame = _to_degrees(frame, crs, file)
        known = ws.register.frame("stations")
        fresh = _fresh(frame, known, file)
        edited, notes = _edited(frame, known)
        found = placing.place(network.roads, fresh, radius_m=radius_m)
        if len(found.refused):
            raise csv_table.error_from(_refused(found.refused, fresh, file))
    rows = pd.concat(
        [found.placed.assign(state="placed"), _waiting(found.ambiguous)], ignore_index=True
    )
    with writing(ws, dry_run=dry_run) as tx:
        tx.put("stations", rows)
        for station, row in edited.items():
            tx.decide("edit station", station, f"from {file.name}", {"stations": row})
    return {
        "stations": len(frame),
        "new": len(fresh),
        "placed": len(found.placed),
        "ambiguous": records(found.ambiguous, ["station_id", "why"]),
        "edited": sorted(edited),
        "notes": [*map(str, found.notes), *notes],
        "dry_run": dry_run,
    }


def _read(file: Path) -> pd.DataFrame:
    """Return STATIONS from our own CSV, or from federal station records."""
    if file.is_file() and counts_file.recognised(file) == "tmg station":
        frame, rejects = tmg.read_stations(file)
        if len(rejects):
            raise csv_table.error_from(rejects)
        blank = {
            c.name: cells.nulls(c, len(frame)) for c in STATIONS.columns if c.name not in frame
        }
        return frame.assign(**blank)
    return csv_table.read_or_raise(file, STATIONS, extra=("x", "y"))


def place(
    ws: Workspace, station_id: str, link_id: str, *, reason: str = "", dry_run: bool = False
) -> Document:
    """Decide which link a station stands on.

    Raises
    ------
    NotFound
        No such station or link.
    """
    network = Network(ws)
    station = station_row(ws, station_id)
    if link_id not in set(network.roads.links["link_id"]):
        raise NotFound(f"there is no link {link_id!r}")
    placed = placing.put(network.roads, station, link_id).assign(state="placed", candidates=None)
    return _decide(ws, "place", placed, reason, dry_run=dry_run)


def move(
    ws: Workspace,
    station_id: str,
    *,
    lon: float,
    lat: float,
    reason: str = "",
    dry_run: bool = False,
) -> Document:
    """Move a station along its section.

    Raises
    ------
    Conflict
        The new place lies on another section: other traffic, hence another station.
    """
    network = Network(ws)
    station = station_row(ws, station_id)
    section = network.sections.set_index("link_id")["section_id"]
    old = section.get(station["link_id"].iloc[0])
    moved = station.assign(lon=lon, lat=lat, link_id=None, offset_m=float("nan"), same_way=None)
    found = placing.place(network.roads, moved)
    if found.placed.empty:
        raise InvalidInput(
            f"no road of the network can be told at {lon}, {lat}; check the coordinates"
        )
    new = found.placed
    if section.get(new["link_id"].iloc[0]) != old:
        raise Conflict(
            f"{station_id} stands on section {old}; {lon}, {lat} lies on "
            f"{section.get(new['link_id'].iloc[0])}, which carries other traffic. "
            "Retire it and import a station with a new id"
        )
    return _decide(ws, "move", new.assign(state="placed"), reason, dry_run=dry_run)


def retire(
    ws: Workspace, station_id: str, *, on: str, reason: str = "", dry_run: bool = False
) -> Document:
    """End a station's life on a day; its counts stay.

    Raises
    ------
    NotFound, InvalidInput
        No such station; ``on`` is no date.
    """
    station = station_row(ws, station_id)
    last = day(on, "--on")
    counted = last_counted(ws).get(station_id)
    with writing(ws, dry_run=dry_run) as tx:
        ended = station.assign(valid_to=last.as_unit("us"))
        decision = tx.decide("retire", station_id, reason, {"stations": ended})
    late = counted is not None and counted > last
    return {
        "station_id": station_id,
        "valid_to": f"{last:%Y-%m-%d}",
        "counted_after": f"{counted:%Y-%m-%d}" if late else None,
        "decision": decision,
        "dry_run": dry_run,
    }


def list_(ws: Workspace) -> Document:
    """Return the stations with the day each was last counted."""
    stations = ws.register.frame("stations")
    last = last_counted(ws).reindex(stations["station_id"]).to_numpy()
    rows = records(stations.assign(last_counted=last))
    return {"stations": [{k: v for k, v in row.items() if k != "geometry"} for row in rows]}


def _decide(
    ws: Workspace, kind: str, station: pd.DataFrame, reason: str, *, dry_run: bool
) -> Document:
    row = station.iloc[0]
    with writing(ws, dry_run=dry_run) as tx:
        decision = tx.decide(kind, row["station_id"], reason, {"stations": station})
    told = ("station_id", "link_id", "offset_m", "bearing_deg")
    return {name: cell(row[name]) for name in told} | {"decision": decision, "dry_run": dry_run}


def _edited(frame: pd.DataFrame, known: pd.DataFrame) -> tuple[dict[str, pd.DataFrame], list[str]]:
    """Return the known stations whose description the file changes, and what it cannot change."""
    edited: dict[str, pd.DataFrame] = {}
    notes: list[str] = []
    there = known.set_index("station_id", drop=False)
    for row in frame[frame["station_id"].isin(there.index)].to_dict("records"):
        station = row["station_id"]
        old = there.loc[station]
        said = {name: row[name] for name in DESCRIBED if cell(row.get(name)) is not None}
        new = {name: value for name, value in said.items() if cell(value) != cell(old[name])}
        if new:
            edited[station] = known[known["station_id"] == station].assign(**new)
        notes += [
            f"{station}: {name} stays {cell(old[name])}, the file says {row[name]}; "
            "countmap stations place decides"
            for name in ("bearing_deg", "link_id")
            if cell(row.get(name)) not in (None, cell(old[name]))
        ]
    return edited, notes


def _to_degrees(frame: pd.DataFrame, crs: str, file: Path) -> pd.DataFrame:
    """Return the stations with lon and lat, from x and y where the file has those instead."""

    def given(*names: str) -> bool:
        return all(name in frame and bool(frame[name].notna().any()) for name in names)

    if given("lon", "lat") or (given("link_id") and not given("x", "y")):
        return frame
    if not given("x", "y"):
        raise InvalidInput(
            f"{file.name}: stations need lon and lat, x and y with --crs, or link_id"
        )
    if not crs:
        raise InvalidInput(f"{file.name}: x and y need --crs, such as --crs EPSG:25832")
    try:
        source = pyproj.CRS.from_user_input(crs)
    except pyproj.exceptions.CRSError as error:
        raise InvalidInput(f"--crs {crs!r} is unknown; use a code such as EPSG:25832") from error
    to_degrees = pyproj.Transformer.from_crs(source, "EPSG:4326", always_xy=True)
    lon, lat = to_degrees.transform(
        pd.to_numeric(frame["x"]).to_numpy(), pd.to_numeric(frame["y"]).to_numpy()
    )
    return frame.assign(lon=lon, lat=lat)


def _fresh(frame: pd.DataFrame, known: pd.DataFrame, file: Path) -> pd.DataFrame:
    """Return the stations that are not there yet; refuse an id that is there at another place."""
    there = known.set_index("station_id")
    for row in frame[frame["station_id"].isin(there.index)].itertuples():
        old = there.loc[row.station_id]
        if abs(old["lon"] - row.lon) > 1e-6 or abs(old["lat"] - row.lat) > 1e-6:
            raise Conflict(
                f"{file.name}:{row.row}: station {row.station_id!r} is there already at "
                f"{old['lon']:.6f}, {old['lat']:.6f}. Move it with countmap stations move, or give a new id"
            )
    return frame[~frame["station_id"].isin(there.index)].reset_index(drop=True)


def _refused(refused: pd.DataFrame, stations: pd.DataFrame, file: Path) -> pd.DataFrame:
    lines = stations.set_index("station_id")["row"]
    return pd.DataFrame(
        {
            "file": file.name,
            "row": refused["station_id"].map(lines).astype("int64"),
            "column": "lon",
            "value": refused["station_id"],
            "why": refused["why"],
        }
    )


def _waiting(ambiguous: pd.DataFrame) -> pd.DataFrame:
    candidates = [json.dumps(cell(c)) for c in ambiguous["candidates"]]
    return ambiguous.drop(columns=["why"]).assign(state="ambiguous", candidates=candidates)
