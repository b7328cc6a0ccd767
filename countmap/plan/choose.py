"""Which sections to count next: the least known first."""

from __future__ import annotations

import numpy as np
import pandas as pd

from countmap.plan.coverage import ON_REQUEST, section_table

_RANK = {"motorway": 0, "trunk": 1, "primary": 2, "secondary": 3, "tertiary": 4, "unclassified": 5}
_KNOWN = ("measured",)
_DOUBT = ["doubt", "half_width"]


def widest(
    sections: pd.DataFrame,
    links: pd.DataFrame,
    flows: pd.DataFrame,
    *,
    budget: int,
) -> pd.DataFrame:
    """Return the ``budget`` sections whose annual flow is known worst.

    Parameters
    ----------
    sections : SECTIONS
    links : LINKS
    flows : FLOWS
        One year, any basis; a section is as well known as its best known link, a link as its worst
        known sense.
    budget : int

    Returns
    -------
    DataFrame
        ``section_id, road, road_class, length_km, flow, half_width`` (share of the flow, in vehicles
        where it is less than one; null where nothing says it), ``status, why``. What nothing is known
        about comes first, what was counted and could not be expanded next; classes that are counted
        only on request come last.

    Notes
    -----
    An observed zero is known. Where only the two-way flow is known it stands for both senses.
    """
    table = section_table(sections, links)
    links_known = _by_link(flows).merge(sections[["link_id", "section_id"]].dropna())
    best = links_known.sort_values([*_DOUBT, "link_id"]).groupby("section_id").head(1)
    best = best.set_index("section_id")[["half_width", "flow", "status"]]
    table = table.join(best)
    table["status"] = table["status"].fillna("unobservable")
    table = table[~table["status"].isin(_KNOWN)]
    table = table.assign(doubt=_doubt(table))
    rank = table["road_class"].fillna("").map(_RANK).fillna(len(_RANK))
    asked = table["road_class"].fillna("").isin(ON_REQUEST)
    table = (
        table.assign(rank=rank, asked=asked)
        .reset_index()
        .sort_values(
            ["asked", "doubt", "half_width", "rank", "length_km", "section_id"],
            ascending=[True, False, False, True, False, True],
        )
        .drop(columns=["rank", "asked", "doubt"])
    )
    shown = zip(table["status"], table["half_width"], table["flow"], strict=True)
    table["why"] = [_why(*row) for row in shown]
    return table.head(budget).reset_index(drop=True)


def _by_link(flows: pd.DataFrame) -> pd.DataFrame:
    """Return ``link_id, flow, half_width, status, doubt`` of each link: its worst known sense.

    ``flow`` is the sum of the senses, null where one of them is; the two-way flow where the senses
    are unknown and it is not.
    """
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


def _why(status: str, half: float, flow: float) -> str:
    if np.isnan(half):
        if status == "unadjusted" and not np.isnan(flow):
            return "counted, but nothing honest to expand it"
        return f"{status}: nothing says how much runs here"
    if flow < 1:
        return f"{status}, next to nothing: known to ± {half:.1f} vehicles a day"
    return f"{status}, known to ± {half:.0%}"
