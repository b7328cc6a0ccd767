"""Junctions: what each node is, which nodes are one junction, and the legs that meet there."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely

from countmap.roads import clusters, declared
from countmap.roads.along import bearing_deg, coordinates, turn_deg
from countmap.roads.names import compatible
from countmap.tables import JUNCTIONS, require

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from countmap.roads.graph import Roads

LEG_REACH_M = 20.0
"""A leg's bearing is taken towards the place this far out, plus the diameter of the cluster."""
LEG_PAIR_DEG = 45.0
LEG_SPLIT_DEG = 100.0
"""A one-way approach and a one-way exit within this angle are one road: the second figure where
they part at one node, as round the island before a roundabout."""
DETOUR = 1.6
DETOUR_M = 20.0
"""A link between two nodes of a cluster lies inside it if it is no longer than this times the
distance, plus the second figure (a half circle is 1.57 times its chord)."""


def junctions(roads: Roads, declarations: pd.DataFrame | None = None) -> pd.DataFrame:
    """Say what each node is and to which junction it belongs.

    Parameters
    ----------
    declarations : DataFrame, optional
        ``tables.DECLARATIONS``; the kinds ``generator`` and ``junction`` count here.

    Returns
    -------
    DataFrame
        ``tables.JUNCTIONS``, one row a node, sorted by ``node_id``.

    Raises
    ------
    InvalidInput
        A declaration contradicts the network or another, see ``declared.refused``.

    Notes
    -----
    A node where one or no link ends is a ``boundary``. One where two end is a ``bend`` if whatever
    comes in by one can only go on by the other: both carry both senses, or one leads in and one
    out. Everything else is a ``junction``. ``nodes.kind`` overrides this, a declared ``generator``
    overrides both. The nodes of a cluster share one kind: ``generator`` if one of them is declared
    so, ``boundary`` if at most one link leads out of the cluster, else ``junction``.

    Examples
    --------
    >>> import geopandas as gpd
    >>> from shapely import LineString
    >>> from countmap.roads.graph import build
    >>> raw = gpd.GeoDataFrame(
    ...     {"link_id": ["a", "b"], "from_node": ["1", "2"], "to_node": ["2", "3"]},
    ...     geometry=[LineString([(0, 0), (90, 0)]), LineString([(90, 0), (90, 50)])],
    ...     crs="EPSG:3067",
    ... )
    >>> junctions(build(raw))["kind"].tolist()
    ['boundary', 'bend', 'boundary']
    """
    said = declared.check(roads, declarations)
    node_ids = roads.nodes["node_id"]
    kind = _kinds(roads)
    generator = node_ids.isin(said.loc[said["kind"] == "generator", "id"]).to_numpy()
    kind[generator] = "generator"
    table = pd.DataFrame(
        {"node_id": node_ids, "junction_id": node_ids, "kind": kind, "shape": "simple"}
    ).reset_index(drop=True)
    found = clusters.find(roads, said[said["kind"] == "junction"])
    at = found["node"].to_numpy()
    table.loc[at, "junction_id"] = found["cluster"].to_numpy()
    table.loc[at, "shape"] = found["shape"].to_numpy()
    if len(at):
        table.loc[at, "kind"] = _cluster_kinds(roads, table, at)
    table = table.astype("str").sort_values("node_id", ignore_index=True)
    return require(table, JUNCTIONS)


def internal(roads: Roads, junctions: pd.DataFrame) -> NDArray[np.bool_]:
    """Return which links lie wholly inside a cluster: part of no section, leg of no junction.

    In a roundabout these are its ring's links; elsewhere a link between two nodes of the cluster
    that makes no detour (a road that leaves a junction and comes back to it is no part of it).
    """
    links = roads.links
    by_node = junctions.set_index("node_id")
    start = by_node.loc[links["from_node"]]
    end = by_node.loc[links["to_node"], "junction_id"].to_numpy()
    same = start["junction_id"].to_numpy() == end
    ring = start["shape"].to_numpy() == "roundabout"
    small = (links["allowed"] != "both") & (links["length_m"] <= clusters.RING_LENGTH_M)
    around = (links["roundabout"].eq(True) | small).to_numpy()
    lines = links.geometry.to_numpy()
    apart = shapely.distance(shapely.get_point(lines, 0), shapely.get_point(lines, -1))
    direct = links["length_m"].to_numpy() <= DETOUR * apart + DETOUR_M
    loop = (links["from_node"] == links["to_node"]).to_numpy()
    return np.asarray(same & ((ring & around) | (direct & ~loop)))


def legs(roads: Roads, junctions: pd.DataFrame) -> pd.DataFrame:
    """Return the legs of every junction: the ends of the links that lead out of it.

    Returns
    -------
    DataFrame
        One row a link end, sorted by ``junction_id``, ``leg``, ``link_id``, ``end``; bends have
        none. ``leg`` numbers the roads clockwise from north, from 0: a one-way approach and a
        one-way exit of one road share a number. ``end`` is the link's end at the junction (``from``
        or ``to``), ``bearing_deg`` the direction in which the leg lies seen from the middle of
        the junction, ``inward_sense`` and ``outward_sense`` the sense of the link that leads into
        and out of the junction (null where it carries no traffic), ``name`` the road's name.
    """
    by_node = junctions.set_index("node_id").loc[roads.nodes["node_id"]]
    ends = clusters.link_ends(roads)
    inside = internal(roads, junctions)[ends["link"]]
    shown = (by_node["kind"] != "bend").to_numpy()[ends["node"]] & ~inside
    at = np.flatnonzero(shown)
    node, link = ends["node"].to_numpy()[at], ends["link"].to_numpy()[at]
    is_to = at % 2 == 1
    rows = pd.DataFrame(
        {
            "junction_id": by_node["junction_id"].to_numpy()[node],
            "link_id": roads.links["link_id"].to_numpy()[link],
            "end": np.where(is_to, "to", "from"),
            "bearing_deg": _leg_bearings(roads, ends, by_node["junction_id"].to_numpy(), at),
            "inward_sense": np.where(is_to, "with", "against"),
            "outward_sense": np.where(is_to, "against", "with"),
            "name": roads.links["name"].to_numpy()[link],
            "far": ends["node"].to_numpy()[at ^ 1],
        }
    )
    rows["inward_sense"] = rows["inward_sense"].where(ends["into"].to_numpy()[at])
    rows["outward_sense"] = rows["outward_sense"].where(ends["out"].to_numpy()[at])
    text = ["junction_id", "link_id", "end", "inward_sense", "outward_sense", "name"]
    rows = rows.astype(dict.fromkeys(text, "str"))
    rows = rows.sort_values(["junction_id", "link_id", "end"], ignore_index=True)
    rows.insert(1, "leg", _leg_numbers(rows))
    rows = rows.sort_values(["junction_id", "leg", "link_id", "end"], ignore_index=True)
    return rows.drop(columns="far")


def _kinds(roads: Roads) -> NDArray[np.object_]:
    """Return the kind of each node by itself, from the links that end there and ``nodes.kind``."""
    ends = clusters.link_ends(roads)
    count = len(roads.nodes)
    node = ends["node"].to_numpy()
    degree = np.bincount(node, minlength=count)
    kind = np.full(count, "junction", dtype=object)
    kind[degree <= 1] = "boundary"
    pair = np.argsort(node, kind="stable")
    pair = pair[degree[node[pair]] == 2].reshape(-1, 2)
    into, out = ends["into"].to_numpy()[pair], ends["out"].to_numpy()[pair]
    goes_on = (into[:, 0] == out[:, 1]) & (out[:, 0] == into[:, 1])
    kind[node[pair[goes_on, 0]]] = "bend"
    if "kind" in roads.nodes.columns:
        given = roads.nodes["kind"].to_numpy(object)
        fits = roads.nodes["kind"].notna().to_numpy() & ((given != "bend") | (kind == "bend"))
        kind[fits] = given[fits]
    return kind


def _cluster_kinds(roads: Roads, table: pd.DataFrame, at: NDArray[np.int64]) -> NDArray[np.object_]:
    """Return the kind of the clustered nodes ``at``: one for each cluster."""
    clustered = table.iloc[at]
    generator = clustered["kind"].eq("generator").groupby(clustered["junction_id"]).any()
    ends = clusters.link_ends(roads)
    outside = ends[~internal(roads, table)[ends["link"]]]
    of_end = table["junction_id"].to_numpy()[outside["node"]]
    links_out = pd.Series(of_end).value_counts().reindex(generator.index, fill_value=0)
    kind = pd.Series("junction", index=generator.index).mask(links_out <= 1, "boundary")
    kind = kind.mask(generator, "generator")
    # A declaration of a single node only keeps it out of detected clusters.
    alone = clustered.groupby("junction_id")["kind"].transform("size") == 1
    alone &= clustered["shape"] == "declared"
    shared = kind.loc[clustered["junction_id"]].to_numpy(object)
    return np.where(alone.to_numpy(), clustered["kind"].to_numpy(object), shared)


def _leg_bearings(
    roads: Roads, ends: pd.DataFrame, junction: NDArray[np.object_], end: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Return the bearing of each link end ``end`` from the middle of its junction."""
    _, code = np.unique(junction.astype(str), return_inverse=True)
    place = roads.nodes[["x", "y"]].to_numpy()
    members = np.bincount(code)
    middle = np.column_stack([np.bincount(code, place[:, k]) / members for k in (0, 1)])
    radius = np.zeros(len(members))
    np.maximum.at(radius, code, np.hypot(*(place - middle[code]).T))
    here, there = (code[ends["node"].to_numpy()[one]] for one in (end, end ^ 1))
    lines = roads.links.geometry.to_numpy()[end // 2]
    length = shapely.length(lines)
    most = np.where(here == there, length / 4.0, length)  # a road that comes back has two legs
    reach = np.minimum(LEG_REACH_M + 2.0 * radius[here], most)
    step = coordinates(lines, np.where(end % 2 == 1, length - reach, reach)) - middle[here]
    return bearing_deg(step[:, 0], step[:, 1])


def _leg_numbers(rows: pd.DataFrame) -> NDArray[np.int64]:
    """Return the leg of each row: approaches and exits of one road paired, then in clock order."""
    one_way = rows["inward_sense"].isna() != rows["outward_sense"].isna()
    columns = ["junction_id", "bearing_deg", "name", "far", "link_id"]
    approach = rows.loc[one_way & rows["inward_sense"].notna(), columns].reset_index()
    leaving = rows.loc[one_way & rows["outward_sense"].notna(), columns].reset_index()
    pairs = approach.merge(leaving, on="junction_id", suffixes=("_in", "_out"))
    pairs = pairs[pairs["link_id_in"] != pairs["link_id_out"]]
    angle = turn_deg(pairs["bearing_deg_in"], pairs["bearing_deg_out"])
    parted = (pairs["far_in"] == pairs["far_out"]).to_numpy()
    near = np.where(parted, angle <= LEG_SPLIT_DEG, angle <= LEG_PAIR_DEG)
    pairs = pairs.assign(angle=angle.round(6), apart=~parted)[near]
    pairs = pairs[compatible(pairs["name_in"], pairs["name_out"])]
    pairs = pairs.sort_values(["apart", "angle", "link_id_in", "link_id_out"])
    head = np.arange(len(rows))
    used: set[int] = set()
    for first, second in pairs[["index_in", "index_out"]].to_numpy():
        if first not in used and second not in used:
            used |= {first, second}
            head[second] = first
    turn = np.radians(rows["bearing_deg"].to_numpy())
    mean = bearing_deg(
        np.bincount(head, np.sin(turn), minlength=len(rows)),
        np.bincount(head, np.cos(turn), minlength=len(rows)),
    )
    first = head == np.arange(len(rows))
    order = pd.DataFrame({"junction_id": rows["junction_id"], "mean": mean.round(6)})[first]
    order = order.assign(link_id=rows["link_id"]).sort_values(["junction_id", "mean", "link_id"])
    number = np.empty(len(rows), np.int64)
    number[order.index] = order.groupby("junction_id").cumcount()
    return number[head]
