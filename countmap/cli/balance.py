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
    note_lines,
    opened,
    plural,
    progress,
    stop_on_findings,
)

Z_95 = 1.96

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

    with progress("Balancing the network"):
        document = balance.run(opened(workspace), year=year, hours=hours, dry_run=dry_run)
    deliver(document, as_json, _ran)
    stop_on_findings(len(document["suspects"]), fail_on_flags)


def _ran(d: Document) -> Iterator[str]:
    tally = ", ".join(f"{number:,} {status}" for status, number in d["by_status"].items())
    yield f"{d['year']}: arcs {tally}"
    kinds = ("junctions", "sections", "areas", "screenlines")
    tested = {kind: [one for one in d[kind] if one.get("z") is not None] for kind in kinds}
    yield (
        "tested: "
        + ", ".join(plural(len(found), kind[:-1]) for kind, found in tested.items())
        + (f"; {plural(d['disagreeing'], 'place')} disagree")
    )
    loud = [one for found in tested.values() for one in found if one["verdict"] == "disagrees"]
    yield from columns([_verdict(one) for one in loud], right=(1, 2))
    for line in d["screenlines"]:
        yield _total(line)
    if d["suspects"]:
        yield plural(len(d["suspects"]), "suspect") + ":"
    for s in d["suspects"]:
        yield f"  {s['hypothesis']} at {s['station_id']}: {s['evidence']}"
        if s["set"] != [s["station_id"]]:
            yield f"    could be any of: {' '.join(s['set'])}"
    yield f"{plural(len(d['untestable']), 'station')} could not be tested (--json gives the reasons)"
    if not d["hours"]:
        yield "The hours were not examined; --hours looks for swaps, clocks and level shifts"


def half(one: Document) -> str:
    """Return the half-width of a difference's 95 % interval: what ± means in every table."""
    return flow(None if one["se"] is None else Z_95 * one["se"])


def _verdict(one: Document) -> list[str]:
    return [
        f"  {one.get('name') or 'section ' + one['section_id']}",
        f"difference {one['disagreement']:+,.0f} ± {half(one)}",
        f"z {one['z']:+.1f}",
        " ".join(sorted({m["station_id"] for m in one.get("members", [])})),
    ]


def _total(line: Document) -> str:
    if line.get("problem"):
        return f"{line['name']}: {line['problem']}"
    both = line["both"]
    if both["flow"] is None:
        return f"{line['name']}: no total, {', '.join(both['missing'])} not counted"
    total = f"{line['name']}: {flow(both['flow'])} both ways ({flow(both['lower'])} to {flow(both['upper'])})"
    if line.get("z") is None:
        return total
    return f"{total}, in − out {line['disagreement']:+,.0f} ± {half(line)}, {line['verdict']}"


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
    yield from note_lines(d)
    yield f"{d['from']} to {d['to']}: {d['length_m'] / 1000:.2f} km, {d['year']}"
    rows = [["m", "station", "link", "ahead", "", "back", ""]]
    for one in d["stations"]:
        ways = (*_band(one["ahead"]), *_band(one["back"]))
        if one["both"]:
            ways = ("both ways", "", *_band(one["both"]))
        rows.append([flow(one["chainage_m"]), one["station_id"], one["link_id"], *ways])
    yield from columns(rows, right=(0, 3, 4, 5, 6))
    for step in d["steps"]:
        yield f"{step['from_station']} to {step['to_station']}"
        yield from map(_step, step["senses"])
        for side in step["side_roads"]:
            name = side["name"] or side["link_id"]
            yield (
                f"  at {side['chainage_m']:,.0f} m {name} ({side['link_id']}):"
                f" {flow(side['in'])} in, {flow(side['out'])} out"
            )


def _step(sense: Document) -> str:
    if sense["step"] is None:
        return f"  {sense['travel']:<5} {sense['verdict']}: {sense['reason'] or 'no figure'}"
    size = f"{sense['step']:+,.0f} ± {half(sense)}, z {sense['z']:+.1f}"
    return f"  {sense['travel']:<5} {size}: {sense['verdict']}"


def _band(figure: Document | None) -> tuple[str, str]:
    if not figure or figure["flow"] is None:
        return "–", ""
    if figure["lower"] is None:
        return flow(figure["flow"]), figure["status"]
    return flow(figure["flow"]), f"{flow(figure['lower'])}–{flow(figure['upper'])}"


@app.command()
def explain(
    station_id: Annotated[str, typer.Argument(help="The station's id.")],
    year: Year,
    workspace: Dir = HERE,
    as_json: Json = False,
) -> None:
    """Show the sums a station takes part in and what they say about it."""
    from countmap.jobs import balance

    deliver(balance.explain(opened(workspace), station_id, year=year), as_json, _explained)


def _explained(d: Document) -> Iterator[str]:
    yield from note_lines(d)
    yield f"{d['station_id']} {d['year']}"
    for one in d["flows"]:
        bounds = "" if one["lower"] is None else f" ({flow(one['lower'])} to {flow(one['upper'])})"
        known = "unknown" if one["flow"] is None else f"{flow(one['flow'])}{bounds}"
        towards = f" ({one['towards']})" if one["towards"] else ""
        yield f"  {one['sense']}{towards} on link {one['link_id']}: {known}, {one['status']}"
    for place in d["places"]:
        name = place.get("name") or f"section {place['section_id']}"
        yield f"  {name}: in {flow(place['in'])}, out {flow(place['out'])}, {place['verdict']}"
        yield f"    difference {place['disagreement']:+,.0f} ± {half(place)}, z {place['z']:+.1f}"
        members = [
            [m["way"], m["station_id"], m["sense"], m["link_id"], flow(m["count"])]
            for m in place["members"]
        ]
        yield from (f"    {line}" for line in columns(members, right=(4,)))
    for turn in d["turns"]:
        yield from _turned(turn)
    for suspect in d["suspects"]:
        yield f"  suspect ({suspect['hypothesis']}): {suspect['evidence']}"
    for one in d["untestable"]:
        yield f"  not tested: {one['reason']}"
    if not d["places"] and not d["untestable"]:
        yield "  no sum of counts contains it"


def _turned(turn: Document) -> Iterator[str]:
    """Yield the turning movements of a junction, fitted to its reconciled legs."""
    yield f"  turning movements at {turn['name']}" + (
        f": {turn['reason']}"
        if turn["reason"]
        else ", vehicles a day fitted to the reconciled legs"
    )
    if turn["reason"]:
        return
    if abs(turn["rescaled"] - 1.0) > 1e-6:
        yield f"    exits rescaled by {turn['rescaled']:.4f} to equal the entries"
    rows = [[m["from_link"], "to", m["to_link"], flow(m["flow"])] for m in turn["movements"]]
    yield from (f"    {line}" for line in columns(rows, right=(3,)))
