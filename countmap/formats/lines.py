"""Line files (GeoPackage, Shapefile, GeoJSON and what else GDAL reads) as raw links.

The names a road file may use for a column stand in ``ALIASES``, the words for one-way streets in
``ONE_WAY``. Both are compared without regard to case, spaces, hyphens and underscores.
"""

from __future__ import annotations

import re
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyogrio
import pyogrio.errors
import pyproj
import pyproj.exceptions
import shapely
import shapely.errors

from countmap.errors import InvalidInput, NotFound
from countmap.formats import csv_table, limits, records, unreadable

if TYPE_CHECKING:
    from numpy.typing import NDArray

ALIASES = {
    "link_id": ("link_id", "link", "road_id", "segment_id", "edge_id", "osm_id", "id"),
    "from_node": ("from_node", "from_node_id", "f_node", "start_node", "a_node", "source", "u"),
    "to_node": ("to_node", "to_node_id", "t_node", "end_node", "b_node", "target", "v"),
    "name": ("name", "road_name", "street_name", "street", "road", "full_name", "str_name"),
    "road_class": (
        "road_class", "class", "fclass", "functional_class", "func_class", "highway",
        "facility_type", "road_type", "type",
    ),
    "allowed": ("allowed", "oneway", "one_way", "dir_travel", "travel_direction"),
    "lanes": ("lanes", "lane_count", "num_lanes", "number_of_lanes", "no_lanes", "n_lanes"),
    "speed_kmh": ("speed_kmh", "maxspeed", "max_speed", "speed_limit", "speed_lim", "speed"),
    "speed_mph": ("speed_mph", "speed_limit_mph", "maxspeed_mph", "posted_mph"),
    "roundabout": ("roundabout", "is_roundabout", "junction"),
    "level": ("level", "layer", "z_level", "zlevel"),
}  # fmt: skip
"""Column → the names it is found under; where a file has several, the first of the list counts.

An id other than ``link_id`` must be there and differ in every feature, or it is passed over (it
names whole roads). So is a ``level`` without any number and a ``roundabout`` without any word of
``TRUE`` and ``FALSE``: other things go by those names.
"""

ONE_WAY = {
    "with": ("with", "f", "ft", "yes", "y", "true", "1", "forward"),
    "against": ("against", "t", "tf", "-1", "reverse", "backward"),
    "both": ("both", "b", "no", "n", "false", "0", "two way", "reversible", ""),
}
"""Sense that carries traffic → the words for it; F, T, B: from start to end, to start, both."""

TRUE = ("true", "yes", "y", "t", "1", "roundabout", "circular")
FALSE = ("false", "no", "n", "f", "0", "", "jughandle", "intersection", "filter", "approach")
MPH_KMH = 1.609344

_SPEED = re.compile(r"^(\d+(?:\.\d+)?)\s*(mph|km/h|kmh|kph)?$")
_OUTSIDE_DEG = 6.0
"""How far beyond a CRS's area of use a network may lie: the width of a UTM zone."""

_UNREADABLE = (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, ValueError)

Faults = list[tuple[str, int, str, str, str]]


def read(path: str | Path, *, layer: str = "", crs: str = "") -> gpd.GeoDataFrame:
    """Read the lines of a file as raw links.

    Parameters
    ----------
    path : path
    layer : str
        Of a file with several layers of lines.
    crs : str
        Coordinate reference system such as ``EPSG:25832``, in place of what the file says.

    Returns
    -------
    GeoDataFrame
        In the file's CRS and order: ``link_id, from_node, to_node, name, road_class, allowed,
        lanes, speed_kmh, roundabout, level, geometry``; other columns are not kept. What the file
        does not say is null, but ``allowed`` is ``both`` and ``roundabout`` False. The parts of a
        multi-part feature are links of their own, ``-1``, ``-2`` … after its id. Lanes and speeds
        of 0 mean unknown and become null. Heights are dropped.

    Raises
    ------
    NotFound
        There is no such file or layer.
    InvalidInput
        The file cannot be read, has several layers of lines and none was named, has no CRS, or
        lies where its CRS cannot be; or features that are no lines or carry values that cannot be
        understood: all are in ``rejects``, ``row`` being the feature's number from 1.
    """
    path = Path(path)
    if not path.exists():
        raise NotFound(f"{path}: there is no such file. Check the path")
    features = _parquet(path) if _is_parquet(path) else _features(path, _layer(path, layer))
    if crs:
        features = features.set_crs(_known_crs(crs), allow_override=True)
    faults: Faults = []
    _check_shapes(features, path.name, faults)
    links = _columns(features, path.name, faults)
    if faults:
        raise csv_table.error_from(records.rejects_frame(sorted(faults, key=lambda f: f[1])))
    _check_place(features, path.name)
    return _single_parts(links)


def one_way(word: str) -> str | None:
    """Return the senses that a file's word for one-way allows; None for an unknown word.

    Examples
    --------
    >>> one_way("F"), one_way("yes"), one_way("-1"), one_way("B"), one_way("uphill")
    ('with', 'with', 'against', 'both', None)
    """
    return _SENSE_OF.get(_plain(word) if word.strip() != "-1" else "-1")


def _plain(name: str) -> str:
    return re.sub(r"[\s_-]+", "", name).lower()


_SENSE_OF = {
    word if word == "-1" else _plain(word): sense
    for sense, words in ONE_WAY.items()
    for word in words
}


def _layer(path: Path, wanted: str) -> str:
    try:
        listed = pyogrio.list_layers(path)
    except _UNREADABLE as error:
        raise InvalidInput(
            f"{path.name}: cannot be read as a map file ({unreadable.cause(path)}). Give a GeoPackage, "
            "GeoJSON, or Shapefile with its .dbf and .shx beside it"
        ) from error
    names = [str(name) for name, _ in listed]
    if wanted:
        if wanted not in names:
            raise NotFound(f"{path.name}: has no layer {wanted!r}; it has {', '.join(names)}")
        return wanted
    lines = [str(name) for name, kind in listed if "LineString" in str(kind)]
    lines = lines or [str(name) for name, kind in listed if str(kind) == "Unknown"]
    if len(names) == 1:
        return names[0]
    if len(lines) != 1:
        few = "several layers of lines" if lines else "no layer of lines"
        raise InvalidInput(
            f"{path.name}: has {few} ({', '.join(lines or names)}). Name the layer of the roads"
        )
    return lines[0]


def _features(path: Path, layer: str) -> gpd.GeoDataFrame:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # GDAL's remarks on a file it can read
            found = pyogrio.read_dataframe(path, layer=layer)
    except (*_UNREADABLE, shapely.errors.ShapelyError) as error:
        raise InvalidInput(
            f"{path.name}: layer {layer!r} cannot be read ({unreadable.cause(path)}). Export it again"
        ) from error
    if not isinstance(found, gpd.GeoDataFrame):
        raise InvalidInput(f"{path.name}: layer {layer!r} is a table without lines. Name another")
    if found.empty:
        raise InvalidInput(f"{path.name}: layer {layer!r} holds no features. Export it again")
    return found.rename_geometry("geometry") if found.geometry.name != "geometry" else found


def _is_parquet(path: Path) -> bool:
    """Tell by its first bytes whether a file is Parquet; an archive is held to its limits."""
    if not path.is_file():
        return False
    with path.open("rb") as file:
        head = file.read(4)
    limits.check_size(path)
    if head == b"PK\x03\x04":
        limits.check_zip(path)
    return head == b"PAR1"


def _parquet(path: Path) -> gpd.GeoDataFrame:
    """Read GeoParquet; its columns and its CRS are what the file says [GeoParquet 1.1]."""
    limits.check_parquet(path)
    try:
        found = gpd.read_parquet(path)
    except (
        ValueError,
        OSError,
        KeyError,
        TypeError,
        pa.ArrowException,
        pyproj.exceptions.CRSError,
        shapely.errors.ShapelyError,
    ) as error:
        raise InvalidInput(
            f"{path.name}: cannot be read as GeoParquet. Export it again, or give a GeoPackage"
        ) from error
    if found.empty:
        raise InvalidInput(f"{path.name}: holds no features. Export it again")
    return found.rename_geometry("geometry") if found.geometry.name != "geometry" else found


def _known_crs(crs: str) -> pyproj.CRS:
    try:
        return pyproj.CRS(crs)
    except pyproj.exceptions.CRSError as error:
        raise InvalidInput(
            f"coordinate reference system {crs!r} is unknown; write it like EPSG:25832"
        ) from error


def _check_shapes(features: gpd.GeoDataFrame, file: str, faults: Faults) -> None:
    shapes = features.geometry.to_numpy()
    kind = shapely.get_type_id(shapes)
    lines = (shapely.GeometryType.LINESTRING, shapely.GeometryType.MULTILINESTRING)
    coordinates, of = shapely.get_coordinates(shapes, return_index=True)
    for i in np.unique(of[~np.isfinite(coordinates).all(axis=1)]):
        why = "the feature has a coordinate that is no number. Correct or remove it"
        faults.append((file, int(i) + 1, "geometry", "", why))
    for i in np.flatnonzero(~np.isin(kind, lines) | shapely.is_empty(shapes)):
        shape = shapes[i]
        what = "has no geometry" if shape is None or shape.is_empty else f"is a {shape.geom_type}"
        why = f"the feature {what}, not a line. Correct or remove it"
        faults.append((file, int(i) + 1, "geometry", "", why))


def _columns(features: gpd.GeoDataFrame, file: str, faults: Faults) -> gpd.GeoDataFrame:
    """Return the columns of raw links, in their types; what cannot be understood goes to faults."""
    text = {column: _named(features, column) for column in ALIASES}
    twice = text["link_id"].duplicated() & text["link_id"].notna()
    for i in np.flatnonzero(twice.to_numpy()):
        name = text["link_id"].iloc[i]
        why = f"link_id {name!r} is there twice. Number the links anew, or remove the column"
        faults.append((file, int(i) + 1, "link_id", name, why))

    def convert(column: str, how: Any, advice: str) -> list[Any]:
        values = []
        for row, word in enumerate(text[column].fillna("").tolist(), start=1):
            value = how(word)
            if value is None:
                why = f"{column} {word!r} is not understood. {advice}"
                faults.append((file, row, column, word, why))
            values.append(value)
        return values

    speed = convert("speed_kmh", _speed, "Write km/h, or a number and mph")
    mph = np.array(convert("speed_mph", _speed, "Write a number"), dtype=float) * MPH_KMH
    links = {name: text[name] for name in ("link_id", "from_node", "to_node", "name", "road_class")}
    links["allowed"] = convert("allowed", one_way, "Write with, against or both")
    links["lanes"] = convert("lanes", _positive, "Write a number of lanes")
    links["speed_kmh"] = np.where(np.isnan(mph), np.array(speed, dtype=float), mph)
    links["roundabout"] = convert("roundabout", _truth, "Write true or false")
    links["level"] = convert("level", _number, "Write a whole number, 0 at grade")
    lines = shapely.force_2d(features.geometry.to_numpy())
    return gpd.GeoDataFrame(links, geometry=lines, crs=features.crs)


def _named(features: gpd.GeoDataFrame, column: str) -> pd.Series:
    """Return the text of the first column that goes by an alias and can be meant; else nulls."""
    names = {_plain(str(name)): name for name in reversed(features.columns)}
    for alias in ALIASES[column]:
        if _plain(alias) in names:
            text = _text(features[names[_plain(alias)]])
            if _can_be(column, alias, text):
                return text
    return pd.Series(None, index=features.index, dtype="str")


def _can_be(column: str, alias: str, text: pd.Series) -> bool:
    if column == "link_id" and alias != "link_id":
        return bool(text.is_unique and text.notna().all())
    words = set(text.dropna())
    if column == "level":
        return any(_number(word) is not None for word in words)
    if column == "roundabout":
        return any(_truth(word) is not None for word in words)
    return True


def _text(values: pd.Series) -> pd.Series:
    """Return cells as trimmed text, null where empty; whole numbers without a decimal point."""
    if pd.api.types.is_float_dtype(values) and (values.dropna() % 1 == 0).all():
        values = values.astype("Int64")
    text = values.astype("str").str.strip()
    return text.where(values.notna() & (text != ""))


def _number(word: str) -> float | None:
    try:
        return float(word) if word else np.nan
    except ValueError:
        return None


def _positive(word: str) -> float | None:
    number = _number(word)
    if number is None or number < 0:
        return None
    return number or np.nan


def _speed(word: str) -> float | None:
    if word.lower() in ("", "none", "null", "signals", "variable", "walk"):
        return np.nan
    found = _SPEED.match(word.lower())
    if not found:
        return None
    return float(found[1]) * (MPH_KMH if found[2] == "mph" else 1) or np.nan


def _truth(word: str) -> bool | None:
    plain = word.lower()
    return True if plain in TRUE else False if plain in FALSE else None


def _check_place(features: gpd.GeoDataFrame, file: str) -> None:
    """Refuse lines without a CRS or where it cannot be, naming the likely cause."""
    west, south, east, north = (float(v) for v in features.total_bounds)
    like_degrees = max(abs(west), abs(east)) <= 180 and max(abs(south), abs(north)) <= 90
    where = f"x {west:.6g} to {east:.6g}, y {south:.6g} to {north:.6g}"
    if features.crs is None:
        guess = "EPSG:4326 for longitude and latitude" if like_degrees else "EPSG:25832"
        beside = " (a Shapefile's lies in its .prj)" if file.lower().endswith(".shp") else ""
        raise InvalidInput(
            f"{file}: has no coordinate reference system{beside}; it covers {where}. "
            f"State it, for instance {guess}"
        )
    crs = pyproj.CRS(features.crs)
    middle = np.array([(west + east) / 2, (south + north) / 2])
    if not (crs.is_geographic and not like_degrees) and _lies_in(crs, middle):
        return
    if _lies_in(crs, middle[::-1]):
        first, second = ("longitude", "latitude") if crs.is_geographic else ("easting", "northing")
        cause = f"{first} and {second} are swapped. Export it with {first} first"
    elif crs.is_geographic:
        cause = "they are no degrees. State the coordinate reference system they are in"
    elif like_degrees:
        cause = "they are degrees. State EPSG:4326"
    else:
        cause = "that is another place's system. State the right one"
    raise InvalidInput(f"{file}: {where} does not lie in {crs.name}; it seems that {cause}")


def _lies_in(crs: pyproj.CRS, place: NDArray[np.float64]) -> bool:
    area = crs.area_of_use
    if crs.is_geographic:
        lon, lat = place
    else:
        to_degrees = pyproj.Transformer.from_crs(
            crs, crs.geodetic_crs or "EPSG:4326", always_xy=True
        )
        lon, lat = to_degrees.transform(*place)
    if not (abs(lon) <= 180 and abs(lat) <= 90):
        return False
    if area is None or area.west > area.east:  # unknown, or across the 180th meridian
        return True
    return bool(
        area.west - _OUTSIDE_DEG <= lon <= area.east + _OUTSIDE_DEG
        and area.south - _OUTSIDE_DEG <= lat <= area.north + _OUTSIDE_DEG
    )


def _single_parts(links: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Give every part of a multi-part line a row; inner ends lose the nodes of the whole."""
    parts, row = shapely.get_parts(links.geometry.to_numpy(), return_index=True)
    count = np.bincount(row, minlength=len(links))[row]
    number = np.arange(len(row)) - np.searchsorted(row, row) + 1
    single = links.iloc[row].reset_index(drop=True).set_geometry(parts)
    several = count > 1
    single["from_node"] = single["from_node"].mask(several & (number > 1))
    single["to_node"] = single["to_node"].mask(several & (number < count))
    suffix = pd.Series(number).astype("str")
    single["link_id"] = single["link_id"].mask(several, single["link_id"] + "-" + suffix)
    return single
