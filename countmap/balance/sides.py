"""The side roads of a corridor: what joins it, where, and how much comes in and goes out there."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from countmap.roads.sections import COUPLE_GAP_M

if TYPE_CHECKING:
    from countmap.balance.carriageways import Beside
    from countmap.balance.inputs import Settings
    from countmap.roads.graph import Roads


@dataclass(frozen=True, eq=False)
class Sides:
    """Side roads along a route: by chainage, their link, and the flows into and out of the route."""

    rows: tuple[dict[str, Any], ...]

    @classmethod
    def of(
        cls,
        roads: Roads,
        sections: pd.DataFrame,
        flows: pd.DataFrame,
        other: Beside,
        settings: Settings,
    ) -> Sides:
        """Collect what joins the junctions of the route, or of its other carriageway, from outside."""
        cluster = _clusters(roads, sections)
        at: dict[str, float] = {}
        for node, metres in (*other.way.nodes, *other.nodes().items()):
            at.setdefault(cluster.get(node, node), metres)
        on_route = {leg.link_id for leg in other.way.legs} | set(other.ahead)
        inside = set(sections.loc[sections["section_id"].isna(), "link_id"])
        inside |= _crossovers(roads, other)
        arcs = roads.arcs
        quantile = NormalDist().inv_cdf(0.5 + settings.level / 2)
        known = {
            (link, sense): (flow, (upper - lower) / (2 * quantile))
            for link, sense, flow, lower, upper in flows.loc[
                flows["flow"].notna(), ["link_id", "sense", "flow", "lower", "upper"]
            ].itertuples(index=False)
        }
        names = roads.links.set_index("link_id")["name"]
        rows: dict[tuple[str, str], dict[str, Any]] = {}
        for link, sense, tail, head in arcs.itertuples(index=False):
            if link in on_route or link in inside:
                continue
            for node, side in ((head, "in"), (tail, "out")):
                here = cluster.get(node, node)
                if here in at:
                    row = rows.setdefault(
                        (here, link),
                        {
                            "link_id": link,
                            "name": names[link] if pd.notna(names[link]) else None,
                            "chainage_m": at[here],
                            "in": [],
                            "out": [],
                        },
                    )
                    row[side].append(known.get((link, sense)))
        ordered = sorted(rows.items(), key=lambda item: (item[1]["chainage_m"], item[0]))
        return cls(tuple(row for _, row in ordered))

    def between(self, a_m: float, b_m: float) -> list[dict[str, Any]]:
        """Return the side roads at junctions between two chainages."""
        return [row for row in self.rows if a_m <= row["chainage_m"] <= b_m]


def _clusters(roads: Roads, sections: pd.DataFrame) -> dict[str, str]:
    """Return the junction of each node where a section begins or ends; other nodes stand alone."""
    if sections.empty:
        return {}
    chains = sections.loc[sections["section_id"].notna()].sort_values(["section_id", "seq"])
    links = roads.links.set_index("link_id")
    found: dict[str, str] = {}
    for rows, junction, near in (
        (chains.drop_duplicates("section_id"), "start_junction", True),
        (chains.drop_duplicates("section_id", keep="last"), "end_junction", False),
    ):
        as_drawn = rows["forward"].astype(bool).to_numpy() == near
        here = links.loc[rows["link_id"]]
        node = np.where(as_drawn, here["from_node"], here["to_node"])
        found.update(zip(node.tolist(), rows[junction].tolist(), strict=True))
    return found


def _crossovers(roads: Roads, other: Beside) -> set[str]:
    """Return the short links that join the two carriageways: they are inside the road."""
    links = roads.links.loc[roads.links["length_m"] <= COUPLE_GAP_M]
    here, there = {node for node, _ in other.way.nodes}, set(other.nodes())
    across = links["from_node"].isin(here) & links["to_node"].isin(there)
    across |= links["from_node"].isin(there) & links["to_node"].isin(here)
    return set(links.loc[across, "link_id"])


def added(parts: list[tuple[float, float] | None]) -> tuple[float | None, float]:
    """Add flows and errors; a sum over a gap is null; no arc at all is 0."""
    if any(part is None for part in parts):
        return None, 0.0
    known = [part for part in parts if part is not None]
    variance = sum(se**2 for _, se in known if np.isfinite(se))
    return float(sum(flow for flow, _ in known)), float(np.sqrt(variance))
