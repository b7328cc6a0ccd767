"""``countmap roads``: the street network."""

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
    columns,
    deliver,
    group,
    opened,
    plural,
    progress,
    stop_on_findings,
)

app = group("The street network.")


@app.command("import")
def import_(
    file: Annotated[
        Path, typer.Argument(help="GeoPackage, Shapefile, GeoJSON, .osm, .pbf or a GMNS folder.")
    ],
    replace: Annotated[bool, typer.Option("--replace", help="Bring in the next network.")] = False,
    layer: Annotated[str, typer.Option("--layer", help="Of a GeoPackage with several.")] = "",
    crs: Annotated[str, typer.Option("--crs", help="Where the file states none: EPSG:25832.")] = "",
    workspace: Dir = HERE,
    dry_run: DryRun = False,
    as_json: Json = False,
) -> None:
    """Read a street network into the workspace."""
    from countmap.jobs import roads

    with progress("Reading roads"):
        document = roads.import_(
            opened(workspace), file, layer=layer, crs=crs, replace=replace, dry_run=dry_run
        )
    deliver(document, as_json, _imported)


def _imported(d: Document) -> Iterator[str]:
    yield (
        f"{plural(d['links'], 'link')}, {plural(d['nodes'], 'node')}, {d['length_km']:,.1f} km from {d['source']}"
        f" ({d['crs']}); {d['one_way']:,} of the links are one-way"
    )
    yield f"{plural(d['junctions'], 'junction')}, {plural(d['sections'], 'section')}"
    yield from d["notes"]
    if d.get("crosswalk"):
        c = d["crosswalk"]
        yield (
            f"crosswalk: {c['matched']:,} of {c['old_links']:,} old links found again; "
            f"{plural(c['stations'], 'station')} carried over, {len(c['lost'])} lost"
        )
        for lost in c["lost"]:
            yield f"  {lost['station_id']}: {lost['why']}"
        for gone in c["withdrawn"]:
            yield f"  declaration {gone['kind']} {gone['id']} withdrawn: {gone['why']}"
    if d.get("kept"):
        yield f"The register as it was is kept as {d['kept']}; a replaced network cannot be undone"
    if d.get("crosswalk"):
        yield "Next: countmap roads check, then countmap annual estimate and balance run again"
    else:
        yield "Next: countmap roads check, then countmap stations import FILE"


@app.command()
def check(workspace: Dir = HERE, fail_on_flags: FailOnFlags = False, as_json: Json = False) -> None:
    """Report what looks wrong in the network; nothing is repaired."""
    from countmap.jobs import roads

    document = roads.check(opened(workspace))
    deliver(document, as_json, _checked)
    stop_on_findings(len(document["findings"]), fail_on_flags)


def _checked(d: Document) -> Iterator[str]:
    if not d["findings"]:
        yield "Nothing to report."
        return
    yield (
        plural(len(d["findings"]), "finding")
        + ": "
        + ", ".join(f"{rule} {number:,}" for rule, number in d["by_rule"].items())
    )
    shown = d["findings"][:40]
    yield from columns([[f["severity"], f["rule"], f["where"], f["why"]] for f in shown])
    if len(d["findings"]) > len(shown):
        yield f"… and {len(d['findings']) - len(shown):,} more (--json lists all)"


@app.command()
def declare(
    file: Annotated[Path, typer.Argument(help="CSV: kind, id, other_id, value, note.")],
    workspace: Dir = HERE,
    dry_run: DryRun = False,
    as_json: Json = False,
) -> None:
    """State generators, side accesses, quiet sections, pairs and junction clusters."""
    from countmap.jobs import roads

    deliver(roads.declare(opened(workspace), file, dry_run=dry_run), as_json, _declared)


def _declared(d: Document) -> Iterator[str]:
    yield (
        plural(d["declared"], "declaration")
        + " taken: "
        + (", ".join(f"{kind} {number}" for kind, number in d["by_kind"].items()) or "none new")
    )


@app.command()
def export(
    folder: Annotated[Path, typer.Argument(help="Folder for link.csv and node.csv (GMNS).")],
    workspace: Dir = HERE,
    as_json: Json = False,
) -> None:
    """Write the network as a GMNS folder."""
    from countmap.jobs import roads

    deliver(
        roads.export(opened(workspace), folder),
        as_json,
        lambda d: [f"{plural(d['links'], 'link')} in {d['folder']}"],
    )
