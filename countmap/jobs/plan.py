"""Jobs of planning: what is due, what to count next."""

from __future__ import annotations

from countmap.errors import NotFound
from countmap.jobs.common import (
    Document,
    Network,
    Workspace,
    day,
    last_counted,
    records,
    stale_notes,
)
from countmap.plan import choose, coverage


def due(ws: Workspace, *, on: str = "") -> Document:
    """Judge every section by its age and cycle.

    Raises
    ------
    InvalidInput, NotFound
        ``on`` is no date; no roads.
    """
    network = Network(ws)
    when = day(on, "--on")
    found = coverage.due(
        network.sections,
        network.roads.links,
        ws.register.frame("stations"),
        last_counted(ws),
        when,
        cycle_years=ws.settings.cycle_years,
    )
    table = found.sections
    return {
        "on": f"{when:%Y-%m-%d}",
        "km": found.km,
        "km_in_cycle": found.km_in_cycle,
        "share_in_cycle": found.km_in_cycle / found.km if found.km else 0.0,
        "due": records(table[table["due"]]),
        "sections": len(table),
    }


def next_(ws: Workspace, *, year: int, budget: int) -> Document:
    """Name the sections whose flow is known worst.

    Raises
    ------
    NotFound
        No balance run for that year.
    """
    network = Network(ws)
    flows = ws.register.results("flows", year)
    if flows.empty:
        raise NotFound(
            f"there are no flows for {year}; run countmap balance run --year {year} first"
        )
    every = len(network.sections["section_id"].dropna().unique())
    chosen = choose.widest(network.sections, network.roads.links, flows, budget=every)
    return {
        "year": year,
        "candidates": len(chosen),
        "next": records(chosen.head(budget)),
        "notes": stale_notes(ws, year),
    }
