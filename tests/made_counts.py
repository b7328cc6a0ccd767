"""Random small networks with true flows that conserve, and counts on them."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from countmap.balance.inputs import BalanceInputs, Settings
from countmap.roads.graph import Roads, build
from countmap.tables import SECTIONS, empty

EXACT = Settings(access_per_km=0.0, error_from="counts")
"""S and Q held fixed: the identities of least squares hold to rounding."""


@dataclass(frozen=True)
class Made:
    roads: Roads
    junctions: pd.DataFrame
    truth: dict[tuple[str, str], float]


def network(rng: np.random.Generator, nodes: int, extra: int, one_way: float = 0.0) -> Made:
    """Return a connected random network with walks from boundary to boundary as its traffic."""
    at = rng.uniform(0, 5000, (nodes, 2)) + np.array([385_000, 6_672_000])
    pairs = [(int(rng.integers(i)), i) for i in range(1, nodes)]
    pairs.extend(
        (int(a), int(b)) for a, b in (rng.choice(nodes, 2, replace=False) for _ in range(extra))
    )
    raw = gpd.GeoDataFrame(
        {
            "link_id": [f"l{i:03d}" for i in range(len(pairs))],
            "from_node": [f"n{a:03d}" for a, _ in pairs],
            "to_node": [f"n{b:03d}" for _, b in pairs],
            "allowed": [
                "with" if i >= nodes - 1 and rng.random() < one_way else "both"
                for i in range(len(pairs))
            ],
        },
        geometry=[shapely.LineString([at[a], at[b]]) for a, b in pairs],
        crs="EPSG:3067",
    )
    roads = build(raw)
    return Made(roads, plain_junctions(roads), traffic(rng, roads))


def plain_junctions(roads: Roads) -> pd.DataFrame:
    """Return every node as a junction of its own, dead ends as boundary: no bends, no clusters."""
    ends = pd.concat([roads.links["from_node"], roads.links["to_node"]])
    degree = ends.value_counts()
    node = roads.nodes["node_id"]
    kind = np.where(node.map(degree).fillna(0) <= 1, "boundary", "junction")
    return pd.DataFrame({"node_id": node, "junction_id": node, "kind": kind, "shape": "simple"})


def traffic(rng: np.random.Generator, roads: Roads) -> dict[tuple[str, str], float]:
    """Return true flows: walks along shortest ways between boundary nodes, in vehicles a day."""
    import networkx as nx

    graph = roads.to_networkx()
    kind = plain_junctions(roads).set_index("node_id")["kind"]
    ends = [n for n in graph if kind[n] == "boundary"]
    flow = dict.fromkeys(zip(roads.arcs["link_id"], roads.arcs["sense"], strict=True), 0.0)
    for start in ends:
        ways = nx.single_source_dijkstra_path(graph, start, weight="length_m")
        for end in ends:
            if end == start or end not in ways:
                continue
            amount = float(rng.integers(50, 900))
            for a, b in zip(ways[end], ways[end][1:], strict=False):
                key = min(graph[a][b], key=lambda k: (graph[a][b][k]["length_m"], k))
                flow[key] += amount
    return flow


def inputs(
    made: Made,
    arcs: list[tuple[str, str]],
    rng: np.random.Generator,
    *,
    error: float = 0.05,
    noise: bool = True,
    settings: Settings = EXACT,
    year: int = 2025,
) -> BalanceInputs:
    """Return the balance's inputs with a station on each link of ``arcs``, counting those senses."""
    links = sorted({link for link, _ in arcs})
    length = made.roads.links.set_index("link_id")["length_m"]
    stations = pd.DataFrame(
        {
            "station_id": [f"S{link[1:]}" for link in links],
            "link_id": links,
            "offset_m": [length[link] / 2 for link in links],
            "same_way": [True] * len(links),
        }
    ).astype({"station_id": "str", "link_id": "str"})
    rows = []
    for link, sense in sorted(arcs):
        flow = made.truth[link, sense] + 200.0
        value = flow * np.exp(rng.normal(0, error)) if noise else flow
        rows.append((f"S{link[1:]}", sense, year, value, error, "estimated"))
    names = ["station_id", "sense", "year", "aadt", "log_se", "status"]
    annual = pd.DataFrame(rows, columns=names).astype({"year": "int64", "aadt": "float64"})
    return BalanceInputs(
        made.roads, made.junctions, empty(SECTIONS), stations, annual, year, settings=settings
    )
