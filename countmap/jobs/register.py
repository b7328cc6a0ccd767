"""Jobs of the workspace itself: make, look, log, undo, verify."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from countmap.errors import Conflict
from countmap.jobs.common import Document, Workspace, records, writing
from countmap.jobs.roads import REPLACE
from countmap.workspace import init_workspace

HOLDS = (
    "links",
    "stations",
    "surveys",
    "days",
    "screenlines",
    "declarations",
    "files",
    "flags",
    "decisions",
)


def init(folder: Path, *, timezone: str, holidays: str = "") -> Document:
    """Make a workspace; returns ``path``.

    Raises
    ------
    InvalidInput, Conflict
        An unknown zone or calendar; a folder that is a workspace already.
    """
    ws = init_workspace(folder, timezone, holidays)
    return {
        "path": str(ws.path),
        "timezone": ws.settings.timezone,
        "holidays": ws.settings.holidays,
    }


def status(ws: Workspace) -> Document:
    """Say what the workspace holds, which results are stale, and what would come next."""
    holds = {name: len(ws.register.frame(name)) for name in HOLDS}
    runs = {(run["kind"], run["year"]): run for run in map(_told, records(ws.register.runs()))}
    return {
        "path": str(ws.path.resolve()),
        "timezone": ws.settings.timezone,
        "holidays": ws.settings.holidays,
        "holds": holds,
        "runs": list(runs.values()),
        "hints": _hints(ws, holds, runs),
    }


def _told(run: Document) -> Document:
    """Return a run with a year that is whole and a time that a person reads."""
    year = None if run["year"] is None else int(run["year"])
    return run | {"year": year, "finished": run["finished"][:16].replace("T", " ") + " UTC"}


def _hints(
    ws: Workspace, holds: dict[str, int], runs: dict[tuple[str, int], Document]
) -> list[str]:
    if not holds["links"]:
        return ["Next: countmap roads import FILE"]
    if not holds["stations"]:
        return ["Next: countmap stations import FILE"]
    stations = ws.register.frame("stations")
    waiting = stations.loc[stations["state"] == "ambiguous", "station_id"]
    hints = (
        [f"{len(waiting)} stations wait for countmap stations place: {' '.join(waiting)}"]
        if len(waiting)
        else []
    )
    if not holds["files"]:
        return [*hints, "Next: countmap counts import FILE"]
    if not runs:
        return [*hints, "Next: countmap counts check, then countmap annual estimate --year Y"]
    stale = sorted(
        {
            f"countmap {kind} {'estimate' if kind == 'annual' else 'run'} --year {year}"
            for (kind, year), run in runs.items()
            if run["stale"]
        }
    )
    return [*hints, *(f"Stale: run {command} again" for command in stale)]


def log(ws: Workspace, *, last: int = 20) -> Document:
    """Return the last decisions, the latest first."""
    decisions = (
        ws.register.frame("decisions").sort_values("decision_id", ascending=False).head(last)
    )
    state = decisions["undone_by"].map(lambda by: "" if pd.isna(by) else f"undone by {by:.0f}")
    return {"decisions": records(decisions.assign(state=state))}


def undo(ws: Workspace, decision: int, *, dry_run: bool = False) -> Document:
    """Take a decision back.

    Raises
    ------
    NotFound, Conflict
        No such decision; undone already, a row it touched has changed since, or a replaced network.
    """
    asked = ws.register.frame("decisions", decision_id=decision)
    if len(asked) and asked["kind"].iloc[0] == REPLACE:
        raise Conflict(
            f"decision {decision} replaced the roads and cannot be undone; {asked['reason'].iloc[0]}"
        )
    with writing(ws, dry_run=dry_run) as tx:
        by = tx.undo(decision)
        done = records(tx.frame("decisions", decision_id=decision))[0]
    return {"undone_by": by, **done, "dry_run": dry_run}


def check(ws: Workspace) -> Document:
    """Verify the register and the blocks against their hashes; nothing is changed."""
    from countmap.store import verify

    return {
        "findings": verify.check(ws.register, ws.blocks),
        "blocks": len(ws.register.frame("files")),
    }
