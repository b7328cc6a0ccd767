"""Folders of the General Modeling Network Specification: link.csv, node.csv and what they refer to.

The specification is that of the Zephyr Foundation (tables link, node, geometry and config). Lengths
and speeds are read in the units that config.csv states.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pyproj.exceptions
import shapely

from countmap.errors import InvalidInput, NotFound
from countmap.formats import csv_table, records
from countmap.tables import Column, Table

if TYPE_CHECKING:
    from numpy.typing import NDArray

KMH = {
    "kmh": 1.0, "kph": 1.0, "km/h": 1.0, "kmph": 1.0, "kilometers per hour": 1.0,
    "kilometer": 1.0, "kilometre": 1.0,
    "mph": 1.609344, "mi/h": 1.609344, "miles per hour": 1.609344, "mile": 1.609344,
    "m/s": 3.6,
}  # fmt: skip
"""Unit of speed in config.csv (it may name the unit of length an hour) → km/h."""

NOT_MOTOR = frozenset({"walk", "ped", "pedestrian", "bike", "bicycle", "shoulder", "parking"})
"""A link whose ``allowed_uses`` are all of these carries no motor traffic and is left out."""


def _optional(name: str, kind: Any = "text", **more: Any) -> Column:
    return Column(name, kind, required=False, nullable=True, **more)


NODE = Table(
    "node",
    ("node_id",),
    (Column("node_id", "text"), Column("x_coord", "float"), Column("y_coord", "float")),
)
LINK = Table(
    "link",
    ("link_id",),
    (
        Column("link_id", "text"),
        Column("from_node_id", "text"),
        Column("to_node_id", "text"),
        Column("directed", "bool", nullable=True),
        _optional("name"),
        _optional("geometry_id"),
        _optional("geometry"),
        _optional("dir_flag", "float"),
        _optional("facility_type"),
        _optional("free_speed", "float", minimum=0),
        _optional("lanes", "float", minimum=0),
        _optional("allowed_uses"),
        _optional("roundabout", "bool"),
        _optional("level", "float"),
    ),
)
GEOMETRY = Table(
    "geometry", ("geometry_id",), (Column("geometry_id", "text"), Column("geometry", "text"))
)


def read(folder: str | Path, *, crs: str = "") -> gpd.GeoDataFrame:
    """Read a GMNS folder as raw links.

    Parameters
    ----------
    folder : path
        With ``link.csv`` and ``node.csv``; ``geometry.csv`` and ``config.csv`` if they are needed.
    crs : str
        Coordinate reference system such as ``EPSG:25832``, in place of ``crs`` in config.csv.

    Returns
    -------
    GeoDataFrame
        In the order of ``link_id``: ``link_id, from_node, to_node, name, road_class, allowed,
        lanes, speed_kmh, roundabout, level, opposite_id, geometry``. ``roundabout`` and ``level``
        are fields of our own, which the specification lets a file add.

    Raises
    ------
    NotFound
        The folder or one of the two files is not there.
    InvalidInput
        No CRS is stated, or rows that break the specification: all of them are in ``rejects``.

    Notes
    -----
    * The line is ``geometry`` (WKT), else that of ``geometry_id``, else straight between the nodes.
    * A link is drawn as its line is: where ``dir_flag`` is −1, or is silent and the line starts
      nearer to the ``to`` node, ``from_node`` and ``to_node`` change places and a directed link
      is allowed ``against``.
    * Two directed links of opposite sense between the same nodes, on the same line, of the same
      name and facility type, are the two senses of one road and become one link, allowed ``both``:
      the smaller id stays, the other is ``opposite_id``; lanes add up (null if either is not
      known); the higher speed stays. Any other directed link stays as it is.
    * Links for walking and cycling alone (``NOT_MOTOR``) are left out. ``speed_kmh`` is null where
      config.csv states no unit of speed, or a speed is 0.
    """
    folder = Path(folder)
    for name in ("link.csv", "node.csv"):
        if not (folder / name).is_file():
            raise NotFound(f"{folder}: a GMNS folder needs {name}. Check the folder")
    config = _config(folder)
    known = _crs(folder, crs or config.get("crs", ""))
    nodes = csv_table.read_or_raise(folder / "node.csv", NODE).set_index("node_id")
    links = csv_table.read_or_raise(folder / "link.csv", LINK)
    links = links[~links["allowed_uses"].map(_not_motor)].reset_index(drop=True)
    faults: list[tuple[str, int, str, str, str]] = []
    _check(links, nodes, faults)
    lines = _lines(links, nodes, _geometries(folder, links), faults)
    if faults:
        raise csv_table.error_from(records.rejects_frame(sorted(faults, key=lambda f: f[1])))
    turned = _turned(links, nodes, lines)
    directed = links["directed"].astype("bool").to_numpy()
    per_kmh = _speed_unit(folder, config) if links["free_speed"].notna().any() else np.nan
    start, end = links["from_node_id"], links["to_node_id"]
    raw = gpd.GeoDataFrame(
        {
            "link_id": links["link_id"],
            "from_node": start.where(~turned, end),
            "to_node": end.where(~turned, start),
            "name": links["name"],
            "road_class": links["facility_type"],
            "allowed": np.where(directed, np.where(turned, "against", "with"), "both"),
            "lanes": links["lanes"],
            "speed_kmh": links["free_speed"].where(links["free_speed"] > 0) * per_kmh,
            "roundabout": links["roundabout"].eq(True),
            "level": links["level"],
        },
        geometry=lines,
        crs=known,
    )
    return _join_senses(raw.sort_values("link_id", ignore_index=True))


def write(nodes: pd.DataFrame, links: gpd.GeoDataFrame, folder: str | Path) -> None:
    """Write nodes and links as a GMNS folder; ``read`` gives the same links back.

    Parameters
    ----------
    nodes : DataFrame
        ``tables.NODES``.
    links : GeoDataFrame
        ``tables.LINKS``, with a known CRS, which config.csv states.
    folder : path
        Made where absent. Each file is replaced in one step, ``link.csv`` last.

    Notes
    -----
    ``both`` is an undirected link; ``against`` a directed one from ``to_node`` to ``from_node``
    with ``dir_flag`` −1. Lengths are in kilometres, speeds in km/h, as config.csv says.
    """
    folder = Path(folder)
    if links.crs is None:
        raise InvalidInput(f"{folder.name}: the links have no coordinate reference system")
    folder.mkdir(parents=True, exist_ok=True)
    allowed = links["allowed"].to_numpy()
    against = allowed == "against"
    start, end = links["from_node"], links["to_node"]
    length = (
        shapely.length(links.geometry.to_numpy()) if "length_m" not in links else links["length_m"]
    )
    absent = pd.Series(None, index=links.index, dtype="object")
    table = pd.DataFrame(
        {
            "link_id": links["link_id"],
            "name": links.get("name", absent),
            "from_node_id": start.where(~against, end),
            "to_node_id": end.where(~against, start),
            "directed": allowed != "both",
            "geometry": shapely.to_wkt(links.geometry.to_numpy(), rounding_precision=-1),
            "dir_flag": np.select([against, allowed == "with"], [-1, 1], 0),
            "length": np.asarray(length) / 1000,
            "facility_type": links.get("road_class", absent),
            "free_speed": links.get("speed_kmh", absent),
            "lanes": links.get("lanes", absent),
            "roundabout": links.get("roundabout", absent),
            "level": links.get("level", absent),
        }
    )
    config = {
        "dataset_name": folder.name,
        "short_length": "meter",
        "long_length": "kilometer",
        "speed": "kmh",
        "crs": pyproj.CRS(links.crs).to_string(),
        "geometry_field_format": "wkt",
        "id_type": "string",
    }
    places = nodes[["node_id", "x", "y"]].set_axis(["node_id", "x_coord", "y_coord"], axis=1)
    if "kind" in nodes.columns:
        places["node_type"] = nodes["kind"]
    csv_table.write(pd.DataFrame([config]), folder / "config.csv")
    csv_table.write(places, folder / "node.csv")
    csv_table.write(table, folder / "link.csv")


def _config(folder: Path) -> dict[str, str]:
    """Return the one row of config.csv; nothing where there is no such file."""
    path = folder / "config.csv"
    if not path.is_file():
        return {}
    found = records.read(path, known={"crs", "speed", "long_length"})
    if len(found.rejects):
        raise csv_table.error_from(found.rejects)
    return {name: found.column(name)[0].as_py() for name in found.header if name}


def _crs(folder: Path, stated: str) -> pyproj.CRS:
    if not stated:
        raise InvalidInput(
            f"{folder.name}: no coordinate reference system is stated. Add config.csv with a "
            "column crs, for instance EPSG:4326"
        )
    try:
        return pyproj.CRS(f"EPSG:{stated}" if stated.isdigit() else stated)
    except pyproj.exceptions.CRSError as error:
        raise InvalidInput(
            f"{folder.name}: coordinate reference system {stated!r} is unknown; write it like "
            "EPSG:25832"
        ) from error


def _speed_unit(folder: Path, config: dict[str, str]) -> float:
    unit = config.get("speed", "").strip().lower()
    if unit and unit not in KMH:
        raise InvalidInput(
            f"config.csv:2: speed unit {unit!r} is unknown ({folder.name}). Write kmh or mph"
        )
    return KMH.get(unit, np.nan)


def _not_motor(uses: Any) -> bool:
    words = set(re.split(r"[,;|\s]+", uses.strip().lower())) if isinstance(uses, str) else set()
    return bool(words) and words <= NOT_MOTOR


def _check(
    links: pd.DataFrame, nodes: pd.DataFrame, faults: list[tuple[str, int, str, str, str]]
) -> None:
    def refuse(mask: Any, column: str, why: str) -> None:
        for i in np.flatnonzero(np.asarray(mask, dtype=bool)):
            cell = "" if pd.isna(links[column].iloc[i]) else str(links[column].iloc[i])
            link = links["link_id"].iloc[i]
            said = why.format(column=column, cell=cell, link=link)
            faults.append(("link.csv", int(links["row"].iloc[i]), column, cell, said))

    refuse(
        links["directed"].isna(), "directed", "directed is empty (link {link}). Write true or false"
    )
    for column in ("from_node_id", "to_node_id"):
        strange = (
            "{column} {cell!r} is not in node.csv (link {link}). Add the node or correct the link"
        )
        refuse(~links[column].isin(nodes.index), column, strange)
    odd = links["dir_flag"].notna() & ~links["dir_flag"].isin([-1, 0, 1])
    refuse(odd, "dir_flag", "dir_flag {cell} is unknown (link {link}). Write 1, -1 or 0")


def _geometries(folder: Path, links: pd.DataFrame) -> pd.Series:
    """Return each link's WKT, null where it has neither ``geometry`` nor a known ``geometry_id``."""
    wkt = links["geometry"]
    needed = wkt.isna() & links["geometry_id"].notna()
    if needed.any() and (folder / "geometry.csv").is_file():
        lines = csv_table.read_or_raise(folder / "geometry.csv", GEOMETRY)
        wkt = wkt.fillna(links["geometry_id"].map(lines.set_index("geometry_id")["geometry"]))
    return wkt


def _lines(
    links: pd.DataFrame,
    nodes: pd.DataFrame,
    wkt: pd.Series,
    faults: list[tuple[str, int, str, str, str]],
) -> NDArray[np.object_]:
    ends = np.stack(
        [
            nodes.reindex(links[end])[["x_coord", "y_coord"]]
            for end in ("from_node_id", "to_node_id")
        ],
        axis=1,
    )
    told = wkt.notna().to_numpy()
    lines = np.empty(len(links), dtype=object)
    straight = ~told & ~np.isnan(ends).any(axis=(1, 2))
    lines[straight] = shapely.linestrings(ends[straight])
    lines[told] = shapely.force_2d(
        shapely.from_wkt(wkt[told].to_numpy(object), on_invalid="ignore")
    )
    kind = shapely.get_type_id(lines)
    wrong = told & ((kind != shapely.GeometryType.LINESTRING) | shapely.is_empty(lines))
    lost = ~told & links["geometry_id"].notna().to_numpy()
    for i in np.flatnonzero(wrong | lost):
        link, row = links["link_id"].iloc[i], int(links["row"].iloc[i])
        column = "geometry_id" if lost[i] else "geometry"
        cell = links[column].iloc[i] if lost[i] else str(wkt.iloc[i])[:40]
        if lost[i]:
            why = f"geometry_id {cell!r} is not in geometry.csv (link {link}). Add it or empty the field"
        else:
            why = f"geometry {cell!r} is no LINESTRING (link {link}). Correct or empty the field"
        faults.append(("link.csv", row, column, cell, why))
    return lines


def _turned(
    links: pd.DataFrame, nodes: pd.DataFrame, lines: NDArray[np.object_]
) -> NDArray[np.bool_]:
    """Return where the line runs from the ``to`` node to the ``from`` node."""
    at = [shapely.get_coordinates(shapely.get_point(lines, i)) for i in (0, -1)]
    place = nodes[["x_coord", "y_coord"]]
    start, end = (place.loc[links[name]].to_numpy() for name in ("from_node_id", "to_node_id"))

    def gap(first: Any, last: Any) -> Any:
        return np.linalg.norm(at[0] - first, axis=1) + np.linalg.norm(at[1] - last, axis=1)

    flag = links["dir_flag"].fillna(0).to_numpy()
    nearer = gap(end, start) < gap(start, end)
    return np.asarray(np.where(flag == 0, nearer, flag == -1), dtype=bool)


def _join_senses(links: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Join pairs of opposite directed links on one line; ``links`` are sorted by id."""
    lines = links.geometry.to_numpy()
    drawn, back = shapely.to_wkb(lines), shapely.to_wkb(shapely.reverse(lines))
    one_way = links["allowed"] != "both"
    travel = (links["allowed"] == "with") == (drawn <= back)
    ends = np.sort(links[["from_node", "to_node"]].to_numpy(dtype=object), axis=1)
    pairs = pd.DataFrame(
        {
            "first": ends[:, 0],
            "last": ends[:, 1],
            "line": np.minimum(drawn, back),
            "name": links["name"].fillna(""),
            "road_class": links["road_class"].fillna(""),
            "travel": travel,
            "at": np.arange(len(links)),
        }
    )[one_way & (drawn != back)]
    same = ["first", "last", "line", "name", "road_class"]
    pairs["number"] = pairs.groupby([*same, "travel"]).cumcount()
    both = pairs[pairs["travel"]].merge(pairs[~pairs["travel"]], on=[*same, "number"])
    at = both[["at_x", "at_y"]].to_numpy(np.int64)
    keep, drop = at.min(axis=1), at.max(axis=1)
    joined = links.assign(opposite_id=pd.Series(None, index=links.index, dtype="str"))
    joined.loc[keep, "allowed"] = "both"
    joined.loc[keep, "opposite_id"] = links["link_id"].to_numpy()[drop]
    joined.loc[keep, "lanes"] = links["lanes"].to_numpy()[keep] + links["lanes"].to_numpy()[drop]
    speed = links["speed_kmh"].to_numpy()
    joined.loc[keep, "speed_kmh"] = np.fmax(speed[keep], speed[drop])
    columns = [*(c for c in joined.columns if c != "geometry"), "geometry"]
    return joined.drop(index=drop)[columns].reset_index(drop=True)
