"""The graph of the balance: vertices that conserve flow, arcs cut at counts, slack along the way."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from countmap.balance.contract import GROUND

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from countmap.balance.inputs import BalanceInputs, Counts

NET_SHARE = 0.2
"""Who turns in at an access comes out again: of what one sense loses there, a fifth stays away."""


DECLARED_SHARE = 0.1
"""Share of the flow that a side access declared without a value may take (project default)."""

_Sources = tuple[pd.DataFrame, "list[tuple[NDArray[np.intp], NDArray[np.float64]]]"]
"""Sources of slack, and for each of their two ends the vertex and what one unit adds there."""


@dataclass(frozen=True, eq=False)
class Expanded:
    """Arcs between vertices.

    ``arcs``: link_id, sense, piece, tail, head (vertices), count (row of ``Counts.used``, −1 without),
    quiet. ``vertices``: cluster (junction_id, "" for a place along a section), kind, link_id (of a place
    along a section). ``slack``: (vertices, sources) what one unit of each source adds; ``sources``: kind
    (access, net, quiet), link_id, share (one standard deviation as a share of the flow there) or
    vehicles. ``faults``: arcs that lead nowhere.
    """

    arcs: pd.DataFrame
    vertices: pd.DataFrame
    slack: sparse.csr_array
    sources: pd.DataFrame
    faults: pd.DataFrame


def expand(inputs: BalanceInputs, counts: Counts) -> Expanded:
    """Build the graph on which flow is conserved.

    A junction cluster is one vertex (its nodes stay apart where a count lies between them, so that the
    count is tested); at a bend, and between two counts of one link, each sense has its own vertex,
    since nobody turns round there; the outside is vertex 0.
    """
    arcs = inputs.roads.arcs.sort_values(["link_id", "sense"], kind="stable").reset_index(drop=True)
    nodes = _nodes(inputs, arcs, counts.used)
    tails, heads = _keys(arcs, nodes)
    arcs, tails, heads, inner = _cut(arcs, tails, heads, counts.used)
    codes, uniques = pd.factorize(np.concatenate([tails, heads]), sort=True)
    vertices = _vertices(uniques, nodes, inner)
    number = vertices["number"].to_numpy()
    half = len(tails)
    arcs["tail"], arcs["head"] = number[codes[:half]], number[codes[half:]]
    vertices = _merge_ground(vertices)
    arcs["quiet"] = arcs["link_id"].isin(_declared(inputs, "quiet")) & arcs["count"].eq(-1)
    arcs, faults = _leads_nowhere(arcs, len(vertices))
    slack, sources = _slack(arcs, inputs, counts.used, len(vertices))
    return Expanded(arcs, vertices, slack, sources, faults)


def _declared(inputs: BalanceInputs, kind: str) -> pd.Series:
    rows = inputs.declarations
    return rows.loc[rows["kind"].eq(kind), "id"]


def _nodes(inputs: BalanceInputs, arcs: pd.DataFrame, used: pd.DataFrame) -> pd.DataFrame:
    """Return each node's cluster, kind, whether it is ground, and the two links of a plain bend."""
    links = inputs.roads.links
    ends = pd.concat(
        [
            links[["link_id", "from_node"]].set_axis(["link_id", "node_id"], axis=1),
            links[["link_id", "to_node"]].set_axis(["link_id", "node_id"], axis=1),
        ]
    )
    nodes = pd.DataFrame({"node_id": np.sort(ends["node_id"].unique())})
    known = inputs.junctions.drop_duplicates("node_id")
    shape = [] if "shape" not in known else ["shape"]
    nodes = nodes.merge(known[["node_id", "junction_id", "kind", *shape]], on="node_id", how="left")
    degree = ends.groupby("node_id").size()
    nodes["degree"] = nodes["node_id"].map(degree).astype(int)
    derived = np.where(nodes["degree"].eq(1), "boundary", "junction")
    nodes["kind"] = nodes["kind"].fillna(pd.Series(derived, index=nodes.index))
    nodes["cluster"] = nodes["junction_id"].fillna(nodes["node_id"])
    nodes = _spread_clusters(nodes, arcs, used)
    out = nodes["kind"].isin(["boundary", "generator"]) | nodes["node_id"].isin(
        _declared(inputs, "generator")
    )
    nodes["ground"] = out.groupby(nodes["cluster"]).transform("any")
    return nodes.merge(_bends(nodes, arcs, ends), on="node_id", how="left")


def _spread_clusters(nodes: pd.DataFrame, arcs: pd.DataFrame, used: pd.DataFrame) -> pd.DataFrame:
    """Give the nodes of a cluster that holds a count their own equations; the name stays in ``cluster``."""
    cluster = nodes.set_index("node_id")["cluster"]
    tail, head = arcs["tail"].map(cluster), arcs["head"].map(cluster)
    inside = (tail == head) & arcs["link_id"].isin(used["link_id"]) & (arcs["tail"] != arcs["head"])
    declared = (
        set(nodes.loc[nodes["shape"].eq("declared"), "cluster"]) if "shape" in nodes else set()
    )
    spread = set(tail[inside]) - declared
    own = nodes["cluster"].isin(spread)
    nodes["vertex"] = nodes["cluster"].mask(own, nodes["node_id"])
    return nodes


def _bends(nodes: pd.DataFrame, arcs: pd.DataFrame, ends: pd.DataFrame) -> pd.DataFrame:
    """Return the bends where every sense that comes in by one link goes out by the other."""
    alone = nodes.groupby("cluster")["node_id"].transform("size").eq(1)
    bend = nodes.loc[nodes["kind"].eq("bend") & nodes["degree"].eq(2) & alone & ~nodes["ground"]]
    pairs = ends.loc[ends["node_id"].isin(bend["node_id"])].sort_values(["node_id", "link_id"])
    links = pairs["link_id"].to_numpy(dtype=object).reshape(-1, 2)
    node = pairs["node_id"].to_numpy(dtype=object)[::2]
    comes = pd.MultiIndex.from_frame(arcs[["head", "link_id"]])
    goes = pd.MultiIndex.from_frame(arcs[["tail", "link_id"]])

    def has(index: pd.MultiIndex, side: int) -> NDArray[np.bool_]:
        asked = pd.MultiIndex.from_arrays([node, links[:, side]])
        return np.asarray(asked.isin(index))

    through = (has(comes, 0) == has(goes, 1)) & (has(comes, 1) == has(goes, 0))
    through &= links[:, 0] != links[:, 1]
    return pd.DataFrame(
        {"node_id": node[through], "first": links[through, 0], "second": links[through, 1]},
        dtype="str",
    )


def _keys(arcs: pd.DataFrame, nodes: pd.DataFrame) -> tuple[NDArray[np.object_], ...]:
    """Name the vertices of each arc; at a bend a vertex is named after the link one comes by."""
    at = nodes.set_index("node_id")
    found = []
    for end in ("tail", "head"):
        node = arcs[end]
        key = ("v:" + node.map(at["vertex"])).mask(node.map(at["ground"]), "")
        first, second = node.map(at["first"]), node.map(at["second"])
        here = arcs["link_id"]
        other = second.where(first == here, first)
        by = here if end == "head" else other
        found.append(key.mask(first.notna(), "b:" + node + "\t" + by).to_numpy(dtype=object))
    return tuple(found)


def _cut(
    arcs: pd.DataFrame, tails: NDArray[np.object_], heads: NDArray[np.object_], used: pd.DataFrame
) -> tuple[pd.DataFrame, NDArray[np.object_], NDArray[np.object_], dict[str, str]]:
    """Cut each link between its counting places; put each count on its piece."""
    places = used.drop_duplicates(["link_id", "station_id"])[["link_id", "station_id"]]
    piece = places.groupby("link_id").cumcount()
    places = places.assign(
        piece=piece, of=places.groupby("link_id")["station_id"].transform("size")
    )
    pieces = arcs["link_id"].map(places.drop_duplicates("link_id").set_index("link_id")["of"])
    pieces = pieces.fillna(1).astype(int).to_numpy()
    row = np.repeat(np.arange(len(arcs)), pieces)
    cut = arcs.iloc[row].reset_index(drop=True)
    cut["piece"] = np.arange(len(row)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    tails, heads = tails[row], heads[row]
    inner: dict[str, str] = {}
    for i in np.flatnonzero(pieces[row] > 1):
        link, sense, part = cut.loc[i, "link_id"], cut.loc[i, "sense"], int(cut.loc[i, "piece"])
        before = f"c:{link}\t{part - 1}\t{sense}" if part > 0 else None
        after = f"c:{link}\t{part}\t{sense}" if part < pieces[row[i]] - 1 else None
        first, last = (before, after) if sense == "with" else (after, before)
        tails[i], heads[i] = first or tails[i], last or heads[i]
        inner.update({name: link for name in (first, last) if name})
    where = used.merge(places, on=["link_id", "station_id"], how="left")
    lookup = pd.Series(
        np.arange(len(where)),
        index=pd.MultiIndex.from_arrays([where["link_id"], where["link_sense"], where["piece"]]),
    )
    asked = pd.MultiIndex.from_frame(cut[["link_id", "sense", "piece"]])
    cut["count"] = lookup.reindex(asked).fillna(-1).astype(int).to_numpy()
    return cut, tails, heads, inner


def _vertices(
    uniques: NDArray[np.object_], nodes: pd.DataFrame, inner: dict[str, str]
) -> pd.DataFrame:
    keys = pd.Series(uniques, dtype="str")
    plain = keys.str.startswith("v:")
    name = nodes.drop_duplicates("vertex").set_index("vertex")
    at = keys.str[2:]
    cluster = at.map(name["cluster"]).where(plain, "").fillna("")
    kind = at.map(name["kind"]).where(plain, "bend").fillna("bend")
    kind = kind.mask(keys.eq(""), "ground")
    link = keys.map(inner).astype("str").fillna("")
    number = np.arange(len(keys)) + (0 if len(keys) and keys.iloc[0] == "" else 1)
    return pd.DataFrame({"cluster": cluster, "kind": kind, "link_id": link, "number": number})


def _merge_ground(vertices: pd.DataFrame) -> pd.DataFrame:
    """Make row 0 the outside, also where the network has none."""
    if len(vertices) and vertices["kind"].iloc[0] == "ground":
        return vertices.drop(columns="number")
    outside = pd.DataFrame({"cluster": [""], "kind": ["ground"], "link_id": [""]})
    return pd.concat([outside, vertices.drop(columns="number")], ignore_index=True)


def _leads_nowhere(arcs: pd.DataFrame, n: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Find arcs that no round trip through the outside can use, and let their far ends go.

    Such an arc must carry nothing: a fault of the network's coding, not of a count. The vertices that
    only it reaches are joined to the outside, so that they accuse nobody.
    """
    tail, head = arcs["tail"].to_numpy(), arcs["head"].to_numpy()
    links = sparse.coo_array((np.ones(len(arcs)), (tail, head)), shape=(n, n))
    _, strong = connected_components(links, directed=True, connection="strong")
    _, weak = connected_components(links, directed=False)
    size = np.bincount(strong)
    order = np.lexsort((np.arange(n), -size[strong], strong != strong[GROUND], weak))
    first = order[np.r_[True, np.diff(weak[order]) != 0]]
    main = np.zeros(weak.max() + 1, dtype=strong.dtype)
    main[weak[first]] = strong[first]
    dead = strong[tail] != strong[head]
    lost = np.zeros(n, dtype=bool)
    for end in (tail, head):
        lost[end[dead & (strong[end] != main[weak[end]])]] = True
    arcs = arcs.assign(
        tail=np.where(lost[tail], GROUND, tail), head=np.where(lost[head], GROUND, head)
    )
    return arcs, arcs.loc[dead, ["link_id", "sense", "count"]].reset_index(drop=True)


def _slack(
    arcs: pd.DataFrame, inputs: BalanceInputs, used: pd.DataFrame, n: int
) -> tuple[sparse.csr_array, pd.DataFrame]:
    """Return what accesses along the links and streets declared quiet may add to the vertices.

    A link is cut by its counts: what lies between two of them enters between them, what lies between a
    count and a junction enters the junction; a link without counts gives half to each end. Variance
    grows with length: share² · kilometres, plus the declared share² of the whole link.
    """
    parts = [*_access(arcs, inputs, used), _quiet(arcs, inputs)]
    sources = pd.concat([frame for frame, _ in parts], ignore_index=True)
    rows, columns, values = [], [], []
    first = 0
    for frame, ends in parts:
        for vertex, one in ends:
            rows.append(vertex)
            values.append(one)
            columns.append(np.arange(first, first + len(frame)))
        first += len(frame)
    matrix = sparse.coo_array(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))),
        shape=(n, len(sources)),
    )
    return sparse.csr_array(matrix), sources


def _access(arcs: pd.DataFrame, inputs: BalanceInputs, used: pd.DataFrame) -> list[_Sources]:
    """Return who turns in (and comes out the other way), and the little that stays away."""
    spans = _spans(arcs, inputs, used)
    rows = inputs.declarations
    rows = rows.loc[rows["kind"].eq("side_access")]
    shares = pd.Series(_values(rows, DECLARED_SHARE) ** 2).groupby(rows["id"].to_numpy()).sum()
    stated = spans["link_id"].map(shares).fillna(0.0).to_numpy(dtype=float)
    per_km = inputs.settings.access_per_km**2 / 1000.0
    share = np.sqrt(per_km * spans["length_m"].to_numpy() + stated * spans["part"].to_numpy())
    ahead, back = spans["ahead"].to_numpy(), spans["back"].to_numpy()
    found: list[_Sources] = []
    for kind, sign, factor in (("access", -1.0, 1.0), ("net", 1.0, NET_SHARE)):
        mask = share > 0
        if kind == "net":
            mask &= (ahead >= 0) & (back >= 0)
        frame = pd.DataFrame(
            {
                "kind": kind,
                "link_id": spans["link_id"].to_numpy()[mask],
                "share": factor * share[mask],
            }
        )
        ends = [
            (np.where(vertex >= 0, vertex, GROUND)[mask], np.where(vertex >= 0, one, 0.0)[mask])
            for vertex, one in ((ahead, 1.0), (back, sign))
        ]
        found.append((frame.assign(vehicles=0.0), ends))
    return found


def _quiet(arcs: pd.DataFrame, inputs: BalanceInputs) -> _Sources:
    """Return the net flow of streets declared quiet: it enters at one end what it leaves at the other."""
    quiet = arcs.loc[arcs["quiet"]]
    rows = inputs.declarations
    rows = rows.loc[rows["kind"].eq("quiet")]
    stated = pd.Series(_values(rows, inputs.settings.quiet_vehicles)).groupby(rows["id"].to_numpy())
    each = quiet["link_id"].map(stated.max()).to_numpy(dtype=float)
    senses = quiet.groupby("link_id")["sense"].transform("size").to_numpy(dtype=float)
    frame = pd.DataFrame({"kind": "quiet", "link_id": quiet["link_id"].to_numpy(), "share": 0.0})
    one = np.ones(len(quiet))
    return (
        frame.assign(vehicles=each / np.sqrt(senses)),
        [(quiet["head"].to_numpy(), one), (quiet["tail"].to_numpy(), -one)],
    )


def _values(rows: pd.DataFrame, default: float) -> NDArray[np.float64]:
    """Return the stated values of declarations, ``default`` where none is stated."""
    stated = rows["value"] if "value" in rows else pd.Series(np.nan, index=rows.index)
    return np.asarray(stated.astype("float64").fillna(default))


def _spans(arcs: pd.DataFrame, inputs: BalanceInputs, used: pd.DataFrame) -> pd.DataFrame:
    """Return the stretches between counts and ends: link_id, length_m, part, ahead and back vertices."""
    length = inputs.roads.links.set_index("link_id")["length_m"]
    at = used.drop_duplicates(["link_id", "station_id"]).groupby("link_id")["offset_m"].apply(list)
    wide = arcs.pivot_table(index=["link_id", "piece"], columns="sense", values=["tail", "head"])
    wide = wide.reindex(
        columns=pd.MultiIndex.from_product([["tail", "head"], ["with", "against"]])
    ).fillna(-1)
    cells = wide.to_numpy().astype(np.intp)
    link, piece = (wide.index.get_level_values(i).to_numpy() for i in range(2))
    total = length.reindex(link).to_numpy(dtype=float)
    counted = np.isin(link, at.index.to_numpy(dtype=object))
    first, last = total / 2, total / 2
    for i in np.flatnonzero(counted):
        stops = np.clip(np.nan_to_num(np.array(at[link[i]], dtype=float)), 0.0, total[i])
        here = int(piece[i])
        first[i] = stops[0] if here == 0 else stops[here] - stops[here - 1]
        last[i] = total[i] - stops[-1] if here == len(stops) - 1 else 0.0
    starts = pd.DataFrame(
        {"link_id": link, "length_m": first, "ahead": cells[:, 0], "back": cells[:, 3]}
    )
    ends = pd.DataFrame(
        {"link_id": link, "length_m": last, "ahead": cells[:, 2], "back": cells[:, 1]}
    )
    final = pd.Series(link).ne(pd.Series(link).shift(-1)).to_numpy()
    spans = pd.concat([starts, ends.loc[final]], ignore_index=True)
    spans["part"] = spans["length_m"] / length.reindex(spans["link_id"]).clip(lower=1e-9).to_numpy()
    return spans.loc[spans["length_m"] > 0].reset_index(drop=True)
