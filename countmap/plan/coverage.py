"""Coverage: which sections were counted within their cycle, which are due, and why."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

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

    ``sections`` has one row a section: ``section_id, road, road_class, length_km, stations, last``
    (the last counted day, NaT if never), ``age_years`` (NaN if never), ``cycle_years`` (NaN: on
    request), ``due`` (bool) and ``why``; the most overdue first, then the longest.
    """

    sections: pd.DataFrame
    km: float
    km_in_cycle: float


def due(
    sections: pd.DataFrame,
    links: pd.DataFrame,
    stations: pd.DataFrame,
    last_counted: pd.Series,
    on: pd.Timestamp,
    *,
    cycle_years: dict[str, float] | None = None,
) -> Coverage:
    """Judge every section by the age of its latest count.

    Parameters
    ----------
    sections : SECTIONS
    links : LINKS
    stations : STATIONS
        Those with a ``link_id`` cover that link's section.
    last_counted : Series of datetime64
        Last counted civil day by ``station_id``; stations that were never counted may be absent.
    on : Timestamp
        The day to judge by.
    cycle_years : dict, optional
        Years by road class, over the defaults in ``CYCLE_YEARS``.

    Returns
    -------
    Coverage
        ``km`` counts the sections that have a cycle; ``km_in_cycle`` those counted within it.
    """
    cycles = CYCLE_YEARS | (cycle_years or {})
    table = section_table(sections, links)
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
    return Coverage(
        sections=table,
        km=float(table.loc[counted, "length_km"].sum()),
        km_in_cycle=float(table.loc[counted & ~table["due"], "length_km"].sum()),
    )


def section_table(sections: pd.DataFrame, links: pd.DataFrame) -> pd.DataFrame:
    """Return road, class and length by ``section_id``: those of the longest link, lengths summed."""
    joined = sections.dropna(subset=["section_id"]).merge(
        pd.DataFrame(links[["link_id", "name", "road_class", "length_m"]]), on="link_id"
    )
    longest = joined.sort_values(["length_m", "link_id"], ascending=[False, True]).groupby(
        "section_id"
    )
    table = longest[["name", "road_class"]].first().rename(columns={"name": "road"})
    table["length_km"] = joined.groupby("section_id")["length_m"].sum() / 1000
    return table


def _why(age: float, cycle: float, on_request: bool) -> str:
    if on_request:
        return "counted on request" if np.isnan(age) else f"counted {age:.1f} years ago, on request"
    if np.isnan(age):
        return f"never counted; cycle {cycle:g} years"
    if age >= cycle:
        return f"last counted {age:.1f} years ago; cycle {cycle:g} years"
    return f"counted {age:.1f} years ago; cycle {cycle:g} years"
