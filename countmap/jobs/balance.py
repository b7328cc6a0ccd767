"""Jobs of the balance: run, corridor, explain."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from countmap.balance import assess, tides
from countmap.balance import corridor as walking
from countmap.balance.inputs import BalanceInputs
from countmap.errors import NotFound
from countmap.jobs.common import Document, Network, Workspace, latest, records, station_row
from countmap.store import queries
from countmap.tables import BASES

TOPICS = ("roads", "stations", "declarations", "screenlines", "annual")
HOURLY_TOPICS = (*TOPICS, "counts", "flags", "days", "settings")


def run(ws: Workspace, *, year: int, hours: bool = False, dry_run: bool = False) -> Document:
    """Balance a year and keep the result as a run.

    With ``hours`` the hourly profiles are examined too: swapped directions, clocks, level shifts.

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
        found = tides.examine(_hours_of(ws, year), inputs)
        suspects = pd.concat([s for s in (suspects, found) if len(s)] or [found], ignore_index=True)
        document["suspects"] += [
            row | {"set": row["set"].split(), "rivals": []} for row in records(found)
        ]
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
    walk = walking.walk(
        network.roads,
        network.sections,
        ws.register.frame("stations"),
        ws.register.results("annual", year),
        flows,
        start,
        end,
    )
    return {"year": year, **walk}


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
    found = {
        "station_id": station_id,
        "year": year,
        "places": places,
        "suspects": [s for s in document["suspects"] if station_id in s["set"]],
        "untestable": [u for u in document["untestable"] if u["station_id"] == station_id],
        "flows": records(
            balance_rows := ws.register.results("flows", year).pipe(
                lambda f: f[f["link_id"] == station["link_id"].iloc[0]]
            )
        ),
    }
    return found | {"lines": list(_explained(found, balance_rows))}


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
    )


def _hours_of(ws: Workspace, year: int) -> pd.DataFrame:
    return queries.hour_cells(ws, f"{year}-01-01", f"{year}-12-31")


def _tally(flows: pd.DataFrame) -> dict[str, int]:
    arcs = flows[flows["sense"] != BASES[-1]]
    return {str(k): int(v) for k, v in arcs["status"].value_counts().sort_index().items()}


def _no_balance(year: int) -> NotFound:
    return NotFound(f"there is no balance for {year}; run countmap balance run --year {year} first")


def _explained(found: Document, flows: pd.DataFrame) -> Iterator[str]:
    yield f"{found['station_id']} {found['year']}"
    for row in flows.itertuples():
        bounds = "" if pd.isna(row.lower) else f" ({row.lower:,.0f} to {row.upper:,.0f})"
        known = "unknown" if pd.isna(row.flow) else f"{row.flow:,.0f}{bounds}"
        yield f"  link {row.link_id} {row.sense}: {known}, {row.status}"
    for place in found["places"]:
        yield (
            f"  {place.get('name') or place.get('section_id')}: in {place['in']:,.0f}, out {place['out']:,.0f},"
            f" difference {place['disagreement']:+,.0f} ± {place['se']:,.0f}, z {place['z']:+.1f}: {place['verdict']}"
        )
        for member in place["members"]:
            yield (
                f"    {member['way']:<3}  {member['station_id']} {member['sense']} on {member['link_id']}:"
                f" {member['count']:,.0f}"
            )
    for suspect in found["suspects"]:
        yield f"  suspect ({suspect['hypothesis']}): {suspect['evidence']}"
    for one in found["untestable"]:
        yield f"  not tested: {one['reason']}"
    if not found["places"] and not found["untestable"]:
        yield "  no sum of counts contains it"
