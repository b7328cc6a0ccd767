"""``countmap annual``: annual averages with their intervals."""

from __future__ import annotations

from collections.abc import Iterator
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer

from countmap.cli.chain import told
from countmap.cli.common import (
    HERE,
    Dir,
    Document,
    DryRun,
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
)

app = group("Annual averages with their intervals.")


class Method(StrEnum):
    """How a short count is expanded."""

    matched = "matched"
    textbook = "textbook"


class Estimator(StrEnum):
    """How a permanent station's year is averaged."""

    fhwa = "fhwa"
    aashto = "aashto"


class Shares(StrEnum):
    """What the shares of a year are told by."""

    month_weekday = "month-weekday"
    separate = "separate"
    week = "week"


@app.command()
def estimate(
    year: Year,
    method: Annotated[
        Method, typer.Option(help="Same dates at the permanents, or month × weekday factors.")
    ] = (Method.matched),
    estimator: Annotated[Estimator, typer.Option(help="For permanent stations.")] = Estimator.fhwa,
    shares: Annotated[
        Shares | None,
        typer.Option(
            help="Factors by month × weekday, month and weekday apart, or week and weekday."
        ),
    ] = None,
    groups: Annotated[
        Path | None,
        typer.Option(help="groups.csv (station_id, group): factor groups that you decided."),
    ] = None,
    workspace: Dir = HERE,
    dry_run: DryRun = False,
    as_json: Json = False,
) -> None:
    """Estimate the annual averages of every counted station."""
    from countmap.jobs import annual

    with progress("Estimating annual averages"):
        document = annual.estimate(
            opened(workspace),
            year=year,
            method=method.value,
            estimator=estimator.value,
            shares=_form(shares),
            groups=groups,
            dry_run=dry_run,
        )
    deliver(document, as_json, _estimated)


def _form(shares: Shares | None) -> Any:
    return None if shares is None else shares.value.replace("-", "_")


def _estimated(d: Document) -> Iterator[str]:
    tally = ", ".join(f"{number} {status}" for status, number in d["by_status"].items())
    yield f"{d['year']}: {plural(d['stations'], 'station')} ({tally}); method {d['method']}, estimator {d['estimator']}"
    head = ["station", "basis", "AADT", "95 % interval", "", "status", "days", "note"]
    yield from columns([head, *(_row(a) for a in sorted(d["annual"], key=_place))], right=(2, 4, 6))
    yield from _groups(d["groups"])
    known = [p for p in d["peaks"] if p["k"] is not None]
    if known:
        yield "design hour (30th of the year) of permanent stations: K, D"
        rows = [
            [p["station_id"], f"{p['k']:.1%}", "–" if p["d"] is None else f"{p['d']:.1%}"]
            for p in known
        ]
        yield from (f"  {line}" for line in columns(rows, right=(1, 2)))


def _groups(rows: list[Document]) -> Iterator[str]:
    if rows:
        yield "factor groups of the permanent stations"
    for name in sorted({row["group"] for row in rows}):
        inside = [row for row in rows if row["group"] == name]
        spread = inside[0]["precision"]
        told = "one station" if spread is None else f"precision D ±{spread:.1%}"
        members = ", ".join(row["station_id"] for row in inside)
        yield f"  {name}: {members} ({told}, cohesion {inside[0]['cohesion']:.3f})"


def _place(a: Document) -> tuple[str, int]:
    return a["station_id"], ("both", "with", "against").index(a["sense"])


def _row(a: Document) -> list[str]:
    known = a["lower"] is not None and a["aadt"]
    return [
        a["station_id"],
        a["sense"],
        flow(a["shown"]),
        f"{flow(a['shown_lower'])} to {flow(a['shown_upper'])}" if known else "–",
        f"±{(a['upper'] - a['lower']) / 2 / a['aadt']:.0%}" if known else "",
        a["status"],
        flow(a["days"]),
        a["reason"] or "",
    ]


@app.command("import")
def import_(
    file: Annotated[Path, typer.Argument(help="annual.csv: an agency's own figures.")],
    workspace: Dir = HERE,
    dry_run: DryRun = False,
    as_json: Json = False,
) -> None:
    """Read annual averages made elsewhere; missing bounds take the stated default error."""
    from countmap.jobs import annual

    deliver(
        annual.import_(opened(workspace), file, dry_run=dry_run),
        as_json,
        lambda d: [
            f"{plural(d['rows'], 'annual figure')} taken; {d['defaulted']} without bounds take {d['default']}"
        ],
    )


@app.command()
def explain(
    station_id: Annotated[str, typer.Argument(help="The station's id.")],
    year: Year,
    workspace: Dir = HERE,
    as_json: Json = False,
) -> None:
    """Print the chain of numbers behind one station's figure."""
    from countmap.jobs import annual

    deliver(annual.explain(opened(workspace), station_id, year=year), as_json, _explained)


def _explained(d: Document) -> Iterator[str]:
    yield from note_lines(d)
    for part in d["senses"]:
        yield from told(part["figure"], part["chain"])
        yield ""
    peak, heavy = d["peaks"]["peak_hour"], d["peaks"]["heavy_share"]
    if peak:
        yield (
            f"busiest hour {peak['start'][:16].replace('T', ' ')}: {flow(peak['volume'])} vehicles,"
            f" PHF {peak['phf']:.2f}"
        )
    if heavy is not None:
        yield f"heavy vehicles T: {heavy:.1%} of what was classified"
