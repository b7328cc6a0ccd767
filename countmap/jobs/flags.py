"""Jobs of the flags: list, accept, exclude."""

from __future__ import annotations

from typing import Literal

from countmap.errors import Conflict, InvalidInput, NotFound
from countmap.jobs.common import Document, Workspace, flag_records, writing


def list_(ws: Workspace, *, every: bool = False) -> Document:
    """Return the open findings; with ``every`` the notes and the decided ones too."""
    flags = ws.register.frame("flags")
    if not every:
        flags = flags[(flags["state"] == "open") & (flags["severity"] != "note")]
    order = ["severity", "station_id", "first_utc", "flag_id"]
    return {"flags": flag_records(ws, flags.sort_values(order))}


def decide(
    ws: Workspace,
    flag_id: str,
    state: Literal["accepted", "excluded"],
    *,
    reason: str,
    dry_run: bool = False,
) -> Document:
    """Accept or exclude what a flag covers; results made before are stale from then on.

    Raises
    ------
    NotFound
        No flag has that id or begins with it.
    InvalidInput
        The reason is empty.
    Conflict
        The flag is in that state already.
    """
    if not reason.strip():
        raise InvalidInput("a decision needs a reason; give --reason")
    flags = ws.register.frame("flags")
    found = flags[flags["flag_id"] == flag_id]
    if found.empty:
        raise NotFound(f"there is no flag {flag_id!r}; countmap flags list shows them")
    row = found.iloc[0]
    if row["state"] == state:
        raise Conflict(f"flag {flag_id} is {state} already")
    with writing(ws, dry_run=dry_run) as tx:
        decision = tx.decide(
            f"flag {state}", flag_id, reason, {"flags": found.assign(state=state, reason=reason)}
        )
    return {
        "flag_id": flag_id,
        "station_id": row["station_id"],
        "state": state,
        "decision": decision,
        "dry_run": dry_run,
    }
