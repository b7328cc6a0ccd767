"""The ground under the roads as the page carries it: place names, water, cut to the network and made coarse."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import shapely

from countmap.publish.content import MapContent
from countmap.publish.packed import Column, Lines, Numbers, Text

RANKS = {"city": 0.0, "town": 1.0, "village": 2.0, "suburb": 3.0, "hamlet": 4.0}
COARSE_DEG = 5e-5
"""Shores are kept to about five metres."""
BEYOND = 0.25
"""Ground is drawn this share of the network's extent beyond it."""


def ground(content: MapContent, links: pd.DataFrame) -> dict[str, dict[str, Column]]:
    """Return the tables ``places`` and ``water``; water's ``area`` is 1 for a ring to fill, 0 for a line.

    Rings of one shore after another: islands are rings too, filled by the even-odd rule.
    """
    frame = _frame(links)
    places = content.places
    kept = places
    if frame is not None and len(places):
        inside = shapely.contains_xy(frame, places["lon"].to_numpy(), places["lat"].to_numpy())
        kept = places[inside]
    lines, rings = _water(content, frame)
    shapes = np.array([*rings, *lines], dtype=object)
    return {
        "places": {
            "name": Text(kept["name"].tolist()),
            "rank": Numbers(kept["kind"].map(RANKS).astype("float64").to_numpy()),
            "lon": Numbers(kept["lon"].astype("float64").to_numpy(), 1e4),
            "lat": Numbers(kept["lat"].astype("float64").to_numpy(), 1e4),
        },
        "water": {"shape": Lines(shapes), "area": Numbers([1.0] * len(rings) + [0.0] * len(lines))},
    }


def _frame(links: pd.DataFrame) -> Any:
    """Return the rectangle of ground to draw, or None without roads."""
    if not len(links):
        return None
    west, south, east, north = shapely.total_bounds(links.geometry.to_numpy())
    wide, high = BEYOND * (east - west), BEYOND * (north - south)
    return shapely.box(west - wide, south - high, east + wide, north + high)


def _water(content: MapContent, frame: Any) -> tuple[list[Any], list[Any]]:
    shapes = content.water.geometry.to_numpy()
    if frame is None or not len(shapes):
        return [], []
    polygon = shapely.get_type_id(shapes) == 3
    whole = shapely.union_all(shapes[polygon])
    shore = shapely.simplify(shapely.clip_by_rect(whole, *frame.bounds), COARSE_DEG)
    streams = shapely.simplify(shapely.clip_by_rect(shapes[~polygon], *frame.bounds), COARSE_DEG)
    polygons = [one for one in shapely.get_parts(shore) if shapely.get_type_id(one) == 3]
    rings = [shapely.LineString(r.coords) for r in shapely.get_rings(polygons)]
    lines = [one for one in shapely.get_parts(streams) if len(one.coords) > 1]
    return lines, rings
