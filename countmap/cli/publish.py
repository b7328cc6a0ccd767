"""``countmap publish``: the map and the data people keep."""

from __future__ import annotations

from collections.abc import Iterator
from enum import StrEnum
from pathlib import Path
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
    opened,
    progress,
)

app = group("The map and the data people keep.")


class Audience(StrEnum):
    """Who may see it."""

    public = "public"
    internal = "internal"


For = Annotated[Audience, typer.Option("--audience", help="public leaves out plans and people.")]
Pdf = Annotated[bool, typer.Option("--pdf", help="Write a PDF beside it.")]
Xlsx = Annotated[bool, typer.Option("--xlsx", help="Write a spreadsheet beside it.")]
Out = Annotated[Path | None, typer.Option("--out", help="Where to write; default DIR/published.")]


@app.command("map")
def map_(
    year: Year,
    audience: For = Audience.public,
    title: Annotated[str, typer.Option("--title", help="Of the map.")] = "",
    ground: Annotated[
        Path | None,
        typer.Option("--ground", help="OpenStreetMap file: its place names and water are drawn."),
    ] = None,
    out: Out = None,
    workspace: Dir = HERE,
    as_json: Json = False,
) -> None:
    """Write one HTML file that opens anywhere, without a network."""
    from countmap.jobs import publish

    with progress("Drawing the map"):
        document = publish.map_(
            opened(workspace),
            year=year,
            audience=audience.value,
            title=title,
            out=out,
            ground=ground,
        )
    deliver(
        document,
        as_json,
        lambda d: [f"{d['path']} ({d['bytes'] / 1e6:.1f} MB): open it in any browser"],
    )


@app.command()
def data(
    year: Year,
    audience: For = Audience.public,
    out: Out = None,
    workspace: Dir = HERE,
    as_json: Json = False,
) -> None:
    """Write stations, averages, flows, flags as CSV, GeoJSON, GeoPackage and GeoParquet."""
    from countmap.jobs import releases

    document = releases.data(opened(workspace), year=year, audience=audience.value, out=out)
    deliver(
        document,
        as_json,
        _written,
    )


def _written(d: Document) -> Iterator[str]:
    yield f"release {d['release']} in {d['folder']}:"
    rows = [
        [f"  {f['name']}", "" if f["rows"] is None else f"{f['rows']:,} rows"] for f in d["files"]
    ]
    yield from columns(rows, right=(1,))


@app.command()
def sheet(
    station: Annotated[str, typer.Argument(help="The station's id.")],
    first: Annotated[str, typer.Option("--first", help="First day, YYYY-MM-DD.")] = "",
    last: Annotated[str, typer.Option("--last", help="Last day; default: the last survey.")] = "",
    audience: For = Audience.public,
    pdf: Pdf = False,
    xlsx: Xlsx = False,
    out: Out = None,
    workspace: Dir = HERE,
    as_json: Json = False,
) -> None:
    """Write a station's survey sheet: hours by days, averages, peaks, what was left out, the record."""
    from countmap.jobs import sheets

    document = sheets.sheet(
        opened(workspace),
        station,
        first=first,
        last=last,
        audience=audience.value,
        pdf=pdf,
        xlsx=xlsx,
        out=out,
    )
    deliver(document, as_json, _sheet_lines)


def _sheet_lines(d: Document) -> Iterator[str]:
    yield f"{d['station_id']}, {d['first']} to {d['last']}:"
    for sense, one in d["averages"].items():
        whole = one["whole_days"]
        yield (
            f"  {sense}: 5-day {flow(one['five_day'])}, 7-day {flow(one['seven_day'])}, "
            f"{whole['days']} whole days {flow(whole['mean'])} vehicles a day"
        )
    yield from (f"  {path}" for path in d["files"])


@app.command()
def fieldsheet(
    name: Annotated[
        str,
        typer.Argument(
            metavar="STATION|ROUND", help="A station, a section, or a round: date/crew."
        ),
    ],
    pdf: Pdf = False,
    out: Out = None,
    workspace: Dir = HERE,
    as_json: Json = False,
) -> None:
    """Write what a crew takes along: place, record to fill in, checks, cautions, kit; a page a station."""
    from countmap.jobs import fieldsheets

    document = fieldsheets.fieldsheet(opened(workspace), name, pdf=pdf, out=out)
    deliver(document, as_json, lambda d: [d["title"], *(f"  {path}" for path in d["files"])])


@app.command()
def compare(
    old: Annotated[
        str, typer.Argument(help="A release's id or its beginning, latest, previous, or a folder.")
    ],
    new: Annotated[str, typer.Argument(help="The later release.")],
    audience: For = Audience.public,
    html: Annotated[bool, typer.Option("--html", help="Write it as a page as well.")] = False,
    out: Out = None,
    workspace: Dir = HERE,
    as_json: Json = False,
) -> None:
    """Say what changed between two releases: figures beyond their interval, stations, statuses."""
    from countmap.jobs import releases

    document = releases.compare(
        opened(workspace), old, new, audience=audience.value, html=html, out=out
    )
    deliver(document, as_json, _compared_lines)


def _compared_lines(d: Document) -> Iterator[str]:
    yield f"from {d['old']['release']} ({d['old']['year']}) to {d['new']['release']} ({d['new']['year']}):"
    yield from (f"  {line}" for line in d["lines"])
    for noun in ("stations", "links"):
        beyond = [one for one in d[noun]["moved"] if one["beyond"]]
        if beyond:
            yield f"{noun} beyond their interval:"
        rows = [
            [f"  {one['id']}", one["name"] or "", flow(one["old"]), "→", flow(one["new"])]
            for one in beyond[:20]
        ]
        yield from columns(rows, right=(2, 4))
        if len(beyond) > 20:
            yield f"  and {len(beyond) - 20} more"
    yield from (f"  {path}" for path in d["files"])


@app.command()
def report(
    year: Year,
    audience: For = Audience.public,
    title: Annotated[str, typer.Option("--title", help="Of the report.")] = "",
    pdf: Pdf = False,
    xlsx: Xlsx = False,
    out: Out = None,
    workspace: Dir = HERE,
    as_json: Json = False,
) -> None:
    """Write the report for engineers: summary, stations, findings, what it rests on, what changed."""
    from countmap.jobs import reports

    with progress("Writing the report"):
        document = reports.report(
            opened(workspace),
            year=year,
            audience=audience.value,
            title=title,
            pdf=pdf,
            xlsx=xlsx,
            out=out,
        )
    deliver(document, as_json, _report_lines)


def _report_lines(d: Document) -> Iterator[str]:
    since = f", with what changed since {d['since']}" if d["since"] else ""
    yield f"release {d['release']}{since}:"
    yield from (f"  {path}" for path in d["files"])
