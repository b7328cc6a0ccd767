"""``countmap balance``: what agrees on the network, who is wrong, what follows."""

from __future__ import annotations

from collections.abc import Iterator
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
    flow,
    group,
    opened,
    plural,
    stop_on_findings,
)

app = group("What agrees on the network, who is wrong, what follows.")


@app.command("run")
def run_(
    year: Year,
    hours: Annotated[
        bool, typer.Option("--hours", help="Look at the hours too: swaps, clocks, level shifts.")
    ] = False,
    workspace: Dir = HERE,
    dry_run: DryRun = False,
    fail_on_flags: FailOnFlags = False,
    as_json: Json = False,
) -> None:
    """Compare the counts with each other and infer what follows from them."""
    from countmap.jobs import balance

    document = balance.run(opened(workspace), year=year, hours=hours, dry_run=dry_run)
    deliver(document, as_json, _ran)
    stop_on_findings(len(document["suspects"]), fail_on_flags)


def _ran(d: Document) -> Iterator[str]:
    tally = ", ".join(f"{number:,} {status}" for status, number in d["by_status"].items())
    yield f"{d['year']}: arcs {tally}"
    yield (
        f"{plural(len(d['junctions']), 'junction')}, {plural(len(d['sections']), 'section')} and"
        f" {plural(len(d['screenlines']), 'screenline')} could be tested;"
        f" {plural(d['disagreeing'], 'place')} disagree"
    )
    for kind in ("junctions", "sections", "screenlines"):
        loud = [one for one in d[kind] if one["verdict"] not in ("agrees", "total")]
        yield from columns([_verdict(one) for one in loud])
    if d["suspects"]:
        yield plural(len(d["suspects"]), "suspect") + ":"
        for s in d["suspects"]:
            yield f"  {s['station_id']} {s['hypothesis']}: {s['evidence']}"
            if s["set"] != [s["station_id"]]:
                yield f"    could be any of: {' '.join(s['set'])}"
    yield f"{plural(len(d['untestable']), 'count')} could not be tested (--json gives the reasons)"


def _verdict(one: Document) -> list[str]:
    return [
        f"  {one['name']}",
        one["verdict"],
        f"difference {flow(one['disagreement'])} ± {flow(one['se'])}",
        "" if one["z"] is None else f"z {one['z']:+.1f}",
        " ".join(one["members"]),
    ]


@app.command()
def corridor(
    start: Annotated[str, typer.Argument(metavar="FROM", help="A node, link or station.")],
    end: Annotated[str, typer.Argument(metavar="TO", help="A node, link or station.")],
    year: Year,
    workspace: Dir = HERE,
    as_json: Json = False,
) -> None:
    """Walk a route: flows by chainage and sense, steps, and the side roads that explain them."""
    from countmap.jobs import balance

    deliver(balance.corridor(opened(workspace), start, end, year=year), as_json, _walked)


def _walked(d: Document) -> Iterator[str]:
    yield f"{d['from']} to {d['to']}: {d['length_m'] / 1000:.2f} km, {d['year']}"
    yield from columns(d["table"], right=(0, 3, 4))
    yield from d["steps_said"]


@app.command()
def explain(
    station_id: Annotated[str, typer.Argument(help="The station's id.")],
    year: Year,
    workspace: Dir = HERE,
    as_json: Json = False,
) -> None:
    """Show the sums a station takes part in and what they say about it."""
    from countmap.jobs import balance

    deliver(
        balance.explain(opened(workspace), station_id, year=year), as_json, lambda d: d["lines"]
    )
