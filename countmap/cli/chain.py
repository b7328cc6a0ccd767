"""The chain of numbers behind an annual figure, told line by line."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from countmap.cli.common import Document, columns, flow

RULES = {
    "student": "Student's t from {stations_tested} stations left out in turn",
    "conformal": "conformal from {stations_tested} stations left out in turn",
}
_TOLD = (
    "dates", "permanents", "interval", "mean_of_counts", "factor", "rule", "multiplier",
    "stations_tested", "method", "reason", "scaled_to_both", "counted_in", "dropped", "ignored",
)  # fmt: skip


def told(figure: Document, chain: Document) -> Iterator[str]:
    """Yield the figure first, then how it came about."""
    aadt = "no figure" if figure["aadt"] is None else f"{figure['aadt']:,.1f} vehicles a day"
    yield f"{figure['station_id']} {figure['sense']} {figure['year']}: {aadt}, {figure['status']}"
    if figure["lower"] is not None:
        yield (
            f"  95 % interval {figure['lower']:,.0f} to {figure['upper']:,.0f};"
            f" published as {flow(figure['shown'])}"
        )
    if figure["reason"]:
        yield f"  {figure['reason']}"
    if chain.get("dates"):
        yield "  counted"
        rows = [
            [_dates(d["dates"]), f"{d['hours']} h", flow(d["count"]), _kind(d)]
            for d in chain["dates"]
        ]
        yield from (f"    {line}" for line in columns(rows, right=(1, 2)))
    for name, label in (("dropped", "left out"), ("ignored", "not used")):
        for one in chain.get(name) or []:
            yield f"  {label}: {_plain(one)}"
    if chain.get("factor"):
        product = f"{flow(chain['mean_of_counts'])} × factor {chain['factor']:.4f}"
        if "scaled_to_both" in chain:
            product += f" × {chain['scaled_to_both']:.4f} so that the senses add up to both"
        yield f"  mean of the counts {product}: {flow(figure['aadt'])}"
    if chain.get("permanents"):
        yield "  the permanent stations on the same dates: AADT over their mean, and weight"
        rows = [
            [
                p["station_id"],
                p["sense"],
                f"{p['ratio']:.3f}",
                f"{p['weight']:.0%}",
                p["finding"] or "",
            ]
            for p in chain["permanents"]
        ]
        yield from (f"    {line}" for line in columns(rows, right=(2, 3)))
    if chain.get("interval"):
        parts = ", ".join(
            f"{k.replace('_', ' ')} {v:.1%}" for k, v in chain["interval"].items() if v
        )
        yield f"  parts of the half-width: {parts}"
    if chain.get("rule"):
        how = RULES.get(chain["rule"], "{rule}").format(**{"stations_tested": "", **chain})
        yield f"  multiplier {chain['multiplier']:.2f}: {how}"
    for name, value in chain.items():
        if name not in _TOLD and value not in (None, [], {}):
            yield f"  {name.replace('_', ' ')}: {_plain(value)}"


def _dates(days: list[str]) -> str:
    return days[0] if len(days) == 1 else f"{days[0]} and {days[-1]}"


def _kind(part: Document) -> str:
    kind = {"day": "", "part": "part of a day", "composite": "composite day"}.get(
        part["kind"], part["kind"]
    )
    return ", ".join(filter(None, (kind, part.get("holiday"))))


def _plain(value: Any) -> str:
    """Return a value of the chain as text."""
    if isinstance(value, dict):
        return ", ".join(f"{k.replace('_', ' ')} {_plain(v)}" for k, v in value.items())
    if isinstance(value, list):
        return ", ".join(map(_plain, value))
    if isinstance(value, float):
        return flow(value) if abs(value) >= 1000 else f"{value:.4g}"
    return str(value)
