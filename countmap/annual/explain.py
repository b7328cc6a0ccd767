"""A short count's row of ANNUAL and the chain of numbers behind it."""

from __future__ import annotations

from typing import Any

import numpy as np

from countmap.annual.expand import Block
from countmap.annual.inputs import Rows, Work, blank
from countmap.annual.pool import date_text
from countmap.annual.routes import Level
from countmap.annual.shorts import Short


def write(work: Work, short: Short, level: Level | str, rows: Rows, notes: Rows) -> None:
    """Write the row and the explanation of one short count into ``rows`` and ``notes``.

    Parameters
    ----------
    level : Level or str
        A str says why the count stays unadjusted.
    """
    dropped = [_dated(entry) for entry in short.dropped]
    if isinstance(level, str):
        whole = [block.count for block in short.blocks if block.kind == "day"]
        mean = float(np.mean(whole)) if whole else None
        rows[short.key] = blank(
            short.key,
            work.inputs.year,
            aadt=mean,
            days=float(len(whole)),
            reason=level,
            method="plain mean" if whole else None,
        )
        notes[short.key] = {
            "dropped": dropped,
            "reason": level,
            "dates": [_listed(block, work) for block in short.blocks],
        }
        return
    aadt = float(np.exp(level.log_aadt))
    hours = sum(block.hours for block in level.blocks)
    composed = sum(block.kind == "composite" for block in level.blocks)
    gap = work.gaps.get((*short.key, work.inputs.year))
    reasons = [
        f"not measured: {gap}" if gap else None,
        level.reason,
        f"{composed} composite day" if composed else None,
    ]
    reason = "; ".join(text for text in reasons if text) or None
    rows[short.key] = blank(
        short.key,
        work.inputs.year,
        aadt=aadt,
        aawt=float(np.exp(level.log_weekday)) if np.isfinite(level.log_weekday) else None,
        status="estimated",
        method=level.method,
        days=hours / 24,
        reason=reason,
    ) | level.interval.columns(aadt)
    counted = sum(block.count for block in level.blocks) / (hours / 24)
    notes[short.key] = _told(level.story) | {
        "method": level.method,
        "counted_in": short.year,
        "dates": [_listed(block, work) for block in level.blocks],
        "dropped": dropped + _uncovered(short, level),
        "mean_of_counts": counted,
        "factor": aadt / counted if counted else None,
        "interval": dict(level.interval.parts),
        "reason": reason,
    }


def _uncovered(short: Short, level: Level) -> list[dict[str, Any]]:
    used = {block.cells for block in level.blocks}
    why = "public holiday or no share" if level.method == "textbook" else "no permanents to match"
    return [
        {"date": date_text(block.first), "reason": why}
        for block in short.blocks
        if block.cells not in used
    ]


def _told(story: dict[str, Any]) -> dict[str, Any]:
    """Write the days of a story as dates."""
    out = dict(story)
    if "shares" in out:
        out["shares"] = [_dated(entry) for entry in out["shares"]]
    if "holidays_left_out" in out:
        out["holidays_left_out"] = [date_text(day) for day in out["holidays_left_out"]]
    return out


def _dated(entry: dict[str, Any]) -> dict[str, Any]:
    return {"date": date_text(entry["day"])} | {k: v for k, v in entry.items() if k != "day"}


def _listed(block: Block, work: Work) -> dict[str, Any]:
    """Return a block with its dates; a public holiday is named."""
    out: dict[str, Any] = {
        "dates": [date_text(day) for day, _ in block.cells],
        "kind": block.kind,
        "hours": block.hours,
        "count": block.count,
    }
    names = [work.holidays[day] for day, _ in block.cells if day in work.holidays]
    return out | ({"holiday": names[0]} if names else {})
