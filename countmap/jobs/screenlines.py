"""``screenlines import``: lines across the network."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from countmap.balance import screenlines as crossing
from countmap.errors import InvalidInput
from countmap.formats import geo
from countmap.jobs.common import Document, Network, Workspace, import_table, refusing


def import_(ws: Workspace, file: Path, *, dry_run: bool = False) -> Document:
    """Take screenlines and cordons from GeoJSON.

    Raises
    ------
    InvalidInput
        Not a file of lines, or a line that cannot be counted: it crosses no road, or runs through a node.
    """
    roads = Network(ws).roads
    with refusing(ws):
        frame = geo.read_screenlines(file)
        far = ~np.isfinite(frame.to_crs(roads.crs).bounds).all(axis=1)
        for name in frame["name"][far]:
            raise InvalidInput(
                f"{file.name}: screenline {name!r} lies where the map of the roads cannot reach. "
                "Check its coordinates"
            )
        for name, problem in crossing.problems(roads, frame):
            raise InvalidInput(f"{file.name}: screenline {name!r} {problem}")
    return import_table(ws, frame, "screenlines", dry_run=dry_run)
