"""``days import``: closures, events, school terms."""

from __future__ import annotations

from pathlib import Path

from countmap.errors import InvalidInput
from countmap.formats import csv_table
from countmap.jobs.common import Document, Workspace, import_table, refusing
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
        backwards = frame[frame["last"] < frame["first"]]
        if len(backwards):
            row = backwards.iloc[0]
            raise InvalidInput(
                f"{file.name}:{row['row']}: last {row['last']:%Y-%m-%d} is before first {row['first']:%Y-%m-%d}. Swap them"
            )
        links = set(ws.register.frame("links")["link_id"])
        for row in frame.dropna(subset=["links"]).itertuples():
            unknown = sorted(set(row.links.split()) - links)
            if unknown:
                raise InvalidInput(
                    f"{file.name}:{row.row}: there is no link {unknown[0]!r}. Correct the row"
                )
    return import_table(ws, frame, "days", dry_run=dry_run)
