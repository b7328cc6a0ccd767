"""Driving times on the road graph between stations and the depot."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from countmap.errors import InvalidInput

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from countmap.roads.graph import Roads

    Floats = NDArray[np.float64]

SLOWER = 0.8
"""Share of the speed limit that is driven, stops included (project default)."""
OTHER_SPEED_KMH = 40.0
BEYOND_M = 30_000.0


def minutes(
    roads: Roads, stops: pd.DataFrame, depot: tuple[float, float], *, slower: float = SLOWER
) -> Floats:
    """Return driving minutes between the depot (row 0) and the stops, shape (stops + 1,) * 2.

    Parameters
    ----------
    roads : Roads
    stops : DataFrame
        ``station_id, link_id, offset_m``.
    depot : (x, y)
        In the working CRS; driven from the nearest node, in a straight line to it.
    slower : float
        Share of the speed limit that is driven; where none is known, of 40 km/h.

    Raises
    ------
    InvalidInput
        The depot lies more than 30 km from the network; a stop cannot be driven to and back.

    Notes
    -----
    Quickest ways by Dijkstra's algorithm; one-way streets hold.
    """
    import networkx as nx

    graph = nx.DiGraph()
    limit = roads.links.set_index("link_id")["speed_kmh"].fillna(OTHER_SPEED_KMH)
    length = roads.links.set_index("link_id")["length_m"]
    per_m = 0.06 / (limit * slower)
    arcs = roads.arcs
    time = (length * per_m).reindex(arcs["link_id"]).to_numpy()
    order = np.argsort(-time, kind="stable")
    graph.add_weighted_edges_from(
        zip(
            arcs["tail"].to_numpy()[order], arcs["head"].to_numpy()[order], time[order], strict=True
        )
    )
    where = roads.nodes[["x", "y"]].to_numpy()
    away = np.hypot(where[:, 0] - depot[0], where[:, 1] - depot[1])
    near = int(np.argmin(away))
    if away[near] > BEYOND_M:
        raise InvalidInput(
            f"the depot lies {away[near] / 1000:,.0f} km from the network; give it as lon,lat"
        )
    lead = float(away[near]) * 0.06 / (OTHER_SPEED_KMH * slower)
    home = ("stop", 0)
    graph.add_edge(home, roads.nodes["node_id"].iloc[near], weight=lead)
    graph.add_edge(roads.nodes["node_id"].iloc[near], home, weight=lead)
    by_link = arcs.groupby("link_id").indices
    senses, tails, heads = (arcs[c].to_numpy(dtype=object) for c in ("sense", "tail", "head"))
    on: dict[tuple[str, str], list[tuple[float, int]]] = {}
    for i, (link, offset) in enumerate(
        zip(stops["link_id"], stops["offset_m"].fillna(0.0), strict=True), start=1
    ):
        for row in by_link.get(link, ()):
            sense, tail, head = senses[row], tails[row], heads[row]
            along = float(offset) if sense == "with" else float(length[link]) - float(offset)
            along = min(max(along, 0.0), float(length[link]))
            graph.add_edge(tail, ("stop", i), weight=along * per_m[link])
            rest = (float(length[link]) - along) * per_m[link]
            graph.add_edge(("stop", i), head, weight=rest)
            on.setdefault((link, sense), []).append((along, i))
    for (link, _), places in on.items():
        for along, i in places:
            for further, j in places:
                if further >= along and i != j:
                    graph.add_edge(("stop", i), ("stop", j), weight=(further - along) * per_m[link])
    return _table(graph, stops)


def _table(graph: object, stops: pd.DataFrame) -> Floats:
    import networkx as nx

    n = len(stops) + 1
    found = np.full((n, n), np.inf)
    for i in range(n):
        reach = nx.single_source_dijkstra_path_length(graph, ("stop", i))
        found[i] = [reach.get(("stop", j), np.inf) for j in range(n)]
    lost = np.flatnonzero(~np.isfinite(found[0, 1:]) | ~np.isfinite(found[1:, 0]))
    if len(lost):
        name = stops["station_id"].iloc[int(lost[0])]
        raise InvalidInput(
            f"station {name} cannot be driven to from the depot and back; check the one-way streets "
            "of its road or move the depot"
        )
    return found
