"""Jobs of coverage: sections that share a count, and what is due."""

from __future__ import annotations

import numpy as np
import pandas as pd

from countmap.jobs import planning
from countmap.jobs.common import Document, Network, Workspace, day, last_counted, records
from countmap.plan import coverage, knowledge, reaches
from countmap.plan.units import section_table, units


def _merged(ws: Workspace, network: Network, year: int | None) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the reaches and how well each section is known; without flows each stands alone."""
    flows = ws.register.results("flows", year) if year is not None else ws.register.results("flows")
    if len(flows):
        flows = flows[flows["year"] == flows["year"].max()]
    table = knowledge.by_section(network.sections, flows)
    annual = ws.register.results("annual")
    made = units(network.roads, network.junctions, network.sections, network.declarations)
    stations = ws.register.frame("stations")
    group = _groups(annual, stations, network.sections)
    merged = reaches.reaches(made, table["flow"], group, settings=planning.reach(ws))
    return merged, table


def _groups(annual: pd.DataFrame, stations: pd.DataFrame, sections: pd.DataFrame) -> pd.Series:
    """Return the factor group of each section that has a station with one."""
    rows = annual.dropna(subset=["group"])[["station_id", "year", "group"]]
    rows = rows.merge(stations[["station_id", "link_id"]].dropna(), on="station_id")
    rows = rows.merge(sections[["link_id", "section_id"]].dropna(), on="link_id")
    rows = rows.sort_values(["year", "station_id"]).drop_duplicates("section_id", keep="last")
    return rows.set_index("section_id")["group"]


def reaches_(ws: Workspace, *, year: int | None = None) -> Document:
    """Merge sections that can share a count.

    Raises
    ------
    NotFound
        No roads.
    """
    network = Network(ws)
    merged, table = _merged(ws, network, year)
    about = section_table(network.sections, network.roads.links)
    rows = merged.merge(about.reset_index(), on="section_id")
    rows = rows.merge(table.reset_index()[["section_id", "flow"]], on="section_id")
    rows["vehicle_km"] = rows["flow"].astype(float) * rows["length_km"]
    found = (
        rows.sort_values(["reach_id", "section_id"])
        .groupby("reach_id")
        .agg(
            road=("road", "first"),
            road_class=("road_class", "first"),
            length_km=("length_km", "sum"),
            flow_low=("flow", "min"),
            flow_high=("flow", "max"),
            sections=("section_id", " ".join),
            why=("why", "first"),
        )
        .reset_index()
    )
    return {
        "reaches": records(found),
        "sections": len(merged),
        "with_flow": int(table["flow"].notna().sum()),
    }


def due(ws: Workspace, *, on: str = "") -> Document:
    """Judge every reach by its age and cycle.

    Raises
    ------
    InvalidInput, NotFound
        ``on`` is no date; no roads.
    """
    network = Network(ws)
    when = day(on, "--on")
    merged, table = _merged(ws, network, None)
    whole = reaches.as_units(network.sections, merged)
    flows = _flows_of_reaches(merged, table, network)
    found = coverage.due(
        whole,
        network.roads.links,
        ws.register.frame("stations"),
        last_counted(ws),
        when,
        known=flows if table["flow"].notna().any() else None,
        cycle_years=ws.settings.cycle_years,
    )
    lengths = section_table(network.sections, network.roads.links)["length_km"]
    share = knowledge.share(table, lengths)
    rows = found.sections.rename(columns={"section_id": "reach_id"})
    inside = merged.groupby("reach_id")["section_id"].agg(" ".join)
    rows["sections"] = rows["reach_id"].map(inside)
    return {
        "on": f"{when:%Y-%m-%d}",
        "km": found.km,
        "km_in_cycle": found.km_in_cycle,
        "share_in_cycle": found.km_in_cycle / found.km if found.km else 0.0,
        "vehicle_km": found.vehicle_km,
        "vehicle_km_in_cycle": found.vehicle_km_in_cycle,
        "known_within": share.within,
        "all_km": share.km,
        "known_km": share.known_km,
        "known_share": share.known_km / share.km if share.km else 0.0,
        "known_vehicle_km": share.known_vehicle_km,
        "due": records(rows[rows["due"]]),
        "reaches": len(rows),
        "sections": len(merged),
    }


def _flows_of_reaches(merged: pd.DataFrame, table: pd.DataFrame, network: Network) -> pd.DataFrame:
    """Return flow, half width and status by reach: those of its best known section."""
    rows = merged.join(table, on="section_id")
    rows["doubt"] = rows["half_width"].fillna(np.inf)
    best = rows.sort_values(["reach_id", "doubt", "section_id"]).drop_duplicates("reach_id")
    return best.set_index("reach_id")[["flow", "half_width", "status"]].rename_axis("section_id")
