"""Jobs of the workspace itself: make, look, log, undo, verify, repair."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from countmap.errors import Conflict
from countmap.jobs.common import Document, Workspace, open_workspace, records, writing
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

    found = verify.check(ws.register, ws.blocks)
    damaged = any(f["what"] == "file" for f in found)
    return {
        "findings": [f for f in found if f["what"] != "leftover"],
        "leftovers": [f for f in found if f["what"] == "leftover"],
        "blocks": 0 if damaged else len(ws.register.frame("files")),
    }


def repair(ws: Workspace, *, dry_run: bool = False) -> Document:
    """Put back what can be put back by adding alone; nothing is changed or deleted.

    Returns
    -------
    dict
        ``added`` (what, where, why), ``remains`` (the findings that adding cannot mend).

    Raises
    ------
    Conflict
        The register cannot be read, or is gone and there is no backup of it.
    """
    from countmap.store import repair as repairing

    added = repairing.register_from_backup(ws.register, dry_run=dry_run)
    if not (dry_run and added):
        if why := repairing.beyond_repair(ws.register):
            raise Conflict(why)
        ws = open_workspace(ws.path)  # a backup may be of an older schema
        added += repairing.blocks_under_another_name(ws.register, ws.blocks, dry_run=dry_run)
        with writing(ws, dry_run=dry_run) as tx:
            added += repairing.rows_that_are_missing(tx, ws.blocks)
    remains = [] if dry_run else check(ws)["findings"]
    return {"added": added, "remains": remains, "dry_run": dry_run}
