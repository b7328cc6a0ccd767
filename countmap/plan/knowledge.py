"""How well each section's flow is known, from the flows as they are published."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

KNOWN_WITHIN = 0.10
"""A flow is known when its interval is within ± 10 % of it."""

_DOUBT = ["doubt", "half_width"]


@dataclass(frozen=True, slots=True)
class Knowledge:
    """Kilometres and vehicle-kilometres a day in all, and of sections known within ± ``within``.

    ``vehicle_km`` counts the sections that have a flow.
    """

    within: float
    km: float
    known_km: float
    vehicle_km: float
    known_vehicle_km: float


def by_section(sections: pd.DataFrame, flows: pd.DataFrame) -> pd.DataFrame:
    """Return how well each section is known: ``flow, half_width, status`` by ``section_id``.

    Parameters
    ----------
    sections : SECTIONS
    flows : FLOWS
        One year, any basis.

    Notes
    -----
    A section is as well known as its best known link, a link as its worst known sense.
    ``half_width`` is half the interval as a share of the flow, in vehicles where the flow is less
    than one; null where nothing says it. ``flow`` is the sum of the senses, null where one of them
    is; where only the two-way flow is known it stands for both senses. An observed zero is known.
    Sections without any row are ``unobservable``.
    """
    known = _by_link(flows).merge(sections[["link_id", "section_id"]].dropna(), on="link_id")
    best = known.sort_values([*_DOUBT, "link_id"]).groupby("section_id").head(1)
    best = best.set_index("section_id")[["flow", "half_width", "status"]]
    every = pd.Index(sorted(sections["section_id"].dropna().unique()), name="section_id")
    best = best.reindex(every)
    best["status"] = best["status"].fillna("unobservable")
    return best


def share(table: pd.DataFrame, length_km: pd.Series, *, within: float = KNOWN_WITHIN) -> Knowledge:
    """Return the share of the network that is known.

    Parameters
    ----------
    table : DataFrame
        Of :func:`by_section`.
    length_km : Series by ``section_id``
    """
    km = length_km.reindex(table.index).to_numpy(dtype=float)
    known = (table["half_width"] <= within).to_numpy()
    vehicle_km = np.nan_to_num(table["flow"].to_numpy(dtype=float)) * km
    return Knowledge(
        within,
        float(km.sum()),
        float(km[known].sum()),
        float(vehicle_km.sum()),
        float(vehicle_km[known].sum()),
    )


def said(status: str, half: float, flow: float) -> str:
    """Return in words how well a flow is known.

    Examples
    --------
    >>> said("estimated", 0.08, 1200.0), said("unobservable", np.nan, np.nan)
    ('estimated, known to ± 8 %', 'nothing says how much runs here')
    """
    if np.isnan(half):
        if status == "unadjusted" and not np.isnan(flow):
            return "counted, but nothing honest to expand it"
        return "nothing says how much runs here"
    if flow < 1:
        return f"{status}, next to nothing: known to ± {half:.1f} vehicles a day"
    return f"{status}, known to ± {100 * half:.0f} %"


def _by_link(flows: pd.DataFrame) -> pd.DataFrame:
    """Return ``link_id, flow, half_width, status, doubt`` of each link: its worst known sense."""
    base = np.maximum(flows["flow"], 1.0)
    rows = flows.assign(half_width=(flows["upper"] - flows["lower"]) / 2 / base)
    rows["doubt"] = _doubt(rows)
    rows = rows[["link_id", "sense", "flow", "half_width", "status", "doubt"]]
    both = rows["sense"] == "both"
    senses = rows[~both].sort_values([*_DOUBT, "sense"])
    worst = senses.groupby("link_id").tail(1).set_index("link_id")
    by_link = senses.groupby("link_id")["flow"]
    worst["flow"] = by_link.sum().where(by_link.count() == by_link.size())
    total = rows[both].set_index("link_id")
    better = total.index[total["doubt"] < worst["doubt"].reindex(total.index, fill_value=9)]
    kept = worst.loc[~worst.index.isin(better)]
    return pd.concat([kept, total.loc[better]]).drop(columns="sense").reset_index()


def _doubt(rows: pd.DataFrame) -> pd.Series:
    """Return 0 where a flow is known with its width, 1 where it was counted only, 2 where unknown."""
    counted = rows["flow"].notna() & rows["status"].eq("unadjusted")
    return pd.Series(np.where(rows["half_width"].notna(), 0, np.where(counted, 1, 2)), rows.index)
