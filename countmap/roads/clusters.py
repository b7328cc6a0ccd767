"""Nodes that are one junction: rings of roundabouts, crossings of dual carriageways, declarations."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from countmap.roads.along import bearing_deg, direction_deg, turn_deg
from countmap.roads.names import compatible

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from countmap.roads.graph import Roads

RING_LENGTH_M = 320.0
"""Longest ring that is detected without a flag: an inscribed circle of about 100 m, the largest
normal roundabout of CD 116 (National Highways 2023; figure from memory)."""
RING_LINKS = 24
RING_HULL_SHARE = 0.9
RING_ROUNDNESS = 0.6
"""4 π area / perimeter², 1 for a circle, 0.785 for a square, 0.605 for an equilateral triangle."""
STRAIGHT_DEG = 30.0
"""Two links that meet with a smaller deflection are one way through."""
CORNER_DEG = 60.0
"""A ring of streets round a block has corners at which the streets go on; a roundabout has not."""

CROSSING_GAP_M = 40.0
"""Widest central reserve across which two carriageways are taken for one road (common practice)."""
CROSSING_LINK_M = 60.0
ANTIPARALLEL_DEG = 150.0
ACROSS_DEG = 40.0
"""The road that crosses makes at least this angle with both carriageways."""


def link_ends(roads: Roads) -> pd.DataFrame:
    """Return both ends of every link: row 2 i is the ``from`` end of link i, row 2 i + 1 its ``to``.

    Returns
    -------
    DataFrame
        ``link`` and ``node`` (positions in ``roads.links`` and ``roads.nodes``), ``into`` (traffic
        can come out of the link here, into the node) and ``out`` (traffic can leave by it here).
    """
    links = roads.links
    index = pd.Index(roads.nodes["node_id"])
    allowed = links["allowed"].to_numpy()
    forward, back = allowed != "against", allowed != "with"
    columns = {
        "node": (index.get_indexer(links["from_node"]), index.get_indexer(links["to_node"])),
        "into": (back, forward),
        "out": (forward, back),
    }
    ends = {name: np.column_stack(both).ravel() for name, both in columns.items()}
    return pd.DataFrame({"link": np.repeat(np.arange(len(links)), 2), **ends})


def find(roads: Roads, declared: pd.DataFrame) -> pd.DataFrame:
    """Return the nodes that are clustered: ``node`` (position), ``cluster`` (text), ``shape``.

    Parameters
    ----------
    declared : DataFrame
        The declarations of kind ``junction``, none refused: ``id`` a node, ``other_id`` the cluster's name. A
        declaration wins: a detected cluster gives way wherever one of its nodes is declared, so
        a node declared by itself (``other_id`` null) also takes a wrong cluster apart.

    Notes
    -----
    A cluster is called by its first node id in the order of text, a declared one by its name.
    """
    node_ids = roads.nodes["node_id"].to_numpy(object)
    index = pd.Index(node_ids)
    parts = []
    taken: set[int] = set()
    names = declared["other_id"].where(declared["other_id"].notna(), declared["id"])
    for name, ids in sorted(declared["id"].groupby(names)):
        nodes = index.get_indexer(ids.unique())
        parts.append(pd.DataFrame({"node": nodes, "cluster": name, "shape": "declared"}))
        taken.update(nodes.tolist())
    flagged = roads.links["roundabout"].eq(True).to_numpy()
    ends = link_ends(roads)
    found = [(nodes, "roundabout") for nodes in _components(_pairs(ends, flagged))]
    found += [(nodes, "dual_crossing") for nodes in _components(_crossings(roads, ends, flagged))]
    found += [(nodes, "roundabout") for nodes in _rings(roads, ends, flagged)]
    for nodes, shape in found:  # flags before crossings before shapes: the surer first
        if taken.isdisjoint(nodes):
            name = min(node_ids[list(nodes)])
            parts.append(pd.DataFrame({"node": sorted(nodes), "cluster": name, "shape": shape}))
            taken |= nodes
    empty = pd.DataFrame({"node": np.empty(0, np.int64), "cluster": "", "shape": ""})
    return pd.concat([empty, *parts], ignore_index=True)


def _pairs(ends: pd.DataFrame, mask: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return the two nodes of each link in ``mask``, shape (n, 2)."""
    return ends["node"].to_numpy().reshape(-1, 2)[mask]


def _components(pairs: NDArray[np.int64]) -> list[set[int]]:
    """Return the sets of nodes that the pairs tie together."""
    nodes, code = np.unique(pairs, return_inverse=True)
    code = code.reshape(-1, 2)
    size = len(nodes)
    tie = coo_array((np.ones(len(code), bool), (code[:, 0], code[:, 1])), shape=(size, size))
    count, label = connected_components(tie, directed=False)
    sets: list[set[int]] = [set() for _ in range(count)]
    for node, which in zip(nodes.tolist(), label.tolist(), strict=True):
        sets[which].add(node)
    return sets


def _one_way(roads: Roads, ends: pd.DataFrame, mask: NDArray[np.bool_]) -> pd.DataFrame:
    """Return the one-way links in ``mask`` as traffic runs: tail, head and the bearings there."""
    links = roads.links
    at = np.flatnonzero(mask & (links["allowed"] != "both").to_numpy())
    forward = (links["allowed"] == "with").to_numpy()[at]
    lines = links.geometry.to_numpy()[at]
    length = links["length_m"].to_numpy()[at]
    turned = np.where(forward, 0.0, 180.0)
    first, last = direction_deg(lines, np.zeros(len(at))), direction_deg(lines, length)
    nodes = ends["node"].to_numpy().reshape(-1, 2)[at]
    return pd.DataFrame(
        {
            "link": at,
            "tail": np.where(forward, nodes[:, 0], nodes[:, 1]),
            "head": np.where(forward, nodes[:, 1], nodes[:, 0]),
            "leaves_deg": (np.where(forward, first, last) + turned) % 360.0,
            "arrives_deg": (np.where(forward, last, first) + turned) % 360.0,
            "length_m": length,
            "name": links["name"].to_numpy()[at],
        }
    )


def _crossings(roads: Roads, ends: pd.DataFrame, flagged: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return pairs of nodes at which one road crosses the two carriageways of another.

    A short link joins a node of a carriageway that runs straight through with a node of another
    that runs straight through the other way, and the road it is part of goes on beyond at least
    one of them (else it only serves to turn round).
    """
    links = roads.links
    through = _through(_one_way(roads, ends, ~flagged))
    nodes = ends["node"].to_numpy().reshape(-1, 2)
    degree = np.bincount(ends["node"], minlength=len(roads.nodes))
    short = (links["length_m"].to_numpy() <= CROSSING_LINK_M) & (nodes[:, 0] != nodes[:, 1])
    short &= ~flagged & (degree[nodes].sum(axis=1) >= 7)
    joins = pd.DataFrame(
        {"link": np.flatnonzero(short), "a": nodes[short, 0], "b": nodes[short, 1]}
    )
    pairs = joins.merge(through, left_on="a", right_on="node").merge(
        through, left_on="b", right_on="node", suffixes=("_a", "_b")
    )
    x, y = roads.nodes["x"].to_numpy(), roads.nodes["y"].to_numpy()
    a, b = pairs["a"].to_numpy(), pairs["b"].to_numpy()
    step = bearing_deg(x[b] - x[a], y[b] - y[a])
    across = turn_deg(pairs["deg_a"], step)
    gap = np.hypot(x[b] - x[a], y[b] - y[a]) * np.sin(np.radians(across))
    link = pairs["link"].to_numpy()
    keep = (gap <= CROSSING_GAP_M) & (turn_deg(pairs["deg_a"], pairs["deg_b"]) >= ANTIPARALLEL_DEG)
    for angle in (across, turn_deg(pairs["deg_b"], step)):
        keep &= (angle >= ACROSS_DEG) & (angle <= 180.0 - ACROSS_DEG)
    for part in ("came_a", "went_a", "came_b", "went_b"):
        keep &= pairs[part].to_numpy() != link
    keep &= compatible(pairs["name_a"], pairs["name_b"])
    return pairs.loc[keep, ["a", "b"]].to_numpy(np.int64)


def _through(ways: pd.DataFrame) -> pd.DataFrame:
    """Return where a one-way road runs straight on at a node: ``node, came, went, deg, name``."""
    pairs = ways.merge(ways, left_on="head", right_on="tail", suffixes=("_in", "_out"))
    straight = turn_deg(pairs["arrives_deg_in"], pairs["leaves_deg_out"]) <= STRAIGHT_DEG
    straight &= (pairs["link_in"] != pairs["link_out"]).to_numpy()
    pairs = pairs[straight]
    pairs = pairs[compatible(pairs["name_in"], pairs["name_out"])]
    half_turn = (pairs["leaves_deg_out"] - pairs["arrives_deg_in"] + 180.0) % 360.0 - 180.0
    return pd.DataFrame(
        {
            "node": pairs["head_in"],
            "came": pairs["link_in"],
            "went": pairs["link_out"],
            "deg": (pairs["arrives_deg_in"] + half_turn / 2.0) % 360.0,
            "name": pairs["name_in"].where(pairs["name_in"].notna(), pairs["name_out"]),
        }
    )


def _rings(roads: Roads, ends: pd.DataFrame, flagged: NDArray[np.bool_]) -> list[set[int]]:
    """Return the node sets of small one-way cycles that turn one way, smallest first."""
    short = (roads.links["length_m"] <= RING_LENGTH_M).to_numpy() & ~flagged
    ways = _one_way(roads, ends, short)
    size = len(roads.nodes)
    tie = coo_array((np.ones(len(ways), bool), (ways["tail"], ways["head"])), shape=(size, size))
    _, label = connected_components(tie, directed=True, connection="strong")
    ways = ways[(label[ways["tail"]] == label[ways["head"]]) & (ways["tail"] != ways["head"])]
    cycles = _cycles(ways.reset_index(drop=True))
    rings = [(ways.iloc[list(cycle)]) for cycle in cycles]
    sure = [ring for ring in rings if _is_round(roads, ring) and not _is_block(roads, ends, ring)]
    sure.sort(key=lambda ring: (ring["length_m"].sum(), ring["tail"].min()))
    return [set(ring["tail"]) for ring in sure]


def _cycles(ways: pd.DataFrame) -> list[tuple[int, ...]]:
    """Return the closed walks that always take the leftmost, or always the rightmost, way on."""
    leaving = ways.groupby("tail").indices
    head, length = ways["head"].to_numpy(), ways["length_m"].to_numpy()
    arrives, leaves = ways["arrives_deg"].to_numpy(), ways["leaves_deg"].to_numpy()
    found: dict[frozenset[int], tuple[int, ...]] = {}
    for hand in (1.0, -1.0):
        onward = np.empty(len(ways), np.int64)
        for way in range(len(ways)):
            options = leaving[head[way]]
            right = (leaves[options] - arrives[way] + 180.0) % 360.0 - 180.0
            onward[way] = options[np.argmax(hand * right)]
        for start in range(len(ways)):
            walk, total, at = [start], length[start], int(onward[start])
            while at != start and len(walk) < RING_LINKS and total <= RING_LENGTH_M:
                walk.append(at)
                total += length[at]
                at = int(onward[at])
            if at == start and total <= RING_LENGTH_M and len(walk) > 1:
                found.setdefault(frozenset(walk), tuple(walk))
    return list(found.values())


def _is_round(roads: Roads, ring: pd.DataFrame) -> bool:
    """Return whether the cycle encloses a convex, compact island: it turns one way all round."""
    links = roads.links.iloc[ring["link"].to_numpy()]
    lines = [
        shapely.get_coordinates(line)[:: 1 if way == "with" else -1]
        for line, way in zip(links.geometry, links["allowed"], strict=True)
    ]
    points = np.concatenate(lines)
    if len(np.unique(points, axis=0)) < 3:
        return False
    island = shapely.Polygon(points)
    hull = island.convex_hull.area
    if not island.is_valid or hull == 0.0:
        return False
    roundness = 4.0 * np.pi * island.area / island.length**2
    return bool(island.area >= RING_HULL_SHARE * hull and roundness >= RING_ROUNDNESS)


def _is_block(roads: Roads, ends: pd.DataFrame, ring: pd.DataFrame) -> bool:
    """Return whether streets go straight on at a corner of the cycle: then it rounds a block."""
    following = np.roll(ring["leaves_deg"].to_numpy(), -1)
    corner = turn_deg(ring["arrives_deg"], following) > CORNER_DEG
    inside = set(ring["link"])
    for node, came, went in zip(
        ring["head"].to_numpy()[corner],
        ring["arrives_deg"].to_numpy()[corner],
        following[corner],
        strict=True,
    ):
        here = ends.index[(ends["node"] == node) & ~ends["link"].isin(inside)].to_numpy()
        lines = roads.links.geometry.to_numpy()[here // 2]
        length = shapely.length(lines)
        away = direction_deg(lines, np.where(here % 2, length, 0.0)) + 180.0 * (here % 2)
        ahead, behind = turn_deg(away, came), turn_deg(away + 180.0, went)
        if (np.fmin(ahead, behind) <= STRAIGHT_DEG).any():
            return True
    return False
