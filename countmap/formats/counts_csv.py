"""Period counts from text files: our own ``counts.csv``, or any layout that a TOML file describes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.compute as pc

from countmap import tables
from countmap.formats import cells, csv_table, layout_reader, records
from countmap.formats.layouts import Layout
from countmap.formats.limits import DEFAULT, Limits
from countmap.tables import Column, Table

_BY_FILE = ("file", "row", "stamp", "column")
COUNTS = Table(
    "counts.csv",
    (),
    tuple(
        Column("start", "text", doc=column.doc) if column.name == "start" else column
        for column in tables.RAW_COUNTS.columns
        if column.name not in _BY_FILE
    ),
    "period counts as our own file gives them",
)


def read(
    path: str | Path,
    layout: Layout | None = None,
    limits: Limits = DEFAULT,
    data: bytes | None = None,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Read a file of period counts.

    Parameters
    ----------
    path : path
    layout : Layout, optional
        Without one, the file is our own: station_id, direction, start, minutes, count and the
        optional columns of RAW_COUNTS.
    limits : Limits
        What a file may hold.
    data : bytes, optional
        What ``records.read_bytes`` gave for the file; not with a layout.

    Returns
    -------
    raw : DataFrame
        RAW_COUNTS, in file order. Directions, stations and local times are as written.
    rejects : DataFrame
        REJECTS: the lines that could not be read.

    Raises
    ------
    NotFound, InvalidInput
        As ``csv_table.read``; also if a column of the layout is not in the file.
    """
    if layout is not None:
        return layout_reader.read(Path(path), layout, limits)
    found = records.read(path, known=set(COUNTS.names), limits=limits, data=data)
    csv_table.require_columns(found, COUNTS.name, COUNTS.columns)
    raw, rejects = csv_table.typed(found, COUNTS.columns, about=("station_id", "start"))
    raw, doubtful = _without_thousands(found, raw)
    raw["file"] = found.file
    for name in ("stamp", "column"):
        raw[name] = pd.Series([None] * len(raw), dtype="str")
    return raw[list(tables.RAW_COUNTS.names)], records.joined(rejects, doubtful)


def _without_thousands(
    found: records.Records, raw: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Part the rows whose count may be 1,234 or 1.234."""
    text = found.column("count")
    marked = np.flatnonzero(cells.mask(pc.match_substring_regex(text, cells.THOUSANDS)))
    rows = found.rows[marked]
    doubtful = raw["row"].isin(rows).to_numpy()
    lines = [
        (
            found.file,
            int(found.rows[i]),
            "count",
            (said := str(text[i])),
            f"count {said!r} {cells.AMBIGUOUS}",
        )
        for i in map(int, marked)
        if found.rows[i] in set(raw["row"][doubtful])
    ]
    return raw[~doubtful].reset_index(drop=True), records.rejects_frame(lines)
