"""What the jobs share: the workspace, the road graph, refusals with their rejects file, JSON cells."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import date, datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import numpy as np
import pandas as pd

from countmap.errors import InvalidInput, NotFound
from countmap.formats import csv_table
from countmap.workspace import Workspace, open_workspace

if TYPE_CHECKING:
    from countmap.roads.graph import Roads
    from countmap.store.writing import Writing

__all__ = ["Document", "Network", "Step", "Workspace", "open_workspace"]

Document = dict[str, Any]
Step = Callable[[int, int], None]


class _DryRunError(Exception):
    """Ends a dry run's transaction, so that it is rolled back."""


@contextmanager
def writing(ws: Workspace, *, dry_run: bool = False) -> Iterator[Writing]:
    """Open the writing transaction; a dry run does everything in it and takes it all back."""
    with suppress(_DryRunError), ws.register.transaction() as tx:
        yield tx
        if dry_run:
            raise _DryRunError


def no_step(_done: int, _total: int) -> None:
    """Report progress to nobody."""


class Network:
    """The road graph of a workspace with what is derived from it, each computed once when asked for.

    Raises
    ------
    NotFound
        If no network was imported.
    """

    def __init__(self, ws: Workspace) -> None:
        from countmap.roads import graph

        nodes, links = ws.register.frame("nodes"), ws.register.frame("links")
        if links.empty:
            raise NotFound("the workspace has no roads; run countmap roads import FILE first")
        self.roads: Roads = graph.Roads(nodes, links, links.crs)
        self.declarations = ws.register.frame("declarations")

    @cached_property
    def junctions(self) -> pd.DataFrame:
        """JUNCTIONS."""
        from countmap.roads import junctions

        return junctions.junctions(self.roads, self.declarations)

    @cached_property
    def sections(self) -> pd.DataFrame:
        """SECTIONS."""
        from countmap.roads import sections

        return sections.sections(self.roads, self.junctions)

    @cached_property
    def pairs(self) -> pd.DataFrame:
        """PAIRS, those that are declared."""
        from countmap.roads import sections

        return sections.pairs(self.roads, self.declarations)


@contextmanager
def refusing(ws: Workspace) -> Iterator[None]:
    """Write every rejected row of a refusal to ``rejects.csv`` and say so in its one line."""
    try:
        yield
    except InvalidInput as error:
        if error.rejects is None or len(error.rejects) < 2:
            raise
        path = ws.path / "rejects.csv"
        try:
            csv_table.write(error.rejects.map(csv_table.inert), path)
        except OSError:  # a read-only workspace refuses as well as any other
            raise error from None
        more = len(error.rejects) - 1
        raise InvalidInput(f"{error}; and {more:,} more in {path}", error.rejects) from error


def require_known(frame: pd.DataFrame, column: str, known: set[str], noun: str, file: Path) -> None:
    """Refuse rows whose ``column`` names something that is not there; null names nothing.

    Raises
    ------
    InvalidInput
        Every such row is in ``rejects``.
    """
    strange = frame[frame[column].notna() & ~frame[column].isin(known)]
    if len(strange):
        why = [f"there is no {noun} {value!r}. Correct the row" for value in strange[column]]
        refuse_rows(strange, column, why, file)


def refuse_rows(wrong: pd.DataFrame, column: str, why: list[str], file: Path) -> NoReturn:
    """Refuse rows for what stands in ``column``, each with its reason.

    Raises
    ------
    InvalidInput
        Every row is in ``rejects``.
    """
    columns = {"file": file.name, "row": wrong["row"], "column": column}
    rejects = pd.DataFrame({**columns, "value": wrong[column], "why": why})
    raise csv_table.error_from(rejects.reset_index(drop=True))


def import_table(
    ws: Workspace, frame: pd.DataFrame, name: str, *, dry_run: bool, decide: str = ""
) -> Document:
    """Take the rows of a small table; those already there change nothing.

    With ``decide`` the rows are taken by a decision of that kind, which can be undone.
    """
    wanted = pd.DataFrame(frame)[[c for c in frame.columns if c != "row"]]
    known = ws.register.frame(name)
    shared = [c for c in wanted.columns if c in known.columns and c != "geometry"]
    before = {_row_key(row) for row in known[shared].itertuples(index=False)}
    new = np.array([_row_key(row) not in before for row in wanted[shared].itertuples(index=False)])
    rows = frame[wanted.columns][new]
    with writing(ws, dry_run=dry_run) as tx:
        if decide:
            for at in range(len(rows)):
                row = rows.iloc[[at]]
                tx.decide(decide, " ".join(_row_key(row.iloc[0, :2])), "", {name: row})
        else:
            tx.put(name, rows)
    return {"rows": len(frame), "new": int(new.sum()), "dry_run": dry_run}


def _row_key(row: Any) -> tuple[str, ...]:
    return tuple("" if _null(c) else f"{c:g}" if isinstance(c, float) else str(c) for c in row)


def stale_notes(ws: Workspace, year: int) -> list[str]:
    """Return a sentence for each result of a year that is older than what it rests on."""
    runs = ws.register.runs()
    old = runs[(runs["year"] == year) & runs["stale"]]
    return [
        f"The {kind} figures of {year} are older than: {', '.join(because)}. Run them again"
        for kind, because in zip(old["kind"], old["because"], strict=True)
    ]


def latest(ws: Workspace, kind: str, year: int) -> Document | None:
    """Return the newest run of a kind and year with its ``document``, or None."""
    runs = ws.register.runs()
    found = runs[(runs["kind"] == kind) & (runs["year"] == year)]
    if found.empty:
        return None
    run = records(found)[0]
    return run | {"document": ws.register.document(run["run_id"])}


def station_row(ws: Workspace, station_id: str) -> pd.DataFrame:
    """Return a station's row as a frame of one.

    Raises
    ------
    NotFound
        If there is no such station.
    """
    stations = ws.register.frame("stations")
    found = stations[stations["station_id"] == station_id]
    if found.empty:
        raise NotFound(f"there is no station {station_id!r}; countmap stations list shows all")
    return found


def outside(surveys: pd.DataFrame) -> pd.DataFrame:
    """Return the surveys that have begun and not ended: their counter stands at the road now."""
    return surveys[surveys["started"].notna() & surveys["ended"].isna()]


def day(text: str, what: str) -> pd.Timestamp:
    """Return a civil day from ``YYYY-MM-DD``; an empty text is today.

    Raises
    ------
    InvalidInput
        If the text is no date.
    """
    try:
        found = date.fromisoformat(text) if text else datetime.now().astimezone().date()
    except ValueError as error:
        raise InvalidInput(f"{what} {text!r} is no date; write YYYY-MM-DD") from error
    return pd.Timestamp(found)


def _null(cell: Any) -> bool:
    return cell is None or cell is pd.NaT or (isinstance(cell, float) and math.isnan(cell))


def cell(value: Any) -> Any:
    """Return one value as JSON knows it: null for missing and for what is not finite, text for times."""
    if isinstance(value, np.generic):
        value = value.item()
    if _null(value) or (isinstance(value, float) and not math.isfinite(value)):
        return None
    if isinstance(value, pd.Timestamp):
        midnight = value == value.normalize() and value.tz is None
        return value.strftime("%Y-%m-%d") if midnight else value.isoformat()
    if isinstance(value, date | datetime):
        return value.isoformat()
    if isinstance(value, dict):
        return {str(k): cell(v) for k, v in value.items()}
    if isinstance(value, list | tuple | set | np.ndarray):
        return [cell(v) for v in value]
    return value


def records(frame: pd.DataFrame, columns: list[str] | None = None) -> list[Document]:
    """Return a frame's rows as JSON-able dicts, geometry left out."""
    names = [c for c in (columns or list(frame.columns)) if c != "geometry"]
    return [
        dict(zip(names, map(cell, row), strict=True))
        for row in pd.DataFrame(frame)[names].itertuples(index=False, name=None)
    ]


def flag_records(ws: Workspace, flags: pd.DataFrame) -> list[Document]:
    """Return FLAGS as records with ``day``, the civil day on which each begins."""
    civil = flags["first_utc"].dt.tz_convert(ws.settings.timezone).dt.strftime("%Y-%m-%d")
    return records(flags.assign(day=civil))


def last_counted(ws: Workspace) -> pd.Series:
    """Return each station's last counted civil day (datetime64), by ``station_id``."""
    from countmap.store import queries

    days = queries.day_totals(ws)
    return days[days["minutes"] > 0].groupby("station_id")["date"].max()
