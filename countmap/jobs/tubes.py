"""Jobs of the tubes: the error budget at the kerb, vehicles from pulses, the geometry verified."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Sequence
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from countmap.clock import zone
from countmap.counts import periods
from countmap.errors import InvalidInput, NotFound
from countmap.formats import csv_table, vehicles, whole
from countmap.jobs.annual import one_way
from countmap.jobs.common import Document, Network, Step, Workspace, cell, no_step
from countmap.jobs.decoding import (
    Clock,
    Epoch,
    Result,
    Stay,
    Totals,
    clock_of,
    run,
    stream,
    summary,
)
from countmap.schemes import reader
from countmap.store import blocks
from countmap.tubes import budget as budgets
from countmap.tubes import verify as verifying
from countmap.tubes.classify import classify
from countmap.tubes.geometry import Geometry, pulse_speed
from countmap.tubes.vehicles import joined

_INSTALLED = tuple(f.name for f in fields(budgets.Installation) if f.name != "checks")


def budget(
    site: dict[str, float | None], checks: dict[str, bool], speeds_kmh: Sequence[float]
) -> Document:
    """Return the error to expect of an installation: parts, the four checks, cautions.

    Raises
    ------
    InvalidInput
        A spacing or a speed that is not positive.
    """
    for name, value in site.items():
        if name.startswith("spacing") and value is not None and not 0.1 <= value <= 20:
            raise InvalidInput(f"{name} {value:g} m lies outside 0.1 to 20 m. Correct it")
    for speed in speeds_kmh:
        if not 5 <= speed <= 200:
            raise InvalidInput(f"speed {speed:g} km/h lies outside 5 to 200 km/h. Correct it")
    given: dict[str, Any] = {k: v for k, v in site.items() if v is not None}
    installed = budgets.Installation(**given, checks=tuple(sorted(checks.items())))
    parts = budgets.budget(installed, tuple(speeds_kmh))
    together = next(p for p in reversed(parts) if p.name == "together")
    return {
        "parts": [asdict(p) for p in parts],
        "checks": [
            {"check": name, "question": question, "verdict": verdict}
            for name, question, verdict in budgets.answers(installed)
        ],
        "heavy_share": {
            crossing: {
                "true": budgets.heavy_share(1.0),
                "slow": budgets.heavy_share(1 - error),
                "fast": budgets.heavy_share(1 + error),
            }
            for crossing, error in (("AB", together.error_ab), ("BA", together.error_ba))
        },
        "cautions": list(budgets.CAUTIONS),
    }


def decode(
    files: Sequence[Path],
    stay: Stay,
    *,
    ws: Workspace | None = None,
    out: Path | None = None,
    counts: Path | None = None,
    minutes: int = 15,
    dry_run: bool = False,
    step: Step = no_step,
) -> Document:
    """Decode files of pulses of one pair, in order; write vehicles and counts where asked.

    Parameters
    ----------
    files : sequence of Path
        One stay; read one after the other.
    stay : Stay
        Of ``of_survey`` or ``given``.
    ws : Workspace, optional
        Keep the vehicles there, and their counts by class and by class and speed, in place of what
        was decoded from this survey before (which stays on disk; undo brings it back).

    Raises
    ------
    NotFound, InvalidInput
        A file that is not there or cannot be read, stamps out of order, an unknown scheme.
    """
    edges = periods.SPEED_EDGES_KMH if ws is not None else None
    asked = minutes if ws is not None or counts is not None else None
    if dry_run:
        out = counts = None
    if ws is None or dry_run:
        found = run(files, stay, out, asked, edges, step)
        kept = None
    else:
        folder = ws.path / blocks.VEHICLES
        whole.make_folder(folder)
        with tempfile.TemporaryDirectory(prefix=".decode-", dir=folder) as part:
            file = Path(part) / "vehicles.parquet"
            found = run(files, stay, file, asked, edges, step)
            if out is not None:
                vehicles.copy(file, out)
            kept = _keep(ws, stay, found, file)
    if counts is not None and found.counts is not None:
        plain = found.counts[found.counts["speed_low_kmh"].isna()]
        csv_table.write(_as_counts(plain), counts)
    return summary(found, stay) | {"kept": kept, "dry_run": dry_run}


def _keep(ws: Workspace, stay: Stay, found: Result, file: Path) -> Document:
    """Enter vehicles and their counts, in place of those decoded before from the survey."""
    if found.counts is None or found.counts.empty:
        raise InvalidInput(
            f"survey {stay.survey_id}: the pulses cover no whole interval; choose a shorter --minutes"
        )
    path, sha256 = ws.blocks.keep_vehicles(file, stay.survey_id)
    block = ws.blocks.write(found.counts, f"{stay.survey_id}.csv")
    stem = blocks.vehicles_stem(stay.survey_id)
    with ws.register.transaction() as tx:
        there = tx.frame("files")
        already = bool((there["sha256"] == sha256).any())
        before = there[there["name"].str.startswith(stem) & (there["sha256"] != sha256)]
        decision = None
        if len(before):
            decision = tx.decide(
                "decode again", stay.survey_id, f"{path} takes the place of "
                f"{', '.join(before['name'])}", delete={"files": before["file_id"].tolist()},
            )  # fmt: skip
        if not already:
            tx.add_file(path, sha256, None, block)
        rows = tx.frame("surveys", survey_id=stay.survey_id)
        if rows["count_error"].isna().all():
            tx.decide(
                "count error", stay.survey_id, "as the pulses show it",
                {"surveys": rows.assign(count_error=round(found.totals.quality, 4))},
            )  # fmt: skip
    return {
        "vehicles": path, "counts": block.path, "already": already, "decision": decision,
        "replaced": before["name"].tolist(),
    }  # fmt: skip


def verify(
    ws: Workspace,
    survey_id: str,
    files: Sequence[Path],
    *,
    wheelbase_m: float | None = None,
    epoch: int | None = None,
    apply: bool = False,
    reason: str = "",
    step: Step = no_step,
) -> Document:
    """Hold a survey's geometry against its own pulses; change the record only with ``apply``.

    What was measured stays: an applied proposal goes into the columns ``used_…``, as a decision
    that can be undone.

    Parameters
    ----------
    wheelbase_m : float, optional
        The fleet's usual wheelbase; without it the spacing is not judged.
    epoch : int, optional
        Which epoch's geometry, where there are several: from 1.

    Raises
    ------
    NotFound, InvalidInput
        As ``decode``; ``apply`` without a proposal; several epochs and none named.
    """
    if wheelbase_m is not None and not 2.1 < wheelbase_m < 3.2:
        raise InvalidInput(f"--wheelbase {wheelbase_m:g} m is no usual car's. Give 2.1 to 3.2")
    stay = of_survey(ws, survey_id)
    if epoch is None and len(stay.epochs) > 1:
        raise InvalidInput(
            f"survey {survey_id} has {len(stay.epochs)} epochs, each with its geometry. Name one: "
            f"--epoch 1 to {len(stay.epochs)}"
        )
    place = (epoch or 1) - 1
    if not 0 <= place < len(stay.epochs):
        raise InvalidInput(f"--epoch {epoch}: survey {survey_id} has {len(stay.epochs)}")
    scheme, used = reader.load(stay.scheme), stay.epochs[place].geometry
    # one epoch has no edge that moves with the clock: the files need not be read for their ends
    several = len(stay.epochs) > 1
    totals, clock = Totals(), clock_of(files, stay) if several else Clock(0, 1, 0.0, 0.0)
    parts = [
        part for part, of, _ in stream(files, stay, totals, clock, step) if of is stay.epochs[place]
    ]
    cars = joined([p.vehicles for p in parts])
    classes = classify(cars.axles, cars.spacings_m, cars.starts, scheme)
    shares = verifying.shares(
        cars,
        pulses=(totals.pulses[0], totals.pulses[1]),
        orphans=sum(len(p.orphans_us) for p in parts),
        alone=sum(len(p.alone_us) for p in parts),
        unclassified=int((classes < 0).sum()),
    )
    proposal, more = verifying.geometry(cars, used, wheelbase_m=wheelbase_m)
    against = int(np.sum(cars.b_first == (stay.first_tube_with == "A")))
    stations = ws.register.frame("stations")
    only = one_way(stations[stations["station_id"] == stay.station_id], Network(ws))
    way = verifying.direction(len(cars), against, only.get(stay.station_id))
    days = verifying.by_day(totals.days)
    document: Document = {
        "survey_id": survey_id,
        "epoch": place + 1,
        "vehicles": len(cars),
        "against": against,
        "only_sense": only.get(stay.station_id),
        "findings": [asdict(f) for f in (*shares, *days, *way, *more)],
        "tubes_by_day": [
            {
                "day": str((stay.started.tz_convert(stay.tz) + pd.Timedelta(days=d)).date()),
                "a": a,
                "b": b,
            }
            for d, (a, b) in sorted(totals.days.items())
        ],
        "used": asdict(used),
        "proposal": None if proposal is None else asdict(proposal),
        "swap": any(f.verdict == "bad" for f in way),
        "applied": None,
    }
    if apply:
        document["applied"] = _apply(ws, document, proposal, stay, reason)
    return document


def _apply(
    ws: Workspace,
    document: Document,
    proposal: verifying.Proposal | None,
    stay: Stay,
    reason: str,
) -> int:
    survey_id = document["survey_id"]
    if proposal is None and not document["swap"]:
        raise InvalidInput(f"survey {survey_id}: there is no proposal to apply")
    rows = ws.register.frame("surveys")
    rows = rows[rows["survey_id"] == survey_id]
    evidence = []
    if document["swap"]:
        other = "B" if stay.first_tube_with == "A" else "A"
        rows = rows.assign(first_tube_with=other)
        evidence.append(
            f"{document['against']} of {document['vehicles']} vehicles against the only sense"
        )
    if proposal is not None:
        here = np.argsort(rows["epoch"].to_numpy(float))[document["epoch"] - 1]
        for name in ("spacing_ab_m", "spacing_ba_m", "length_difference_m"):
            values = rows[f"used_{name}"].to_numpy(float, copy=True)
            values[here] = getattr(proposal.geometry, name)
            rows = rows.assign(**{f"used_{name}": values})
        evidence.append(proposal.evidence)
    with ws.register.transaction() as tx:
        return tx.decide(
            "survey geometry", survey_id, reason or "; ".join(evidence), {"surveys": rows}
        )


def of_survey(ws: Workspace, survey_id: str) -> Stay:
    """Return what is known of a survey's pulses, by its epochs.

    Raises
    ------
    NotFound
        If there is no such survey.
    InvalidInput
        If its record lacks what decoding needs, or its epochs have no order in time.
    """
    rows = ws.register.frame("surveys")
    rows = rows[rows["survey_id"] == survey_id].sort_values("epoch")
    if rows.empty:
        raise NotFound(f"there is no survey {survey_id!r}; countmap surveys import FILE adds one")
    tz = ws.settings.timezone
    for name in ("first_tube_with", "started", "spacing_entered_m"):
        if rows[name].isna().iloc[0] if name in rows else True:
            raise InvalidInput(
                f"survey {survey_id} has no {name}. Add it to surveys.csv and import that again"
            )
    row = rows.iloc[0]
    started = _instant(str(row["started"]), tz)
    epochs: list[Epoch] = []
    for k in range(len(rows)):
        since = 0
        if k:
            text = rows["epoch_started"].iloc[k]
            since = -1 if pd.isna(text) else _microseconds(_instant(str(text), tz) - started)
            if since <= epochs[-1].since_us:
                raise InvalidInput(
                    f"survey {survey_id}, epoch {rows['epoch'].iloc[k]:g}: epoch_started "
                    f"{'is missing' if pd.isna(text) else repr(str(text)) + ' is not after the one before'}. "
                    "Correct surveys.csv and import that again"
                )
        epochs.append(_epoch(rows.iloc[k], since))
    return Stay(
        tuple(epochs), started, str(row["first_tube_with"]), tz, survey_id, row["station_id"],
        (cell(row.get("clock_offset_start_s")) or 0.0, cell(row.get("clock_offset_end_s")) or 0.0),
        ws.settings.class_scheme or "austroads12",
    )  # fmt: skip


def _microseconds(span: pd.Timedelta) -> int:
    return int(span / pd.Timedelta(microseconds=1))


def _epoch(row: pd.Series, since_us: int) -> Epoch:
    """Return an epoch's geometry: measured at its start and, where it was, at its end."""
    site = budgets.Installation(**{n: cell(row[n]) for n in _INSTALLED if n in row.index})
    ends = [cell(row.get(f"spacing_end_{place}_m")) for place in ("near", "middle", "far")]
    ends = [x for x in ends if x is not None]
    end = float(np.mean(ends)) if ends else site.spacing_m
    middle = 0.5 * (site.spacing_m + end)
    way = middle / math.cos(math.radians(site.skew_deg or 0.0))
    used = {n: cell(row.get(f"used_{n}_m")) for n in ("spacing_ab", "spacing_ba")}
    longer = cell(row.get("used_length_difference_m"))
    if longer is None:
        longer = site.length_difference_m or 0.0
    geometry = Geometry(
        used["spacing_ab"] or way, used["spacing_ba"] or way, longer, pulse_speed(site.air_c)
    )
    return Epoch(since_us, geometry, (end - site.spacing_m) / middle)


def given(  # noqa: PLR0917  # options of one command
    started: str,
    spacing_m: float | None,
    length_difference_m: float,
    first_tube_with: str,
    tz: str,
    scheme: str = "austroads12",
) -> Stay:
    """Return what ``decode`` needs as the command line gives it.

    Raises
    ------
    InvalidInput
        What is missing or wrong.
    """
    if not started or spacing_m is None or not first_tube_with:
        raise InvalidInput(
            "decoding needs --survey ID, or --started T --spacing-m S --first-tube-with A"
        )
    if not 0.1 <= spacing_m <= 20:
        raise InvalidInput(f"--spacing-m {spacing_m:g} lies outside 0.1 to 20 m. Correct it")
    if abs(length_difference_m) > 50:
        raise InvalidInput(f"--length-difference-m {length_difference_m:g} is beyond 50 m")
    if first_tube_with not in ("A", "B"):
        raise InvalidInput(f"--first-tube-with {first_tube_with!r} is no tube. Write A or B")
    epoch = Epoch(0, Geometry(spacing_m, spacing_m, length_difference_m))
    return Stay((epoch,), _instant(started, tz), first_tube_with, tz, scheme=scheme)


def _instant(text: str, tz: str) -> pd.Timestamp:
    """Return an instant in UTC; without offset it is read in ``tz``."""
    zone(tz)
    try:
        found = pd.Timestamp(text)
    except ValueError:
        raise InvalidInput(f"started {text!r} is no time. Write it as 2025-03-04T07:15") from None
    try:
        local = found.tz_localize(tz) if found.tzinfo is None else found
    except ValueError as error:
        raise InvalidInput(f"started {text!r}: {error}. Write it with its offset") from error
    return local.tz_convert("UTC").as_unit("us")


def _as_counts(table: pd.DataFrame) -> pd.DataFrame:
    """Return interval counts with the columns of counts.csv."""
    local = table["start_utc"] + pd.to_timedelta(table["utc_offset_min"], unit="min")
    offset = table["utc_offset_min"]
    sign = np.where(offset < 0, "-", "+")
    hours, rest = (offset.abs() // 60), (offset.abs() % 60)
    suffix = sign + hours.astype(str).str.zfill(2) + ":" + rest.astype(str).str.zfill(2)
    names = ["station_id", "sense", "minutes", "count", "survey_id", "vehicle_class", "scheme"]
    written = table[names].rename(columns={"sense": "direction"})
    written.insert(2, "start", local.dt.strftime("%Y-%m-%dT%H:%M:%S") + suffix)
    return written
