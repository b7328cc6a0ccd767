"""What the panel tells beyond the figure: installation records with their error budget, class and speed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date
from typing import Any

from countmap.publish.content import MapContent
from countmap.publish.packed import Column, Numbers, Text

EPOCH = date(1970, 1, 1).toordinal()
LABELS = {
    "sensor": "sensor", "counter_id": "counter", "started": "started", "ended": "ended",
    "spacing_entered_m": "spacing entered, m", "spacing_near_m": "spacing at the near kerb, m",
    "spacing_middle_m": "spacing in the middle, m", "spacing_far_m": "spacing at the far kerb, m",
    "spacing_end_near_m": "at collection, near kerb, m", "spacing_end_middle_m": "at collection, middle, m",
    "spacing_end_far_m": "at collection, far kerb, m", "lead_a_m": "lead A, m", "lead_b_m": "lead B, m",
    "width_m": "carriageway, m", "stretch_a_m": "stretch A, m", "stretch_b_m": "stretch B, m",
    "skew_deg": "skew, °", "dead_time_ms": "dead time, ms", "air_c": "air, °C",
    "first_tube_with": "tube first in sense with", "clock_offset_start_s": "clock at start, s",
    "clock_offset_end_s": "clock at end, s", "count_error": "count error, one standard error",
}  # fmt: skip
CHECKS = {
    "spacing": "spacing",
    "parallel": "parallel",
    "square": "square",
    "equal": "equal lengths",
}
NOT_PUBLIC = frozenset({"counter_id"})


def installed(content: MapContent, order: Mapping[str, int]) -> dict[str, dict[str, Column]]:
    """Return the installation records as labels and values: table ``records``, by station and survey."""
    rows = [
        (at, survey["survey_id"], label, value)
        for station, at in order.items()
        for survey in content.surveys.get(station, ())
        if content.audience == "internal" or _said(survey.get("ended")) is not None
        for label, value in _facts(survey, public=content.audience == "public")
    ]
    return {
        "records": {
            "station": Numbers([float(at) for at, *_ in rows]),
            "survey": Text([survey for _, survey, *_ in rows]),
            "label": Text([label for *_, label, _ in rows]),
            "value": Text([value for *_, value in rows]),
        }
    }


def told(
    survey: Mapping[str, Any], labels: Mapping[str, str], *, public: bool
) -> Iterator[tuple[str, str]]:
    """Yield what a record holds under some labels; the counter's id is not for the public."""
    for name, label in labels.items():
        value = _said(survey.get(name))
        if value is not None and not (public and name in NOT_PUBLIC):
            yield label, value.replace("T", " ") if name in ("started", "ended") else value


def _facts(survey: Mapping[str, Any], *, public: bool) -> Iterator[tuple[str, str]]:
    yield from told(survey, LABELS, public=public)
    done = {True: "done", False: "not so", None: ""}
    for name, label in CHECKS.items():
        answer = survey.get(f"check_{name}")
        if answer is True or answer is False:
            yield f"checked: {label}", done[answer]
    budget = survey.get("budget")
    if budget is None:
        yield "error budget", "none: the geometry was not recorded"
        return
    for part in _worst(budget["parts"]):
        error = 100 * max(abs(part["error_ab"]), abs(part["error_ba"]))
        yield (
            f"error of speed, {part['name']}",
            f"{error:.1f} % at {part['speed_kmh']:g} km/h: {part['verdict']}",
        )


def _worst(parts: list[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Return each part of an error budget at the speed where it is largest."""
    largest: dict[str, Mapping[str, Any]] = {}
    for part in parts:
        size = max(abs(part["error_ab"]), abs(part["error_ba"]))
        known = largest.get(part["name"])
        if known is None or size > max(abs(known["error_ab"]), abs(known["error_ba"])):
            largest[part["name"]] = part
    return list(largest.values())


def _said(value: Any) -> str | None:
    if value is None or value != value:  # noqa: PLR0124  # NaN is the only value that differs from itself
        return None
    return f"{value:g}" if isinstance(value, int | float) else str(value)


def mixes(content: MapContent, order: Mapping[str, int]) -> dict[str, dict[str, Column]]:
    """Return class and speed: table ``mixes`` a row a station, ``classes`` a row a class of it."""
    known = [(at, content.summaries[s]) for s, at in order.items() if s in content.summaries]
    classes = [(at, word, count) for at, one in known for word, count in one.classes]
    blank = float("nan")

    def numbers(name: str, scale: float) -> Numbers:
        values = [getattr(one, name) for _, one in known]
        return Numbers([blank if v is None else v for v in values], scale)

    return {
        "mixes": {
            "station": Numbers([float(at) for at, _ in known]),
            "first": Numbers([float(one.first.toordinal() - EPOCH) for _, one in known]),
            "last": Numbers([float(one.last.toordinal() - EPOCH) for _, one in known]),
            "heavy": numbers("heavy", 1000),
            "heavy_why": Text([one.heavy_why or None for _, one in known]),
            "classified": numbers("classified", 1),
            "scheme": Text([one.scheme or None for _, one in known]),
            "speed85_kmh": numbers("speed85_kmh", 10),
            "speed_why": Text([one.speed_why or None for _, one in known]),
            "timed": numbers("timed", 1),
        },
        "classes": {
            "station": Numbers([float(at) for at, *_ in classes]),
            "word": Text([word for _, word, _ in classes]),
            "count": Numbers([count for *_, count in classes]),
        },
    }
