"""The shape of ``import FILE`` for the small tables: days, screenlines, surveys, turns."""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from typing import Annotated

import typer

from countmap.cli.common import HERE, Dir, DryRun, Json, deliver, group, opened, plural


def importing(job: str, noun: str, doc: str, help_: str) -> typer.Typer:
    """Return a group with the one command ``import FILE``, run by ``countmap.jobs.<job>.import_``."""
    app = group(doc)

    @app.callback()
    def _group() -> None:
        pass

    @app.command("import", help=help_)
    def import_(
        file: Annotated[Path, typer.Argument(help="The file.")],
        workspace: Dir = HERE,
        dry_run: DryRun = False,
        as_json: Json = False,
    ) -> None:
        home = import_module(f"countmap.jobs.{job}")
        document = home.import_(opened(workspace), file, dry_run=dry_run)
        deliver(
            document,
            as_json,
            lambda d: [f"{plural(d['rows'], noun)} taken, {d['new']} of them new"],
        )

    _group.__doc__ = doc
    return app
