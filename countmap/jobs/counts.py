"""Jobs of the counts: import, check, show."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from countmap import clock
from countmap.counts import checks, intake
from countmap.errors import InvalidInput, NotFound
from countmap.formats import counts_file, csv_table, layouts
from countmap.formats import propose as proposing
from countmap.jobs.annual import one_way
from countmap.jobs.common import (
    Document,
    Network,
    Step,
    Workspace,
    cell,
    flag_records,
    no_step,
    records,
    refusing,
    station_row,
    writing,
)
from countmap.roads.sections import cul_de_sacs
from countmap.store import queries

WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def import_(
    ws: Workspace,
    files: Sequence[Path],
    *,
    layout: Path | None = None,
    dry_run: bool = False,
    step: Step = no_step,
) -> Document:
    """Take count files, all of them or none; a file that is already there changes nothing.

    Raises
    ------
    NotFound
        A file that is not there; no stations yet.
    InvalidInput
        A file that cannot be taken; every offending row of it is in ``rejects.csv``.
    """
    shape = layouts.load(layout) if layout else None
    stations = ws.register.frame("stations")
    if stations.empty:
        raise NotFound("the workspace has no stations; run countmap stations import FILE first")
    ways = one_way(stations, Network(ws))
    known = set(ws.register.frame("files")["sha256"])
    taken: list[tuple[Document, pd.DataFrame | None, str]] = []
    for number, file in enumerate(files):
        if file.is_dir():
            raise NotFound(f"{file} is a folder; name the files in it")
        if not file.is_file():
            raise NotFound(f"{file}: there is no such file")
        sha256 = _content(file, layout)
        if sha256 in known:
            taken.append(({"file": file.name, "already": True}, None, sha256))
            continue
        known.add(sha256)
        if shape is None and dry_run and not counts_file.recognised(file, ws.settings.limits):
            taken.append((_proposed(file, stations, ways, ws), None, sha256))
            continue
        with refusing(ws):
            found = _read(file, shape, stations, ways, ws)
        taken.append((_describe(file, found), found.periods, sha256))
        step(number + 1, len(files))
    if not dry_run:
        _keep(ws, taken, layout)
    return {"files": [document for document, _, _ in taken], "dry_run": dry_run}


def _read(
    file: Path,
    shape: layouts.Layout | None,
    stations: pd.DataFrame,
    ways: dict[str, str],
    ws: Workspace,
) -> intake.Intake:
    found, rejects = _taken(file, shape, stations, ways, ws)
    if len(rejects):
        raise csv_table.error_from(rejects)
    if found.periods.empty:
        raise InvalidInput(f"{file.name}: there is no count in it; check the file or its layout")
    return found


def _taken(
    file: Path,
    shape: layouts.Layout | None,
    stations: pd.DataFrame,
    ways: dict[str, str],
    ws: Workspace,
) -> tuple[intake.Intake, pd.DataFrame]:
    """Return what a file gives and every row of it that cannot be taken, in file order."""
    read = counts_file.read(file, shape, ws.settings.limits)
    found = intake.to_periods(read.raw, stations, ws.settings.timezone, one_way=ways)
    parts = [r for r in (read.rejects, found.rejects) if len(r)] or [read.rejects]
    rejects = pd.concat(parts, ignore_index=True).sort_values(
        "row", kind="stable", ignore_index=True
    )
    return replace(found, notes=(*read.notes, *found.notes)), rejects


def _proposed(file: Path, stations: pd.DataFrame, ways: dict[str, str], ws: Workspace) -> Document:
    """Return the layout that a foreign file seems to have, and what would come of it."""
    offer = proposing.propose(file, ws.settings.limits)
    found, rejects = _taken(file, offer.layout, stations, ways, ws)
    columns = ["station_id", "sense", "lane", "start", "minutes", "count", "vehicle_class"]
    return {
        "file": file.name,
        "already": False,
        "layout": offer.toml,
        "doubts": [*offer.doubts, *map(str, found.notes)],
        "decoded": records(_first_rows(file, offer.layout, found.periods), columns),
        "periods": len(found.periods),
        "refused": records(rejects.drop_duplicates(["row", "why"])),
    }


def _first_rows(file: Path, shape: layouts.Layout, periods: pd.DataFrame) -> pd.DataFrame:
    """Return the first five periods with their local start; rows as written where none is a period."""
    if len(periods):
        civil = periods["start_utc"] + pd.to_timedelta(periods["utc_offset_min"], unit="min")
        return periods.assign(start=civil.dt.strftime("%Y-%m-%d %H:%M")).head(5)
    raw = counts_file.read(file, shape).raw.head(5)
    return raw.assign(sense=raw["direction"], start=raw["start"].astype("str"))


def _content(file: Path, layout: Path | None) -> str:
    """Return a hash of the file and of the layout it is read with."""
    digest = hashlib.sha256(file.read_bytes())
    if layout:
        digest.update(layout.read_bytes())
    return digest.hexdigest()


def _describe(file: Path, found: intake.Intake) -> Document:
    periods = found.periods
    civil = periods["start_utc"] + pd.to_timedelta(periods["utc_offset_min"], unit="min")
    return {
        "file": file.name,
        "already": False,
        "periods": len(periods),
        "stations": int(periods["station_id"].nunique()),
        "first": cell(civil.min())[:10],
        "last": cell(civil.max())[:10],
        "missing": int(periods["count"].isna().sum()),
        "notes": [str(note) for note in found.notes],
    }


def _keep(
    ws: Workspace, taken: list[tuple[Document, pd.DataFrame | None, str]], layout: Path | None
) -> None:
    blocks = [
        (document["file"], sha256, ws.blocks.write(periods, document["file"]))
        for document, periods, sha256 in taken
        if periods is not None
    ]
    with ws.register.transaction() as tx:
        there = set(tx.frame("files")["sha256"])
        for name, sha256, block in blocks:
            if sha256 in there:  # another process was faster since we looked
                continue
            tx.add_file(name, sha256, layout.name if layout else None, block)


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
