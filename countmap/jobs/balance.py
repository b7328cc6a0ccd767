"""Jobs of the balance: run, corridor, explain."""

from __future__ import annotations

import pandas as pd

from countmap.balance import assess, tides
from countmap.balance import corridor as walking
from countmap.balance.inputs import BalanceInputs
from countmap.counts.days import within_validity
from countmap.errors import NotFound
from countmap.jobs.annual import both_first
from countmap.jobs.common import (
    Document,
    Network,
    Workspace,
    cell,
    latest,
    records,
    stale_notes,
    station_row,
)
from countmap.store import queries
from countmap.tables import BASES

TOPICS = ("roads", "stations", "declarations", "screenlines", "turns", "annual")
HOURLY_TOPICS = (*TOPICS, "counts", "flags", "days", "settings")


def run(ws: Workspace, *, year: int, hours: bool = False, dry_run: bool = False) -> Document:
    """Balance a year and keep the result as a run.

    With ``hours`` the hours are examined too: lost shares, swapped directions, clocks, level shifts.

    Raises
    ------
    NotFound
        No annual averages of that year.
    """
    fingerprint = ws.register.fingerprint(HOURLY_TOPICS if hours else TOPICS, year)
    network = Network(ws)
    inputs = _inputs(ws, network, year)
    result = assess.assess(inputs)
    suspects = result.suspects
    document = result.document
    if hours:
        studied = tides.study(_hours_of(ws, year), inputs)
        found = studied.suspects
        suspects = pd.concat([s for s in (suspects, found) if len(s)] or [found], ignore_index=True)
        document["suspects"] += [
            row | {"set": row["set"].split(), "rivals": rivals}
            for row, rivals in zip(records(found), studied.rivals, strict=True)
        ]
        document["untestable"] += studied.untestable
    tested = [
        one for kind in ("junctions", "sections", "areas", "screenlines") for one in document[kind]
    ]
    document |= {
        "hours": hours,
        "by_status": _tally(result.flows),
        "disagreeing": sum(one.get("verdict") == "disagrees" for one in tested),
    }
    if not dry_run:
        with ws.register.transaction() as tx:
            frames = {"flows": result.flows, "suspects": suspects}
            tx.add_run("balance", year, fingerprint, {"hours": hours}, document, frames)
    return document | {"dry_run": dry_run}


def corridor(ws: Workspace, start: str, end: str, *, year: int) -> Document:
    """Walk a route between two nodes, links or stations.

    Raises
    ------
    NotFound
        An end that is not there, no route, no balance of that year.
    """
    network = Network(ws)
    flows = ws.register.results("flows", year)
    if flows.empty:
        raise _no_balance(year)
    # A modelled figure takes part in no test, so no step may lean on one.
    flows = flows.loc[flows["status"].ne("modelled")]
    walk = walking.walk(
        network.roads,
        network.sections,
        ws.register.frame("stations"),
        ws.register.results("annual", year),
        flows,
        start,
        end,
        pairs=network.pairs,
    )
    return {"year": year, **walk, "notes": stale_notes(ws, year)}


def explain(ws: Workspace, station_id: str, *, year: int) -> Document:
    """Return the sums a station takes part in and what they say about it.

    Raises
    ------
    NotFound
        No such station; no balance of that year.
    """
    station = station_row(ws, station_id)
    balance = latest(ws, "balance", year)
    if balance is None:
        raise _no_balance(year)
    document = balance["document"]
    places = [
        one
        for kind in ("junctions", "sections", "areas")
        for one in document[kind]
        if one["z"] is not None and station_id in {m["station_id"] for m in one["members"]}
    ]
    flows = ws.register.results("flows", year)
    return {
        "station_id": station_id,
        "year": year,
        "places": places,
        "turns": [
            one
            for one in document.get("turns", [])
            if station.iloc[0]["link_id"] in {leg["link_id"] for leg in one["legs"]}
        ],
        "suspects": [s for s in document["suspects"] if station_id in s["set"]],
        "untestable": [u for u in document["untestable"] if u["station_id"] == station_id],
        "flows": _at_station(flows, station.iloc[0]),
        "notes": stale_notes(ws, year),
    }


def _at_station(flows: pd.DataFrame, station: pd.Series) -> list[Document]:
    """Return the flows of a station's link, by the station's own senses."""
    here = flows[flows["link_id"] == station["link_id"]]
    if not bool(station["same_way"]):
        turned = {"with": "against", "against": "with", "both": "both"}
        here = here.assign(sense=here["sense"].map(turned))
    towards = {"with": cell(station["name_with"]), "against": cell(station["name_against"])}
    return [
        row | {"towards": towards.get(row["sense"])}
        for row in records(here.sort_values("sense", key=both_first))
    ]


def _inputs(ws: Workspace, network: Network, year: int) -> BalanceInputs:
    averages = ws.register.results("annual", year)
    if averages.empty:
        raise NotFound(
            f"there are no annual averages for {year}; run countmap annual estimate --year {year} first"
        )
    lines = ws.register.frame("screenlines")
    return BalanceInputs(
        roads=network.roads,
        junctions=network.junctions,
        sections=network.sections,
        stations=ws.register.frame("stations"),
        annual=averages,
        year=year,
        declarations=network.declarations,
        pairs=network.pairs,
        screenlines=lines if len(lines) else None,
        turns=ws.register.frame("turns"),
    )


def _hours_of(ws: Workspace, year: int) -> pd.DataFrame:
    hours = queries.hour_cells(ws, f"{year}-01-01", f"{year}-12-31")
    kept, _ = within_validity(hours, ws.register.frame("stations"))
    return kept


def _tally(flows: pd.DataFrame) -> dict[str, int]:
    arcs = flows[flows["sense"] != BASES[-1]]
    return {str(k): int(v) for k, v in arcs["status"].value_counts().sort_index().items()}


def _no_balance(year: int) -> NotFound:
    return NotFound(f"there is no balance for {year}; run countmap balance run --year {year} first")
