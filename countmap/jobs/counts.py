"""Jobs of the counts: import (its own room), check, leave out, show."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from countmap import clock
from countmap.counts import checks
from countmap.errors import InvalidInput, NotFound
from countmap.jobs.common import (
    Document,
    Network,
    Workspace,
    cell,
    flag_records,
    station_row,
    writing,
)
from countmap.jobs.importing import import_
from countmap.roads.sections import cul_de_sacs
from countmap.store import queries

__all__ = ["check", "import_", "leave_out", "show"]

WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def leave_out(ws: Workspace, name: str, *, reason: str, dry_run: bool = False) -> Document:
    """Leave an imported file out of everything; its block stays, and undo brings it back.

    Parameters
    ----------
    name : str
        The file's name as it was imported, or its id.

    Raises
    ------
    NotFound
        No such file.
    InvalidInput
        The reason is empty, or several files bear that name.
    """
    if not reason.strip():
        raise InvalidInput("a decision needs a reason; give --reason")
    files = ws.register.frame("files")
    found = files[(files["name"] == name) | (files["file_id"] == name)]
    if found.empty:
        raise NotFound(
            f"no file {name!r} was imported; there are {', '.join(sorted(files['name'])[:5])} …"
        )
    if len(found) > 1:
        ids = ", ".join(found["file_id"])
        raise InvalidInput(
            f"{len(found)} files were imported as {name!r}; give one of the ids {ids}"
        )
    row = found.iloc[0]
    with writing(ws, dry_run=dry_run) as tx:
        decision = tx.decide("leave out", row["name"], reason, delete={"files": [row["file_id"]]})
    return {"file": row["name"], "rows": int(row["rows"]), "decision": decision, "dry_run": dry_run}


def check(ws: Workspace, *, dry_run: bool = False) -> Document:
    """Run every check; new findings become open flags, decided ones keep their decision.

    Raises
    ------
    NotFound
        No counts.
    """
    hours, days = queries.hours_and_days(ws)
    if days.empty:
        raise NotFound("the workspace has no counts; run countmap counts import FILE first")
    stations = ws.register.frame("stations")
    found = checks.run(
        hours,
        days,
        queries.periods(ws),
        stations,
        _links(ws),
        ws.register.frame("days"),
        ws.settings.checks,
        holidays=clock.public_holidays(ws.settings.holidays, _years(days)),
        tz=ws.settings.timezone,
        differing=queries.conflicts(ws),
    )
    known = ws.register.frame("flags")
    decided = known[known["state"] != "open"]
    fresh = found[~found["flag_id"].isin(known["flag_id"])]
    gone = known[(known["state"] == "open") & ~known["flag_id"].isin(found["flag_id"])]
    with writing(ws, dry_run=dry_run) as tx:
        tx.put("flags", fresh)
        tx.delete("flags", list(gone["flag_id"]))
    open_ = found[~found["flag_id"].isin(decided["flag_id"])]
    order = ["severity", "station_id", "first_utc", "flag_id"]
    return {
        "flags": flag_records(ws, open_.sort_values(order)),
        "new": int((fresh["severity"] != "note").sum()),
        "decided": len(decided),
        "dry_run": dry_run,
    }


def show(ws: Workspace, station_id: str) -> Document:
    """Return what was counted at a station, day by day, with its flags.

    Raises
    ------
    NotFound
        No such station.
    """
    station = station_row(ws, station_id).iloc[0]
    days = queries.day_totals(ws, stations=[station_id])
    flags = ws.register.frame("flags", station_id=station_id)
    holidays = clock.public_holidays(ws.settings.holidays, _years(days))
    senses = [s for s in ("with", "against", "both") if s in set(days["sense"])]
    rows = []
    for when, part in days.groupby("date"):
        by_sense = part.set_index("sense")
        rows.append(
            {
                "date": f"{when:%Y-%m-%d}",
                "weekday": WEEKDAYS[when.day_of_week],
                "counts": {s: cell(by_sense["count"].get(s, np.nan)) for s in senses},
                "note": _note(part, holidays.get(when.date())),
            }
        )
    return {
        "station_id": station_id,
        "name": cell(station["name"]),
        "senses": senses,
        "days": rows,
        "flags": flag_records(ws, flags),
    }


def _links(ws: Workspace) -> pd.DataFrame:
    """Return LINKS with ``cul_de_sac``: where a count of nothing may be true."""
    network = Network(ws)
    ends = cul_de_sacs(network.sections, network.junctions)
    links = network.roads.links
    return links.assign(cul_de_sac=links["link_id"].isin(ends))


def _years(days: pd.DataFrame) -> list[int]:
    return sorted({int(y) for y in days["date"].dt.year})


def _note(part: pd.DataFrame, holiday: Any) -> str:
    notes = [str(holiday)] if holiday else []
    short = part[part["minutes"] < part["minutes_expected"]]
    if len(short):
        hours = short["minutes"].min() / 60
        notes.append(f"{hours:g} of {short['minutes_expected'].iloc[0] / 60:g} hours")
    return ", ".join(notes)
