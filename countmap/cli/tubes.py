"""``countmap tubes``: the error of an installation, and vehicles from pulses."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from countmap.cli.common import (
    HERE,
    Dir,
    Document,
    DryRun,
    Json,
    columns,
    deliver,
    group,
    opened,
    plural,
    progress,
)
from countmap.errors import InvalidInput

app = group("Pairs of tubes: error budget, pulses to vehicles.")

WORDS = {"yes": True, "no": False}
Metres = Annotated[float | None, typer.Option(help="Metres.")]
Spacing = Annotated[float | None, typer.Option("--spacing-m", help="Spacing in the counter.")]


@app.command()
def budget(
    spacing_m: Annotated[float, typer.Option("--spacing-m", help="Spacing in the counter.")],
    near: Annotated[float | None, typer.Option(help="Measured at the near kerb, m.")] = None,
    middle: Annotated[float | None, typer.Option(help="Measured in the middle, m.")] = None,
    far: Annotated[float | None, typer.Option(help="Measured at the far kerb, m.")] = None,
    lead_a: Annotated[float | None, typer.Option(help="Near kerb to counter, tube A, m.")] = None,
    lead_b: Annotated[float | None, typer.Option(help="Near kerb to counter, tube B, m.")] = None,
    width: Annotated[float | None, typer.Option(help="Carriageway, m.")] = None,
    stretch_a: Annotated[float | None, typer.Option(help="Stretch of tube A, m.")] = None,
    stretch_b: Annotated[float | None, typer.Option(help="Stretch of tube B, m.")] = None,
    skew: Annotated[float | None, typer.Option(help="Tubes off square, degrees.")] = None,
    dead_time_ms: Annotated[float | None, typer.Option(help="Counter's dead time, ms.")] = None,
    step_ms: Annotated[float | None, typer.Option(help="Counter's clock step, ms.")] = None,
    air: Annotated[float | None, typer.Option(help="Air, °C.")] = None,
    speeds: Annotated[str, typer.Option(help="Speeds to judge at, km/h.")] = "50,80,110",
    check: Annotated[
        list[str] | None,
        typer.Option(help="Answer a check: spacing, parallel, square, equal = yes or no."),
    ] = None,
    as_json: Json = False,
) -> None:
    """Predict the error of an installation, part by part, before leaving the site."""
    from countmap.jobs import tubes

    site = {
        "spacing_entered_m": spacing_m, "spacing_near_m": near, "spacing_middle_m": middle,
        "spacing_far_m": far, "lead_a_m": lead_a, "lead_b_m": lead_b, "width_m": width,
        "stretch_a_m": stretch_a, "stretch_b_m": stretch_b, "skew_deg": skew,
        "dead_time_ms": dead_time_ms, "step_ms": step_ms, "air_c": air,
    }  # fmt: skip
    document = tubes.budget(site, _answers(check or []), _speeds(speeds))
    deliver(document, as_json, _budgeted)


def _answers(given: list[str]) -> dict[str, bool]:
    found = {}
    for text in given:
        name, _, word = text.partition("=")
        if name not in {"spacing", "parallel", "square", "equal"} or word not in WORDS:
            raise InvalidInput(
                f"--check {text!r} is no answer. Write spacing, parallel, square or equal, then "
                "=yes or =no"
            )
        found[name] = WORDS[word]
    return found


def _speeds(text: str) -> list[float]:
    try:
        return [float(word) for word in text.split(",")]
    except ValueError:
        raise InvalidInput(f"--speeds {text!r} are no numbers. Write them as 50,80") from None


def _budgeted(d: Document) -> Iterator[str]:
    rows = [["km/h", "part", "A→B", "B→A", "", "limit"]]
    rows += [
        [
            f"{p['speed_kmh']:g}",
            p["part"] if "part" in p else p["name"],
            f"{100 * p['error_ab']:+.2f} %",
            f"{100 * p['error_ba']:+.2f} %",
            p["verdict"],
            p["limit"],
        ]
        for p in d["parts"]
    ]
    yield from columns(rows, right=(0, 2, 3))
    todo = {p["redo"]: None for p in d["parts"] if p["verdict"] == "redo"}
    yield from (f"Redo: {what}" for what in todo)
    shares = d["heavy_share"]
    worst = max(shares, key=lambda x: shares[x]["fast"])
    yield (
        f"Of a usual fleet {100 * shares[worst]['true']:.1f} % lie beyond 3.2 m; read "
        f"{100 * shares[worst]['slow']:.1f} to {100 * shares[worst]['fast']:.1f} % with this error"
    )
    for c in d["checks"]:
        yield f"Before leaving, {c['question']} {c['verdict']}"
    if any(c["verdict"] == "unanswered" for c in d["checks"]):
        yield "Answer each: --check spacing=yes --check parallel=yes …"
    yield from (f"! {caution}" for caution in d["cautions"])


@app.command()
def decode(
    files: Annotated[list[Path], typer.Argument(help="Pulses of one stay: CSV or Parquet.")],
    survey: Annotated[str, typer.Option("--survey", help="Survey with its record.")] = "",
    started: Annotated[str, typer.Option("--started", help="Instant of stamp 0, ISO 8601.")] = "",
    spacing_m: Spacing = None,
    length_difference_m: Annotated[float, typer.Option(help="Tube B longer than A, m.")] = 0.0,
    first_tube_with: Annotated[str, typer.Option(help="Tube struck first by `with`: A, B.")] = "",
    timezone: Annotated[str, typer.Option(help="Zone of the counts without --survey.")] = "UTC",
    scheme: Annotated[str, typer.Option(help="Class scheme: a name or a TOML file.")] = "",
    out: Annotated[Path | None, typer.Option("--out", help="Write vehicles here.")] = None,
    counts: Annotated[Path | None, typer.Option("--counts", help="Write counts.csv here.")] = None,
    minutes: Annotated[int, typer.Option(help="Interval of the counts.")] = 15,
    workspace: Dir = HERE,
    dry_run: DryRun = False,
    as_json: Json = False,
) -> None:
    """Turn pulses of a pair into vehicles: time, sense, speed, axles, class, how sure.

    With --survey the workspace keeps them, and counts them by class and speed.
    """
    from countmap.jobs import tubes

    ws = None
    if survey:
        ws = opened(workspace)
        stay = tubes.of_survey(ws, survey)
        stay = replace(stay, scheme=scheme) if scheme else stay
    else:
        stay = tubes.given(
            started, spacing_m, length_difference_m, first_tube_with, timezone,
            scheme or "austroads12",
        )  # fmt: skip
    with progress("Decoding pulses") as step:
        document = tubes.decode(
            files, stay, ws=ws, out=out, counts=counts, minutes=minutes, dry_run=dry_run, step=step
        )
    deliver(document, as_json, _decoded)


def _decoded(d: Document) -> Iterator[str]:
    yield (
        f"{plural(d['pulses'], 'pulse')} ({d['pulses_a']:,} A, {d['pulses_b']:,} B), {d['first']} "
        f"to {d['last']}: {plural(d['vehicles'], 'vehicle')}"
    )
    yield (
        f"{plural(d['repeats'], 'repeat')}, {plural(d['orphans'], 'orphan')}, "
        f"{plural(d['unsure'], 'vehicle')} less than 90 % sure"
    )
    if d["axles_alone"]:
        yield (
            f"{plural(d['axles_alone'], 'pulse')} while the other tube was silent: axles only, "
            "no sense, speed or class"
        )
    rows = [["sense", "vehicles", "mean", "V85", "pace", "headway", "within 2 s"]]
    for s in d["senses"]:
        known = s["mean"] is not None
        pace = (
            f"{s['pace_low']:.0f}–{s['pace_low'] + 15:.0f}: {s['pace_share']:.0%}" if known else ""
        )
        rows.append(
            [
                s["sense"],
                f"{s['vehicles']:,}",
                f"{s['mean']:.1f}" if known else "–",
                f"{s['v85']:.1f}" if known else "–",
                pace,
                f"{s['mean_headway_s']:.1f} s" if s["mean_headway_s"] is not None else "–",
                f"{s['close_share']:.0%}" if s["close_share"] is not None else "–",
            ]
        )
    yield from columns(rows, right=(1, 2, 3, 5, 6))
    yield f"Classes ({d['scheme']}): " + ", ".join(
        f"{c['class']}: {c['vehicles']:,}" for c in d["classes"]
    )
    yield f"Mind: {d['confusion']}"
    yield f"The counts' own error: {d['count_error']:.1%} (one standard error)"
    kept = d["kept"]
    if kept is not None:
        yield f"Kept: {kept['vehicles']}" + (", already there" if kept["already"] else "")
    if kept is not None and kept["decision"] is not None:
        yield (
            f"It takes the place of {', '.join(kept['replaced'])}; countmap undo "
            f"{kept['decision']} brings that back"
        )


@app.command()
def verify(
    survey: Annotated[str, typer.Argument(help="The survey's id.")],
    files: Annotated[list[Path], typer.Argument(help="Its pulses: CSV or Parquet.")],
    wheelbase: Annotated[
        float | None, typer.Option(help="The fleet's usual wheelbase, from trusted sites, m.")
    ] = None,
    epoch: Annotated[int | None, typer.Option(help="Which epoch, from 1.")] = None,
    apply: Annotated[bool, typer.Option("--apply", help="Use the proposal from here on.")] = False,
    reason: Annotated[str, typer.Option("--reason", help="Why; kept with the decision.")] = "",
    workspace: Dir = HERE,
    as_json: Json = False,
) -> None:
    """Hold a survey's geometry against its own pulses; propose, and apply only on request."""
    from countmap.jobs import tubes

    with progress("Decoding pulses") as step:
        document = tubes.verify(
            opened(workspace), survey, files, wheelbase_m=wheelbase, epoch=epoch, apply=apply,
            reason=reason, step=step,
        )  # fmt: skip
    deliver(document, as_json, _verified)


def _verified(d: Document) -> Iterator[str]:
    yield f"{d['survey_id']}: {plural(d['vehicles'], 'vehicle')}, {d['against']:,} of them against"
    if d["only_sense"] is None:
        yield "On a two-way road the pulses cannot tell swapped tubes: compare with what the crew saw"
    yield from columns(
        [[f["verdict"], f["name"], f"{f['value']:.2%}", f["why"]] for f in d["findings"]]
    )
    if d["swap"]:
        yield "Proposed: the other tube is struck first by `with`"
    p = d["proposal"]
    if p is not None:
        yield from _geometry(p, d["used"])
    elif not d["swap"]:
        yield "No other geometry is proposed"
        return
    if d["applied"] is None:
        yield "Nothing was changed; --apply uses it from here on"
    else:
        yield f"Applied as decision {d['applied']}; countmap undo {d['applied']} takes it back"


def _geometry(p: Document, old: Document) -> Iterator[str]:
    new = p["geometry"]
    yield (
        f"Proposed: length difference {100 * new['length_difference_m']:+.0f} cm (was "
        f"{100 * old['length_difference_m']:+.0f}), ± {100 * p['length_error_m']:.0f} cm"
    )
    if p["spacing_known"]:
        yield (
            f"Proposed: spacing {new['spacing_ab_m']:.3f} m A→B, {new['spacing_ba_m']:.3f} m B→A "
            f"(was {old['spacing_ab_m']:.3f}, {old['spacing_ba_m']:.3f})"
        )
    yield f"Evidence: {p['evidence']}"
