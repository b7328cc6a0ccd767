"""What a station's counts amount to: whole days, parts of days, composite days; axles to vehicles."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

ALL_HOURS = (1 << 24) - 1
BLOCKS_MAX = 28
"""Blocks of four weeks; a longer count is averaged to about so many."""
PART_HOURS_MIN = 6
"""A part of a day below this many hours says too little to be expanded."""


@dataclass(frozen=True)
class Block:
    """Hours that are compared as one: ``cells`` are (day, hours as a bit mask), day as days since 1970.

    ``kind`` is ``day`` (a whole civil day), ``part`` (some hours of one day) or ``composite`` (the
    first and the last day of a stay, the same weekday, that make one day between them).
    """

    kind: str
    cells: tuple[tuple[int, int], ...]
    count: float

    @property
    def hours(self) -> int:
        """Return how many hours the block holds."""
        return sum(mask.bit_count() for _, mask in self.cells)

    @property
    def first(self) -> int:
        """Return the block's first day."""
        return self.cells[0][0]


def to_vehicles(
    cells: pd.DataFrame, axles_per_vehicle: dict[str, float]
) -> tuple[pd.DataFrame, dict[str, str]]:
    """Turn axle counts into vehicles where the station's axles per vehicle are known.

    Parameters
    ----------
    cells : DataFrame
        HOUR_CELLS or DAY_TOTALS; ``quantity`` may be absent (then everything is vehicles).
    axles_per_vehicle : dict
        Station id → axles per vehicle, from classified counts or a setting.

    Returns
    -------
    vehicles : DataFrame
        The same rows without those of the refused stations.
    refused : dict
        Station id → why its axles cannot be turned into vehicles.

    Notes
    -----
    Vehicles = axles / axles per vehicle = 2 × axle pairs / axles per vehicle. Counts of vehicles are
    never corrected (ASTM E2467).

    Examples
    --------
    >>> axles = pd.DataFrame({"station_id": ["a"], "count": [245.0], "quantity": ["axles"]})
    >>> to_vehicles(axles, {"a": 2.45})[0]["count"].round(6).tolist()
    [100.0]
    """
    if "quantity" not in cells or cells.empty:
        return cells, {}
    quantity = cells["quantity"].astype("str").to_numpy()
    if (quantity == "vehicles").all():
        return cells, {}
    per_vehicle = cells["station_id"].map(axles_per_vehicle).to_numpy(dtype=np.float64)
    factor = np.select(
        [quantity == "vehicles", quantity == "axles", quantity == "axle_pairs"],
        [np.ones(len(cells)), 1 / per_vehicle, 2 / per_vehicle],
        default=np.nan,
    )
    unknown = np.isnan(factor)
    refused = {
        str(
            station
        ): f"{str(kind).replace('_', ' ')} were counted and the axles per vehicle are not "
        f"known; give axles_per_vehicle for {station}"
        for station, kind in zip(cells["station_id"][unknown], quantity[unknown], strict=True)
    }
    out = cells.assign(count=cells["count"] * factor, quantity="vehicles")
    return out.loc[~unknown], refused


def day_masks(hours: pd.DataFrame) -> pd.DataFrame:
    """Return one row for each series and day with complete hours: ``mask`` of them and ``count``.

    Parameters
    ----------
    hours : DataFrame
        ``station_id, sense, day`` (days since 1970), ``hour, count``; null counts are missing.
    """
    known = hours.loc[hours["count"].notna(), ["station_id", "sense", "day", "hour", "count"]]
    known = known.assign(mask=np.left_shift(1, known["hour"].to_numpy(dtype=np.int64)))
    return known.groupby(["station_id", "sense", "day"], as_index=False)[["mask", "count"]].sum()


def blocks_of(
    days: Mapping[int, float], parts: Mapping[int, tuple[int, float]]
) -> tuple[list[Block], list[dict[str, Any]]]:
    """Return the blocks of one station and sense, and the days that give none.

    Parameters
    ----------
    days : mapping
        Day (since 1970) → count of the civil day; NaN where it is not complete.
    parts : mapping
        Day → hours present as a bit mask, and their count.

    Returns
    -------
    blocks : list of Block
        In order of their first day.
    dropped : list of dict
        ``day`` and ``reason``.

    Examples
    --------
    >>> found, dropped = blocks_of({100: 2400.0, 101: float("nan")}, {101: (0b111, 90.0)})
    >>> [(block.kind, block.count) for block in found], dropped
    ([('day', 2400.0)], [{'day': 101, 'reason': 'only 3 hours'}])
    """
    found = [
        Block("day", ((day, ALL_HOURS),), count)
        for day, count in days.items()
        if not math.isnan(count)
    ]
    known = {block.first for block in found}
    rest = [
        Block("day" if mask == ALL_HOURS else "part", ((day, mask),), count)
        for day, (mask, count) in parts.items()
        if day not in known
    ]
    dropped: list[dict[str, Any]] = []
    for block in _composed(rest):
        if block.hours >= PART_HOURS_MIN:
            found.append(block)
        else:
            dropped.append({"day": block.first, "reason": f"only {block.hours} hours"})
    silent = sorted(day for day in days if day not in known and day not in parts)
    dropped += [{"day": day, "reason": "no complete hour"} for day in silent]
    return sorted(found, key=lambda b: b.cells), dropped


def _composed(parts: list[Block]) -> list[Block]:
    """Join a first and a last day of the same weekday, one to three weeks apart, that fit together."""
    parts = sorted(parts, key=lambda b: b.cells)
    taken: set[int] = set()
    out: list[Block] = []
    for i, first in enumerate(parts):
        if i in taken or first.kind == "day":
            continue
        day, mask = first.cells[0]
        for j in range(i + 1, len(parts)):
            later, other = parts[j].cells[0]
            fits = (later - day) in (7, 14, 21) and mask & other == 0
            if j not in taken and fits and mask | other == ALL_HOURS:
                taken |= {i, j}
                cells = ((day, mask), (later, other))
                out.append(Block("composite", cells, first.count + parts[j].count))
                break
    return out + [part for i, part in enumerate(parts) if i not in taken]


def joined(window: tuple[Block, ...]) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Return the weights that average blocks to at most so many as four weeks have.

    Returns
    -------
    array, shape (blocks, averages)
        Columns sum to 1; the identity for a count of up to four weeks. In a longer one blocks of
        the same weekday and kind that follow each other are averaged.

    Examples
    --------
    >>> days = tuple(Block("day", ((day, ALL_HOURS),), 1.0) for day in range(56))
    >>> join = joined(days)
    >>> join.shape, float(join[0, 0]), float(join[7, 0])
    ((56, 28), 0.5, 0.5)
    """
    if len(window) <= BLOCKS_MAX:
        return np.eye(len(window))
    alike: dict[tuple[int, int], list[int]] = {}
    for at, block in enumerate(window):
        alike.setdefault((block.first % 7, block.cells[0][1]), []).append(at)
    each = max(1, BLOCKS_MAX // len(alike))
    columns = []
    for members in alike.values():
        for part in np.array_split(members, min(each, len(members))):
            column = np.zeros(len(window))
            column[part] = 1 / len(part)
            columns.append(column)
    return np.array(columns).T
