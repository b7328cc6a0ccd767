"""The commands at the top: demo, init, status, log, undo, check, repair."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

import typer

from countmap.cli.common import (
    HERE,
    Dir,
    Document,
    DryRun,
    Json,
    columns,
    deliver,
    opened,
    plural,
    progress,
)


def add_to(app: typer.Typer) -> None:
    """Register the commands on the application."""
    for command in (demo, init, status, log, undo, check, repair):
        app.command()(command)


def demo(
    folder: Annotated[Path, typer.Argument(metavar="[DIR]", help="A new folder.")] = Path(
        "countmap-demo"
    ),
    as_json: Json = False,
) -> None:
    """Do the whole job on an invented river town."""
    from countmap.jobs import demo as job

    with progress("Counting an invented town") as step:
        document = job.run(folder, step=step)
    deliver(document, as_json, lambda d: d["lines"])


def init(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="A new folder.")],
    timezone: Annotated[str, typer.Option("--timezone", help="Such as Europe/Berlin.")],
    holidays: Annotated[
        str, typer.Option("--holidays", help="Calendar, such as DE-BY or US.")
    ] = "",
    as_json: Json = False,
) -> None:
    """Make a workspace."""
    from countmap.jobs import register

    deliver(
        register.init(folder, timezone=timezone, holidays=holidays),
        as_json,
        lambda d: [f"{d['path']} is ready. Next: countmap roads import FILE -w {d['path']}"],
    )


def status(workspace: Dir = HERE, as_json: Json = False) -> None:
    """Say what is there and which results are older than what they rest on."""
    from countmap.jobs import register

    deliver(register.status(opened(workspace)), as_json, _status)


def _status(d: Document) -> Iterator[str]:
    yield f"{d['path']} ({d['timezone']}, holidays {d['holidays'] or 'none'})"
    yield from columns(
        [[f"  {name}", f"{number:,}"] for name, number in d["holds"].items()], right=(1,)
    )
    for run in d["runs"]:
        state = f"older than: {', '.join(run['because'])}" if run["stale"] else "current"
        yield f"  {run['kind']} {run['year']}: run {run['run_id']}, {run['finished']}, {state}"
    yield from d["hints"]


def log(
    last: Annotated[int, typer.Option("--last", help="How many.", min=1)] = 20,
    workspace: Dir = HERE,
    as_json: Json = False,
) -> None:
    """List the decisions, the latest first."""
    from countmap.jobs import register

    deliver(register.log(opened(workspace), last=last), as_json, _log)


def _log(d: Document) -> Iterator[str]:
    if not d["decisions"]:
        yield "No decisions yet."
    yield from columns(
        [
            [
                str(e["decision_id"]),
                e["at"][:16].replace("T", " "),
                e["who"],
                e["kind"],
                e["subject"],
                e["reason"] or "",
                e["state"],
            ]
            for e in d["decisions"]
        ]
    )


def undo(
    decision: Annotated[int, typer.Argument(help="The decision's number; see countmap log.")],
    workspace: Dir = HERE,
    dry_run: DryRun = False,
    as_json: Json = False,
) -> None:
    """Take a decision back."""
    from countmap.jobs import register

    deliver(
        register.undo(opened(workspace), decision, dry_run=dry_run),
        as_json,
        lambda d: [f"decision {d['decision_id']} ({d['kind']} {d['subject']}) is undone"],
    )


def check(workspace: Dir = HERE, as_json: Json = False) -> None:
    """Verify the register and the blocks."""
    from countmap.jobs import register

    deliver(register.check(opened(workspace)), as_json, _verified)


def _verified(d: Document) -> Iterator[str]:
    yield from _faults(d["findings"])
    if d["findings"]:
        yield "countmap repair puts back what adding can mend"
    else:
        yield f"All sound: {plural(d['blocks'], 'block')} verified."
    if d["leftovers"]:
        first = d["leftovers"][0]["where"]
        yield (
            f"{plural(len(d['leftovers']), 'leftover')} of interrupted imports (first: {first}): "
            "they count for nothing"
        )


def _faults(findings: list[Document]) -> Iterator[str]:
    yield from (f"{f['what']} {f['where']}: {f['why']}" for f in findings)


def repair(workspace: Dir = HERE, dry_run: DryRun = False, as_json: Json = False) -> None:
    """Put back what adding can mend; nothing is changed or deleted."""
    from countmap.jobs import register

    deliver(register.repair(opened(workspace), dry_run=dry_run), as_json, _repaired)


def _repaired(d: Document) -> Iterator[str]:
    yield from (f"{a['what']} {a['where']}: {a['why']}" for a in d["added"])
    if not d["added"]:
        yield "There is nothing to put back."
    if d["remains"]:
        yield "What adding cannot mend:"
        yield from _faults(d["remains"])
