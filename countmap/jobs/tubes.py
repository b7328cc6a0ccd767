"""Jobs of the tubes: the error budget at the kerb, vehicles from pulses, the geometry verified."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from countmap.clock import offsets_min, zone
from countmap.counts import periods
from countmap.errors import InvalidInput, NotFound
from countmap.formats import csv_table, pulses
from countmap.jobs.common import Document, Step, Workspace, cell, no_step
from countmap.schemes import reader
from countmap.tubes import budget as budgets
from countmap.tubes import verify as verifying
from countmap.tubes.classify import classify, labels
from countmap.tubes.geometry import Geometry, pulse_speed
from countmap.tubes.pulses import Decoded, Decoder
from countmap.tubes.vehicles import Vehicles, joined

_INSTALLED = tuple(f.name for f in fields(budgets.Installation) if f.name != "checks")


@dataclass(frozen=True, slots=True)
class _Drift:
    """A counter's clock that ran ahead by ``start_s`` at ``first`` and by ``end_s`` at ``last``."""

    first: int
    last: int
    start_s: float
    end_s: float

    def true(self, stamp: Any) -> Any:
        """Return stamps (µs) as the reference clock would have them; the same without drift."""
        if self.start_s == self.end_s == 0.0:
            return stamp
        part = (np.asarray(stamp) - self.first) / max(self.last - self.first, 1)
        ahead = self.start_s + (self.end_s - self.start_s) * part
        return np.asarray(stamp) - np.round(ahead * 1e6).astype(np.int64)


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
    geometry: Geometry,
    *,
    started: pd.Timestamp,
    first_tube_with: str,
    tz: str,
    survey_id: str = "",
    station_id: str = "",
    clock_s: tuple[float, float] = (0.0, 0.0),
    scheme: str = "austroads12",
    out: Path | None = None,
    counts: Path | None = None,
    minutes: int = 15,
    step: Step = no_step,
) -> Document:
    """Decode files of pulses of one pair, in order; write vehicles and counts where asked.

    Parameters
    ----------
    files : sequence of Path
        One stay, one geometry; read one after the other.
    started : Timestamp
        UTC instant of stamp 0.
    first_tube_with : {"A", "B"}
        Tube that vehicles of sense ``with`` strike first.
    clock_s : (float, float)
        How far the counter's clock was ahead of the reference at its first and its last stamp;
        between them it is taken to have drifted evenly. Speeds are not touched.

    Raises
    ------
    NotFound, InvalidInput
        A file that is not there or cannot be read, stamps out of order.
    """
    chosen = reader.load(scheme)
    parts, number, (first, last) = _run(files, geometry, step)
    drift = _Drift(first, last, *clock_s)
    frame = _frame(parts, chosen, started, first_tube_with, survey_id, drift)
    begun, ended = (started + pd.Timedelta(microseconds=drift.true(t)) for t in (first, last))
    span = (begun, ended)
    if out is not None:
        pulses.write_vehicles(frame.drop(columns="time"), out)
    if counts is not None:
        alone = drift.true(np.concatenate([p.alone_us for p in parts]))
        silent = pd.Series(started.as_unit("us") + pd.to_timedelta(alone, unit="us"))
        table = periods.interval_counts(
            frame, span, tz, station_id=station_id, minutes=minutes, silent=silent
        )
        csv_table.write(_as_counts(table), counts)
    return _summary(frame, parts, number, span, tz, chosen)


def verify(
    ws: Workspace,
    survey_id: str,
    files: Sequence[Path],
    *,
    wheelbase_m: float | None = None,
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

    Raises
    ------
    NotFound, InvalidInput
        As ``decode``; ``apply`` without a proposal.
    """
    if wheelbase_m is not None and not 2.1 < wheelbase_m < 3.2:
        raise InvalidInput(f"--wheelbase {wheelbase_m:g} m is no usual car's. Give 2.1 to 3.2")
    record = of_survey(ws, survey_id)
    scheme, used = reader.load(record["scheme"]), record["geometry"]
    parts, number, _ = _run(files, used, step)
    vehicles = joined([p.vehicles for p in parts])
    places = classify(vehicles.axles, vehicles.spacings_m, vehicles.starts, scheme)
    shares = verifying.shares(
        vehicles,
        pulses=(number[0], number[1]),
        orphans=sum(len(p.orphans_us) for p in parts),
        alone=sum(len(p.alone_us) for p in parts),
        unclassified=int((places < 0).sum()),
    )
    proposal, more = verifying.geometry(vehicles, used, wheelbase_m=wheelbase_m)
    document: Document = {
        "survey_id": survey_id,
        "vehicles": len(vehicles),
        "against": int(np.sum(vehicles.b_first == (record["first_tube_with"] == "A"))),
        "findings": [asdict(f) for f in (*shares, *more)],
        "used": asdict(used),
        "proposal": None if proposal is None else asdict(proposal),
        "applied": None,
    }
    if apply:
        if proposal is None:
            raise InvalidInput(f"survey {survey_id}: there is no proposal to apply")
        row = ws.register.frame("surveys")
        row = row[row["survey_id"] == survey_id].assign(
            used_spacing_ab_m=proposal.geometry.spacing_ab_m,
            used_spacing_ba_m=proposal.geometry.spacing_ba_m,
            used_length_difference_m=proposal.geometry.length_difference_m,
        )
        with ws.register.transaction() as tx:
            document["applied"] = tx.decide(
                "survey geometry", survey_id, reason or proposal.evidence, {"surveys": row}
            )
    return document


def _run(
    files: Sequence[Path], geometry: Geometry, step: Step
) -> tuple[list[Decoded], list[int], tuple[int, int]]:
    """Decode files one after the other; return parts, pulses on A and B, first and last stamp."""
    decoder = Decoder(geometry)
    parts: list[Decoded] = []
    first, last, number = np.iinfo(np.int64).max, np.iinfo(np.int64).min, [0, 0]
    for at, file in enumerate(files):
        for times, tubes in pulses.chunks(file):
            try:
                parts.append(decoder.feed(times, tubes))
            except InvalidInput as error:
                raise InvalidInput(f"{Path(file).name}: {error}") from error
            first, last = min(first, int(times.min())), max(last, int(times.max()))
            number[1] += int(tubes.sum())
            number[0] += int(len(tubes) - tubes.sum())
        step(at + 1, len(files))
    if not sum(number):
        raise InvalidInput(f"{', '.join(f.name for f in files)}: no pulses. Check the file")
    parts.append(decoder.finish())
    return parts, number, (first, last)


def of_survey(ws: Workspace, survey_id: str) -> Document:
    """Return what ``decode`` needs of a survey whose geometry never changed.

    Raises
    ------
    NotFound
        If there is no such survey.
    InvalidInput
        If its record lacks what decoding needs, or it has several epochs.
    """
    rows = ws.register.frame("surveys")
    rows = rows[rows["survey_id"] == survey_id]
    if rows.empty:
        raise NotFound(f"there is no survey {survey_id!r}; countmap surveys import FILE adds one")
    if len(rows) > 1:
        raise InvalidInput(
            f"survey {survey_id} has {len(rows)} epochs. Decode each part with --started and "
            "--spacing-m"
        )
    row = rows.iloc[0]
    for name in ("first_tube_with", "started", "spacing_entered_m"):
        if pd.isna(row.get(name)):
            raise InvalidInput(
                f"survey {survey_id} has no {name}. Add it to surveys.csv and import that again"
            )
    site = budgets.Installation(**{n: cell(row[n]) for n in _INSTALLED if n in rows.columns})
    way = site.spacing_m / math.cos(math.radians(site.skew_deg or 0.0))
    used = {n: cell(row.get(f"used_{n}_m")) for n in ("spacing_ab", "spacing_ba")}
    longer = cell(row.get("used_length_difference_m"))
    if longer is None:
        longer = site.length_difference_m or 0.0
    return {
        "geometry": Geometry(
            used["spacing_ab"] or way, used["spacing_ba"] or way, longer, pulse_speed(site.air_c)
        ),
        "started": _instant(str(row["started"]), ws.settings.timezone),
        "first_tube_with": row["first_tube_with"],
        "tz": ws.settings.timezone,
        "survey_id": survey_id,
        "station_id": row["station_id"],
        "clock_s": tuple(cell(row.get(f"clock_offset_{end}_s")) or 0.0 for end in ("start", "end")),
        "scheme": ws.settings.class_scheme or "austroads12",
    }


def given(
    started: str,
    spacing_m: float | None,
    length_difference_m: float,
    first_tube_with: str,
    tz: str,
) -> Document:
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
    return {
        "geometry": Geometry(spacing_m, spacing_m, length_difference_m),
        "started": _instant(started, tz),
        "first_tube_with": first_tube_with,
        "tz": tz,
    }


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


def _frame(  # noqa: PLR0917  # one call
    parts: list[Decoded],
    scheme: reader.Scheme,
    started: pd.Timestamp,
    first_tube_with: str,
    survey_id: str,
    drift: _Drift,
) -> pd.DataFrame:
    """Return the vehicles of all parts in the columns of the table ``vehicles``, plus ``time``."""
    frames = [_vehicles(p.vehicles, scheme, first_tube_with) for p in parts if len(p.vehicles)]
    if not frames:
        frames = [_vehicles(parts[0].vehicles, scheme, first_tube_with)]
    frame = pd.concat(frames, ignore_index=True)
    frame.insert(0, "survey_id", survey_id)
    frame["scheme"] = scheme.name
    frame["time_us"] = drift.true(frame["time_us"].to_numpy(np.int64))
    frame["time"] = started.as_unit("us") + pd.to_timedelta(frame["time_us"], unit="us")
    return frame


def _vehicles(v: Vehicles, scheme: reader.Scheme, first_tube_with: str) -> pd.DataFrame:
    starts = v.starts
    spacings = v.spacings_m.round(3)
    with_first = v.b_first == (first_tube_with == "B")
    return pd.DataFrame(
        {
            "time_us": v.time_us,
            "sense": np.where(with_first, "with", "against").astype(object),
            "speed_kmh": v.speed_kmh.round(2),
            "accelerating": v.accelerating,
            "axles": v.axles,
            "spacings_m": [spacings[s : s + n - 1] for s, n in zip(starts, v.axles, strict=True)],
            "vehicle_class": labels(classify(v.axles, v.spacings_m, starts, scheme), scheme),
            "confidence": v.confidence.astype(float).round(4),
        }
    )


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


def _summary(  # noqa: PLR0917  # one call
    frame: pd.DataFrame,
    parts: list[Decoded],
    number: list[int],
    span: tuple[pd.Timestamp, ...],
    tz: str,
    scheme: reader.Scheme,
) -> Document:
    orphans = sum(len(p.orphans_us) for p in parts)
    alone = sum(len(p.alone_us) for p in parts)
    minutes = int(offsets_min(pd.Series([span[0]]), tz)[0])
    return {
        "pulses": sum(number),
        "pulses_a": number[0],
        "pulses_b": number[1],
        "vehicles": len(frame),
        "repeats": sum(p.repeats for p in parts),
        "orphans": orphans,
        "axles_alone": alone,
        "first": (span[0] + pd.Timedelta(minutes=minutes)).strftime("%Y-%m-%d %H:%M"),
        "last": (span[1] + pd.Timedelta(minutes=minutes)).strftime("%Y-%m-%d %H:%M"),
        "senses": [
            {"sense": sense, "vehicles": len(here)}
            | periods.speed_figures(here["speed_kmh"])
            | {"accelerating": int(here["accelerating"].sum())}
            for sense, here in ((s, frame[frame["sense"] == s]) for s in ("with", "against"))
        ],
        "scheme": scheme.name,
        "confusion": scheme.confusion,
        "classes": [
            {"class": str(name), "vehicles": int(count)}
            for name, count in frame["vehicle_class"].value_counts(sort=False).sort_index().items()
        ],
        "unsure": int((frame["confidence"] < 0.9).sum()),
    }
