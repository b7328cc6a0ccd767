"""Why a map file cannot be read, found in the file itself: a library's own words name its own parts."""

from __future__ import annotations

import json
from pathlib import Path

_SQLITE = b"SQLite format 3\x00"  # SQLite database file format, section 1.3
_SHAPE = (9994).to_bytes(4, "big")  # ESRI Shapefile Technical Description (1998), p. 4
_SHAPE_PARTS = (".shx", ".dbf")


def cause(path: Path) -> str:
    """Return in a few words what is wrong with a map file that GDAL refuses.

    Examples
    --------
    >>> cause(Path("nowhere.gpkg"))
    'it is not there'
    """
    if not path.is_file():
        return "it is a folder" if path.is_dir() else "it is not there"
    with path.open("rb") as handle:
        head = handle.read(16)
    if not head:
        return "it is empty"
    kind = path.suffix.lower()
    if kind in (".geojson", ".json"):
        return _geojson(path)
    if kind == ".gpkg":
        return "it is damaged" if head == _SQLITE else "its content is no GeoPackage"
    if kind == ".shp":
        return _shapefile(path, head)
    return "its content is of no kind that holds lines"


def _geojson(path: Path) -> str:
    try:
        document = json.loads(path.read_bytes())
    except json.JSONDecodeError as error:
        return f"its JSON breaks at line {error.lineno}, column {error.colno}"
    except RecursionError:
        return "its JSON is nested too deeply"
    except UnicodeDecodeError as error:
        return f"it is not UTF-8 at byte {error.start}"
    said = document.get("type") if isinstance(document, dict) else None
    if said != "FeatureCollection":
        return f"it is JSON, but its type is {said!r}, not 'FeatureCollection'"
    return "a feature in it is damaged"


def _shapefile(path: Path, head: bytes) -> str:
    if not head.startswith(_SHAPE):
        return "its content is no Shapefile"
    beside = {p.suffix.lower() for p in path.parent.glob(f"{path.stem}.*")}
    missing = [part for part in _SHAPE_PARTS if part not in beside]
    return f"its {' and '.join(missing)} is not beside it" if missing else "it is damaged"
