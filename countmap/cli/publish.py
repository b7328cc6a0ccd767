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
Out = Annotated[Path | None, typer.Option("--out", help="Where to write; default DIR/published.")]


@app.command("map")
def map_(
    year: Year,
    audience: For = Audience.public,
    title: Annotated[str, typer.Option("--title", help="Of the map.")] = "",
    out: Out = None,
    workspace: Dir = HERE,
    as_json: Json = False,
) -> None:
    """Write one HTML file that opens anywhere, without a network."""
    from countmap.jobs import publish

    with progress("Drawing the map"):
        document = publish.map_(
            opened(workspace), year=year, audience=audience.value, title=title, out=out
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
    """Write stations, annual averages, flows and flags as CSV, GeoJSON and GeoPackage."""
    from countmap.jobs import publish

    document = publish.data(opened(workspace), year=year, audience=audience.value, out=out)
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
