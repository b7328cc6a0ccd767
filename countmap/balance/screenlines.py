"""Screenlines and cordons: which arcs cross them, how much, and whether a closed line agrees."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from countmap.balance.errors import arc_errors
from countmap.balance.solve import NON_CENTRALITY
from countmap.balance.verdicts import DOUBTFUL_Z, verdict
from countmap.errors import InvalidInput

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from countmap.balance.errors import ArcErrors
    from countmap.balance.inputs import BalanceInputs
    from countmap.balance.solved import Balance
    from countmap.roads.graph import Roads

    Floats = NDArray[np.float64]

NODE_M = 0.01
"""A line this near to a node crosses no link there: it cannot be said which."""

_STEP_M = 0.5

_CROSSING = ["name", "kind", "link_id", "sense", "from_side", "to_side", "way"]

_TEST = ("disagreement", "se", "z", "verdict", "min_detectable_bias", "reason")

SUSPECT_Z = 3.0
"""Beyond this a single closed line disagrees (job practice: suspect at 3)."""


def crossings(roads: Roads, screenlines: gpd.GeoDataFrame) -> pd.DataFrame:
    """Find the arcs that cross each line.

    Parameters
    ----------
    roads : Roads
    screenlines : GeoDataFrame
        ``tables.SCREENLINES`` with a known CRS (WGS84). A cordon is a polygon or a closed line.

    Returns
    -------
    DataFrame
        One row an arc: name, kind, link_id, sense, from_side, to_side, way (+1 from the left of the
        line to its right, or into the cordon; −1 the other way). A link that comes back to the side it
        came from crosses nothing.

    Raises
    ------
    InvalidInput
        A line without CRS, an open cordon, a line through a node (it could be on either side).
    """
    if screenlines.crs is None:
        raise _no_crs()
    lines = screenlines.to_crs(roads.crs)
    geometry = roads.links.geometry.to_numpy()
    tree = shapely.STRtree(geometry)
    rows: list[tuple[Any, ...]] = []
    arcs = set(zip(roads.arcs["link_id"], roads.arcs["sense"], strict=True))
    for line in lines.sort_values("name").itertuples(index=False):
        shape = _shape(line.name, line.kind, line.geometry)
        _refuse_nodes(roads, line.name, shape)
        left, right = _sides(line.kind, getattr(line, "sides", None))
        for at in np.sort(tree.query(shape, predicate="intersects")):
            way = _way(geometry[at], shape)
            link = str(roads.links["link_id"].iloc[at])
            for sense, one in (("with", way), ("against", -way)):
                if one and (link, sense) in arcs:
                    ends = (left, right) if one > 0 else (right, left)
                    rows.append((line.name, line.kind, link, sense, *ends, one))
    found = pd.DataFrame(rows, columns=_CROSSING)
    return found.astype({"way": "int64"}).sort_values(
        ["name", "link_id", "sense"], ignore_index=True
    )


def problems(roads: Roads, screenlines: gpd.GeoDataFrame) -> list[tuple[str, str]]:
    """Return (name, one line) of every line that cannot be counted across these roads.

    That is a line through a node, an open cordon, and a line that crosses no link.

    Raises
    ------
    InvalidInput
        The coordinate system of the lines is unknown.
    """
    if screenlines.crs is None:
        raise _no_crs()
    told = []
    for name in sorted(screenlines["name"]):
        _, problem = _read(roads, screenlines.loc[screenlines["name"].eq(name)])
        if problem:
            told.append((str(name), problem))
    return told


def _read(roads: Roads, line: gpd.GeoDataFrame) -> tuple[pd.DataFrame, str | None]:
    """Return the crossings of one line and what is wrong with it."""
    try:
        across = crossings(roads, line)
    except InvalidInput as error:
        return pd.DataFrame(columns=_CROSSING), str(error)
    if across.empty:
        name = line["name"].iloc[0]
        kind = line["kind"].iloc[0]
        return across, f"{kind} {name!r} crosses no link; draw it across the roads it is to count"
    return across, None


def _no_crs() -> InvalidInput:
    return InvalidInput("screenlines: the coordinate system is unknown; write them in WGS84")


def _shape(name: str, kind: str, geometry: Any) -> Any:
    """Return a LineString, or the polygon of a cordon."""
    if kind != "cordon":
        return geometry.exterior if geometry.geom_type == "Polygon" else geometry
    if geometry.geom_type == "Polygon":
        return geometry
    if geometry.is_ring:
        return shapely.Polygon(geometry)
    raise InvalidInput(f"cordon {name!r} is not closed: its last point must be its first")


def _sides(kind: str, sides: Any) -> tuple[str, str]:
    if isinstance(sides, str) and sides.count("|") == 1:
        left, right = (part.strip() for part in sides.split("|"))
        return left, right
    return ("outside", "inside") if kind == "cordon" else ("left", "right")


def _refuse_nodes(roads: Roads, name: str, shape: Any) -> None:
    edge = shape.exterior if shape.geom_type == "Polygon" else shape
    nodes = roads.nodes
    away = shapely.distance(shapely.points(nodes["x"], nodes["y"]), edge)
    if (away < NODE_M).any():
        node = min(nodes.loc[away < NODE_M, "node_id"])
        raise InvalidInput(
            f"screenline {name!r} passes through node {node}; move it aside so that it crosses the "
            "links themselves"
        )


def _way(link: Any, shape: Any) -> int:
    """Return +1 where the link as drawn ends on the other side, from left to right or inwards."""
    if shape.geom_type == "Polygon":
        start, end = shapely.contains_xy(shape, *np.array([link.coords[0], link.coords[-1]]).T[:2])
        return int(end) - int(start)
    touch = shapely.get_parts(shapely.intersection(link, shape))
    middle = shapely.centroid(touch)
    total = 0
    for at in shapely.line_locate_point(link, middle):
        before, after = link.interpolate(max(at - _STEP_M, 0.0)), link.interpolate(at + _STEP_M)
        total += (_right_of(shape, after) - _right_of(shape, before)) // 2
    return int(np.sign(total))


def _right_of(line: Any, point: Any) -> int:
    """Return +1 right of the line, −1 left of it, by the nearest of its pieces."""
    at = line.project(point)
    along = min(at + 1e-3, line.length)
    a, b = line.interpolate(max(along - 2e-3, 0.0)), line.interpolate(along)
    cross = (b.x - a.x) * (point.y - a.y) - (b.y - a.y) * (point.x - a.x)
    return -1 if cross > 0 else 1


@dataclass(frozen=True, slots=True)
class Total:
    """Flow across a line: ``flow`` null where a link is missing, its standard error, what is missing."""

    flow: float | None
    se: float | None
    missing: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class _Known:
    """Flows by arc, their joint errors, and the two-way figures by link."""

    flow: dict[tuple[str, str], float]
    errors: ArcErrors
    both: pd.DataFrame


def total(
    flow: dict[tuple[str, str], float], errors: ArcErrors, arcs: list[tuple[str, str]]
) -> Total:
    """Add the flows of arcs, with the covariance of their errors.

    A sum over a gap is null and names the links that are missing.
    """
    missing = tuple(sorted({link for link, sense in arcs if (link, sense) not in flow}))
    if missing or not arcs:
        return Total(None, None, missing)
    index = errors.index()
    at = np.array([index[one] for one in arcs], dtype=np.intp)
    variance = errors.of_sum(at, np.ones(len(at)))
    return Total(sum(flow[one] for one in arcs), float(np.sqrt(variance)), ())


def records(inputs: BalanceInputs, solved: Balance, table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return one record a line: totals by way with their intervals, and the test of a closed line.

    Every record has the same keys, null where they say nothing. ``problem`` is one line about a line
    that cannot be counted (see :func:`problems`): such a record has no ways and no total.
    """
    if inputs.screenlines is None or inputs.screenlines.empty:
        return []
    errors = arc_errors(solved)
    known = table.loc[table["flow"].notna() & ~table["status"].isin(["unadjusted", "modelled"])]
    index = errors.index()
    keys = zip(known["link_id"], known["sense"], known["flow"], strict=True)
    flow = {(link, sense): float(x) for link, sense, x in keys if (link, sense) in index}
    both = known.loc[known["sense"].eq("both")].set_index("link_id")
    found = []
    for name in sorted(inputs.screenlines["name"]):
        line = inputs.screenlines.loc[inputs.screenlines["name"].eq(name)]
        across, problem = _read(inputs.roads, line)
        one = _blank(line.iloc[0], problem)
        if problem is None:
            one |= _record(inputs, line.iloc[0], across, _Known(flow, errors, both))
        found.append(one)
    return found


def _blank(line: pd.Series, problem: str | None) -> dict[str, Any]:
    return {
        "name": line["name"],
        "kind": line["kind"],
        "problem": problem,
        "crossings": [],
        "ways": [],
        "both": _interval(Total(None, None, ()), 0.0),
        **dict.fromkeys(_TEST),
    }


def _record(
    inputs: BalanceInputs, line: pd.Series, across: pd.DataFrame, known: _Known
) -> dict[str, Any]:
    z95 = NormalDist().inv_cdf(0.5 + inputs.settings.level / 2)
    ways = []
    for way in (1, -1):
        rows = across.loc[across["way"].eq(way)]
        sides = _sides(line["kind"], line.get("sides"))
        sides = sides if way > 0 else sides[::-1]
        arcs = list(zip(rows["link_id"], rows["sense"], strict=True))
        ways.append(
            {
                "from": sides[0],
                "to": sides[1],
                **_interval(total(known.flow, known.errors, arcs), z95),
            }
        )
    arcs = list(zip(across["link_id"], across["sense"], strict=True))
    whole = total(known.flow, known.errors, arcs)
    record = {
        "crossings": across[["link_id", "sense", "from_side", "to_side"]].to_dict("records"),
        "ways": ways,
        "both": _interval(whole, z95) if not whole.missing else _by_totals(across, known.both, z95),
    }
    if line["kind"] == "cordon":
        record |= _closed(inputs, line, across, known)
    return record


def _interval(one: Total, z95: float) -> dict[str, Any]:
    if one.flow is None or one.se is None:
        return {
            "flow": None,
            "se": None,
            "lower": None,
            "upper": None,
            "missing": list(one.missing),
        }
    return {
        "flow": one.flow,
        "se": one.se,
        "lower": max(one.flow - z95 * one.se, 0.0),
        "upper": one.flow + z95 * one.se,
        "missing": [],
    }


def _by_totals(across: pd.DataFrame, both: pd.DataFrame, z95: float) -> dict[str, Any]:
    """Add the links' two-way figures: totals counted without directions enter here."""
    links = sorted(set(across["link_id"]))
    missing = tuple(link for link in links if link not in both.index)
    if missing:
        return _interval(Total(None, None, missing), z95)
    rows = both.loc[links]
    se = (rows["upper"] - rows["lower"]) / (2 * z95)
    if se.isna().any():
        return _interval(Total(None, None, tuple(rows.index[se.isna()])), z95)
    return _interval(Total(float(rows["flow"].sum()), float(np.sqrt((se**2).sum())), ()), z95)


def _closed(
    inputs: BalanceInputs, line: pd.Series, across: pd.DataFrame, known: _Known
) -> dict[str, Any]:
    """Test a closed line: what goes in comes out, unless trips start or end inside."""
    blank = dict.fromkeys(("disagreement", "se", "z", "min_detectable_bias"))
    source = _source_inside(inputs, line)
    if source:
        why = f"node {source} inside is a boundary or generator: in and out need not agree"
        return {**blank, "verdict": "no equation", "reason": why}
    arcs = list(zip(across["link_id"], across["sense"], strict=True))
    missing = sorted({link for link, sense in arcs if (link, sense) not in known.flow})
    if missing or not arcs:
        why = f"not counted: {', '.join(missing[:5])}" if missing else "no link crosses it"
        return {**blank, "verdict": "no equation", "reason": why}
    index = known.errors.index()
    at = np.array([index[one] for one in arcs], dtype=np.intp)
    way = across["way"].to_numpy(dtype=float)
    difference = float(sum(w * known.flow[one] for w, one in zip(way, arcs, strict=True)))
    se = float(np.sqrt(known.errors.of_sum(at, way)))
    scale = sum(known.flow[one] for one in arcs)
    if se <= 1e-6 * max(scale, 1.0):
        return {
            **blank,
            "verdict": "no equation",
            "reason": "all of its flows follow from each other",
        }
    return {
        "disagreement": difference,
        "se": se,
        "z": difference / se,
        "verdict": verdict(difference / se, max(SUSPECT_Z, DOUBTFUL_Z)),
        "min_detectable_bias": NON_CENTRALITY * se,
        "reason": None,
    }


def _source_inside(inputs: BalanceInputs, line: pd.Series) -> str | None:
    assert inputs.screenlines is not None
    drawn = gpd.GeoSeries([line["geometry"]], crs=inputs.screenlines.crs).to_crs(inputs.roads.crs)
    shape = _shape(line["name"], "cordon", drawn.iloc[0])
    nodes = inputs.roads.nodes
    inside = nodes.loc[shapely.contains_xy(shape, nodes["x"], nodes["y"]), "node_id"]
    kind = inputs.junctions.set_index("node_id")["kind"]
    rows = inputs.declarations
    declared = set(rows.loc[rows["kind"].eq("generator"), "id"])
    sources = [n for n in inside if kind.get(n) in ("boundary", "generator") or n in declared]
    return min(sources) if sources else None
