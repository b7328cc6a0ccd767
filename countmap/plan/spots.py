"""The exact spot on a reach: where a pair of tubes can lie, judged from geometry alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely

from countmap.errors import InvalidInput

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from countmap.roads.graph import Roads

    Floats = NDArray[np.float64]

SOURCES = {
    "junction_m": "away from junctions and signals: Florida traffic monitoring handbook; distance a project default",
    "avoid_m": "not beside accesses, schools, parking: Florida handbook; distance a project default",
    "generator_m": "traffic typical of the section: LRBICS manual (Philippines); distance a project default",
    "straight_m": "straight road, steady path: Florida handbook; length a project default",
    "radius_m": "not on a bend: Florida handbook; radius a project default (±0.9 % between lanes at 200 m)",
    "lanes": "at most two lanes a tube pair: common practice; accuracy falls on four lanes (ATAC 2002)",
}
"""Each rule's number and where it is from."""


@dataclass(frozen=True, slots=True)
class SpotSettings:
    """What a spot should have; sources in ``SOURCES``.

    Metres: from junctions in towns and, where the limit is ``fast_kmh`` or more, outside; from what
    the user wants avoided; from generators; of straight road each side; of bend radius. ``lanes`` a
    tube pair at most. ``step_m`` between the places that are tried, ``apart_m`` between candidates.
    """

    junction_m: float = 100
    junction_fast_m: float = 200
    fast_kmh: float = 70
    avoid_m: float = 25
    generator_m: float = 150
    straight_m: float = 60
    radius_m: float = 200
    lanes: float = 2
    step_m: float = 10
    apart_m: float = 40

    def __post_init__(self) -> None:
        if self.step_m <= 0 or self.straight_m <= 0:
            raise InvalidInput("plan settings spot_step_m and spot_straight_m must be above 0")


def spots(
    roads: Roads,
    junctions: pd.DataFrame,
    links: list[str],
    *,
    avoid: pd.DataFrame | None = None,
    settings: SpotSettings | None = None,
    most: int = 3,
) -> pd.DataFrame:
    """Rank places on the given links.

    Parameters
    ----------
    roads : Roads
    junctions : tables.JUNCTIONS
    links : list of str
        Of one section or reach.
    avoid : DataFrame, optional
        ``kind, x, y`` in the working CRS: signals, schools, accesses, parking, crossings …
    settings : SpotSettings, optional
    most : int

    Returns
    -------
    DataFrame
        The best first: ``link_id, offset_m, x, y, score`` (1: every rule kept with room), ``fit``
        (no rule broken), ``to_junction_m, straight_m, radius_m`` and ``why``: what speaks for it,
        then what against.

    Notes
    -----
    The score is the product over rules of how far each is kept, at most 1. Sight, surface, anchors and
    parking are not in the graph: the sheet asks for them on the spot.
    """
    options = settings or SpotSettings()
    table = roads.links[roads.links["link_id"].isin(links)].sort_values("link_id")
    if table.empty:
        raise InvalidInput("there is no link to lay tubes on; name a section of this network")
    ends = _points(roads, junctions, ("junction",))
    generators = _points(roads, junctions, ("generator",))
    rows = [
        one
        for link in table.itertuples(index=False)
        for one in _along(link, ends, generators, avoid, options)
    ]
    found = pd.DataFrame(rows).sort_values(
        ["score", "to_junction_m", "link_id", "offset_m"], ascending=[False, False, True, True]
    )
    kept: list[int] = []
    place = found[["x", "y"]].to_numpy()
    for i in range(len(found)):
        if all(np.hypot(*(place[i] - place[j])) >= options.apart_m for j in kept):
            kept.append(i)
        if len(kept) == most:
            break
    return found.iloc[kept].reset_index(drop=True)


def _points(roads: Roads, junctions: pd.DataFrame, kinds: tuple[str, ...]) -> Floats:
    nodes = junctions.loc[junctions["kind"].isin(kinds), "node_id"]
    rows = roads.nodes[roads.nodes["node_id"].isin(nodes)]
    return np.asarray(rows[["x", "y"]].to_numpy(dtype=float)).reshape(-1, 2)


def _away(point: Floats, places: Floats) -> float:
    return float(np.hypot(*(places - point).T).min()) if len(places) else np.inf


def _along(
    link: object,
    ends: Floats,
    generators: Floats,
    avoid: pd.DataFrame | None,
    options: SpotSettings,
) -> list[dict[str, object]]:
    """Judge places along a link every few metres."""
    line = link.geometry  # type: ignore[attr-defined]
    length = float(line.length)
    offsets = np.arange(options.step_m, length, options.step_m)
    if not len(offsets):
        offsets = np.array([length / 2])
    speed = float(link.speed_kmh) if pd.notna(link.speed_kmh) else np.nan  # type: ignore[attr-defined]
    fast = speed >= options.fast_kmh
    need = options.junction_fast_m if fast else options.junction_m
    lanes = float(link.lanes) if pd.notna(link.lanes) else np.nan  # type: ignore[attr-defined]
    shun = avoid[["x", "y"]].to_numpy(dtype=float) if avoid is not None else np.zeros((0, 2))
    kinds = avoid["kind"].tolist() if avoid is not None else []
    found = []
    for offset in offsets:
        point = np.array(line.interpolate(offset).coords[0])
        straight, radius = _straightness(line, float(offset), options.straight_m)
        near = int(np.argmin(np.hypot(*(shun - point).T))) if len(shun) else -1
        parts = [
            (_away(point, ends), need, "from the next junction"),
            (_away(point, shun), options.avoid_m, f"from {kinds[near]}" if near >= 0 else ""),
            (_away(point, generators), options.generator_m, "from a generator of traffic"),
        ]
        good, bad, score = [], [], 1.0
        for distance, wanted, what in parts:
            score *= min(1.0, distance / wanted) if wanted > 0 else 1.0
            if distance < wanted:
                bad.append(f"only {distance:.0f} of {wanted:g} m {what}")
            elif np.isfinite(distance) and what:
                good.append(f"{distance:.0f} m {what}")
        score *= min(1.0, straight / options.straight_m) * min(1.0, radius / options.radius_m)
        if straight >= options.straight_m and radius >= options.radius_m:
            good.append(f"straight for {2 * options.straight_m:g} m")
        elif radius < options.radius_m:
            bad.append(f"on a bend of about {radius:.0f} m radius")
        else:
            bad.append(f"only {straight:.0f} m of road on one side")
        if lanes > options.lanes:
            score *= options.lanes / lanes
            bad.append(f"{lanes:g} lanes; a pair of tubes counts {options.lanes:g}")
        elif link.allowed != "both":  # type: ignore[attr-defined]
            good.append("one-way")
        why = "; ".join(good) + (("; but " if good else "") + "; ".join(bad) if bad else "")
        found.append(
            {
                "link_id": link.link_id,  # type: ignore[attr-defined]
                "offset_m": float(offset),
                "x": float(point[0]),
                "y": float(point[1]),
                "score": float(score),
                "fit": not bad,
                "to_junction_m": parts[0][0],
                "straight_m": straight,
                "radius_m": radius,
                "why": why,
            }
        )
    return found


def _straightness(line: shapely.LineString, offset: float, reach: float) -> tuple[float, float]:
    """Return the metres of road on the shorter side, and the least bend radius within ``reach``.

    The radius is that of the circle through a place and those ``reach``/2 before and after it.
    """
    room = min(offset, line.length - offset)
    half = min(reach / 2, room)
    if half <= 0:
        return room, np.inf
    least = np.inf
    for at in (offset - half / 2, offset, offset + half / 2):
        a, b, c = (
            np.array(line.interpolate(min(max(at + s * half, 0.0), line.length)).coords[0])
            for s in (-1, 0, 1)
        )
        ab, bc, ac = (float(np.hypot(*d)) for d in (b - a, c - b, c - a))
        cross = abs(float((b - a)[0] * (c - a)[1] - (b - a)[1] * (c - a)[0]))
        if cross > 1e-9:
            least = min(least, ab * bc * ac / (2 * cross))
    return room, least
