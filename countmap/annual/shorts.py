"""Short counts: which days may be used, for which year, and why the others may not."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from countmap.annual.expand import Block, blocks_of, day_masks
from countmap.annual.inputs import Key, Work
from countmap.annual.pool import date_text, day_number

MARGIN_DAYS = 31
"""Days before and after a year that still belong to its counts: a stay over New Year is one."""


@dataclass(frozen=True)
class Short:
    """One series that is not measured: its blocks that may be used, and the days that may not."""

    key: Key
    year: int
    blocks: tuple[Block, ...]
    dropped: tuple[dict[str, Any], ...]

    @property
    def hours(self) -> int:
        """Return the hours of all blocks."""
        return sum(block.hours for block in self.blocks)


def collect(work: Work, senses: tuple[str, ...], skip: set[Key]) -> list[Short]:
    """Return every series of ``senses`` that is not measured, with the year it is to be levelled in.

    Notes
    -----
    That is the wanted year if enough hours lie in it, else the nearest year with enough; days up to
    a month outside the year stay, so that a count over New Year is one count.
    """
    days, parts = _by_series(work, senses, skip)
    closed = _closures(work)
    out = []
    for key in sorted(set(days) | set(parts)):
        found, dropped = blocks_of(days.get(key, {}), parts.get(key, {}))
        shut = closed.get(key[0], {}) | closed.get("", {})
        open_blocks = [b for b in found if not any(day in shut for day, _ in b.cells)]
        dropped += [
            {"day": day, "reason": shut[day]} for b in found for day, _ in b.cells if day in shut
        ]
        year = _base_year(open_blocks, work.inputs.year, work.settings.min_hours)
        first = day_number(f"{year}-01-01") - MARGIN_DAYS
        last = day_number(f"{year + 1}-01-01") + MARGIN_DAYS - 1
        kept = [b for b in open_blocks if first <= b.first and b.cells[-1][0] <= last]
        dropped += [
            {"day": b.first, "reason": f"not in {year}"} for b in open_blocks if b not in kept
        ]
        out.append(Short(key, year, tuple(kept), tuple(dropped)))
    return out


def _by_series(
    work: Work, senses: tuple[str, ...], skip: set[Key]
) -> tuple[dict[Key, dict[int, float]], dict[Key, dict[int, tuple[int, float]]]]:
    """Return series → day → count, and series → day → (hours present, their count)."""
    whole: dict[Key, dict[int, float]] = defaultdict(dict)
    parts: dict[Key, dict[int, tuple[int, float]]] = defaultdict(dict)

    def wanted(frame: pd.DataFrame) -> pd.DataFrame:
        keep = np.zeros(len(frame), dtype=bool)
        for sense in senses:
            known = {station for station, of in skip if of == sense}
            keep |= (frame["sense"].eq(sense) & ~frame["station_id"].isin(known)).to_numpy()
        return frame[keep]

    days = wanted(work.days)
    columns = (days[name].tolist() for name in ("station_id", "sense", "day", "count"))
    for station, sense, day, count in zip(*columns, strict=True):
        whole[(station, sense)][day] = count
    masks = day_masks(wanted(work.hours))
    columns = (masks[name].tolist() for name in ("station_id", "sense", "day", "mask", "count"))
    for station, sense, day, mask, count in zip(*columns, strict=True):
        parts[(station, sense)][day] = (mask, count)
    return whole, parts


def _base_year(blocks: list[Block], wanted: int, min_hours: int) -> int:
    hours: dict[int, int] = defaultdict(int)
    for block in blocks:
        hours[int(date_text(block.first)[:4])] += block.hours
    if hours.get(wanted, 0) >= min(min_hours, sum(hours.values())):
        return wanted
    enough = [year for year, found in hours.items() if found >= min_hours] or [wanted]
    return min(enough, key=lambda year: (abs(year - wanted), -year))


def _closures(work: Work) -> dict[str, dict[int, str]]:
    """Return station id ('' for everywhere) → day → why it is left out."""
    days = work.inputs.days
    out: dict[str, dict[int, str]] = defaultdict(dict)
    if days is None or days.empty:
        return out
    stations = work.inputs.stations
    links: Any = stations.get("link_id", pd.Series(index=stations.index, dtype="str"))
    for row in days[days["kind"].isin(["closure", "event"])].to_dict("records"):
        named = row.get("links")
        span = range(day_number(str(row["first"].date())), day_number(str(row["last"].date())) + 1)
        name = row.get("name")
        everywhere = not isinstance(named, str) or not named.strip()
        what = f"{row['kind']} everywhere" if everywhere else row["kind"]
        why = what if pd.isna(name) else f"{what}: {name}"
        where = [""]
        if isinstance(named, str) and not everywhere:
            where = stations.loc[links.isin(named.split()), "station_id"].astype("str").tolist()
        for station in where:
            out[station] |= dict.fromkeys(span, why)
    return out
