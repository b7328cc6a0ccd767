"""``screenlines import``: lines across the network."""

from __future__ import annotations

from pathlib import Path

from countmap.formats import geo
from countmap.jobs.common import Document, Workspace, import_table, refusing


def import_(ws: Workspace, file: Path, *, dry_run: bool = False) -> Document:
    """Take screenlines and cordons from GeoJSON."""
    with refusing(ws):
        frame = geo.read_screenlines(file)
    return import_table(ws, frame, "screenlines", dry_run=dry_run)
