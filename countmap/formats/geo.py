"""GeoJSON (RFC 7946) and GeoPackage written whole or not at all; screenlines read."""

from __future__ import annotations

import json
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyogrio.errors
import shapely
import shapely.errors

from countmap.errors import InvalidInput, NotFound
from countmap.formats import csv_table, records, unreadable
from countmap.formats.whole import replacing
from countmap.tables import SCREENLINES, require

WGS84 = "EPSG:4326"
DEGREE_DECIMALS = 7
"""About a centimetre; six, named in RFC 7946, section 11.2, are about ten."""
STAMP = "2000-01-01T00:00:00Z"
"""Written as a GeoPackage's date of change, so that equal content makes equal bytes."""


def write_geojson(frame: gpd.GeoDataFrame, path: str | Path, *, id_column: str = "") -> None:
    """Write a FeatureCollection by RFC 7946: WGS84, longitude first, exterior rings anticlockwise.

    Parameters
    ----------
    frame : GeoDataFrame
        In any known CRS. Null is written as ``null``, times as ISO 8601, lists as arrays.
    path : path
        One feature a line, in the order of the rows.
    id_column : str
        A column that becomes the ``id`` of its feature as well.

    Raises
    ------
    InvalidInput
        The frame has no CRS, or an infinite number.
    """
    if frame.crs is None:
        raise InvalidInput(f"{Path(path).name}: the features have no coordinate reference system")
    with replacing(path) as part:
        part.write_text(_collection(frame.to_crs(WGS84), id_column, Path(path).name), "utf-8")


def write_geopackage(layers: Mapping[str, pd.DataFrame], path: str | Path) -> None:
    """Write a GeoPackage with a layer for each frame; a frame without geometry is a plain table.

    Parameters
    ----------
    layers : mapping of layer name to DataFrame or GeoDataFrame
        Each in its own CRS, which must be known. Lists are written as JSON text.
    path : path
        A file that is there is replaced in one step. Equal layers make equal bytes.

    Raises
    ------
    InvalidInput
        No layer, or one without a CRS.
    """
    if not layers:
        raise InvalidInput(f"{Path(path).name}: a GeoPackage needs at least one layer")
    for name, frame in layers.items():
        if isinstance(frame, gpd.GeoDataFrame) and frame.crs is None:
            raise InvalidInput(
                f"{Path(path).name}: layer {name!r} has no coordinate reference system"
            )
    with replacing(path) as part, _fixed_date():
        for name, frame in layers.items():
            pyogrio.write_dataframe(
                _plain(frame), part, layer=name, driver="GPKG", append=part.exists()
            )


def write_parquet(frame: pd.DataFrame, path: str | Path) -> None:
    """Write a Parquet file, with geometry a GeoParquet 1.1 one (geometry as well-known binary).

    Parameters
    ----------
    frame : DataFrame or GeoDataFrame
        A GeoDataFrame in any known CRS; it is written in WGS84, longitude first.
    path : path
        Replaced in one step.

    Raises
    ------
    InvalidInput
        Geometry without a CRS.
    """
    if isinstance(frame, gpd.GeoDataFrame):
        if frame.crs is None:
            raise InvalidInput(
                f"{Path(path).name}: the features have no coordinate reference system"
            )
        frame = frame.to_crs(WGS84)
    options = {"schema_version": "1.1.0"} if isinstance(frame, gpd.GeoDataFrame) else {}
    with replacing(path) as part:
        frame.to_parquet(part, index=False, compression="zstd", **options)


def read_screenlines(path: str | Path) -> gpd.GeoDataFrame:
    """Read screenlines and cordons from GeoJSON, GeoPackage or Shapefile.

    Returns
    -------
    GeoDataFrame
        ``tables.SCREENLINES`` in WGS84. Without ``kind`` a polygon or closed line is a cordon and
        an open line a screenline. ``sides`` is ``left | right``, seen along the line as drawn; a
        list of two names in the file is joined so.

    Raises
    ------
    NotFound
        There is no such file.
    InvalidInput
        The file cannot be read or has no CRS, or features without a name, with a name twice, with
        another kind or geometry, or with sides that are not two names: all are in ``rejects``.
    """
    path = Path(path)
    if not path.exists():
        raise NotFound(f"{path}: there is no such file. Check the path")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # GDAL's remarks on a file it can read
            found = pyogrio.read_dataframe(path)
    except (
        pyogrio.errors.DataSourceError,
        pyogrio.errors.DataLayerError,
        ValueError,
        shapely.errors.ShapelyError,
    ) as error:
        raise InvalidInput(
            f"{path.name}: cannot be read as screenlines ({unreadable.cause(path)}). "
            "Draw them anew, or export them as GeoJSON in WGS84"
        ) from error
    if not isinstance(found, gpd.GeoDataFrame) or found.empty:
        raise InvalidInput(f"{path.name}: holds no line; draw at least one screenline")
    if found.crs is None:
        raise InvalidInput(
            f"{path.name}: has no coordinate reference system. Save it as GeoJSON in WGS84"
        )
    return _screenlines(found.to_crs(WGS84), path.name)


def _screenlines(found: gpd.GeoDataFrame, file: str) -> gpd.GeoDataFrame:
    shapes = [_single(shape) for shape in found.geometry]
    closed = [
        shape is not None and (shape.geom_type == "Polygon" or shape.is_closed) for shape in shapes
    ]
    names = _words(found, "name")
    kinds = _words(found, "kind")
    kinds = [
        kind or ("cordon" if ring else "screenline")
        for kind, ring in zip(kinds, closed, strict=True)
    ]
    sides = [_sides(text) for text in _words(found, "sides")]
    faults: list[tuple[str, int, str, str, str]] = []
    seen: dict[str, int] = {}
    for row, feature in enumerate(zip(names, kinds, sides, shapes, closed, strict=True), start=1):
        fault = _fault(*feature)
        name = feature[0]
        if fault is None and name in seen:
            why = f"name {name!r} is there twice, first as feature {seen[name]}. Rename one"
            fault = ("name", name, why)
        if fault:
            faults.append((file, row, *fault))
        seen.setdefault(name, row)
    if faults:
        raise csv_table.error_from(records.rejects_frame(faults))
    columns = {"name": names, "kind": kinds, "sides": sides}
    frame = gpd.GeoDataFrame(pd.DataFrame(columns).astype("str"), geometry=shapes, crs=WGS84)
    return require(frame, SCREENLINES)


def _fault(
    name: str, kind: str, side: str | None, shape: Any, ring: bool
) -> tuple[str, str, str] | None:
    """Return column, value and reason of what is wrong with a feature."""
    if not name:
        return "name", "", "the feature has no name. Give it one"
    if shape is None:
        return "geometry", "", f"{name!r} is no single line or polygon. Draw it as one"
    west, south, east, north = shape.bounds
    if west < -180 or east > 180 or south < -90 or north > 90:
        return "geometry", "", f"{name!r} lies outside the world. Check its coordinates"
    if kind not in ("screenline", "cordon"):
        return "kind", kind, f"kind {kind!r} is unknown ({name!r}). Write screenline or cordon"
    if kind == "cordon" and not ring:
        return (
            "kind",
            kind,
            f"cordon {name!r} is not closed. Close the line or make it a screenline",
        )
    if kind == "screenline" and shape.geom_type == "Polygon":
        return "kind", kind, f"screenline {name!r} is a polygon. Draw a line or make it a cordon"
    if side is not None and len([s for s in side.split("|") if s.strip()]) != 2:
        return "sides", side, f"sides {side!r} are not two names ({name!r}). Write: left | right"
    return None


def _single(shape: Any) -> Any:
    """Return the one LineString or Polygon that ``shape`` is, else None; heights are dropped."""
    if shape is None or shape.is_empty or not np.isfinite(shapely.get_coordinates(shape)).all():
        return None
    parts = shapely.get_parts(shapely.force_2d(shape))
    fits = len(parts) == 1 and parts[0].geom_type in ("LineString", "Polygon")
    return parts[0] if fits else None


def _words(frame: pd.DataFrame, column: str) -> list[str]:
    """Return a column as text, "" where it is absent or null; a list is joined by "|"."""
    if column not in frame.columns:
        return [""] * len(frame)
    return [_word(value) for value in frame[column]]


def _word(value: Any) -> str:
    if isinstance(value, str) and value.startswith('["'):  # how GDAL gives a list of texts
        with suppress(json.JSONDecodeError):
            value = json.loads(value)
    if isinstance(value, list | tuple | np.ndarray):
        return "|".join(str(part) for part in value)
    return "" if pd.isna(value) else str(value).strip()


def _sides(text: str) -> str | None:
    return " | ".join(side.strip() for side in text.split("|")) if text else None


def _collection(frame: gpd.GeoDataFrame, id_column: str, file: str) -> str:
    shapes = shapely.transform(frame.geometry.to_numpy(), lambda at: at.round(DEGREE_DECIMALS))
    shapes = shapely.to_geojson(shapely.orient_polygons(shapes))
    properties = frame.drop(columns=frame.geometry.name)
    columns = [_json_column(properties[name]) for name in properties.columns]
    names = list(properties.columns)
    at = names.index(id_column) if id_column else -1
    lines = []
    for shape, *values in zip(shapes, *columns, strict=True):
        feature: dict[str, Any] = {"type": "Feature"}
        if id_column:
            feature["id"] = values[at]
        feature["properties"] = dict(zip(names, values, strict=True))
        try:
            text = json.dumps(feature, ensure_ascii=False, allow_nan=False)
        except ValueError as error:
            raise InvalidInput(
                f"{file}: {feature['properties']} holds an infinite number"
            ) from error
        lines.append(f'{text[:-1]}, "geometry": {shape or "null"}}}')
    return '{"type": "FeatureCollection", "features": [\n' + ",\n".join(lines) + "\n]}\n"


def _json_column(values: pd.Series) -> list[Any]:
    return [_json_value(value) for value in values.tolist()]


def _json_value(value: Any) -> Any:
    if isinstance(value, list | tuple | np.ndarray):
        return [_json_value(v) for v in value]
    if pd.isna(value):
        return None
    if hasattr(value, "isoformat"):
        return value.isoformat()
    return value.item() if isinstance(value, np.generic) else value


def _plain(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the frame with lists as JSON text, which a GeoPackage can hold."""
    texts = {}
    for name in frame.columns:
        values = frame[name]
        if values.dtype == object and values.map(lambda v: isinstance(v, list | tuple)).any():
            texts[name] = values.map(lambda v: json.dumps(_json_value(v), ensure_ascii=False))
    return frame.assign(**texts)


@contextmanager
def _fixed_date() -> Iterator[None]:
    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": STAMP})
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})
