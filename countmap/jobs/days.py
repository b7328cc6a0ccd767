"""``days import``: closures, events, school terms."""

from __future__ import annotations

from pathlib import Path

from countmap.formats import csv_table
from countmap.jobs.common import Document, Workspace, import_table, refusing, require_known
from countmap.tables import DAYS


def import_(ws: Workspace, file: Path, *, dry_run: bool = False) -> Document:
    """Take days.csv.

    Raises
    ------
    InvalidInput
        A row that breaks the contract, a range that ends before it starts, an unknown link.
    """
    with refusing(ws):
        frame = csv_table.read_or_raise(file, DAYS)
        links = set(ws.register.frame("links")["link_id"])
        named = frame.assign(links=frame["links"].str.split()).explode("links", ignore_index=True)
        require_known(named, "links", links, "link", file)
    return import_table(ws, frame, "days", dry_run=dry_run)
