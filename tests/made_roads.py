"""Small hand-drawn road networks for the tests, and ways to redraw them without changing the roads."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely

from countmap.roads.graph import Roads, build

CRS = "EPSG:3067"
EAST, NORTH = 385_000.0, 6_672_000.0
"""The drawings' origin in the CRS: inside its area of use."""


def raw(**links) -> gpd.GeoDataFrame:
    """Return raw links: ``a=([(0, 0), (90, 0)], {"allowed": "with"})`` or only the coordinates."""
    rows = []
    for link_id, link in links.items():
        coords, more = link if isinstance(link, tuple) else (link, {})
        line = shapely.LineString([(EAST + x, NORTH + y) for x, y in coords])
        rows.append({"link_id": link_id, "name": None, "allowed": "both", **more, "geometry": line})
    return gpd.GeoDataFrame(rows, geometry="geometry", crs=CRS)


def net(**links) -> Roads:
    """Return the graph of raw links; see ``raw``."""
    return build(raw(**links))


def node_at(roads: Roads, x: float, y: float) -> str:
    """Return the id of the node nearest to a place of the drawing."""
    away = np.hypot(roads.nodes["x"] - EAST - x, roads.nodes["y"] - NORTH - y)
    return roads.nodes["node_id"].iloc[int(np.argmin(away))]


def redrawn(roads: Roads, reverse, order) -> Roads:
    """Return the same roads with the links ``reverse`` drawn the other way, rows in ``order``."""
    links = roads.links.copy()
    flip = links["link_id"].isin(list(reverse)).to_numpy()
    lines = links.geometry.to_numpy().copy()
    lines[flip] = shapely.reverse(lines[flip])
    links["geometry"] = lines
    ends = links.loc[flip, ["to_node", "from_node"]].to_numpy()
    links.loc[flip, ["from_node", "to_node"]] = ends
    other = {"with": "against", "against": "with", "both": "both"}
    links.loc[flip, "allowed"] = links.loc[flip, "allowed"].map(other)
    return Roads(roads.nodes.iloc[::-1], links.iloc[list(order)], roads.crs)


def roundabout(*, flag: bool, radius: float = 18.0) -> dict:
    """Return a ring with four two-way roads: ``e``, ``n``, ``w``, ``s``, the ring ``r0`` … ``r3``."""
    links = {}
    for k, road in enumerate("enws"):
        turn = np.radians(np.linspace(90 * k, 90 * k + 90, 7))
        ring = [(radius * np.cos(t), radius * np.sin(t)) for t in turn]
        x, y = np.cos(np.radians(90 * k)), np.sin(np.radians(90 * k))
        links[f"r{k}"] = (ring, {"allowed": "with", "roundabout": flag})
        links[road] = ([(radius * x, radius * y), (200 * x, 200 * y)], {"name": f"{road} road"})
    return links


def dual_crossing() -> dict:
    """Return a dual road (``in_w`` → ``out_e`` south, ``in_e`` → ``out_w`` north) and a street."""
    main = {"allowed": "with", "name": "Bank Road"}
    street = {"name": "Mill Street"}
    return {
        "in_w": ([(-200, -6), (0, -6)], main),
        "out_e": ([(0, -6), (200, -6)], main),
        "in_e": ([(200, 6), (0, 6)], main),
        "out_w": ([(0, 6), (-200, 6)], main),
        "mid": ([(0, -6), (0, 6)], street),
        "south": ([(0, -150), (0, -6)], street),
        "north": ([(0, 6), (0, 150)], street),
    }


def double_dual_crossing() -> dict:
    """Return two dual roads that cross: four nodes, four short links between them."""
    main = {"allowed": "with", "name": "Bank Road"}
    other = {"allowed": "with", "name": "Mill Avenue"}
    return {
        "in_w": ([(-200, -6), (-6, -6)], main),
        "mid_s": ([(-6, -6), (6, -6)], main),
        "out_e": ([(6, -6), (200, -6)], main),
        "in_e": ([(200, 6), (6, 6)], main),
        "mid_n": ([(6, 6), (-6, 6)], main),
        "out_w": ([(-6, 6), (-200, 6)], main),
        "in_s": ([(6, -150), (6, -6)], other),
        "mid_e": ([(6, -6), (6, 6)], other),
        "out_n": ([(6, 6), (6, 150)], other),
        "in_n": ([(-6, 150), (-6, 6)], other),
        "mid_w": ([(-6, 6), (-6, -6)], other),
        "out_s": ([(-6, -6), (-6, -150)], other),
    }
