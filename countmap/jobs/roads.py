"""Jobs of the road network: import, check, declare, export."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import pandas as pd

from countmap.errors import Conflict, NotFound
from countmap.formats import csv_table, gmns, lines, osm
from countmap.jobs.common import (
    Document,
    Network,
    Workspace,
    import_table,
    records,
    refusing,
)
from countmap.roads import audit, declared, graph, restate
from countmap.roads import replace as replacing
from countmap.tables import DECLARATIONS

OSM_SUFFIXES = (".osm", ".pbf", ".osm.bz2", ".osm.gz")
REPLACE = "replace roads"


def read(file: Path, *, layer: str = "", crs: str = "") -> gpd.GeoDataFrame:
    """Read raw links from any road file.

    ``layer`` chooses one of a GeoPackage; ``crs`` is that of a file that does not state its own.

    Raises
    ------
    InvalidInput
        Not a road file that can be read.
    """
    if file.is_dir():
        return gmns.read(file, crs=crs)
    if file.name.lower().endswith(OSM_SUFFIXES):
        return osm.read(file)
    return lines.read(file, layer=layer, crs=crs)


def import_(
    ws: Workspace,
    file: Path,
    *,
    layer: str = "",
    crs: str = "",
    replace: bool = False,
    dry_run: bool = False,
) -> Document:
    """Take a street network; with ``replace`` the next one, carrying stations by a crosswalk.

    Raises
    ------
    NotFound
        No such file.
    Conflict
        There is a network already and ``replace`` was not asked for.
    """
    if not file.exists():
        raise NotFound(f"{file}: there is no such file")
    old = None
    if len(ws.register.frame("links")):
        if not replace:
            raise Conflict(
                "the workspace has roads already; --replace brings in the next network with a crosswalk"
            )
        old = Network(ws).roads
    with refusing(ws):
        new = graph.build(read(file, layer=layer, crs=crs))
    document: Document = {"source": file.name, "crs": new.crs.name, "dry_run": dry_run}
    carried = _carried(ws, old, new) if old is not None else None
    if carried:
        document["crosswalk"] = carried.document
    if not dry_run:
        kept = ws.path / f"register-before-{len(ws.register.frame('networks')) + 1}.gpkg"
        if carried:
            document["kept"] = str(ws.register.backup(kept))
        with ws.register.transaction() as tx:
            tx.add_network(new.nodes, new.links, file.name, new.crs)
            if carried:
                tx.decide(REPLACE, file.name, f"the register as it was is kept as {kept.name}")
                tx.put("crosswalk", carried.crosswalk)
                tx.put("stations", carried.stations)
                tx.replace("declarations", carried.declarations)
                tx.replace("days", carried.days)
    return document | describe(new, ws)


@dataclass(frozen=True, slots=True)
class Carried:
    """What lay on the old network, put on the new one; ``document`` says what was lost."""

    crosswalk: pd.DataFrame
    stations: pd.DataFrame
    declarations: pd.DataFrame
    days: pd.DataFrame
    document: Document


def _carried(ws: Workspace, old: graph.Roads, new: graph.Roads) -> Carried:
    crosswalk = replacing.crosswalk(old, new)
    stations, lost = replacing.carry(ws.register.frame("stations"), crosswalk, old, new)
    stations["state"] = stations["state"].mask(
        stations["station_id"].isin(lost["station_id"]), "unplaced"
    )
    declared, undeclared = restate.declarations(
        ws.register.frame("declarations"), crosswalk, old, new
    )
    days = ws.register.frame("days")
    document = {
        "old_links": len(old.links),
        "matched": int(crosswalk["old_link_id"].nunique()),
        "stations": len(stations) - len(lost),
        "lost": records(lost, ["station_id", "why"]),
        "withdrawn": records(undeclared),
    }
    days = days.drop(columns="day_id").assign(links=restate.links(days["links"], crosswalk))
    return Carried(crosswalk, stations, declared, days, document)


def describe(roads: graph.Roads, ws: Workspace) -> Document:
    """Return the size of a network: links, nodes, length, one-ways, junctions, sections."""
    from countmap.roads import junctions, sections

    knots = junctions.junctions(roads, ws.register.frame("declarations"))
    chains = sections.sections(roads, knots)
    return {
        "links": len(roads.links),
        "nodes": len(roads.nodes),
        "length_km": float(roads.links["length_m"].sum()) / 1000,
        "one_way": int((roads.links["allowed"] != "both").sum()),
        "junctions": int(knots.loc[knots["kind"] == "junction", "junction_id"].nunique()),
        "sections": int(chains["section_id"].nunique()),
        "notes": graph.remarks(roads),
    }


def check(ws: Workspace) -> Document:
    """Report dangling ends, duplicates, zero length, components, dead one-ways, crossings without a node."""
    network = Network(ws)
    found = audit.audit(network.roads)
    lon, lat = network.roads.to_wgs84(found["x"].to_numpy(), found["y"].to_numpy())
    where = found["link_id"].fillna(found["node_id"]).fillna("")
    found = found.assign(lon=lon.round(6), lat=lat.round(6), where=where)
    counts = found["rule"].value_counts().sort_index()
    return {"findings": records(found), "by_rule": {k: int(v) for k, v in counts.items()}}


def declare(ws: Workspace, file: Path, *, dry_run: bool = False) -> Document:
    """Take declare.csv: generators, side accesses, quiet sections, pairs, junction clusters.

    Raises
    ------
    InvalidInput
        A row that breaks the contract or names a node or link that is not there.
    """
    network = Network(ws)
    with refusing(ws):
        frame = csv_table.read_or_raise(file, DECLARATIONS)
        standing = pd.concat([network.declarations, frame], ignore_index=True)
        rejects = declared.refused(network.roads, standing, file=file.name)
        if len(rejects):
            raise csv_table.error_from(rejects)
    kinds = frame["kind"].value_counts().sort_index()
    taken = import_table(ws, frame, "declarations", dry_run=dry_run, decide="declare")
    return taken | {"declared": taken["new"], "by_kind": {k: int(v) for k, v in kinds.items()}}


def export(ws: Workspace, folder: Path) -> Document:
    """Write the network as a GMNS folder."""
    roads = Network(ws).roads
    gmns.write(roads.nodes, roads.links, folder)
    return {"folder": str(folder), "links": len(roads.links)}
