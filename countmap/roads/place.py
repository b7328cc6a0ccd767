"""Stations on links: candidates within a radius, judged by distance, road name and bearing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from countmap.compass import compass_deg
from countmap.errors import InvalidInput, NotFound
from countmap.roads.along import coordinates, locate, turn_deg
from countmap.roads.candidates import SLACK_DEG, choose, fit, near_end, search
from countmap.roads.clusters import link_ends
from countmap.roads.suspects import explain
from countmap.tables import STATIONS, empty

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from countmap.roads.graph import Roads

RADIUS_M = 40.0
REACH = 5.0
"""Up to this many times the radius links are named, but none is chosen."""


@dataclass(frozen=True, slots=True)
class Placement:
    """What became of each station: every one is in exactly one of the three frames.

    Parameters
    ----------
    placed : DataFrame
        The stations' own columns, with ``link_id, offset_m, same_way, bearing_deg, lon, lat``
        filled, ``distance_m`` (from the link, null without a position) and ``note`` (one line to
        look at, or null).
    ambiguous : DataFrame
        The stations' own columns, ``why`` (one line) and ``candidates``: a list of up to three
        dicts, the best first: ``link_id, name, distance_m, offset_m, same_way, bearing_deg`` (of
        the link as drawn), ``reason``.
    refused : DataFrame
        The stations' own columns and ``why``.
    """

    placed: pd.DataFrame
    ambiguous: pd.DataFrame
    refused: pd.DataFrame

    @property
    def notes(self) -> list[str]:
        """The notes of the placed stations, one line each."""
        noted = self.placed[self.placed["note"].notna()]
        return [f"{s}: {n}" for s, n in zip(noted["station_id"], noted["note"], strict=True)]


def place(roads: Roads, stations: pd.DataFrame, *, radius_m: float = RADIUS_M) -> Placement:
    """Place stations on links.

    Parameters
    ----------
    stations : DataFrame
        ``tables.STATIONS``. The position is ``lon, lat``. A given ``link_id`` is honoured whatever
        the position says. ``road`` and ``bearing_deg`` (of sense ``with``; else a compass word in
        ``name_with`` or ``name_against``) help to choose.
    radius_m : float
        A station farther than this from every link is not placed by itself.

    Returns
    -------
    Placement
        Placed, ambiguous (waits for a decision, see ``put``) or refused, in the order of the rows.

    Notes
    -----
    Sense ``with`` is the station's bearing. Without one it is the direction of traffic on a
    one-way link and else the drawn direction, and that becomes the station's ``bearing_deg``: it
    keeps its senses however its link is drawn later.

    A one-way link that runs against the bearing is never chosen; where it is also the nearest by
    more than a few metres, position and bearing contradict each other and a decision is needed.

    Examples
    --------
    >>> import geopandas as gpd
    >>> from countmap.roads.graph import build
    >>> line = shapely.LineString([(24.93, 60.17), (24.95, 60.17)])
    >>> roads = build(gpd.GeoDataFrame({"link_id": ["a"]}, geometry=[line], crs="EPSG:4326"))
    >>> at = pd.DataFrame(
    ...     {"station_id": ["S1"], "lon": [24.94], "lat": [60.1701], "bearing_deg": [265.0]}
    ... )
    >>> place(roads, at).placed[["link_id", "same_way"]].to_numpy().tolist()
    [['a', False]]
    """
    rows = _complete(stations)
    lon, lat = rows["lon"].to_numpy(np.float64), rows["lat"].to_numpy(np.float64)
    valid = (np.abs(lon) <= 180.0) & (np.abs(lat) <= 90.0)
    x, y = roads.to_working(np.where(valid, lon, 0.0), np.where(valid, lat, 0.0))
    valid &= np.isfinite(x) & np.isfinite(y)
    points = shapely.points(np.where(valid, x, 0.0), np.where(valid, y, 0.0))
    away = np.full(len(rows), np.inf)
    if valid.any():
        tree = shapely.STRtree(roads.links.geometry.to_numpy())
        nearest = tree.query_nearest(points[valid], all_matches=False, return_distance=True)
        away[valid] = nearest[1]
    given = rows["link_id"].notna().to_numpy()
    blank = ~given & (np.isnan(lon) | np.isnan(lat))
    far = ~given & ~blank & (away > REACH * radius_m)
    near = ~given & ~blank & ~far
    why = pd.Series(None, index=rows.index, dtype="str")
    why[blank] = "there is no position; give lon and lat, or link_id"
    if far.any():
        why[far] = explain(roads, lon[far], lat[far], away[far])
    points[~valid] = None
    placed, wrong = _honour(roads, rows[given], points[given], radius_m)
    why[wrong.index] = wrong
    reach = np.where(away <= radius_m, radius_m, REACH * radius_m)
    choice = choose(roads, search(roads, rows, points, np.flatnonzero(near), reach), radius_m)
    sure = choice[choice["why"].isna()]
    placed = pd.concat([placed, _filled(roads, rows.loc[sure.index], sure)]).sort_index()
    open_ = choice[choice["why"].notna()]
    waiting = rows.loc[open_.index].assign(why=open_["why"], candidates=open_["candidates"])
    refused = rows.assign(why=why)[why.notna()]
    return Placement(*(f.reset_index(drop=True) for f in (placed, waiting, refused)))


def put(roads: Roads, station: pd.DataFrame, link_id: str) -> pd.DataFrame:
    """Return a station (a frame of one row) put on a link by decision.

    It stands at the foot of its position, or in the middle of the link if it has none; a known
    ``bearing_deg`` stays as it is.

    Raises
    ------
    NotFound
        If there is no such link.
    """
    if link_id not in set(roads.links["link_id"]):
        raise NotFound(f"link {link_id!r} is not in the network; name one that is")
    row = _complete(station)
    row["link_id"] = pd.Series(link_id, index=row.index, dtype="str")
    row["offset_m"], row["same_way"] = np.nan, None
    done = place(roads, row)
    if len(done.refused):
        raise InvalidInput(done.refused["why"].iloc[0])
    return done.placed


def _complete(stations: pd.DataFrame) -> pd.DataFrame:
    """Return the stations with every column of the contract, null where it was absent."""
    rows = stations.reset_index(drop=True).drop(columns="geometry", errors="ignore")
    blank = empty(STATIONS).reindex(rows.index)
    absent = [name for name in STATIONS.names if name not in rows.columns]
    rows[absent] = blank[absent]
    rows["same_way"] = rows["same_way"].astype(object)
    return rows


def _against_words(rows: pd.DataFrame) -> NDArray[np.bool_]:
    """Return where the bearing and the compass word of ``name_with`` are opposite."""
    word = rows["name_with"].map(compass_deg).to_numpy(np.float64)
    return np.asarray(turn_deg(rows["bearing_deg"], word) > 90.0 + SLACK_DEG)


def _honour(
    roads: Roads, rows: pd.DataFrame, points: Any, radius_m: float
) -> tuple[pd.DataFrame, pd.Series]:
    """Place stations on the links they name; return them, and why some could not be."""
    ids = pd.Index(roads.links["link_id"])
    link = ids.get_indexer(rows["link_id"])
    length = roads.links["length_m"].to_numpy()[link]
    offset = rows["offset_m"].to_numpy(np.float64)
    why = pd.Series(None, index=rows.index, dtype="str")
    for at, name in rows["link_id"][link < 0].items():
        why[at] = f"link {name!r} is not in the network. Correct link_id, or leave it out"
    for at in rows.index[(link >= 0) & (offset > length + 0.01)]:
        here = rows.index.get_loc(at)
        why[at] = (
            f"offset_m {offset[here]:g} is beyond link {rows['link_id'][at]!r}, which is "
            f"{length[here]:.1f} m long. Correct it, or leave it out"
        )
    good = why.isna().to_numpy()
    rows, link, points, offset = rows[good], link[good], points[good], offset[good]
    length = length[good]
    lines = roads.links.geometry.to_numpy()[link]
    foot, distance = locate(lines, points)
    unknown = shapely.is_missing(points)
    middle = unknown & np.isnan(offset)
    offset = np.where(np.isnan(offset), np.where(unknown, length / 2.0, foot), offset)
    offset = np.minimum(offset, length)
    spot = fit(roads, rows, link, offset).set_index(rows.index)
    kept = rows["same_way"].notna() & spot["wanted_deg"].isna()
    spot["same_way"] = spot["same_way"].mask(kept, rows["same_way"]).astype(bool)
    spot = spot.assign(
        link_id=rows["link_id"],
        offset_m=offset,
        distance_m=np.where(unknown, np.nan, distance),
        end=near_end(roads, link, offset, length),
        extra=_honour_notes(spot, distance, middle, radius_m),
    )
    return _filled(roads, rows, spot), why[~good]


def _honour_notes(
    spot: pd.DataFrame,
    distance: NDArray[np.float64],
    middle: NDArray[np.bool_],
    radius_m: float,
) -> list[str]:
    """Return what to look at in stations put on a link by its id; empty where nothing."""
    notes = []
    for row, away, unknown in zip(spot.itertuples(), distance, middle, strict=True):
        parts = []
        if unknown:
            parts.append("no position is known: it stands in the middle of its link")
        elif away > radius_m:
            parts.append(f"its position is {away:,.0f} m from the link it names")
        if row.across:
            parts.append(
                f"its bearing {row.wanted_deg:.0f}° is across the link: check which sense is which"
            )
        elif row.wrong_way:
            parts.append(f"its bearing {row.wanted_deg:.0f}° is against the link's one-way")
        notes.append("; ".join(parts))
    return notes


def _filled(roads: Roads, rows: pd.DataFrame, spot: pd.DataFrame) -> pd.DataFrame:
    """Return stations with the columns of their placement filled; ``spot`` has the same index."""
    link = pd.Index(roads.links["link_id"]).get_indexer(spot["link_id"])
    offset, same = spot["offset_m"].to_numpy(np.float64), spot["same_way"].to_numpy(bool)
    own = np.where(same, spot["drawn_deg"], (spot["drawn_deg"] + 180.0) % 360.0)
    lon, lat = rows["lon"].to_numpy(np.float64), rows["lat"].to_numpy(np.float64)
    unknown = np.isnan(lon) | np.isnan(lat)
    if unknown.any():
        at = coordinates(roads.links.geometry.to_numpy()[link[unknown]], offset[unknown])
        found = roads.to_wgs84(at[:, 0], at[:, 1])
        lon, lat = lon.copy(), lat.copy()
        lon[unknown], lat[unknown] = found
    node = spot["end"].to_numpy()
    degree = np.bincount(link_ends(roads)["node"], minlength=len(roads.nodes))
    crowded = (node >= 0) & (degree[node] > 2)
    extra = spot["extra"] if "extra" in spot else pd.Series("", index=spot.index)
    opposite = _against_words(rows)
    notes = []
    for text, is_crowded, which, is_opposite in zip(extra, crowded, node, opposite, strict=True):
        parts = [text] if text else []
        if is_crowded:
            parts.append(
                f"it stands on the junction {roads.nodes['node_id'].iloc[which]}, where several "
                "sections meet: move it onto the one that is counted"
            )
        if is_opposite:
            parts.append("its bearing and its name_with say opposite directions: check the senses")
        notes.append("; ".join(parts) or None)
    return rows.assign(
        link_id=spot["link_id"].astype("str"),
        offset_m=offset,
        same_way=same,
        bearing_deg=rows["bearing_deg"].astype(np.float64).fillna(pd.Series(own, rows.index)),
        lon=lon,
        lat=lat,
        distance_m=spot["distance_m"].astype(np.float64),
        note=pd.Series(notes, index=rows.index, dtype="str"),
    )
