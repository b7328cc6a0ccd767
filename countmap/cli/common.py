"""What every command shares: options, delivery of results, a quiet progress bar."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from countmap.jobs.common import Workspace

Document = dict[str, Any]

Dir = Annotated[Path, typer.Option("-w", "--workspace", help="The workspace's folder.")]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON document instead.")]
DryRun = Annotated[bool, typer.Option("--dry-run", help="Say what would change; change nothing.")]
Reason = Annotated[str, typer.Option("--reason", help="Why; kept with the decision.")]
Year = Annotated[int, typer.Option("--year", help="The calendar year.")]
FailOnFlags = Annotated[
    bool, typer.Option("--fail-on-flags", help="Exit with 4 when there are findings.")
]

HERE = Path()
FINDINGS = 4


def group(doc: str) -> typer.Typer:
    """Return a command group that prints its help when called alone."""
    return typer.Typer(help=doc, no_args_is_help=True, add_completion=False, rich_markup_mode=None)


def opened(folder: Path) -> Workspace:
    """Open the workspace in ``folder``."""
    from countmap.jobs.common import open_workspace

    return open_workspace(folder)


def deliver(document: Document, as_json: bool, lines: Callable[[Document], Iterable[str]]) -> None:
    """Print a job's document: whole as JSON, or the few lines a person reads."""
    if as_json:
        typer.echo(json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False))
        return
    if document.get("dry_run"):
        typer.echo("Nothing was changed (--dry-run). It would be:")
    for line in lines(document):
        typer.echo(line)


def stop_on_findings(number: int, asked: bool) -> None:
    """Exit with 4 when there are findings and the caller asked for that."""
    if asked and number:
        raise typer.Exit(FINDINGS)


def plural(number: int, noun: str) -> str:
    """Return ``3 stations`` or ``1 station``."""
    return f"{number:,} {noun}" + ("" if number == 1 else "s")


def flow(value: float | None) -> str:
    """Return a flow for a person: thousands separated, a dash where there is none."""
    return "–" if value is None else f"{value:,.0f}"


def columns(rows: list[list[str]], *, right: Iterable[int] = ()) -> Iterator[str]:
    """Yield rows as aligned text columns; those in ``right`` are flush right."""
    if not rows:
        return
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    flush = set(right)
    for row in rows:
        cells = [
            cell.rjust(width) if i in flush else cell.ljust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        yield "  ".join(cells).rstrip()


def flag_lines(flags: list[Document], *, state: bool = False) -> Iterator[str]:
    """Yield flags as aligned lines: id, severity, where, since when, rule, why."""
    yield from columns(
        [
            [
                f["flag_id"],
                f["severity"],
                *([f["state"]] if state else []),
                f["station_id"],
                f["sense"] or "",
                f["day"],
                f["why"],
            ]
            for f in flags
        ]
    )


def note_lines(document: Document) -> Iterator[str]:
    """Yield what the reader must know first: results that are older than what they rest on."""
    yield from document.get("notes", [])


@contextmanager
def progress(label: str) -> Iterator[Callable[[int, int], None]]:
    """Show a bar on stderr once the work takes more than a second.

    Yields a function ``step(done, total)``; without a step the bar only says that work goes on.
    Nothing is shown where stderr is no terminal.
    """
    if not sys.stderr.isatty():
        yield lambda _done, _total: None
        return
    from threading import Timer

    from rich.console import Console
    from rich.progress import Progress

    bar = Progress(console=Console(stderr=True), transient=True)
    task = bar.add_task(label, total=None)
    late = Timer(1.0, bar.start)
    late.start()
    try:
        yield lambda done, total: bar.update(task, completed=done, total=total)
    finally:
        late.cancel()
        bar.stop()
