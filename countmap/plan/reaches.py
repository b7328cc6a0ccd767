"""Reaches: consecutive sections of one road alike enough in traffic to share one count."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from countmap.errors import InvalidInput
from countmap.plan.units import through

if TYPE_CHECKING:
    from countmap.plan.units import Units


@dataclass(frozen=True, slots=True)
class ReachSettings:
    """When two sections are alike: they differ by less than the larger of a share and a number.

    Source: Āpōpō, *Traffic Monitoring Estimation Guidelines*, 2022: 10 % and 50 vehicles a day, same
    class and same traffic group [as quoted in another public text].
    """

    share: float = 0.10
    vehicles: float = 50.0

    def __post_init__(self) -> None:
        if self.share < 0 or self.vehicles < 0:
            raise InvalidInput(
                f"plan settings reach_share and reach_vehicles must not be negative, got "
                f"{self.share:g} and {self.vehicles:g}"
            )


def reaches(
    units: Units,
    flow: pd.Series,
    group: pd.Series | None = None,
    *,
    settings: ReachSettings | None = None,
) -> pd.DataFrame:
    """Merge the sections of each road into reaches.

    Parameters
    ----------
    units : Units
    flow : Series by ``section_id``
        Vehicles a day, both senses; null where nothing says it.
    group : Series by ``section_id``, optional
        Factor group; null agrees with any.
    settings : ReachSettings, optional

    Returns
    -------
    DataFrame
        ``section_id, reach_id`` (the first of its sections' ids), ``why``: for a section's reach,
        one sentence; sorted by section.

    Notes
    -----
    Sections meet in a reach when they are one road through a junction, of one class and group, open
    in the same senses, and the largest and the smallest flow of the whole reach differ by less than
    the larger of the share of its mean and the number of vehicles. The most alike are merged first,
    so neither the order of the rows nor a slow drift along the road decides. A section without a flow
    stands alone: nothing says that it is alike.
    """
    options = settings or ReachSettings()
    table = units.sections
    ids = table["section_id"].to_numpy(dtype=object)
    flows = flow.reindex(ids).to_numpy(dtype=float)
    km = table["length_km"].to_numpy(dtype=float)
    label = np.full(len(ids), None) if group is None else group.reindex(ids).to_numpy(object)
    pairs = _alike_in_kind(units, through(units))
    gap = np.abs(flows[pairs["a"]] - flows[pairs["b"]])
    pairs = pairs.assign(gap=gap).dropna(subset=["gap"]).sort_values(["gap", "a", "b"])
    root = np.arange(len(ids))
    low, high = flows.copy(), flows.copy()
    total, length = flows * km, km.copy()
    groups = [set() if pd.isna(one) else {one} for one in label]

    def find(at: int) -> int:
        while root[at] != at:
            at = int(root[at])
        return at

    for a, b in pairs[["a", "b"]].itertuples(index=False):
        one, two = sorted((find(a), find(b)))
        if one == two or len(groups[one] | groups[two]) > 1:
            continue
        spread = max(high[one], high[two]) - min(low[one], low[two])
        mean = (total[one] + total[two]) / (length[one] + length[two])
        if spread >= max(options.share * mean, options.vehicles):
            continue
        root[two] = one
        low[one], high[one] = min(low[one], low[two]), max(high[one], high[two])
        total[one] += total[two]
        length[one] += length[two]
        groups[one] |= groups[two]
    top = np.array([find(at) for at in range(len(ids))])
    size = np.bincount(top, minlength=len(ids))
    why = [_why(int(size[t]), low[t], high[t]) for t in top]
    return pd.DataFrame({"section_id": ids, "reach_id": ids[top], "why": why})


def as_units(sections: pd.DataFrame, merged: pd.DataFrame) -> pd.DataFrame:
    """Return SECTIONS in which ``section_id`` is the reach."""
    reach = merged.set_index("section_id")["reach_id"]
    return sections.assign(section_id=sections["section_id"].map(reach))


def _alike_in_kind(units: Units, pairs: pd.DataFrame) -> pd.DataFrame:
    """Keep the pairs of one class that are open in the same senses along the road."""
    table = units.sections
    class_ = table["road_class"].fillna("").to_numpy(dtype=object)
    a, b = pairs["a"].to_numpy(), pairs["b"].to_numpy()
    open_ = units.of_arc >= 0
    a_in, a_out = open_[a, 1 - pairs["a_end"]], open_[a, pairs["a_end"]]
    b_in, b_out = open_[b, 1 - pairs["b_end"]], open_[b, pairs["b_end"]]
    same = (class_[a] == class_[b]) & (a_in == b_out) & (b_in == a_out) & (a != b)
    return pairs[same]


def _why(number: int, low: float, high: float) -> str:
    if number == 1:
        return "no flow to compare" if np.isnan(low) else "unlike its neighbours"
    return f"{number} sections, {low:,.0f} to {high:,.0f} vehicles a day"
