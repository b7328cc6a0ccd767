"""The road graph: nodes, links and arcs in a projected working CRS measured in metres."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from hashlib import blake2b
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import KDTree

from countmap.errors import InvalidInput
from countmap.rounding import number_of
from countmap.tables import BASES, LINKS, NODES, require

if TYPE_CHECKING:
    import networkx as nx
    from numpy.typing import ArrayLike, NDArray

WGS84 = "EPSG:4326"
SNAP_M = 0.05
MAX_SCALE_ERROR = 0.01
"""A projected CRS is kept while a metre on the map is a metre on the ground within this share."""


@dataclass(frozen=True, eq=False)
class Roads:
    """A road graph.

    Parameters
    ----------
    nodes : DataFrame
        ``tables.NODES``, sorted by ``node_id``.
    links : GeoDataFrame
        ``tables.LINKS``, sorted by ``link_id``; every optional column is there, null where unknown
        (``roundabout`` is False where the source does not say). More columns are carried along.
    crs : pyproj.CRS
        The working CRS of ``nodes`` and ``links``: projected, in metres.
    """

    nodes: pd.DataFrame
    links: gpd.GeoDataFrame
    crs: pyproj.CRS

    @cached_property
    def arcs(self) -> pd.DataFrame:
        """One row for each sense that carries traffic: ``link_id, sense, tail, head``.

        In the order of ``links``, ``with`` before ``against``.
        """
        links = self.links
        both = links["allowed"].eq("both").to_numpy()
        ways = [both | links["allowed"].eq(sense).to_numpy() for sense in ("with", "against")]
        at, sense = np.nonzero(np.column_stack(ways))
        ends = links[["from_node", "to_node"]].to_numpy(dtype=object)
        return pd.DataFrame(
            {
                "link_id": links["link_id"].to_numpy()[at],
                "sense": np.array(["with", "against"])[sense],
                "tail": ends[at, sense],
                "head": ends[at, 1 - sense],
            }
        ).astype("str")

    def to_networkx(self) -> nx.MultiDiGraph:
        """Return the arcs as a directed multigraph.

        Returns
        -------
        networkx.MultiDiGraph
            Every node, with ``x`` and ``y``; an edge an arc, key ``(link_id, sense)``, with
            ``link_id``, ``sense`` and ``length_m``.
        """
        import networkx as nx

        graph = nx.MultiDiGraph(crs=self.crs.to_string())
        nodes = self.nodes
        graph.add_nodes_from(
            (node, {"x": x, "y": y})
            for node, x, y in zip(nodes["node_id"], nodes["x"], nodes["y"], strict=True)
        )
        length = self.links.set_index("link_id")["length_m"]
        arcs = self.arcs
        graph.add_edges_from(
            (tail, head, (link, sense), {"link_id": link, "sense": sense, "length_m": metres})
            for tail, head, link, sense, metres in zip(
                arcs["tail"],
                arcs["head"],
                arcs["link_id"],
                arcs["sense"],
                length.loc[arcs["link_id"]].to_numpy().tolist(),
                strict=True,
            )
        )
        return graph

    def wgs84(self) -> gpd.GeoDataFrame:
        """Return the links in WGS84 (longitude, latitude)."""
        return self.links.to_crs(WGS84)

    def to_working(
        self, lon: ArrayLike, lat: ArrayLike
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return WGS84 degrees as ``x, y`` in the working CRS; infinite where that is impossible."""
        return _transform(WGS84, self.crs, lon, lat)

    def to_wgs84(
        self, x: ArrayLike, y: ArrayLike
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return positions in the working CRS as ``lon, lat`` in WGS84 degrees."""
        return _transform(self.crs, WGS84, x, y)


def remarks(roads: Roads) -> list[str]:
    """Return what to know of a network that was built, one line each: links without a length.

    Examples
    --------
    >>> from shapely import LineString
    >>> lines = [LineString([(0, 0), (0, 0)]), LineString([(0, 0), (90, 0)])]
    >>> raw = gpd.GeoDataFrame({"link_id": ["a", "b"]}, geometry=lines, crs="EPSG:3067")
    >>> remarks(build(raw))
    ["1 link has no length ('a'): correct or remove it"]
    """
    ids = roads.links.loc[roads.links["length_m"] == 0, "link_id"].tolist()
    if not ids:
        return []
    shown = ", ".join(map(repr, ids[:3])) + (", …" if len(ids) > 3 else "")
    it, have = ("it", "has") if len(ids) == 1 else ("them", "have")
    return [f"{number_of(len(ids), 'link')} {have} no length ({shown}): correct or remove {it}"]


def build(raw_links: gpd.GeoDataFrame, *, snap_m: float = SNAP_M) -> Roads:
    """Build the graph of raw links; nothing is split, merged, repaired or left out.

    Parameters
    ----------
    raw_links : GeoDataFrame
        LineStrings with a known CRS. Of ``tables.LINKS`` every column but the geometry may be
        absent: ``link_id`` is then made from the geometry (the same line gets the same id in any
        file of this CRS), ``allowed`` is ``both``. ``from_node`` and ``to_node`` are kept where given; other
        ends within ``snap_m`` of each other (also through a chain of such ends) are one node,
        named after its easting and northing.
    snap_m : float
        Metres, in the working CRS.

    Raises
    ------
    InvalidInput
        No links, no CRS, geometries that are not LineStrings or cannot be projected, an id twice,
        a value that ``tables.LINKS`` does not allow.

    Notes
    -----
    The working CRS is the file's own if that is projected, in metres and true to scale within 1 %
    at the centre of the extent (so Web Mercator and feet are converted); otherwise the UTM zone of
    the extent. Self loops, parallel links and links of no length survive.

    Examples
    --------
    >>> from shapely import LineString
    >>> lines = [LineString([(0, 0), (60, 80)]), LineString([(60.01, 80), (200, 80)])]
    >>> raw = gpd.GeoDataFrame({"link_id": ["a", "b"]}, geometry=lines, crs="EPSG:3067")
    >>> roads = build(raw)
    >>> len(roads.nodes), len(roads.arcs), roads.links["length_m"].tolist()
    (3, 4, [100.0, 139.99])
    """
    _require_lines(raw_links)
    crs = working_crs(raw_links)
    links = (
        raw_links.rename_geometry("geometry")
        if raw_links.geometry.name != "geometry"
        else raw_links
    )
    links = links.assign(geometry=shapely.force_2d(links.geometry.to_numpy())).reset_index(
        drop=True
    )
    links["link_id"] = _link_ids(links)
    links = links.sort_values("link_id", ignore_index=True)
    if links.crs != crs:
        links = links.to_crs(crs)
    _require_finite(links)
    links = _fill(links)
    links["from_node"], links["to_node"], nodes = _nodes(links, snap_m)
    extra = [name for name in links.columns if name not in LINKS.names]
    links = links[[*LINKS.names, *extra]]
    return Roads(require(nodes, NODES), require(links, LINKS), crs)


def working_crs(links: gpd.GeoDataFrame) -> pyproj.CRS:
    """Return the projected CRS, in metres, to work in: see ``build``.

    Raises
    ------
    InvalidInput
        If the links have no CRS, or none can be found for their extent.
    """
    if links.crs is None:
        raise InvalidInput(
            "the links have no coordinate reference system; state it, for instance EPSG:4326 for "
            "longitude and latitude"
        )
    crs = pyproj.CRS(links.crs).to_2d()
    if crs.is_projected and _is_true_metre(crs, links.total_bounds):
        return crs
    try:
        return pyproj.CRS(links.estimate_utm_crs())
    except (RuntimeError, ValueError, pyproj.exceptions.ProjError) as error:
        west, south, east, north = links.total_bounds
        raise InvalidInput(
            f"no UTM zone fits the extent {west:g} {south:g} {east:g} {north:g} in {crs.name!r}; "
            "check the coordinate reference system, or project the file to one in metres"
        ) from error


def _is_true_metre(crs: pyproj.CRS, bounds: NDArray[np.float64]) -> bool:
    if any(axis.unit_conversion_factor != 1 for axis in crs.axis_info):
        return False
    x, y = (bounds[0] + bounds[2]) / 2, (bounds[1] + bounds[3]) / 2
    lon, lat = pyproj.Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True).transform(x, y)
    factors = pyproj.Proj(crs).get_factors(lon, lat)
    scales = np.array([factors.meridional_scale, factors.parallel_scale])
    return bool((np.abs(scales - 1) <= MAX_SCALE_ERROR).all())


def _transform(
    source: Any, target: Any, first: ArrayLike, second: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    x, y = _transformer(source, target).transform(
        np.asarray(first, np.float64), np.asarray(second, np.float64)
    )
    return np.asarray(x), np.asarray(y)


@lru_cache(maxsize=16)
def _transformer(source: Any, target: Any) -> pyproj.Transformer:
    """Return a transformer; making one takes longer than most of its uses."""
    return pyproj.Transformer.from_crs(source, target, always_xy=True)


def _require_lines(links: gpd.GeoDataFrame) -> None:
    if links.empty:
        raise InvalidInput("there are no links; a road graph needs at least one")
    shapes = links.geometry.to_numpy()
    is_line = shapely.get_type_id(shapes) == shapely.GeometryType.LINESTRING
    wrong = np.flatnonzero(~is_line | shapely.is_empty(shapes))
    if wrong.size:
        first = shapes[wrong[0]]
        what = "no geometry" if first is None or first.is_empty else f"a {first.geom_type}"
        raise InvalidInput(
            f"link {_label(links, wrong[0])} has {what}; every link must be one LineString"
            + _more(wrong.size)
        )


def _require_finite(links: gpd.GeoDataFrame) -> None:
    wrong = np.flatnonzero(~np.isfinite(links.bounds.to_numpy()).all(axis=1))
    if wrong.size:
        raise InvalidInput(
            f"link {_label(links, wrong[0])} has coordinates that cannot be projected; check that "
            "they are in the file's coordinate reference system, longitude before latitude"
            + _more(wrong.size)
        )


def _label(links: gpd.GeoDataFrame, at: int) -> str:
    name = links["link_id"].iloc[at] if "link_id" in links.columns else None
    return f"in row {at + 1}" if pd.isna(name) else repr(str(name))


def _more(count: int) -> str:
    return f"; {count - 1} more" if count > 1 else ""


def _link_ids(links: gpd.GeoDataFrame) -> pd.Series:
    """Return the given ids, and ids made from the geometry where there is none."""
    given = _text(links, "link_id")
    absent = links[given.isna()]
    if len(absent):
        # Links drawn alike are told apart by the rest of their row, so that its place is no matter.
        attributes = (
            absent.drop(columns="geometry").assign(link_id=None).itertuples(index=False, name=None)
        )
        rest = [repr(row) for row in attributes]
        lines = shapely.to_wkb(absent.geometry.to_numpy())
        made = pd.DataFrame(
            {
                "id": [f"g{blake2b(line, digest_size=5).hexdigest()}" for line in lines],
                "rest": rest,
            },
            index=absent.index,
        ).sort_values(["id", "rest"])
        again = made.groupby("id").cumcount() + 1
        given[made.index] = made["id"].where(again == 1, made["id"] + "-" + again.astype("str"))
    return given


def _text(links: gpd.GeoDataFrame, name: str) -> pd.Series:
    """Return a column as text, null where it is absent or empty."""
    if name not in links.columns:
        return pd.Series(None, index=links.index, dtype="str")
    text = links[name].astype("str")
    return text.where(links[name].notna() & (text != ""))


def _fill(links: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return the links with every column of the contract but the nodes, in its type."""
    allowed = _text(links, "allowed").fillna("both")
    wrong = np.flatnonzero(~allowed.isin(BASES).to_numpy())
    if wrong.size:
        raise InvalidInput(
            f"link {_label(links, wrong[0])}: allowed is {allowed.iloc[wrong[0]]!r}; "
            f"write {', '.join(BASES[:-1])} or {BASES[-1]}" + _more(wrong.size)
        )
    known = {
        name: links[name].astype("float64") if name in links.columns else np.nan
        for name in ("lanes", "speed_kmh", "level")
    }
    ring = links["roundabout"].eq(True) if "roundabout" in links.columns else False
    return links.assign(
        name=_text(links, "name"),
        road_class=_text(links, "road_class"),
        allowed=allowed,
        roundabout=ring,
        length_m=shapely.length(links.geometry.to_numpy()),
        **known,
    )


def _nodes(links: gpd.GeoDataFrame, snap_m: float) -> tuple[pd.Series, pd.Series, pd.DataFrame]:
    """Return the node at each link's start, at its end, and the nodes."""
    lines = links.geometry.to_numpy()
    ends = np.concatenate([shapely.get_point(lines, 0), shapely.get_point(lines, -1)])
    at = shapely.get_coordinates(ends)
    given = pd.concat([_text(links, "from_node"), _text(links, "to_node")], ignore_index=True)
    if given.isna().any():
        given = given.fillna(_snapped_ids(at, given, snap_m))
    found = pd.DataFrame({"node_id": given, "x": at[:, 0], "y": at[:, 1]})
    nodes = found.groupby("node_id", as_index=False)[["x", "y"]].mean()
    count = len(links)
    return given[:count], given[count:].reset_index(drop=True), nodes


def _snapped_ids(at: NDArray[np.float64], given: pd.Series, snap_m: float) -> pd.Series:
    """Return a node id for each end: a given one of its cluster, else one made from its place."""
    cluster = _clusters(at, snap_m)
    ends = pd.DataFrame({"cluster": cluster, "x": at[:, 0], "y": at[:, 1], "given": given})
    first = ends.sort_values(["x", "y"]).groupby("cluster")[["x", "y"]].first()
    first["given"] = ends.dropna(subset="given").groupby("cluster")["given"].min()
    first["made"] = _names(first, 0)
    for decimals in (2, 9):  # several nodes in the same square metre
        twice = first["made"].duplicated(keep=False)
        first.loc[twice, "made"] = _names(first[twice], decimals)
    names = first["given"].fillna(first["made"])
    return names.loc[cluster].reset_index(drop=True)


def _names(places: pd.DataFrame, decimals: int) -> pd.Series:
    pairs = zip(places["x"], places["y"], strict=True)
    made = [f"E{x:.{decimals}f}N{y:.{decimals}f}" for x, y in pairs]
    return pd.Series(made, index=places.index, dtype="str")


def _clusters(at: NDArray[np.float64], snap_m: float) -> NDArray[np.int64]:
    """Return a cluster number for each point; points within ``snap_m`` share it, transitively."""
    places, which = np.unique(at, axis=0, return_inverse=True)
    close = (
        KDTree(places).query_pairs(snap_m, output_type="ndarray")
        if snap_m > 0
        else np.empty((0, 2), int)
    )
    size = len(places)
    near = coo_array((np.ones(len(close), bool), (close[:, 0], close[:, 1])), shape=(size, size))
    _, label = connected_components(near, directed=False)
    return np.asarray(label[which.ravel()], dtype=np.int64)
