"""What road class and network distance say of a pattern: as much as the permanents themselves show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy import sparse
from scipy.sparse import csgraph

if TYPE_CHECKING:
    from countmap.roads.graph import Roads

Array = np.ndarray[Any, np.dtype[np.float64]]
Mask = np.ndarray[Any, np.dtype[np.bool_]]

PAIRS_MIN = 10
"""Fewer pairs of permanents, of the same class or not, say nothing."""
LEAST = 0.2
"""No permanent loses more of its weight than to this share for its class or its distance."""


@dataclass(frozen=True)
class Kin:
    """How much less permanents weigh that are of another road class, or far away.

    Attributes
    ----------
    other_class, far : float
        Multipliers of a permanent's weight, 0.2..1; 1 where the permanents show no difference.
    near_m : float
        Network distance up to which a permanent is near, metres: the median of all pairs.
    road_class : Series
        By station id.
    distance : DataFrame
        Metres along the network, stations × permanents; NaN where unknown.
    names : tuple of str
        Station of each permanent series.
    """

    other_class: float
    far: float
    near_m: float
    road_class: pd.Series
    distance: pd.DataFrame
    names: tuple[str, ...]

    def weights(self, stations: Sequence[str]) -> Array:
        """Return multipliers for counts at these stations, shape (stations, series)."""
        other = _known_other(self.road_class, stations, self.names)
        metres = _metres(self.distance, stations, self.names)
        return np.where(other, self.other_class, 1.0) * np.where(
            metres > self.near_m, self.far, 1.0
        )


def network_distance(
    roads: Roads, stations: pd.DataFrame, permanents: Sequence[str]
) -> pd.DataFrame:
    """Return metres along the network between stations, one-way streets taken either way.

    Parameters
    ----------
    roads : Roads
    stations : DataFrame
        ``station_id, link_id``; a station without a link is left out.
    permanents : sequence of str

    Returns
    -------
    DataFrame
        Stations × permanents, from the first node of the one's link to that of the other's: a pattern
        does not change within a link. NaN where no way leads.
    """
    links = roads.links
    ends = links[["from_node", "to_node"]].to_numpy(dtype=object)
    codes, nodes = pd.factorize(ends.ravel())
    low, high = np.sort(codes.reshape(-1, 2), axis=1).T
    length = np.maximum(links["length_m"].to_numpy(dtype=np.float64), 1e-3)
    edge = pd.DataFrame({"low": low, "high": high, "m": length})
    edge = edge.groupby(["low", "high"], as_index=False)["m"].min()
    shape = (len(nodes), len(nodes))
    graph = sparse.csr_array((edge["m"], (edge["low"], edge["high"])), shape=shape)
    node_of = dict(zip(links["link_id"].astype("str"), codes.reshape(-1, 2)[:, 0], strict=True))
    placed = stations[stations["link_id"].isin(list(node_of))]
    at = dict(zip(placed["station_id"], placed["link_id"].map(node_of), strict=True))
    found = {
        name: csgraph.dijkstra(graph, directed=False, indices=int(at[name]))[list(at.values())]
        for name in permanents
        if name in at
    }
    return pd.DataFrame(found, index=list(at)).replace(np.inf, np.nan)


def learn(
    stations: pd.DataFrame,
    distance: pd.DataFrame | None,
    names: Sequence[str],
    deviation: Array,
    weight: Array,
) -> Kin:
    """Learn from pairs of permanents how much class and distance tell.

    Parameters
    ----------
    stations : DataFrame
        ``station_id`` and, where known, ``road_class``.
    distance : DataFrame, optional
        Metres along the network, stations × permanents.
    names : sequence of str
        Station of each permanent series.
    deviation : array, shape (series, days)
        ln V − ln AADT less the mean of the day.
    weight : array, shape (series,)
        0 for a series that may not teach.

    Notes
    -----
    P is the mean square difference of two permanents' deviations over the year. The multiplier of
    another class is mean P within classes over mean P across, that of a far station mean P of the
    nearer half of the pairs over that of the farther half; neither above 1.
    """
    first = {name: k for k, name in reversed(list(enumerate(names))) if weight[k] > 0}
    keep = np.array(sorted(first.values()), dtype=np.intp)
    of = [names[k] for k in keep]
    known = stations.set_index("station_id")
    road_class = known.get("road_class", pd.Series(dtype="str"))
    metres = pd.DataFrame() if distance is None else distance
    square = (deviation[keep] ** 2).sum(axis=1)
    unlike = square[:, None] + square - 2 * deviation[keep] @ deviation[keep].T
    pair = np.triu(np.ones(unlike.shape, dtype=bool), 1)
    classed = _known(road_class, of)
    other = _known_other(road_class, of, of)
    between = _metres(metres, of, of)
    spans = between[pair & np.isfinite(between)]
    near_m = float(np.median(spans)) if len(spans) else np.inf
    both = pair & classed[:, None] & classed
    return Kin(
        _ratio(unlike, both & ~other, both & other),
        _ratio(unlike, pair & (between <= near_m), pair & (between > near_m)),
        near_m,
        road_class,
        metres,
        tuple(names),
    )


def _ratio(unlike: Array, alike: Mask, apart: Mask) -> float:
    if min(alike.sum(), apart.sum()) < PAIRS_MIN:
        return 1.0
    return float(np.clip(unlike[alike].mean() / max(unlike[apart].mean(), 1e-12), LEAST, 1.0))


def _known(road_class: pd.Series, stations: Sequence[str]) -> Mask:
    return np.asarray(road_class.reindex(list(stations)).notna().to_numpy(), dtype=bool)


def _known_other(road_class: pd.Series, one: Sequence[str], other: Sequence[str]) -> Mask:
    """Say for each pair whether both classes are known and differ."""
    left, right = (
        road_class.reindex(list(names)).fillna("").astype("str").to_numpy(dtype=object)
        for names in (one, other)
    )
    return np.asarray((left[:, None] != right) & (left[:, None] != "") & (right != ""), dtype=bool)


def _metres(distance: pd.DataFrame, one: Sequence[str], other: Sequence[str]) -> Array:
    found = distance.reindex(index=list(one), columns=list(other))
    return np.asarray(found.to_numpy(dtype=np.float64))
