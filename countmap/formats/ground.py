"""Place names and water of an OpenStreetMap file: what a reader finds the way by on a map of counts.

Which tags say so follows the OpenStreetMap wiki (Key:place, Tag:natural=water, Key:waterway).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import shapely

from countmap.errors import NotFound
from countmap.formats import osm

PLACES = ("city", "town", "village", "suburb", "hamlet")
"""place=* that is written on the map, the largest first."""
STREAMS = frozenset({"river", "canal"})
"""waterway=* that is drawn as a line; brooks and ditches are left out."""
LEAST_AREA_DEG2 = 1e-6
"""Water smaller than this (about a hectare) is left out."""


def read(path: str | Path) -> tuple[pd.DataFrame, gpd.GeoDataFrame]:
    """Read place names and water from an OpenStreetMap file.

    Parameters
    ----------
    path : path
        What pyosmium reads: ``.osm``, ``.osm.bz2``, ``.osm.gz``, ``.osm.pbf``.

    Returns
    -------
    places : DataFrame
        ``name, kind`` (city, town, village, suburb, hamlet), ``lon, lat`` (WGS84), by name.
    water : GeoDataFrame
        ``geometry`` in WGS84: LineStrings of rivers and canals, Polygons of standing and wide water.
        Both are empty where the file has none.

    Raises
    ------
    NotFound
        There is no such file.
    MissingExtra
        pyosmium is not installed.
    InvalidInput
        The file cannot be read.
    """
    path = Path(path)
    if not path.is_file():
        raise NotFound(f"{path}: there is no such file. Check the path")
    with osm.reading(path) as osmium:
        places, shapes = _gathered(path, osmium)
    frame = pd.DataFrame(places, columns=["name", "kind", "lon", "lat"])
    frame = frame.sort_values(["name", "lon", "lat"], ignore_index=True)
    found = gpd.GeoSeries([shapely.from_wkb(one) for one in shapes], crs="EPSG:4326")
    narrow = found.geom_type.isin(("Polygon", "MultiPolygon")) & (
        _area_deg2(found) < LEAST_AREA_DEG2
    )
    water = gpd.GeoDataFrame(geometry=found[~narrow]).explode(ignore_index=True)
    return frame, water


def _area_deg2(shapes: gpd.GeoSeries) -> Any:
    return shapely.area(shapes.to_numpy())


def _gathered(path: Path, osmium: Any) -> tuple[list[tuple[str, str, float, float]], list[bytes]]:
    """Return the named places, and water as WKB: lines of streams, areas of the rest."""
    wanted = osmium.filter.KeyFilter("place", "natural", "waterway")
    water = osmium.filter.KeyFilter("natural", "waterway")
    make = osmium.geom.WKBFactory()
    places: list[tuple[str, str, float, float]] = []
    shapes: list[bytes] = []
    for one in osmium.FileProcessor(str(path)).with_areas(water).with_filter(wanted):
        tags = one.tags
        if one.is_node() and tags.get("place") in PLACES and tags.get("name"):
            places.append((tags["name"], tags["place"], one.lon, one.lat))
        elif one.is_way() and tags.get("waterway") in STREAMS and len(one.nodes) > 1:
            if all(node.location.valid() for node in one.nodes):
                shapes.append(bytes.fromhex(make.create_linestring(one)))
        elif one.is_area() and (
            tags.get("natural") == "water" or tags.get("waterway") == "riverbank"
        ):
            shapes.append(bytes.fromhex(make.create_multipolygon(one)))
    return places, shapes
