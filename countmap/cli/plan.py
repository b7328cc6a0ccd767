"""``countmap plan``: where to count next."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated

import typer

from countmap.cli.common import (
    HERE,
    Dir,
    Document,
    Json,
    Year,
    columns,
    deliver,
    flow,
    group,
    note_lines,
    opened,
    plural,
)

app = group("Where to count next.")


@app.command()
def due(
    on: Annotated[
        str, typer.Option("--on", help="The day to judge age by, YYYY-MM-DD; default today.")
    ] = "",
    workspace: Dir = HERE,
    as_json: Json = False,
) -> None:
    """List the sections whose count is older than their cycle, with the reason."""
    from countmap.jobs import plan

    deliver(plan.due(opened(workspace), on=on), as_json, _due)


def _due(d: Document) -> Iterator[str]:
    yield (
        f"On {d['on']}: {d['km_in_cycle']:,.1f} of {d['km']:,.1f} km are within their cycle"
        f" ({d['share_in_cycle']:.0%}); {plural(len(d['due']), 'section')} due"
    )
    rows = [
        [
            s["section_id"],
            s["road"] or "",
            s["road_class"] or "",
            f"{s['length_km']:.2f} km",
            s["why"],
        ]
        for s in d["due"]
    ]
    yield from columns(rows[:40], right=(3,))
    if len(rows) > 40:
        yield f"… and {len(rows) - 40:,} more (--json lists all)"


@app.command("next")
def next_(
    year: Year,
    budget: Annotated[int, typer.Option("--budget", help="How many counts.", min=1)] = 10,
    workspace: Dir = HERE,
    as_json: Json = False,
) -> None:
    """Name the sections to count next: the widest interval first, each with its reason."""
    from countmap.jobs import plan

    deliver(plan.next_(opened(workspace), year=year, budget=budget), as_json, _next)


def _next(d: Document) -> Iterator[str]:
    yield from note_lines(d)
    yield f"{plural(len(d['next']), 'count')} of {d['candidates']:,} candidates, the least known first"
    yield from columns(
        [
            [s["section_id"], s["road"] or "", s["road_class"] or "", flow(s["flow"]), s["why"]]
            for s in d["next"]
        ],
        right=(3,),
    )
