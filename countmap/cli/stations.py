"""``countmap stations``: the places where counts are taken."""

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
    Reason,
    columns,
    deliver,
    group,
    opened,
    plural,
)

app = group("The places where counts are taken.")

StationId = Annotated[str, typer.Argument(help="The station's id.")]


@app.command("import")
def import_(
    file: Annotated[Path, typer.Argument(help="stations.csv")],
    crs: Annotated[str, typer.Option("--crs", help="Of x and y, such as EPSG:25832.")] = "",
    radius_m: Annotated[float, typer.Option("--radius-m", help="How far a road may be.")] = 40,
    workspace: Dir = HERE,
    dry_run: DryRun = False,
    as_json: Json = False,
) -> None:
    """Read stations and place them on the roads; ambiguous ones wait for a decision."""
    from countmap.jobs import stations

    document = stations.import_(
        opened(workspace), file, crs=crs, radius_m=radius_m, dry_run=dry_run
    )
    deliver(document, as_json, _imported)


def _imported(d: Document) -> Iterator[str]:
    known = d["stations"] - d["new"]
    yield (
        f"{plural(d['stations'], 'station')}: {d['placed']} placed, {len(d['ambiguous'])} ambiguous,"
        f" {known} known already"
    )
    if d["edited"]:
        yield f"  described anew (undo takes it back): {' '.join(d['edited'])}"
    for one in d["ambiguous"]:
        yield f"  {one['station_id']}: {one['why']}"
    for note in d["notes"]:
        yield f"  {note}"
    if d["ambiguous"]:
        yield "Decide with: countmap stations place ID --link LINK"


@app.command()
def place(
    station_id: StationId,
    link: Annotated[str, typer.Option("--link", help="The link it stands on.")],
    reason: Reason = "",
    workspace: Dir = HERE,
    dry_run: DryRun = False,
    as_json: Json = False,
) -> None:
    """Decide which link a station stands on."""
    from countmap.jobs import stations

    deliver(
        stations.place(opened(workspace), station_id, link, reason=reason, dry_run=dry_run),
        as_json,
        _placed,
    )


def _placed(d: Document) -> Iterator[str]:
    yield (
        f"{d['station_id']} stands on {d['link_id']} at {d['offset_m']:.0f} m, sense `with` heads"
        f" {d['bearing_deg']:.0f}° (decision {d['decision']}; undo takes it back)"
    )


@app.command()
def move(
    station_id: StationId,
    lon: Annotated[float, typer.Option("--lon")],
    lat: Annotated[float, typer.Option("--lat")],
    reason: Reason = "",
    workspace: Dir = HERE,
    dry_run: DryRun = False,
    as_json: Json = False,
) -> None:
    """Move a station along its own section; another section is another station."""
    from countmap.jobs import stations

    deliver(
        stations.move(
            opened(workspace), station_id, lon=lon, lat=lat, reason=reason, dry_run=dry_run
        ),
        as_json,
        _placed,
    )


@app.command()
def retire(
    station_id: StationId,
    on: Annotated[str, typer.Option("--on", help="Its last day, YYYY-MM-DD.")],
    reason: Reason = "",
    workspace: Dir = HERE,
    dry_run: DryRun = False,
    as_json: Json = False,
) -> None:
    """End a station's life; its counts stay."""
    from countmap.jobs import stations

    deliver(
        stations.retire(opened(workspace), station_id, on=on, reason=reason, dry_run=dry_run),
        as_json,
        _retired,
    )


def _retired(d: Document) -> Iterator[str]:
    yield f"{d['station_id']} ends on {d['valid_to']} (decision {d['decision']})"
    if d["counted_after"]:
        yield (
            f"  it was counted until {d['counted_after']}: what was counted after its end is not used"
        )


@app.command("list")
def list_(workspace: Dir = HERE, as_json: Json = False) -> None:
    """List the stations."""
    from countmap.jobs import stations

    deliver(stations.list_(opened(workspace)), as_json, _listed)


def _listed(d: Document) -> Iterator[str]:
    head = ["id", "kind", "road", "link", "state", "with", "against", "counted"]
    rows = [
        [
            s["station_id"],
            s["kind"] or "",
            s["road"] or "",
            s["link_id"] or "",
            s["state"] or "",
            s["name_with"] or "",
            s["name_against"] or "",
            s["last_counted"] or "never",
        ]
        for s in d["stations"]
    ]
    yield from columns([head, *rows])
