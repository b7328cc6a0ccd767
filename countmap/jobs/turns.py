"""``turns import``: turning movements at a junction."""

from __future__ import annotations

from pathlib import Path

from countmap.errors import InvalidInput
from countmap.formats import csv_table
from countmap.jobs.common import Document, Network, Workspace, import_table, refusing
from countmap.tables import TURNS


def import_(ws: Workspace, file: Path, *, dry_run: bool = False) -> Document:
    """Take turns.csv.

    Raises
    ------
    InvalidInput
        A row that breaks the contract or names an unknown junction or link.
    """
    network = Network(ws)
    junctions = set(network.junctions["junction_id"])
    links = set(network.roads.links["link_id"])
    with refusing(ws):
        frame = csv_table.read_or_raise(file, TURNS)
        for column, known, noun in (
            ("junction_id", junctions, "junction"),
            ("from_link", links, "link"),
            ("to_link", links, "link"),
        ):
            strange = frame[~frame[column].isin(known)]
            if len(strange):
                row = strange.iloc[0]
                raise InvalidInput(
                    f"{file.name}:{row['row']}: there is no {noun} {row[column]!r}. Correct the row"
                )
    return import_table(ws, frame, "turns", dry_run=dry_run)
