"""What looks wrong with a road graph: reported, never repaired."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from countmap.roads.graph import Roads

if TYPE_CHECKING:
    from numpy.typing import NDArray

NEAR_M = 5.0
"""A dangling end this close to another link was probably meant to join it."""
SAME_PLACE_M = 0.1
"""Points this close are one place: where two links share a node, they do not cross."""
OFF_NODE_M = 1.0
"""A link's end this far from its node is reported."""
SEVERITIES = ("error", "warning", "note")
COLUMNS = ("rule", "severity", "link_id", "node_id", "x", "y", "why")


def audit(roads: Roads, *, near_m: float = NEAR_M) -> pd.DataFrame:
    """Report what may be wrong with a road graph.

    Parameters
    ----------
    roads : Roads
    near_m : float
        How close a dangling end must come to another link, in metres.

    Returns
    -------
    DataFrame
        A finding a row, errors first: ``rule, severity`` (error, warning, note), ``link_id`` and
        ``node_id`` (null where the finding has none), ``x, y`` in the working CRS, ``why``.

    Notes
    -----
    ==================== ======== ============================================================
    rule                 severity a finding is
    ==================== ======== ============================================================
    off_node             error    a link's end over 1 m from its node
    zero_length          error    a link without length
    duplicate            warning  a link drawn exactly as another, in the same or the other sense;
                                  a note where the two are the opposite one-ways of one road
    overlap              warning  a link that runs along another for over a metre
    dangling_end         warning  a dead end within ``near_m`` of a link at its level
    crossing             warning  two links at one level that meet where they share no node
    one_way_dead_end     warning  a node, not at the boundary, that arcs only enter or only leave
    component            warning  a part of the network not connected to its longest part
    ==================== ======== ============================================================

    A level that is not known is 0. The boundary are nodes with a single link, but those declared
    cul-de-sac in ``nodes.kind``; nodes declared boundary or generator are never dead ends.
    """
    crossings, overlaps = _meetings(roads)
    found = pd.concat(
        [
            _off_node(roads),
            _zero_length(roads),
            _duplicates(roads),
            overlaps,
            _dangling(roads, near_m),
            crossings,
            _one_way_dead_ends(roads),
            _components(roads),
        ],
        ignore_index=True,
    )
    found["severity"] = pd.Categorical(found["severity"], SEVERITIES)
    found = found.sort_values(["severity", "rule", "link_id", "node_id", "x", "y"])
    found = found.astype({"severity": "str"})
    return found.reset_index(drop=True)


def _findings(
    rule: str,
    severity: str | list[str],
    at: NDArray[np.float64],
    why: list[str],
    *,
    link_id: pd.Series | list[str] | None = None,
    node_id: pd.Series | list[str] | None = None,
) -> pd.DataFrame:
    at = np.asarray(at, np.float64).reshape(-1, 2)
    columns = {
        "rule": rule,
        "severity": severity,
        "link_id": None if link_id is None else np.asarray(link_id, dtype=object),
        "node_id": None if node_id is None else np.asarray(node_id, dtype=object),
        "x": at[:, 0],
        "y": at[:, 1],
        "why": why,
    }
    frame = pd.DataFrame(columns, index=range(len(at)), columns=list(COLUMNS))
    return frame.astype(dict.fromkeys(("rule", "severity", "link_id", "node_id", "why"), "str"))


def _lines(roads: Roads) -> NDArray[np.object_]:
    return np.asarray(roads.links.geometry.to_numpy(), dtype=object)


def _levels(roads: Roads) -> NDArray[np.float64]:
    return roads.links["level"].fillna(0).to_numpy(np.float64)


def _end_nodes(roads: Roads) -> NDArray[np.int64]:
    """Return the position in ``roads.nodes`` of each link's two nodes, shape (links, 2)."""
    index = pd.Index(roads.nodes["node_id"])
    ends = [index.get_indexer(roads.links[name]) for name in ("from_node", "to_node")]
    return np.column_stack(ends)


def _places(roads: Roads) -> NDArray[np.float64]:
    return roads.nodes[["x", "y"]].to_numpy(np.float64)


def _middles(lines: NDArray[np.object_]) -> NDArray[np.float64]:
    return shapely.get_coordinates(shapely.line_interpolate_point(lines, 0.5, normalized=True))


def _off_node(roads: Roads) -> pd.DataFrame:
    lines, nodes, places = _lines(roads), _end_nodes(roads), _places(roads)
    at = np.stack([shapely.get_coordinates(shapely.get_point(lines, i)) for i in (0, -1)], axis=1)
    gap = np.linalg.norm(at - places[nodes], axis=2)
    row, end = np.nonzero(gap > OFF_NODE_M)
    ids = roads.links["link_id"].to_numpy()[row]
    names = roads.nodes["node_id"].to_numpy()[nodes[row, end]]
    why = [
        f"link {link} {('starts', 'ends')[e]} {metres:.1f} m from its node {node}"
        for link, e, metres, node in zip(ids, end, gap[row, end], names, strict=True)
    ]
    return _findings("off_node", "error", at[row, end], why, link_id=ids, node_id=names)


def _zero_length(roads: Roads) -> pd.DataFrame:
    links = roads.links[roads.links["length_m"].to_numpy() == 0]
    at = shapely.get_coordinates(shapely.get_point(links.geometry.to_numpy(), 0))
    why = [f"link {link} has no length" for link in links["link_id"]]
    return _findings("zero_length", "error", at, why, link_id=links["link_id"])


def _duplicates(roads: Roads) -> pd.DataFrame:
    """Compare each link with the first drawn alike, to the millimetre, in either sense."""
    lines = shapely.set_precision(_lines(roads), 0.001, mode="pointwise")
    forward = shapely.to_wkb(lines)
    either = np.minimum(forward, shapely.to_wkb(shapely.reverse(lines)))
    links = pd.DataFrame({"link_id": roads.links["link_id"], "key": either, "drawn": forward})
    links["allowed"] = roads.links["allowed"]
    links["middle"] = np.arange(len(links))
    links = links[roads.links["length_m"].to_numpy() > 0]
    first = links.groupby("key")[["link_id", "drawn", "allowed"]].transform("first")
    again = (links["link_id"] != first["link_id"]).to_numpy()
    links, first = links[again], first[again]
    same = (links["drawn"] == first["drawn"]).to_numpy()
    one_way = (links["allowed"] != "both") & (first["allowed"] != "both")
    couple = (one_way & ((links["allowed"] != first["allowed"]) == same)).to_numpy()
    why = [
        f"link {link} lies exactly on link {other}, drawn the {'same' if s else 'other'} way"
        + ("; they are the two senses of one road" if c else "")
        for link, other, s, c in zip(links["link_id"], first["link_id"], same, couple, strict=True)
    ]
    severity = np.where(couple, "note", "warning").tolist()
    at = _middles(_lines(roads)[links["middle"]])
    return _findings("duplicate", severity, at, why, link_id=links["link_id"])


def _dangling(roads: Roads, near_m: float) -> pd.DataFrame:
    """Find dead ends close to a link that they do not touch in a node."""
    lines, level, nodes, places = _lines(roads), _levels(roads), _end_nodes(roads), _places(roads)
    loose = np.flatnonzero(np.bincount(nodes.ravel(), minlength=len(places)) == 1)
    own = np.full(len(places), -1)
    own[nodes] = np.arange(len(nodes))[:, None]
    points = shapely.points(places[loose])
    which, link = shapely.STRtree(lines).query(points, predicate="dwithin", distance=near_m)
    node, mine = loose[which], own[loose[which]]
    gap = shapely.distance(points[which], lines[link])
    # The neighbours of a link shorter than the search radius are close by nature.
    far_node = np.where(nodes[mine, 0] == node, nodes[mine, 1], nodes[mine, 0])
    neighbour = (nodes[link] == far_node[:, None]).any(axis=1)
    by_nature = neighbour & (shapely.length(lines[mine]) <= 2 * gap)
    keep = (link != mine) & (level[link] == level[mine]) & ~by_nature
    pairs = pd.DataFrame({"node": node, "mine": mine, "link": link, "gap": gap})[keep]
    pairs = pairs.sort_values(["node", "gap", "link"]).drop_duplicates("node")
    # Two dead ends that face each other are one finding.
    low, high = np.minimum(pairs["mine"], pairs["link"]), np.maximum(pairs["mine"], pairs["link"])
    facing = pairs["link"].isin(set(own[loose])).to_numpy()
    twice = pd.DataFrame({"low": low, "high": high, "gap": pairs["gap"].round(6)}).duplicated()
    pairs = pairs[~(facing & twice.to_numpy())]
    ids, names = roads.links["link_id"].to_numpy(), roads.nodes["node_id"].to_numpy()
    why = [
        f"link {ids[mine]} ends at node {names[node]}, {gap:.2f} m from link {ids[link]}, "
        "and does not join it"
        for node, mine, link, gap in pairs.itertuples(index=False)
    ]
    return _findings(
        "dangling_end",
        "warning",
        places[pairs["node"]],
        why,
        link_id=ids[pairs["mine"]],
        node_id=names[pairs["node"]],
    )


def _one_way_dead_ends(roads: Roads) -> pd.DataFrame:
    nodes, places = _end_nodes(roads), _places(roads)
    names = roads.nodes["node_id"]
    index, arcs = pd.Index(names), roads.arcs
    size = len(places)
    out = np.bincount(index.get_indexer(arcs["tail"]), minlength=size)
    into = np.bincount(index.get_indexer(arcs["head"]), minlength=size)
    links = np.bincount(nodes.ravel(), minlength=size)
    kind = (
        roads.nodes["kind"] if "kind" in roads.nodes.columns else pd.Series(None, index=names.index)
    )
    open_end = kind.isin(["boundary", "generator"]) | ((links == 1) & (kind != "cul_de_sac"))
    at = np.flatnonzero(((out == 0) ^ (into == 0)) & ~open_end.to_numpy())
    why = [
        f"node {names[i]} of {links[i]} links is entered by {into[i]} arcs and left by none"
        if out[i] == 0
        else f"node {names[i]} of {links[i]} links is left by {out[i]} arcs and entered by none"
        for i in at
    ]
    return _findings("one_way_dead_end", "warning", places[at], why, node_id=names.to_numpy()[at])


def _components(roads: Roads) -> pd.DataFrame:
    """Report each connected part but the longest (senses do not matter), at its first link."""
    nodes = _end_nodes(roads)
    size = len(roads.nodes)
    joined = coo_array((np.ones(len(nodes), bool), (nodes[:, 0], nodes[:, 1])), shape=(size, size))
    _, label = connected_components(joined, directed=False)
    links = pd.DataFrame({"part": label[nodes[:, 0]], "metres": roads.links["length_m"]})
    parts = links.groupby("part")["metres"].agg(["sum", "size", lambda m: m.index[0]])
    parts = parts.set_axis(["metres", "links", "first"], axis=1).sort_values(
        ["metres", "first"], ascending=[False, True]
    )
    main, rest = parts.iloc[0], parts.iloc[1:]
    why = [
        f"{n:.0f} {'link' if n == 1 else 'links'}, {m / 1000:.2f} km, not connected to the longest "
        f"part of {main['links']:.0f} links, {main['metres'] / 1000:.2f} km"
        for m, n in zip(rest["metres"], rest["links"], strict=True)
    ]
    first = rest["first"].to_numpy(np.int64)
    at = _middles(_lines(roads)[first])
    return _findings(
        "component", "warning", at, why, link_id=roads.links["link_id"].to_numpy()[first]
    )


def _meetings(roads: Roads) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the crossings without a node and the overlaps of links at one level."""
    lines, level, nodes, places = _lines(roads), _levels(roads), _end_nodes(roads), _places(roads)
    one, two = shapely.STRtree(lines).query(lines, predicate="intersects")
    kept = (one < two) & (level[one] == level[two])
    one, two = one[kept], two[kept]
    plain = shapely.normalize(lines)
    alike = shapely.equals_exact(plain[one], plain[two], 0.001)  # a duplicate
    one, two = one[~alike], two[~alike]
    shared = shapely.intersection(lines[one], lines[two])
    overlaps = _overlaps(roads, one, two, shapely.length(shared))

    parts, pair = shapely.get_parts(shared, return_index=True)
    is_point = shapely.get_type_id(parts) == shapely.GeometryType.POINT
    at, pair = shapely.get_coordinates(parts[is_point]), pair[is_point]
    clear = np.ones(len(at), bool)
    for end in (0, 1):  # a meeting at a node of both links is as it should be
        node = nodes[one[pair], end]
        common = (nodes[two[pair]] == node[:, None]).any(axis=1)
        clear &= ~(common & (np.linalg.norm(at - places[node], axis=1) <= SAME_PLACE_M))
    loose = np.bincount(nodes.ravel(), minlength=len(places)) == 1
    for node in (*nodes[one[pair]].T, *nodes[two[pair]].T):  # those are dangling ends
        clear &= ~(loose[node] & (np.linalg.norm(at - places[node], axis=1) <= SAME_PLACE_M))
    at, pair = at[clear], pair[clear]
    first, times = _first_of_each(pair)
    ids = roads.links["link_id"].to_numpy()
    a, b = one[pair[first]], two[pair[first]]
    why = [
        f"links {ids[i]} and {ids[j]} meet without a node at level {level[i]:g}"
        + (f", {n} times" if n > 1 else "")
        for i, j, n in zip(a, b, times, strict=True)
    ]
    return _findings("crossing", "warning", at[first], why, link_id=ids[a]), overlaps


def _first_of_each(sorted_keys: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    _, first, times = np.unique(sorted_keys, return_index=True, return_counts=True)
    return first, times


def _overlaps(
    roads: Roads, one: NDArray[np.int64], two: NDArray[np.int64], metres: NDArray[np.float64]
) -> pd.DataFrame:
    long = metres > 1
    one, two, metres = one[long], two[long], metres[long]
    ids, lines = roads.links["link_id"].to_numpy(), _lines(roads)
    at = shapely.get_coordinates(
        shapely.point_on_surface(shapely.intersection(lines[one], lines[two]))
    )
    why = [
        f"link {ids[i]} runs along link {ids[j]} for {m:.1f} m"
        for i, j, m in zip(one, two, metres, strict=True)
    ]
    return _findings("overlap", "warning", at, why, link_id=ids[one])
