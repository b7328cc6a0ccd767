"""What the user stated about the old network, said again of the new one."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely

from countmap.roads.graph import Roads

REACH_M = 25.0
"""A declared node is found again within this distance; a junction may be redrawn that far away."""

_AT_NODE = ("generator", "junction")


def declarations(
    stated: pd.DataFrame,
    crosswalk: pd.DataFrame,
    old: Roads,
    new: Roads,
    *,
    reach_m: float = REACH_M,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Carry declarations to a new network.

    Parameters
    ----------
    stated : DataFrame
        DECLARATIONS of the old network.
    crosswalk : DataFrame
        CROSSWALK from the old network to the new one.
    reach_m : float
        How far a node may have moved.

    Returns
    -------
    carried : DataFrame
        DECLARATIONS of the new network. A quiet link that was split is quiet in every piece; any
        other statement goes to the longest piece.
    lost : DataFrame
        ``kind, id, why``: what nothing in the new network answers to.
    """
    pieces = _pieces(crosswalk)
    nodes = _nodes(stated, old, new, reach_m)
    rows: list[dict[str, object]] = []
    lost: list[tuple[str, str, str]] = []
    for row in stated.to_dict("records"):
        kind, one, other = row["kind"], row["id"], row["other_id"]
        if kind in _AT_NODE:
            found = [nodes[one]] if one in nodes else []
        else:
            found = pieces.get(one, [])[: None if kind == "quiet" else 1]
        partner = pieces.get(other, [])[:1] if kind == "pair" else [other]
        if found and partner:
            rows += [row | {"id": piece, "other_id": partner[0]} for piece in found]
        else:
            gone = one if not found else other
            lost.append((kind, one, f"nothing in the new network answers to {gone}"))
    columns = [c for c in stated.columns if c != "declaration_id"]
    carried = pd.DataFrame(rows, columns=list(stated.columns))[columns]
    dtypes = {c: stated[c].dtype for c in columns}
    return carried.astype(dtypes), pd.DataFrame(lost, columns=["kind", "id", "why"], dtype="str")


def links(text: pd.Series, crosswalk: pd.DataFrame) -> pd.Series:
    """Return lists of link ids (parted by spaces; null: everywhere) in ids of the new network.

    An id that nothing answers to stays as it is: the old network keeps its meaning.
    """
    pieces = _pieces(crosswalk)

    def carried(ids: object) -> object:
        if not isinstance(ids, str):
            return ids
        return " ".join(new for old in ids.split() for new in pieces.get(old, [old]))

    return text.map(carried).astype("str")


def _pieces(crosswalk: pd.DataFrame) -> dict[str, list[str]]:
    """Return each old link's successors, the largest share first."""
    order = crosswalk.sort_values(["share", "new_link_id"], ascending=[False, True])
    return {str(k): list(v) for k, v in order.groupby("old_link_id")["new_link_id"]}


def _nodes(stated: pd.DataFrame, old: Roads, new: Roads, reach_m: float) -> dict[str, str]:
    """Return the new node nearest to each declared old one, within reach."""
    wanted = stated.loc[stated["kind"].isin(_AT_NODE), "id"].unique()
    there = old.nodes[old.nodes["node_id"].isin(wanted)]
    if there.empty or new.nodes.empty:
        return {}
    lon, lat = old.to_wgs84(there["x"].to_numpy(), there["y"].to_numpy())
    x, y = new.to_working(lon, lat)
    tree = shapely.STRtree(shapely.points(new.nodes["x"].to_numpy(), new.nodes["y"].to_numpy()))
    near, distance = tree.query_nearest(
        shapely.points(x, y), all_matches=False, return_distance=True
    )
    ids = there["node_id"].to_numpy()[near[0]]
    new_ids = new.nodes["node_id"].to_numpy()[near[1]]
    close = np.asarray(distance) <= reach_m
    return dict(zip(ids[close].tolist(), new_ids[close].tolist(), strict=True))
