"""The other carriageway of a dual road: no side road of a walk, but the way back beside it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from countmap.roads.sections import COUPLE_GAP_M

if TYPE_CHECKING:
    import pandas as pd

    from countmap.balance.route import Leg, Route
    from countmap.roads.graph import Roads

OTHER = {"with": "against", "against": "with"}
_END_M = 1e-6


@dataclass(frozen=True, eq=False)
class Beside:
    """The links that run beside a route as its other carriageway.

    ``pair`` maps a link of the route to the link declared its pair. ``ahead`` has those and the rest
    of their sections, each with its sense that runs as the route does: of a one-way carriageway the
    other is its traffic. ``lines`` are the shapes of the route's legs.
    """

    roads: Roads
    way: Route
    lines: tuple[Any, ...]
    pair: dict[str, str]
    ahead: dict[str, str]

    def place(self, point: Any) -> tuple[float, Leg] | None:
        """Return the chainage abreast of a point and its leg; null beyond the ends of the route."""
        away = shapely.distance(np.array(self.lines, dtype=object), point)
        nearest = int(np.argmin(away))
        leg = self.way.legs[nearest]
        along = float(self.lines[nearest].project(point))
        at = leg.start_m + (along if leg.forward else leg.length_m - along)
        if not -_END_M <= at <= self.way.length_m + _END_M:
            return None
        at_end = at < _END_M or at > self.way.length_m - _END_M
        if at_end and away[nearest] > COUPLE_GAP_M:
            return None
        return float(at), leg

    def nodes(self) -> dict[str, float]:
        """Return the nodes of the other carriageway with the chainage abreast of them."""
        links = self.roads.links
        ends = links.loc[links["link_id"].isin(self.ahead), ["from_node", "to_node"]]
        nodes = self.roads.nodes
        named = nodes.loc[nodes["node_id"].isin(ends.to_numpy().ravel())]
        found = {}
        for node, x, y in named[["node_id", "x", "y"]].itertuples(index=False):
            placed = self.place(shapely.Point(x, y))
            if placed is not None:
                found[node] = placed[0]
        return found


def beside(roads: Roads, sections: pd.DataFrame, pairs: pd.DataFrame | None, way: Route) -> Beside:
    """Return the other carriageway of a route: the declared pairs of its links, with their sections.

    Parameters
    ----------
    roads, sections, pairs
        ``Roads`` and the frames of ``tables``; without pairs there is no other carriageway.
    way : Route
    """
    shapes = roads.links.set_index("link_id").geometry
    lines = tuple(shapes[leg.link_id] for leg in way.legs)
    on_route = {leg.link_id for leg in way.legs}
    pair: dict[str, str] = {}
    if pairs is not None and len(pairs):
        rows = pairs.loc[pairs["link_id"].isin(on_route) & pairs["other_id"].isin(shapes.index)]
        rows = rows.loc[~rows["other_id"].isin(on_route)].sort_values("link_id")
        pair = dict(zip(rows["link_id"], rows["other_id"], strict=True))
    section = sections.set_index("link_id")["section_id"].dropna()
    whole = section.index[section.isin(section.loc[section.index.isin(pair.values())])]
    links = sorted((set(pair.values()) | set(whole)) - on_route)
    ahead = {link: _sense_ahead(shapes[link], way, lines) for link in links}
    return Beside(roads, way, lines, pair, ahead)


def _sense_ahead(shape: Any, way: Route, lines: tuple[Any, ...]) -> str:
    """Return the sense of a link that runs as the nearest leg is walked."""
    middle = shape.interpolate(0.5, normalized=True)
    nearest = int(np.argmin([line.distance(middle) for line in lines]))
    early, late = (
        lines[nearest].project(shape.interpolate(share, normalized=True)) for share in (0.25, 0.75)
    )
    return "with" if (early < late) == way.legs[nearest].forward else "against"
