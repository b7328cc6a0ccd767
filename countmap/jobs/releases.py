"""Jobs of releases: their id, their record, the data people keep, what changed between two."""

from __future__ import annotations

import hashlib
import json

from countmap.jobs.common import Workspace, records

TOPICS = (
    "annual", "counts", "days", "declarations", "flags", "roads", "screenlines", "settings", "stations",
)  # fmt: skip


def release_id(ws: Workspace, year: int) -> str:
    """Return the id of what would be published of a year: the same inputs and results, the same id.

    A hash over the fingerprints of all inputs, over those that the year's results rest on, and over
    the version of countmap. It does not depend on when or where it was made, nor on the audience.
    """
    from countmap import __version__

    status = ws.register.runs()
    status = status[status["year"].isna() | (status["year"] == year)]
    runs = ws.register.frame("runs")
    runs = runs[runs["run_id"].isin(status["run_id"])].sort_values(["kind", "fingerprint"])
    flags = ws.register.frame("flags").sort_values("flag_id")
    told = {
        "countmap": __version__,
        "year": year,
        "inputs": ws.register.fingerprint(TOPICS, year),
        "runs": records(runs, ["kind", "year", "fingerprint", "settings"]),
        "flags": records(flags, ["flag_id", "state", "reason"]),
    }
    return "r-" + hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()[:12]


def line(ws: Workspace, year: int, audience: str) -> str:
    """Return the line at the foot of a paper: the release, for whom, made by what."""
    from countmap import __version__

    return f"Release {release_id(ws, year)}, {audience}; countmap {__version__}"
