"""A new network for the old one: what became of each link, and the stations carried over."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from countmap.roads.along import coordinates, direction_deg, locate, samples, turn_deg
from countmap.roads.names import similarities
from countmap.tables import CROSSWALK, SENSES, require

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from countmap.roads.graph import Roads

TOLERANCE_M = 15.0
"""A road that lies farther off is another road: above what redrawing moves a line (5 m is common),
below the distance of parallel streets."""
SPACING_M = 20.0
ALONG_DEG = 35.0
LEAST_M = 10.0
"""A shorter overlap counts only if it is half of the old or of the new link."""

# What a counterpart costs, in metres of distance; the figures are ours.
END_COST_M = 3.0
NAME_COST_M = 10.0
CLASS_COST_M = 3.0
SENSE_COST_M = 20.0
"""For a link that does not carry the sense in question: the other carriageway, as a rule."""


def crosswalk(old: Roads, new: Roads, *, tolerance_m: float = TOLERANCE_M) -> pd.DataFrame:
    """Find out what became of each link.

    Parameters
    ----------
    tolerance_m : float
        How far a road may have moved.

    Returns
    -------
    DataFrame
        ``tables.CROSSWALK``, sorted by old id and falling share. A split link has several rows, a
        removed one has none. ``same_way``: drawn in the same direction. ``share`` is the share
        of the old link's length that lies on the new one, in the sense for which it is larger:
        the shares of a road that became two carriageways add up to 2.

    Notes
    -----
    Every sense of an old link is followed at places along it. A place goes with the link nearest to
    it that runs along it; a different name or class, and above all a link that does not carry the
    sense, count as distance. Ids play no part: sources use them again.

    Examples
    --------
    >>> import geopandas as gpd
    >>> from countmap.roads.graph import build
    >>> def roads(**lines):
    ...     shapes = [shapely.LineString(line) for line in lines.values()]
    ...     raw = gpd.GeoDataFrame({"link_id": list(lines)}, geometry=shapes, crs="EPSG:3067")
    ...     return build(raw)
    >>> before = roads(a=[(0, 0), (200, 0)])
    >>> after = roads(b=[(80, 2), (0, 2)], c=[(80, 2), (200, 2)])
    >>> crosswalk(before, after).to_numpy().tolist()
    [['a', 'c', True, 0.6], ['a', 'b', False, 0.4]]
    """
    followed = _follow(old, new, tolerance_m)
    by = ["old", "new"]
    senses = followed.groupby([*by, "sense"])["same"].agg(["size", "sum"]).reset_index()
    found = senses.groupby(by)[["size", "sum"]].agg({"size": ["max", "sum"], "sum": "sum"})
    found.columns = ["most", "seen", "same"]
    found = found.reset_index()
    parts = followed["parts"].groupby(followed["old"]).first()
    old_m = old.links["length_m"].to_numpy()[found["old"]]
    new_m = new.links["length_m"].to_numpy()[found["new"]]
    share = found["most"] / parts.reindex(found["old"]).to_numpy()
    shared_m = share * old_m
    keep = (shared_m >= LEAST_M) | (shared_m >= 0.5 * np.minimum(old_m, new_m))
    table = pd.DataFrame(
        {
            "old_link_id": old.links["link_id"].to_numpy(object)[found["old"]],
            "new_link_id": new.links["link_id"].to_numpy(object)[found["new"]],
            "same_way": (2 * found["same"] >= found["seen"]).to_numpy(bool),
            "share": share.to_numpy(np.float64),
        }
    )[keep.to_numpy()].astype({"old_link_id": "str", "new_link_id": "str"})
    table = table.sort_values(
        ["old_link_id", "share", "new_link_id"], ascending=[True, False, True], ignore_index=True
    )
    return require(table, CROSSWALK)


def _follow(old: Roads, new: Roads, tolerance_m: float) -> pd.DataFrame:
    """Return the counterpart of each place and sense: ``old, new`` (positions), ``sense``, ``same``.

    ``parts`` is the number of places on the old link.
    """
    ours, theirs = _lines(old), _lines(new, old)
    which, offset = samples(ours, spacing_m=SPACING_M, least=5, most=40)
    points = shapely.line_interpolate_point(ours[which], offset)
    place, link = shapely.STRtree(theirs).query(points, "dwithin", distance=tolerance_m)
    foot, distance = locate(theirs[link], points[place])
    turn = turn_deg(direction_deg(ours[which], offset)[place], direction_deg(theirs[link], foot))
    along = (turn <= ALONG_DEG) | (turn >= 180.0 - ALONG_DEG)
    place, link, foot, distance = place[along], link[along], foot[along], distance[along]
    same = np.asarray(turn[along] < 90.0)
    before = old.links.iloc[which[place]].reset_index(drop=True)
    after = new.links.iloc[link].reset_index(drop=True)
    cost = distance + END_COST_M * ((foot <= 0.0) | (foot >= shapely.length(theirs[link])))
    cost = cost + NAME_COST_M * (
        1.0 - np.nan_to_num(similarities(before["name"], after["name"]), nan=1)
    )
    classes = before["road_class"].fillna("").to_numpy(), after["road_class"].fillna("").to_numpy()
    cost += CLASS_COST_M * (classes[0] != classes[1])
    rank = new.links["link_id"].rank().to_numpy()[link]
    parts = np.bincount(which, minlength=len(ours))[which[place]]
    rows = pd.DataFrame(
        {"place": place, "old": which[place], "new": link, "same": same, "parts": parts}
    )
    chosen = []
    for sense in SENSES:
        carried = _carries(before["allowed"].to_numpy(object), np.array([sense == "with"]))
        served = _carries(after["allowed"].to_numpy(object), same == (sense == "with"))
        total = np.round(cost + SENSE_COST_M * ~served, 6)
        best = rows.assign(sense=sense, cost=total, rank=rank)[carried]
        chosen.append(best.sort_values(["place", "cost", "rank"]).drop_duplicates("place"))
    return pd.concat(chosen, ignore_index=True)


def carry(
    stations: pd.DataFrame,
    crosswalk: pd.DataFrame,
    old: Roads,
    new: Roads,
    *,
    tolerance_m: float = TOLERANCE_M,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Carry stations from the old network to the new one.

    Parameters
    ----------
    stations : DataFrame
        ``tables.STATIONS``; those without ``link_id`` stay as they are.

    Returns
    -------
    stations : DataFrame
        All of them in their order and with their columns; ``link_id``, ``offset_m`` and ``same_way``
        are those of the new network, so that ``with`` is still the same direction on the ground;
        null where a station is lost.
    lost : DataFrame
        ``station_id``, ``link_id`` (the old one) and ``why``, one line.

    Notes
    -----
    A station on a road that became two carriageways is lost: its counts are of both, and no one
    link is their place. One on a street that became one-way is carried.
    """
    rows = stations.reset_index(drop=True)
    on_link = rows["link_id"].notna().to_numpy()
    spots = _spots(rows[on_link], crosswalk, old, new)
    spots = spots[spots["distance_m"] <= tolerance_m]
    spots = spots.sort_values(["station", "cost", "new_link_id"], ignore_index=True)
    best = spots.drop_duplicates("station").set_index("station")
    others = spots[spots["new_link_id"] != best.loc[spots["station"], "new_link_id"].to_numpy()]
    parted = others[
        (others["with_"] & best.loc[others["station"], "lacks_with"].to_numpy())
        | (others["against_"] & best.loc[others["station"], "lacks_against"].to_numpy())
    ].drop_duplicates("station")
    parted = parted.set_index("station")["new_link_id"]
    kept = best.index.difference(parted.index)
    gone = rows.index[on_link].difference(kept)
    why = [
        _why_lost(rows.loc[at], best.loc[at, "new_link_id"], parted[at], tolerance_m)
        if at in parted.index
        else _why_lost(rows.loc[at], None, None, tolerance_m)
        for at in gone
    ]
    lost = pd.DataFrame(
        {
            "station_id": rows["station_id"].loc[gone],
            "link_id": rows["link_id"].loc[gone],
            "why": pd.Series(why, index=gone, dtype="str"),
        }
    ).reset_index(drop=True)
    spot = best.loc[kept].reindex(rows.index)
    carried = rows.assign(
        link_id=spot["new_link_id"].astype("str"),
        offset_m=spot["offset_m"].astype("float64"),
        same_way=spot["same_way"] if spot["same_way"].isna().any() else spot["same_way"].eq(True),
    )
    carried.index = stations.index
    return carried, lost


def _spots(rows: pd.DataFrame, crosswalk: pd.DataFrame, old: Roads, new: Roads) -> pd.DataFrame:
    """Return where each station would stand on each counterpart of its link.

    ``station`` (index of ``rows``), ``new_link_id, offset_m, same_way, distance_m, cost``;
    ``with_``, ``against_``: the link carries the station's sense; ``lacks_with``,
    ``lacks_against``: it does not, and the old link did.
    """
    pairs = rows.assign(station=rows.index)[["station", "link_id", "offset_m", "same_way"]].merge(
        crosswalk, left_on="link_id", right_on="old_link_id", suffixes=("_old", "_drawn")
    )
    before = pd.Index(old.links["link_id"]).get_indexer(pairs["old_link_id"])
    after = pd.Index(new.links["link_id"]).get_indexer(pairs["new_link_id"])
    ours, theirs = _lines(old)[before], _lines(new, old)[after]
    offset = np.minimum(pairs["offset_m"].to_numpy(np.float64), shapely.length(ours))
    points = shapely.points(coordinates(ours, offset))
    foot, distance = locate(theirs, points)
    scale = new.links["length_m"].to_numpy()[after] / np.maximum(shapely.length(theirs), 1e-9)
    turn = turn_deg(direction_deg(ours, offset), direction_deg(theirs, foot))
    clear = (turn <= ALONG_DEG) | (turn >= 180.0 - ALONG_DEG)
    drawn = np.where(clear, turn < 90.0, pairs["same_way_drawn"].to_numpy(bool))
    own = pairs["same_way_old"].fillna(value=True).to_numpy(bool)
    same = own == drawn
    had = [_carries(old.links["allowed"].to_numpy(object)[before], way) for way in (own, ~own)]
    has = [_carries(new.links["allowed"].to_numpy(object)[after], way) for way in (same, ~same)]
    lacks = [h & ~n for h, n in zip(had, has, strict=True)]
    beyond = (foot <= 0.0) | (foot >= shapely.length(theirs))
    cost = distance + END_COST_M * beyond + SENSE_COST_M * (lacks[0] * 1.0 + lacks[1])
    return pd.DataFrame(
        {
            "station": pairs["station"],
            "new_link_id": pairs["new_link_id"],
            "offset_m": foot * scale,
            "same_way": same,
            "distance_m": distance,
            "cost": np.round(cost, 6),
            "with_": has[0],
            "against_": has[1],
            "lacks_with": lacks[0],
            "lacks_against": lacks[1],
        }
    )


def _lines(roads: Roads, like: Roads | None = None) -> Any:
    """Return the lines, in the working CRS of ``like``."""
    links = roads.links
    if like is not None and roads.crs != like.crs:
        links = links.to_crs(like.crs)
    return links.geometry.to_numpy()


def _carries(allowed: NDArray[np.object_], forward: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return whether links that allow ``allowed`` carry traffic as drawn (or else backwards)."""
    return np.asarray((allowed == "both") | (forward == (allowed == "with")))


def _why_lost(row: pd.Series, one: str | None, other: str | None, tolerance_m: float) -> str:
    where = f"link {row['link_id']!r}, {row['offset_m']:.0f} m along it"
    if one is None:
        return (
            f"the road at station {row['station_id']!r} ({where}) has no counterpart within "
            f"{tolerance_m:g} m. Place the station again, or retire it"
        )
    return (
        f"the road at station {row['station_id']!r} ({where}) is two carriageways in the new network, "
        f"links {one!r} and {other!r}. Place it on one, and take a second station for the other"
    )
