"""``countmap flags``: findings of the checks, and what was decided about them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated

import typer

from countmap.cli.common import (
    HERE,
    Dir,
    Document,
    DryRun,
    Json,
    deliver,
    flag_lines,
    group,
    opened,
)

app = group("Findings of the checks, and what was decided about them.")

FlagId = Annotated[str, typer.Argument(help="The flag's id.")]
Why = Annotated[
    str, typer.Option("--reason", help="Why; kept with the decision.", show_default=False)
]


@app.command("list")
def list_(
    every: Annotated[bool, typer.Option("--all", help="Notes and decided ones too.")] = False,
    workspace: Dir = HERE,
    as_json: Json = False,
) -> None:
    """List the flags."""
    from countmap.jobs import flags

    deliver(flags.list_(opened(workspace), every=every), as_json, _listed)


def _listed(d: Document) -> Iterator[str]:
    if not d["flags"]:
        yield "No open flags."
    yield from flag_lines(d["flags"], state=True)


@app.command()
def accept(
    flag_id: FlagId,
    reason: Why,
    workspace: Dir = HERE,
    dry_run: DryRun = False,
    as_json: Json = False,
) -> None:
    """Accept a finding: the counts are used as they are."""
    from countmap.jobs import flags

    deliver(
        flags.decide(opened(workspace), flag_id, "accepted", reason=reason, dry_run=dry_run),
        as_json,
        _decided,
    )


@app.command()
def exclude(
    flag_id: FlagId,
    reason: Why,
    workspace: Dir = HERE,
    dry_run: DryRun = False,
    as_json: Json = False,
) -> None:
    """Exclude what a finding covers: results treat it as missing."""
    from countmap.jobs import flags

    deliver(
        flags.decide(opened(workspace), flag_id, "excluded", reason=reason, dry_run=dry_run),
        as_json,
        _decided,
    )


def _decided(d: Document) -> Iterator[str]:
    yield f"{d['flag_id']} at {d['station_id']} is {d['state']} (decision {d['decision']}; undo takes it back)"
