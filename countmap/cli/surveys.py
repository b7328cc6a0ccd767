"""``countmap surveys``: stays of a counter at a station."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated

import typer

from countmap.cli.common import HERE, Dir, Document, Json, columns, deliver, opened
from countmap.cli.records import importing

app = importing("surveys", "survey", "Stays of a counter at a station.", "Read surveys.csv.")


@app.command("counters")
def counters(
    year: Annotated[
        int | None, typer.Option("--year", help="Hold them against the balance of this year.")
    ] = None,
    workspace: Dir = HERE,
    as_json: Json = False,
) -> None:
    """List the counters: where each stood, how its clock drifts, whether it disagrees everywhere."""
    from countmap.jobs import counters as job

    deliver(job.list_(opened(workspace), year=year), as_json, _counters)


def _counters(d: Document) -> Iterator[str]:
    if not d["counters"]:
        yield "No survey names its counter."
        return
    head = ["counter", "surveys", "stations", "last", "drift s/day", ""]
    rows = [
        [
            c["counter_id"],
            str(c["surveys"]),
            str(len(c["stations"])),
            (c["last"] or "")[:10],
            "–" if c["drift_s_day"] is None else f"{c['drift_s_day']:+.1f}",
            c["verdict"],
        ]
        for c in d["counters"]
    ]
    yield from columns([head, *rows], right=(1, 2, 4))
