"""Which sections to count next: the least known first."""

from __future__ import annotations

import numpy as np
import pandas as pd

from countmap.plan.coverage import ON_REQUEST, section_table

_RANK = {"motorway": 0, "trunk": 1, "primary": 2, "secondary": 3, "tertiary": 4, "unclassified": 5}
_KNOWN = ("measured",)


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
        ``section_id, road, road_class, length_km, flow, half_width`` (share of the flow, inf where
        nothing is known), ``status, why``; classes that are counted only on request come last.
    """
    table = section_table(sections, links)
    senses = flows[flows["sense"] != "both"].merge(sections[["link_id", "section_id"]].dropna())
    half = (senses["upper"] - senses["lower"]) / 2 / senses["flow"].where(senses["flow"] > 0)
    senses = senses.assign(half=half.fillna(np.inf))
    by_link = senses.sort_values(["half", "sense"]).groupby(["section_id", "link_id"])
    worst = pd.DataFrame(
        {
            "half_width": by_link["half"].max(),
            "flow": by_link["flow"].sum(min_count=1),
            "status": by_link["status"].last(),
        }
    ).reset_index()
    best = worst.sort_values(["half_width", "link_id"]).groupby("section_id").first()
    table = table.join(best[["half_width", "flow", "status"]])
    table["half_width"] = table["half_width"].fillna(np.inf)
    table["status"] = table["status"].fillna("unobservable")
    table["flow"] = table["flow"].where(np.isfinite(table["half_width"]))
    table = table[~table["status"].isin(_KNOWN)]
    rank = table["road_class"].fillna("").map(_RANK).fillna(len(_RANK))
    asked = table["road_class"].fillna("").isin(ON_REQUEST)
    table = (
        table.assign(rank=rank, asked=asked)
        .reset_index()
        .sort_values(
            ["asked", "half_width", "rank", "length_km", "section_id"],
            ascending=[True, False, True, False, True],
        )
        .drop(columns=["rank", "asked"])
    )
    table["why"] = [_why(s, h) for s, h in zip(table["status"], table["half_width"], strict=True)]
    return table.head(budget).reset_index(drop=True)


def _why(status: str, half: float) -> str:
    if not np.isfinite(half):
        return f"{status}: nothing says how much runs here"
    return f"{status}, known to ± {half:.0%}"
