"""``turns import``: turning movements at a junction."""

from __future__ import annotations

from pathlib import Path

from countmap.formats import csv_table
from countmap.jobs.common import (
    Document,
    Network,
    Workspace,
    import_table,
    refusing,
    require_known,
)
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
        require_known(frame, "junction_id", junctions, "junction", file)
        for column in ("from_link", "to_link"):
            require_known(frame, column, links, "link", file)
    return import_table(ws, frame, "turns", dry_run=dry_run)
