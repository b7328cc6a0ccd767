"""Write the data people keep: CSV, GeoJSON, GeoParquet, one GeoPackage, a dictionary, an id."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd

from countmap import tables as contracts
from countmap.errors import InvalidInput
from countmap.formats import csv_table, geo, whole
from countmap.formats.csv_table import inert
from countmap.publish.content import Audience
from countmap.publish.payload import is_personal
from countmap.tables import Column, Table

CONTRACTS: dict[str, Table] = {
    value.name: value for value in vars(contracts).values() if isinstance(value, Table)
}
# Plans and the places of counters that stand outside now are not for everyone.
NOT_PUBLIC = frozenset({"due", "rounds", "surveys", "decisions", "files"})
GEOPACKAGE = "countmap.gpkg"
RELEASE = "release.json"
UNSEALED = ".release-before.json"


def dictionary(tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Return one row a column of each table: what it means, as `countmap.tables` states it.

    Returns
    -------
    DataFrame
        ``table, column, kind, unit, key, may_be_empty, allowed, minimum, maximum, meaning``.
        Columns beyond a contract have only a kind.
    """
    rows = []
    for name in sorted(tables):
        contract = CONTRACTS.get(name)
        known = {c.name: c for c in contract.columns} if contract else {}
        key = contract.key if contract else ()
        rows += [
            (name, column, *_stated(known.get(column), column in key))
            for column in tables[name].columns
        ]
    return pd.DataFrame(
        rows,
        columns=[
            "table", "column", "kind", "unit", "key", "may_be_empty", "allowed", "minimum",
            "maximum", "meaning",
        ],
    )  # fmt: skip


def _stated(column: Column | None, key: bool) -> tuple[Any, ...]:
    if column is None:
        return ("", "", False, True, "", None, None, "beyond the contract")
    return (
        column.kind, column.unit, key, column.nullable, " ".join(map(str, column.allowed)),
        column.minimum, column.maximum, column.doc,
    )  # fmt: skip


def write_data(
    folder: Path | str,
    tables: Mapping[str, pd.DataFrame],
    *,
    year: int,
    audience: Audience = "public",
    about: str = "",
    release: str = "",
    vehicles: Mapping[str, Path] | None = None,
) -> dict[str, Any]:
    """Write a release of the data into ``folder``.

    Parameters
    ----------
    folder : path
        Made if it is not there. Files of the release that lay there before are replaced, those that
        this release no longer has are removed; anything else is left alone.
    tables : mapping of table name to DataFrame
        Names and columns as in `countmap.tables`. A GeoDataFrame also becomes GeoJSON. The order of
        the rows does not matter: they are written by key.
    year : int
        The calendar year of the figures.
    audience : "public" or "internal"
        ``public`` leaves out surveys and plans, columns that name people and columns beyond the
        contract.
    about : str
        A sentence on where the release comes from.
    release : str
        Its id; default: the hash of the contents.
    vehicles : mapping of file name to path, optional
        Vehicle records as they are kept, copied beside the tables; never for the public.

    Returns
    -------
    dict
        ``folder``, ``release`` (its id), ``contents`` (a hash of them), ``files`` (name, sha256,
        rows), ``left_out``.

    Raises
    ------
    InvalidInput
        No table, an unknown audience, a table name that cannot be a file name, or a frame with
        geometry but no reference system.
    """
    if audience not in ("public", "internal"):
        raise InvalidInput(f"audience must be public or internal, got {audience!r}")
    kept, left_out = _for(audience, tables)
    if not kept:
        raise InvalidInput("there is no table to write for this audience")
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    _unseal(folder)
    described = dictionary(kept)
    names: list[str] = []
    for name, frame in [*kept.items(), ("dictionary", described)]:
        csv_table.write(_csv(frame), folder / f"{name}.csv")
        names.append(f"{name}.csv")
        if isinstance(frame, gpd.GeoDataFrame):
            geo.write_geojson(frame, folder / f"{name}.geojson", id_column=_id_column(name, frame))
            names.append(f"{name}.geojson")
    for name, frame in kept.items():
        geo.write_parquet(frame, folder / f"{name}.parquet")
        names.append(f"{name}.parquet")
    for name, path in sorted((vehicles or {}).items()):
        if audience == "public":
            left_out.append(name)
            continue
        whole.write(folder / name, path.read_bytes())
        names.append(name)
    geo.write_geopackage({**kept, "dictionary": described}, folder / GEOPACKAGE)
    rows = {f"{name}.csv": len(frame) for name, frame in kept.items()}
    files = [
        {"name": name, "sha256": _sha256(folder / name), "rows": rows.get(name)}
        for name in [*sorted(names), GEOPACKAGE]
    ]
    facts = {"year": year, "audience": audience, "about": about}
    return _seal(folder, files, facts, left_out, release)


def _seal(
    folder: Path,
    files: list[dict[str, Any]],
    facts: dict[str, Any],
    left_out: list[str],
    release: str,
) -> dict[str, Any]:
    """Write release.json last and remove what an earlier release left behind."""
    # GeoPackage and Parquet repeat the tables and depend on the library that writes them.
    content = [
        f"{file['name']} {file['sha256']}"
        for file in files
        if not file["name"].endswith((".gpkg", ".parquet"))
    ]
    told = json.dumps(facts, sort_keys=True)
    contents = "r-" + hashlib.sha256("\n".join([told, *content]).encode()).hexdigest()[:12]
    before = _earlier(folder)
    document = {
        "release": release or contents,
        "contents": contents,
        **facts,
        "files": files,
        "left_out": left_out,
    }
    with whole.replacing(folder / RELEASE) as part:
        part.write_text(json.dumps(document, indent=1, ensure_ascii=False) + "\n", "utf-8")
    for name in before - {file["name"] for file in files}:
        (folder / name).unlink(missing_ok=True)
    (folder / UNSEALED).unlink(missing_ok=True)
    return {"folder": str(folder), **document}


def _unseal(folder: Path) -> None:
    """Set release.json aside: a folder without it is between two releases."""
    if (folder / RELEASE).exists():
        (folder / RELEASE).replace(folder / UNSEALED)
        whole.sync(folder)


def _earlier(folder: Path) -> set[str]:
    """Return the plain file names that an earlier release.json lists."""
    try:
        listed = json.loads((folder / UNSEALED).read_text("utf-8"))["files"]
        return {
            str(file["name"]) for file in listed if Path(str(file["name"])).name == file["name"]
        }
    except (OSError, ValueError, KeyError, TypeError):
        return set()


def _for(
    audience: Audience, tables: Mapping[str, pd.DataFrame]
) -> tuple[dict[str, pd.DataFrame], list[str]]:
    """Return the tables this audience gets, rows by key, and what was left out."""
    kept: dict[str, pd.DataFrame] = {}
    left_out: list[str] = []
    for name in sorted(tables):
        if not re.fullmatch(r"[a-z][a-z0-9_]*", name):
            raise InvalidInput(f"table name {name!r} cannot be a file name; use small letters")
        frame = tables[name]
        if audience == "public":
            if name in NOT_PUBLIC:
                left_out.append(name)
                continue
            gone = [c for c in frame.columns if not _is_public(name, frame, c)]
            left_out += [f"{name}.{column}" for column in gone]
            frame = frame.drop(columns=gone)
        kept[name] = _by_key(name, frame)
    return kept, left_out


def _is_public(name: str, frame: pd.DataFrame, column: str) -> bool:
    if is_personal(column):
        return False
    if isinstance(frame, gpd.GeoDataFrame) and column == frame.geometry.name:
        return True
    contract = CONTRACTS.get(name)
    return contract is None or column in contract.names


def _by_key(name: str, frame: pd.DataFrame) -> pd.DataFrame:
    contract = CONTRACTS.get(name)
    key = list(contract.key) if contract else []
    if not key or not set(key) <= set(frame.columns):
        key = [c for c in frame.columns if c != "geometry" and frame[c].map(_hashable).all()]
    return frame.sort_values(key, kind="stable").reset_index(drop=True) if key else frame


def _hashable(value: Any) -> bool:
    return not isinstance(value, list | dict | set)


def _id_column(name: str, frame: pd.DataFrame) -> str:
    contract = CONTRACTS.get(name)
    single = contract is not None and len(contract.key) == 1 and contract.key[0] in frame.columns
    return contract.key[0] if contract is not None and single else ""


def _csv(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a frame for a spreadsheet: geometry as well-known text, no cell a formula."""
    out = pd.DataFrame(frame)
    for column in out.columns:
        if isinstance(frame, gpd.GeoDataFrame) and column == frame.geometry.name:
            out[column] = frame.geometry.to_wkt(rounding_precision=7)
        elif out[column].dtype == object or pd.api.types.is_string_dtype(out[column]):
            out[column] = out[column].astype("object").map(_cell)
    return out


def _cell(value: Any) -> Any:
    """Return a cell whose line breaks are line feeds: a bare carriage return would end the row."""
    value = inert(value)
    return re.sub(r"\r\n?", "\n", value) if isinstance(value, str) else value


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
