"""``surveys import``: stays of a counter at a station."""

from __future__ import annotations

from pathlib import Path

from countmap.formats import csv_table
from countmap.jobs.common import Document, Workspace, import_table, refusing, require_known
from countmap.tables import SURVEYS


def import_(ws: Workspace, file: Path, *, dry_run: bool = False) -> Document:
    """Take surveys.csv.

    Raises
    ------
    InvalidInput
        A row that breaks the contract or names an unknown station.
    """
    with refusing(ws):
        frame = csv_table.read_or_raise(file, SURVEYS)
        stations = set(ws.register.frame("stations")["station_id"])
        require_known(frame, "station_id", stations, "station", file)
        frame["epoch"] = frame["epoch"].fillna(1.0) if "epoch" in frame else 1.0
    return import_table(ws, frame, "surveys", dry_run=dry_run)
