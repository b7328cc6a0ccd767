"""``counts import``: files to blocks, file by file or by several processes, all of them or none."""

from __future__ import annotations

import hashlib
import multiprocessing
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from countmap.counts import intake
from countmap.errors import InvalidInput, NotFound
from countmap.formats import counts_file, csv_table, layouts
from countmap.formats import propose as proposing
from countmap.formats import records as file_records
from countmap.jobs.annual import one_way
from countmap.jobs.common import (
    Document,
    Network,
    Step,
    Workspace,
    cell,
    no_step,
    records,
    refusing,
)
from countmap.store.blocks import Block

LARGEST = 2**31 - 1
"""The blocks keep counts in 32 bits."""


@dataclass(frozen=True, slots=True)
class Task:
    """What one file needs to be read, in this process or in another."""

    ws: Workspace
    file: Path
    shape: layouts.Layout | None
    stations: pd.DataFrame
    ways: dict[str, str]
    dry_run: bool


def import_(
    ws: Workspace,
    files: Sequence[Path],
    *,
    layout: Path | None = None,
    workers: int = 1,
    dry_run: bool = False,
    step: Step = no_step,
) -> Document:
    """Take count files, all of them or none; a file that is already there changes nothing.

    Each file becomes its block as soon as it is read, so that memory holds one file a process; one
    transaction at the end names them all. Blocks of an import that is refused count for nothing.

    Parameters
    ----------
    workers : int
        Processes that read; the result is the same at any number.

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
    documents: list[Document] = []
    tasks: list[tuple[int, str, Task]] = []
    for file in files:
        if file.is_dir():
            raise NotFound(f"{file} is a folder; name the files in it")
        if not file.is_file():
            raise NotFound(f"{file}: there is no such file")
        sha256 = _content(file, layout)
        documents.append({"file": file.name, "already": True})
        if sha256 not in known:
            known.add(sha256)
            task = Task(ws, file, shape, stations, ways, dry_run)
            tasks.append((len(documents) - 1, sha256, task))
    blocks: list[tuple[str, str, Block]] = []
    with refusing(ws):
        for done, ((at, sha256, task), (document, block)) in enumerate(
            zip(tasks, _each([task for _, _, task in tasks], workers), strict=True), start=1
        ):
            documents[at] = document
            if block is not None:
                blocks.append((task.file.name, sha256, block))
            step(done, len(tasks))
    if blocks:
        _keep(ws, blocks, layout)
    return {"files": documents, "dry_run": dry_run}


def _each(tasks: list[Task], workers: int) -> Iterator[tuple[Document, Block | None]]:
    """Yield what comes of each file, in the order of the files."""
    if workers < 2 or len(tasks) < 2:
        yield from map(_one, tasks)
        return
    method = "forkserver" if "forkserver" in multiprocessing.get_all_start_methods() else "spawn"
    context = multiprocessing.get_context(method)
    with ProcessPoolExecutor(min(workers, len(tasks)), mp_context=context) as pool:
        try:
            yield from pool.map(_one, tasks)
        finally:
            pool.shutdown(cancel_futures=True)


def _one(task: Task) -> tuple[Document, Block | None]:
    """Read one file and write its block."""
    limits = task.ws.settings.limits
    if task.shape is None and task.dry_run and not counts_file.recognised(task.file, limits):
        return _proposed(task), None
    found, rejects, _ = _taken(task, task.shape)
    if len(rejects):
        raise csv_table.error_from(rejects)
    if found.periods.empty:
        raise InvalidInput(
            f"{task.file.name}: there is no count in it; check the file or its layout"
        )
    block = None if task.dry_run else task.ws.blocks.write(found.periods, task.file.name)
    return _describe(task.file, found), block


def _taken(
    task: Task, shape: layouts.Layout | None
) -> tuple[intake.Intake, pd.DataFrame, pd.DataFrame]:
    """Return what a file gives, every row of it that cannot be taken, in file order, and RAW_COUNTS."""
    settings = task.ws.settings
    read = counts_file.read(task.file, shape, settings.limits)
    raw, giants = _without_giants(read.raw)
    found = intake.to_periods(raw, task.stations, settings.timezone, one_way=task.ways)
    rejects = file_records.joined(read.rejects, giants, found.rejects)
    return replace(found, notes=(*read.notes, *found.notes)), rejects, read.raw


def _without_giants(raw: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Part the counts that no counter can reach, whatever the file's kind, from the others."""
    giant = (raw["count"] > LARGEST).to_numpy()
    bad = raw[giant]
    rejects = [
        (
            file,
            row,
            "count",
            str(n),
            f"count {n:g} is more than any counter counts. Correct the row",
        )
        for file, row, n in zip(bad["file"], bad["row"], bad["count"], strict=True)
    ]
    return raw[~giant].reset_index(drop=True), file_records.rejects_frame(rejects)


def _proposed(task: Task) -> Document:
    """Return the layout that a foreign file seems to have, and what would come of it."""
    offer = proposing.propose(task.file, task.ws.settings.limits)
    found, rejects, raw = _taken(task, offer.layout)
    columns = ["station_id", "sense", "lane", "start", "minutes", "count", "vehicle_class"]
    return {
        "file": task.file.name,
        "already": False,
        "layout": offer.toml,
        "doubts": [*offer.doubts, *map(str, found.notes)],
        "decoded": records(_first_rows(found.periods, raw), columns),
        "periods": len(found.periods),
        "refused": records(rejects.drop_duplicates(["row", "why"])),
    }


def _first_rows(periods: pd.DataFrame, raw: pd.DataFrame) -> pd.DataFrame:
    """Return the first five periods with their local start; rows as written where none is a period."""
    if len(periods):
        civil = periods["start_utc"] + pd.to_timedelta(periods["utc_offset_min"], unit="min")
        return periods.assign(start=civil.dt.strftime("%Y-%m-%d %H:%M")).head(5)
    raw = raw.head(5)
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


def _keep(ws: Workspace, blocks: list[tuple[str, str, Block]], layout: Path | None) -> None:
    with ws.register.transaction() as tx:
        there = set(tx.frame("files")["sha256"])
        for name, sha256, block in blocks:
            if sha256 not in there:  # or another process was faster since we looked
                tx.add_file(name, sha256, layout.name if layout else None, block)
