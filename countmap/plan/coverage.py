"""Coverage: which sections were counted within their cycle, which are due, and why."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from countmap.plan.knowledge import said
from countmap.plan.units import section_table

# Years between counts by road class: 3 for main roads, 6 for others (FHWA, HPMS Field Manual,
# appendix on monitoring procedures). Local streets are counted on request [common practice].
CYCLE_YEARS = {
    "motorway": 3,
    "trunk": 3,
    "primary": 3,
    "secondary": 3,
    "tertiary": 6,
    "unclassified": 6,
}
ON_REQUEST = ("local", "residential", "living_street", "service", "track")
OTHER_CYCLE_YEARS = 6
DAYS_A_YEAR = 365.25


@dataclass(frozen=True, slots=True)
class Coverage:
    """The sections with their age and cycle, and the sums.

    ``sections`` has one row a section (or reach): ``section_id, road, road_class, length_km,
    stations, last`` (the last counted day, NaT if never), ``age_years`` (NaN if never),
    ``cycle_years`` (NaN: on request), ``flow, half_width, status`` where flows were given,
    ``due`` (bool) and ``why``; the most overdue first, then the longest. The sums count what has a
    cycle; ``vehicle_km`` a day what of it has a flow, null without flows.
    """

    sections: pd.DataFrame
    km: float
    km_in_cycle: float
    vehicle_km: float | None
    vehicle_km_in_cycle: float | None


def due(
    sections: pd.DataFrame,
    links: pd.DataFrame,
    stations: pd.DataFrame,
    last_counted: pd.Series,
    on: pd.Timestamp,
    *,
    known: pd.DataFrame | None = None,
    cycle_years: dict[str, float] | None = None,
) -> Coverage:
    """Judge every section by the age of its latest count.

    Parameters
    ----------
    sections : SECTIONS
        With reaches in the place of sections a reach is judged as one.
    links : LINKS
    stations : STATIONS
        Those with a ``link_id`` cover that link's section.
    last_counted : Series of datetime64
        Last counted civil day by ``station_id``; stations that were never counted may be absent.
    on : Timestamp
        The day to judge by.
    known : DataFrame, optional
        ``flow, half_width, status`` by ``section_id``, of :func:`countmap.plan.knowledge.by_section`.
    cycle_years : dict, optional
        Years by road class, over the defaults in ``CYCLE_YEARS``.

    Returns
    -------
    Coverage
        ``km`` counts the sections that have a cycle; ``km_in_cycle`` those counted within it.
    """
    cycles = CYCLE_YEARS | (cycle_years or {})
    table = section_table(sections, links)[["road", "road_class", "length_km"]]
    placed = stations.loc[stations["link_id"].notna(), ["station_id", "link_id"]].merge(
        sections[["link_id", "section_id"]].dropna(), on="link_id"
    )
    placed["last"] = last_counted.reindex(placed["station_id"]).to_numpy()
    names = placed.sort_values("station_id").groupby("section_id")["station_id"].agg(" ".join)
    table["stations"] = names.reindex(table.index).astype("str")
    table["last"] = placed.groupby("section_id")["last"].max().astype("datetime64[us]")
    age = (on - table["last"]) / pd.Timedelta(days=DAYS_A_YEAR)
    named = table["road_class"].fillna("")
    cycle = named.map(cycles).fillna(OTHER_CYCLE_YEARS).astype(float)
    on_request = named.isin(ON_REQUEST) & ~named.isin((cycle_years or {}).keys())
    table["cycle_years"] = cycle.mask(on_request)
    table["age_years"] = age
    table["due"] = table["cycle_years"].notna() & ~(age < table["cycle_years"])
    table["why"] = [_why(a, c, o) for a, c, o in zip(age, cycle, on_request, strict=True)]
    if known is not None:
        table = table.join(known[["flow", "half_width", "status"]])
        shown = zip(table["why"], table["status"], table["half_width"], table["flow"], strict=True)
        table["why"] = [f"{why}; {said(*rest)}" for why, *rest in shown]
    overdue = (age.fillna(np.inf) - table["cycle_years"]).fillna(-np.inf)
    table = (
        table.assign(overdue=overdue)
        .reset_index()
        .sort_values(
            ["due", "overdue", "cycle_years", "length_km", "section_id"],
            ascending=[False, False, True, False, True],
        )
        .drop(columns="overdue")
        .reset_index(drop=True)
    )
    counted = table["cycle_years"].notna()
    inside = counted & ~table["due"]
    vehicle_km = (
        None if known is None else table["flow"].astype(float).fillna(0) * table["length_km"]
    )
    return Coverage(
        sections=table,
        km=float(table.loc[counted, "length_km"].sum()),
        km_in_cycle=float(table.loc[inside, "length_km"].sum()),
        vehicle_km=None if vehicle_km is None else float(vehicle_km[counted].sum()),
        vehicle_km_in_cycle=None if vehicle_km is None else float(vehicle_km[inside].sum()),
    )


def _why(age: float, cycle: float, on_request: bool) -> str:
    if on_request:
        return "counted on request" if np.isnan(age) else f"counted {age:.1f} years ago, on request"
    if np.isnan(age):
        return f"never counted; cycle {cycle:g} years"
    if age >= cycle:
        return f"last counted {age:.1f} years ago; cycle {cycle:g} years"
    return f"counted {age:.1f} years ago; cycle {cycle:g} years"
