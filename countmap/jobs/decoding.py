"""From files of pulses to vehicles, counts and figures, as a stream: memory does not grow with the stay."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from countmap.clock import offsets_min
from countmap.counts import periods
from countmap.errors import InvalidInput
from countmap.formats import pulses, vehicles, whole
from countmap.jobs.common import Document, Step
from countmap.schemes import reader
from countmap.tables import SENSES
from countmap.tubes.classify import classify, labels
from countmap.tubes.geometry import Geometry
from countmap.tubes.pulses import Decoded, Decoder
from countmap.tubes.vehicles import Vehicles
from countmap.tubes.verify import count_error

TOP_STEPS = 40_000  # speeds are kept to 0.01 km/h, up to 400
CLOSE_S = 2.0  # who follows so close is not free in choosing the speed


@dataclass(frozen=True, slots=True)
class Epoch:
    """A part of a stay with one geometry.

    Parameters
    ----------
    since_us : int
        True time since the start of the stay from which it holds.
    geometry : Geometry
        At the middle of the epoch.
    widened : float
        Spacing measured at the end, less that at the start, as a share of the mean: between the two
        it is taken to have moved evenly.
    """

    since_us: int
    geometry: Geometry
    widened: float = 0.0


@dataclass(frozen=True, slots=True)
class Stay:
    """What is known of the pulses of one counter beside the pulses.

    Parameters
    ----------
    epochs : tuple of Epoch
        In order, the first since 0.
    started : Timestamp
        UTC instant of stamp 0.
    first_tube_with : {"A", "B"}
        Tube that vehicles of sense ``with`` strike first.
    clock_s : (float, float)
        How far the counter's clock was ahead of the reference at its first and its last stamp;
        between them it is taken to have drifted evenly. Speeds are not touched.
    """

    epochs: tuple[Epoch, ...]
    started: pd.Timestamp
    first_tube_with: str
    tz: str
    survey_id: str = ""
    station_id: str = ""
    clock_s: tuple[float, float] = (0.0, 0.0)
    scheme: str = "austroads12"


@dataclass(frozen=True, slots=True)
class Clock:
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


@dataclass(slots=True)
class Totals:
    """What a stream of vehicles adds up to."""

    pulses: list[int] = field(default_factory=lambda: [0, 0])
    first_us: int = np.iinfo(np.int64).max
    last_stamp_us: int = np.iinfo(np.int64).min
    days: dict[int, list[int]] = field(default_factory=dict)
    vehicles: int = 0
    axles: int = 0
    complete: int = 0
    repeats: int = 0
    orphans: int = 0
    alone: int = 0
    unsure: int = 0
    doubt: float = 0.0
    classes: dict[str, int] = field(default_factory=dict)
    speeds: Any = field(default_factory=lambda: np.zeros((2, TOP_STEPS), np.int64))
    number: list[int] = field(default_factory=lambda: [0, 0])
    accelerating: list[int] = field(default_factory=lambda: [0, 0])
    last_us: list[int | None] = field(default_factory=lambda: [None, None])
    gaps: list[int] = field(default_factory=lambda: [0, 0])
    gap_us: list[int] = field(default_factory=lambda: [0, 0])
    close: list[int] = field(default_factory=lambda: [0, 0])

    def add(self, part: Decoded, columns: dict[str, Any]) -> None:
        """Take a part of the stream and its columns."""
        v = part.vehicles
        self.vehicles += len(v)
        self.axles += int(v.axles.sum())
        self.complete += int(v.complete.sum())
        self.repeats += part.repeats
        self.orphans += len(part.orphans_us)
        self.alone += len(part.alone_us)
        self.unsure += int((v.confidence < 0.9).sum())
        self.doubt += float(np.sum(1.0 - v.confidence.astype(float)))
        names, counts = np.unique(columns["vehicle_class"].astype(str), return_counts=True)
        for name, n in zip(names.tolist(), counts.tolist(), strict=True):
            self.classes[name] = self.classes.get(name, 0) + n
        for k, sense in enumerate(SENSES):
            here = columns["sense"] == sense
            speed = columns["speed_kmh"][here]
            steps = np.round(speed[np.isfinite(speed)] * 100).astype(np.int64)
            self.speeds[k] += np.bincount(np.minimum(steps, TOP_STEPS - 1), minlength=TOP_STEPS)
            self.number[k] += int(here.sum())
            self.accelerating[k] += int(v.accelerating[here].sum())
            self._follow(k, columns["time_us"][here])

    def _follow(self, k: int, times: Any) -> None:
        if len(times) == 0:
            return
        before = self.last_us[k]
        gaps = np.diff(times) if before is None else np.diff(times, prepend=np.int64(before))
        self.gaps[k] += len(gaps)
        self.gap_us[k] += int(gaps.sum())
        self.close[k] += int((gaps < CLOSE_S * 1e6).sum())
        self.last_us[k] = int(times[-1])

    def count(self, times: Any, tubes: Any, day_us: int) -> None:
        """Take a chunk of pulses; days are those of ``day_us``, the civil time of stamp 0."""
        self.first_us = min(self.first_us, int(times.min()))
        self.last_stamp_us = max(self.last_stamp_us, int(times.max()))
        days = (times + day_us) // 86_400_000_000
        first = int(days.min())
        on = np.bincount(2 * (days - first) + tubes)
        for place in np.flatnonzero(on).tolist():
            self.days.setdefault(first + place // 2, [0, 0])[place % 2] += int(on[place])
        b = int(tubes.sum())
        self.pulses[0] += len(tubes) - b
        self.pulses[1] += b

    @property
    def quality(self) -> float:
        """The counts' standard error as the data show it, a share."""
        return count_error(
            vehicles=self.vehicles, axles=self.axles, complete=self.complete,
            orphans=self.orphans + self.alone, doubt=self.doubt,
        )  # fmt: skip


def stream(
    files: Sequence[Path], stay: Stay, totals: Totals, clock: Clock, step: Step
) -> Iterator[tuple[Decoded, Epoch, tuple[int, int]]]:
    """Yield what becomes certain, with its epoch and the raw stamps between which that holds.

    Raises
    ------
    NotFound, InvalidInput
        A file that is not there or cannot be read, stamps out of order, no pulses.
    """
    edges = [_raw(clock, e.since_us) for e in stay.epochs]
    edges[0], now = np.iinfo(np.int64).min, 0
    decoder = Decoder(stay.epochs[0].geometry)
    day_us = _civil_us(stay)
    for at, file in enumerate(files):
        for times, tubes in pulses.chunks(file):
            totals.count(times, tubes, day_us)
            for here, k in _by_epoch(times, edges, now):
                if k != now:
                    yield decoder.finish(), stay.epochs[now], _within(edges, now, clock)
                    now, decoder = k, Decoder(stay.epochs[k].geometry)
                try:
                    part = decoder.feed(times[here], tubes[here])
                except InvalidInput as error:
                    raise InvalidInput(f"{Path(file).name}: {error}") from error
                yield part, stay.epochs[now], _within(edges, now, clock)
        step(at + 1, len(files))
    if not sum(totals.pulses):
        raise InvalidInput(f"{', '.join(f.name for f in files)}: no pulses. Check the file")
    yield decoder.finish(), stay.epochs[now], _within(edges, now, clock)


def _by_epoch(times: Any, edges: list[int], now: int) -> Iterator[tuple[slice, int]]:
    """Yield the parts of a chunk with their epoch; an epoch that began does not end by a stamp before."""
    epoch = np.searchsorted(np.array(edges[1:], np.int64), times, side="right")
    epoch = np.maximum.accumulate(np.maximum(epoch, now))
    cuts = [0, *(np.flatnonzero(np.diff(epoch)) + 1).tolist(), len(times)]
    for a, b in pairwise(cuts):
        if b > a:
            yield slice(a, b), int(epoch[a])


def _within(edges: list[int], now: int, clock: Clock) -> tuple[int, int]:
    return max(edges[now], clock.first), edges[now + 1] if now + 1 < len(edges) else clock.last


def _raw(clock: Clock, true_us: int) -> int:
    """Return the stamp that the counter gave at a true time."""
    raw = true_us
    for _ in range(3):  # a clock drifts by seconds in days: this converges at once
        raw += true_us - int(clock.true(raw))
    return raw


def _civil_us(stay: Stay) -> int:
    minutes = int(offsets_min(pd.Series([stay.started]), stay.tz)[0])
    civil = stay.started + pd.Timedelta(minutes=minutes)
    return int((civil - civil.normalize()) / pd.Timedelta(microseconds=1))


def clock_of(files: Sequence[Path], stay: Stay) -> Clock:
    """Return the clock; where something moved evenly, the files are read through for their ends."""
    if stay.clock_s == (0.0, 0.0) and not any(e.widened for e in stay.epochs):
        return Clock(0, 1, 0.0, 0.0)
    first, last = np.iinfo(np.int64).max, np.iinfo(np.int64).min
    for file in files:
        for times, _ in pulses.chunks(file):
            first, last = min(first, int(times.min())), max(last, int(times.max()))
    return Clock(first, last, *stay.clock_s)


@dataclass(frozen=True, slots=True)
class Result:
    """What decoding gives beside the vehicles' file: PERIODS where asked, totals, span, clock."""

    counts: pd.DataFrame | None
    totals: Totals
    span: tuple[pd.Timestamp, pd.Timestamp]


def run(  # noqa: PLR0917  # one call
    files: Sequence[Path],
    stay: Stay,
    out: Path | None,
    minutes: int | None,
    edges_kmh: Sequence[float] | None,
    step: Step,
) -> Result:
    """Decode files of one stay, in order; write vehicles to ``out``, count intervals of ``minutes``.

    Raises
    ------
    NotFound, InvalidInput
        As ``stream``; minutes that do not divide the hour; edges that do not rise.
    """
    scheme = reader.load(stay.scheme)
    clock, totals = clock_of(files, stay), Totals()
    cells: list[pd.DataFrame] = []
    silent: list[pd.Series] = []
    with ExitStack() as stack:
        writer = None
        if out is not None:
            part_file = stack.enter_context(whole.replacing(out))
            writer = stack.enter_context(vehicles.writer(part_file))
        for part, epoch, within in stream(files, stay, totals, clock, step):
            columns, spacings = _columns(part.vehicles, scheme, stay, clock, epoch, within)
            totals.add(part, columns)
            if writer is not None:
                writer.add(vehicles.table(columns, spacings))
            if minutes is not None:
                time = _instants(stay, columns["time_us"])
                names = ("sense", "speed_kmh", "vehicle_class")
                frame = pd.DataFrame({"time": time} | {n: columns[n] for n in names})
                cells.append(periods.cells(frame, minutes=minutes, edges_kmh=edges_kmh))
                alone = _instants(stay, clock.true(part.alone_us)).dt.floor(f"{minutes}min")
                silent.append(alone.drop_duplicates())
    begun, ended = (
        stay.started + pd.Timedelta(microseconds=int(clock.true(t)))
        for t in (totals.first_us, totals.last_stamp_us)
    )
    counts = None
    if minutes is not None:
        counts = _counted(cells, silent, (begun, ended), stay, scheme.name, minutes)
    return Result(counts, totals, (begun, ended))


def _counted(  # noqa: PLR0917  # one call
    cells: list[pd.DataFrame],
    silent: list[pd.Series],
    span: tuple[pd.Timestamp, pd.Timestamp],
    stay: Stay,
    scheme: str,
    minutes: int,
) -> pd.DataFrame:
    """Return PERIODS by class and, where cells have speed bins, those of class and speed beside them.

    A vehicle without speed is in its class alone: the classes hold every vehicle.
    """
    found = pd.concat(cells, ignore_index=True)
    bare = found.assign(speed_low_kmh=np.nan, speed_high_kmh=np.nan)
    tables = [periods.added(bare)]
    if found["speed_low_kmh"].notna().any():
        tables.append(periods.added(found[found["speed_low_kmh"].notna()]))
    counted = [
        periods.interval_counts(
            table, span, stay.tz, station_id=stay.station_id, survey_id=stay.survey_id,
            scheme=scheme, minutes=minutes, silent=pd.concat(silent, ignore_index=True),
        )
        for table in tables
    ]  # fmt: skip
    return pd.concat(counted, ignore_index=True)


def _instants(stay: Stay, times_us: Any) -> pd.Series:
    return pd.Series(stay.started.as_unit("us") + pd.to_timedelta(np.asarray(times_us), unit="us"))


def _columns(  # noqa: PLR0917  # one call
    v: Vehicles,
    scheme: reader.Scheme,
    stay: Stay,
    clock: Clock,
    epoch: Epoch,
    within: tuple[int, int],
) -> tuple[dict[str, Any], Any]:
    """Return the columns of the table ``vehicles``, and all spacings one after the other."""
    part = (v.time_us - within[0]) / max(within[1] - within[0], 1)
    scale = 1.0 + epoch.widened * (np.clip(part, 0.0, 1.0) - 0.5)
    spacings = v.spacings_m * np.repeat(scale, np.maximum(v.axles - 1, 0))
    with_first = v.b_first == (stay.first_tube_with == "B")
    columns = {
        "survey_id": stay.survey_id,
        "time_us": clock.true(v.time_us),
        "sense": np.where(with_first, *SENSES).astype(object),
        "speed_kmh": (v.speed_kmh * scale).round(2),
        "accelerating": v.accelerating,
        "axles": v.axles,
        "vehicle_class": labels(classify(v.axles, spacings, v.starts, scheme), scheme),
        "scheme": scheme.name,
        "confidence": v.confidence.astype(float).round(4),
    }
    return columns, spacings.round(3)


def summary(result: Result, stay: Stay) -> Document:
    """Return the figures of a decoded stay."""
    t, scheme = result.totals, reader.load(stay.scheme)
    minutes = int(offsets_min(pd.Series([result.span[0]]), stay.tz)[0])
    first, last = (x + pd.Timedelta(minutes=minutes) for x in result.span)
    values = np.arange(TOP_STEPS) / 100
    return {
        "pulses": sum(t.pulses),
        "pulses_a": t.pulses[0],
        "pulses_b": t.pulses[1],
        "vehicles": t.vehicles,
        "repeats": t.repeats,
        "orphans": t.orphans,
        "axles_alone": t.alone,
        "first": first.strftime("%Y-%m-%d %H:%M"),
        "last": last.strftime("%Y-%m-%d %H:%M"),
        "epochs": len(stay.epochs),
        "senses": [
            {"sense": sense, "vehicles": t.number[k]}
            | periods.figures_of(values, t.speeds[k])
            | {
                "accelerating": t.accelerating[k],
                "mean_headway_s": t.gap_us[k] / t.gaps[k] / 1e6 if t.gaps[k] else None,
                "close_share": t.close[k] / t.gaps[k] if t.gaps[k] else None,
            }
            for k, sense in enumerate(SENSES)
        ],
        "scheme": scheme.name,
        "confusion": scheme.confusion,
        "classes": [{"class": name, "vehicles": t.classes[name]} for name in sorted(t.classes)],
        "unsure": t.unsure,
        "count_error": t.quality,
    }
