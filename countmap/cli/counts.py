"""``countmap counts``: period counts and their checks."""

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
    FailOnFlags,
    Json,
    Year,
    columns,
    deliver,
    flag_lines,
    flow,
    group,
    opened,
    plural,
    progress,
    stop_on_findings,
)

app = group("Period counts and their checks.")


@app.command("import")
def import_(
    files: Annotated[list[Path], typer.Argument(help="counts.csv, one or more.")],
    layout: Annotated[
        Path | None, typer.Option("--layout", help="TOML that describes the file.")
    ] = None,
    workers: Annotated[
        int, typer.Option("--workers", min=1, help="Processes that read; the result is the same.")
    ] = 1,
    workspace: Dir = HERE,
    dry_run: DryRun = False,
    as_json: Json = False,
) -> None:
    """Read counts; a file that is already there changes nothing."""
    from countmap.jobs import counts

    with progress("Reading counts") as step:
        document = counts.import_(
            opened(workspace),
            files,
            layout=layout,
            workers=workers,
            dry_run=dry_run,
            step=step,
        )
    deliver(document, as_json, _imported)


def _imported(d: Document) -> Iterator[str]:
    for f in d["files"]:
        if f["already"]:
            yield f"{f['file']}: already there, nothing changed"
            continue
        if "layout" in f:
            yield from _proposal(f)
            continue
        yield (
            f"{f['file']}: {plural(f['periods'], 'period')} at {plural(f['stations'], 'station')},"
            f" {f['first']} to {f['last']}, {f['missing']:,} missing"
        )
        yield from (f"  {note}" for note in f["notes"][:10])
        if len(f["notes"]) > 10:
            yield f"  … and {len(f['notes']) - 10:,} more notes (--json lists all)"
    if not any("layout" in f for f in d["files"]):
        yield "Next: countmap counts check"


def _proposal(f: Document) -> Iterator[str]:
    yield f"{f['file']} is laid out in a way of its own. It seems to be this; keep it as a file and give --layout:"
    yield ""
    yield from (f"    {line}".rstrip() for line in f["layout"].splitlines())
    yield ""
    yield "To decide before it is used:"
    yield from (f"  - {doubt}" for doubt in f["doubts"])
    yield f"Read so, it gives {plural(f['periods'], 'period')}; the first:"
    head = ["station", "sense", "lane", "start", "min", "count", "class"]
    rows = [
        [
            str(row["station_id"]),
            row["sense"],
            row["lane"] or "",
            row["start"],
            str(row["minutes"]),
            flow(row["count"]),
            row["vehicle_class"] or "",
        ]
        for row in f["decoded"]
    ]
    yield from (f"  {line}" for line in columns([head, *rows], right=(4, 5)))
    if f["refused"]:
        yield f"{plural(len(f['refused']), 'row')} would be refused; the first:"
        yield from (f"  line {r['row']}: {r['why']}" for r in f["refused"][:3])


@app.command()
def check(
    workspace: Dir = HERE,
    fail_on_flags: FailOnFlags = False,
    dry_run: DryRun = False,
    as_json: Json = False,
) -> None:
    """Run the checks; they flag and never change a count."""
    from countmap.jobs import counts

    with progress("Checking counts"):
        document = counts.check(opened(workspace), dry_run=dry_run)
    deliver(document, as_json, _checked)
    stop_on_findings(sum(f["severity"] != "note" for f in document["flags"]), fail_on_flags)


def _checked(d: Document) -> Iterator[str]:
    loud = [f for f in d["flags"] if f["severity"] != "note"]
    notes = len(d["flags"]) - len(loud)
    yield f"{plural(len(loud), 'finding')} ({d['new']} new), {plural(notes, 'note')}"
    yield from flag_lines(loud)
    if loud:
        yield "Decide with: countmap flags accept ID --reason R, or exclude"


@app.command()
def export(
    file: Annotated[Path, typer.Argument(help="The file to write.")],
    kind: Annotated[str, typer.Option("--kind", help="volume, speed, class or station.")],
    state: Annotated[str, typer.Option("--state", help="The state's code, two digits.")],
    year: Year,
    station: Annotated[
        list[str] | None, typer.Option("--station", help="Only this one; may be repeated.")
    ] = None,
    pipe: Annotated[bool, typer.Option("--pipe", help="Part the fields by |.")] = False,
    workspace: Dir = HERE,
    as_json: Json = False,
) -> None:
    """Write counts or stations as records of the federal Traffic Monitoring Guide."""
    from countmap.jobs import exporting

    document = exporting.export(opened(workspace), file, kind, state, year, station, pipe=pipe)
    deliver(
        document,
        as_json,
        lambda d: [f"{d['file']}: {d['kind']} records of {plural(d['stations'], 'station')}"],
    )


@app.command("leave-out")
def leave_out(
    file: Annotated[str, typer.Argument(help="The file's name as it was imported, or its id.")],
    reason: Annotated[str, typer.Option("--reason", help="Why; kept with the decision.")],
    workspace: Dir = HERE,
    dry_run: DryRun = False,
    as_json: Json = False,
) -> None:
    """Leave an imported file out of everything; undo brings it back."""
    from countmap.jobs import counts

    document = counts.leave_out(opened(workspace), file, reason=reason, dry_run=dry_run)
    deliver(
        document,
        as_json,
        lambda d: [f"{d['file']} ({d['rows']:,} periods) is left out (decision {d['decision']})"],
    )


@app.command()
def show(
    station_id: Annotated[str, typer.Argument(help="The station's id.")],
    workspace: Dir = HERE,
    as_json: Json = False,
) -> None:
    """Show what was counted at a station, day by day."""
    from countmap.jobs import counts

    deliver(counts.show(opened(workspace), station_id), as_json, _shown)


def _shown(d: Document) -> Iterator[str]:
    yield f"{d['station_id']} {d['name'] or ''}: {plural(len(d['days']), 'civil day')} with counts".replace(
        " :", ":"
    )
    head = ["date", "", *d["senses"], "note"]
    rows = [
        [
            day["date"],
            day["weekday"],
            *(flow(day["counts"].get(sense)) for sense in d["senses"]),
            day["note"],
        ]
        for day in d["days"]
    ]
    yield from columns([head, *rows], right=range(2, 2 + len(d["senses"])))
    yield from (f"{f['flag_id']} {f['rule']}: {f['why']} [{f['state']}]" for f in d["flags"])
