"""Why a station may lie far from every road: usual slips with coordinates, each tried out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyproj
import shapely

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from countmap.roads.graph import Roads

WEB_MERCATOR = "EPSG:3857"
EDGE_M = 2_000.0
"""Margin round the network's extent within which a slip put right counts as an explanation."""

SAME_M = 1.0
"""Slips that lead to one place (two names of one projection) are not told apart: the first counts."""


def explain(
    roads: Roads, lon: NDArray[np.float64], lat: NDArray[np.float64], away_m: NDArray[np.float64]
) -> list[str]:
    """Return for each far position one line: how far it is, the likely slip, what to do.

    Parameters
    ----------
    lon, lat : arrays
        As given, not null; they need not be degrees.
    away_m : array
        Distance from the nearest link; infinite where the position has no place in the working CRS.

    Notes
    -----
    Every slip is undone and the result measured against the network: the one that lands nearest to
    a link wins; it must land within the network's extent.

    Examples
    --------
    >>> import geopandas as gpd
    >>> from countmap.roads.graph import build
    >>> line = shapely.LineString([(24.93, 60.17), (24.95, 60.17)])
    >>> roads = build(gpd.GeoDataFrame({"link_id": ["a"]}, geometry=[line], crs="EPSG:4326"))
    >>> explain(roads, np.array([60.17]), np.array([24.94]), np.array([4e6]))
    ['lon 60.17, lat 24.94 lies 4,000 km from the network; lon and lat look swapped. Swap them']
    """
    tree = shapely.STRtree(roads.links.geometry.to_numpy())
    best = np.asarray(away_m, dtype=np.float64).copy()
    cause = np.full(len(lon), "", dtype=object)
    west, south, east, north = roads.links.total_bounds
    for text, x, y in _undone(roads, lon, lat):
        within = (x >= west - EDGE_M) & (x <= east + EDGE_M)
        within &= (y >= south - EDGE_M) & (y <= north + EDGE_M)
        at = np.flatnonzero(within)
        _, gap = tree.query_nearest(
            shapely.points(x[at], y[at]), all_matches=False, return_distance=True
        )
        nearer = gap < best[at] - SAME_M
        best[at[nearer]] = gap[nearer]
        cause[at[nearer]] = text
    return [
        f"lon {a:.10g}, lat {b:.10g} {_far(metres)}; {why or _UNKNOWN}"
        for a, b, metres, why in zip(lon, lat, away_m, cause, strict=True)
    ]


_UNKNOWN = "check the coordinates and their reference system"


def _far(metres: float) -> str:
    if not np.isfinite(metres):
        return "is no place in WGS84"
    if metres < 10_000:
        return f"lies {metres:,.0f} m from the network"
    return f"lies {metres / 1000:,.0f} km from the network"


def _undone(
    roads: Roads, lon: NDArray[np.float64], lat: NDArray[np.float64]
) -> Iterator[tuple[str, NDArray[np.float64], NDArray[np.float64]]]:
    """Yield each slip in words and where the stations would be without it (working CRS)."""
    slips = {
        "lon and lat look swapped. Swap them": (lat, lon),
        "the sign of lon looks wrong (east is positive). Turn it round": (-lon, lat),
        "the sign of lat looks wrong (north is positive). Turn it round": (lon, -lat),
        "the signs of lon and lat look wrong. Turn both round": (-lon, -lat),
    }
    for zones in (-2, -1, 1, 2):
        text = (
            f"it is {abs(6 * zones)}° too far {'east' if zones > 0 else 'west'}, as when metres are "
            f"read in {'the next' if abs(zones) == 1 else 'a distant'} UTM zone. Check the zone"
        )
        slips[text] = lon - 6.0 * zones, lat
    for power in (5, 6, 7):
        text = f"they look like degrees times 10^{power}. Divide them"
        slips[text] = lon / 10.0**power, lat / 10.0**power
    degrees = np.array(list(slips.values()))  # (slip, 2, station): one projection for all
    fits = (np.abs(degrees[:, 0]) <= 180.0) & (np.abs(degrees[:, 1]) <= 90.0)
    x, y = roads.to_working(*np.where(fits, degrees.swapaxes(0, 1), 0.0))
    yield from zip(slips, np.where(fits, x, np.inf), np.where(fits, y, np.inf), strict=True)
    metres = (np.abs(lon) > 180.0) | (np.abs(lat) > 90.0)
    if not metres.any():
        return
    for name, crs in _metric(roads):
        from_metres = pyproj.Transformer.from_crs(crs, roads.crs, always_xy=True)
        for a, b, order in ((lon, lat, ""), (lat, lon, ", northing first")):
            x, y = from_metres.transform(a, b)
            text = f"they look like metres of {name}{order}, not degrees. Give x and y with --crs"
            yield text, np.where(metres, x, np.inf), np.where(metres, y, np.inf)


def _metric(roads: Roads) -> list[tuple[str, pyproj.CRS]]:
    """Return the CRS whose metres a file may hold: the working one, UTM here, Web Mercator."""
    working = roads.crs
    west, south, east, north = roads.links.total_bounds
    lon, lat = (float(v) for v in roads.to_wgs84((west + east) / 2, (south + north) / 2))
    zone = int((lon + 180.0) // 6.0) % 60 + 1
    utm = pyproj.CRS.from_epsg((32600 if lat >= 0.0 else 32700) + zone)
    names = {working.name: working, utm.name: utm, "Web Mercator": pyproj.CRS(WEB_MERCATOR)}
    return list(names.items())
