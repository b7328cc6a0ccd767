"""``turns import``: turning counts at junctions."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from countmap.formats import csv_table
from countmap.jobs.common import (
    Document,
    Network,
    Workspace,
    import_table,
    refuse_rows,
    refusing,
    require_known,
)
from countmap.roads.junctions import legs
from countmap.tables import TURNS


def import_(ws: Workspace, file: Path, *, dry_run: bool = False) -> Document:
    """Take turns.csv.

    Raises
    ------
    InvalidInput
        A row that breaks the contract, an unknown junction, a link that is no leg of its junction or
        carries no traffic that way.
    """
    network = Network(ws)
    with refusing(ws):
        frame = csv_table.read_or_raise(file, TURNS)
        known = set(network.junctions["junction_id"])
        require_known(frame, "junction_id", known, "junction", file)
        around = legs(network.roads, network.junctions)
        for column, sense, way in (
            ("from_link", "inward_sense", "into"),
            ("to_link", "outward_sense", "out of"),
        ):
            can = around.loc[around[sense].notna(), ["junction_id", "link_id"]]
            legal = set(zip(can["junction_id"], can["link_id"], strict=True))
            _require_legs(frame, column, legal, way, file)
    return import_table(ws, frame, "turns", dry_run=dry_run)


def _require_legs(
    frame: pd.DataFrame, column: str, legal: set[tuple[str, str]], way: str, file: Path
) -> None:
    pairs = zip(frame["junction_id"], frame[column], strict=True)
    wrong = frame.loc[[pair not in legal for pair in pairs]]
    if wrong.empty:
        return
    why = [
        f"link {link!r} carries nothing {way} junction {junction!r}. Correct the row"
        for junction, link in zip(wrong["junction_id"], wrong[column], strict=True)
    ]
    refuse_rows(wrong, column, why, file)
