"""Level shifts: a permanent station whose share of the town's traffic steps on one day and stays."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from countmap.balance.hours import DAY_H, Timeline

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

MIN_SHIFT = 0.10
"""A smaller step is not reported: seasons that differ between stations make steps of up to 8 %
(117 sound station-years of invented towns; project default)."""

MIN_T = 10.0
"""Step over its noise, the largest of a year of dates; it reached 9.4 at those sound stations."""

EDGE_DAYS = 28
"""A break needs this many days on each side."""

PATTERNS = 3
_MIN_DAYS = 180
_MIN_OTHERS = 3
_CLIP = 4.0


@dataclass(frozen=True, slots=True)
class LevelShift:
    """A station whose level changed by ``size`` (share) on ``date``."""

    station: str
    size: float
    t: float
    date: str
    others: int


def level_shifts(line: Timeline, permanents: list[str]) -> list[LevelShift]:
    """Find permanents whose level steps against the others.

    Notes
    -----
    ln of the day's total, each weekday's median taken out, is regressed on the leading patterns of the
    other permanents (season, weather, holidays), then on a step at every date. The noise is the
    residual's, clipped at four deviations and widened for its memory from day to day. The strongest
    station is taken first and leaves the measure of the others.
    """
    days, table = _daily(line, permanents)
    found: list[LevelShift] = []
    left = list(range(len(permanents)))
    while len(left) > _MIN_OTHERS:
        steps = [(_step(table, s, [o for o in left if o != s]), s) for s in left]
        known = [(step, s) for step, s in steps if step is not None]
        if not known:
            break
        (size, t, day), s = max(known, key=lambda one: (abs(one[0][1]), -one[1]))
        if abs(t) < MIN_T or abs(np.expm1(size)) < MIN_SHIFT:
            break
        left.remove(s)
        date = str(np.datetime64(int(days[day]), "D"))
        found.append(LevelShift(permanents[s], float(np.expm1(size)), float(t), date, len(left)))
    return sorted(found, key=lambda one: one.station)


def _daily(line: Timeline, permanents: list[str]) -> tuple[NDArray[np.int64], Floats]:
    """Return the days and ln day totals less their weekday's median (stations, days), NaN if missing."""
    spans = [line.series[p, s] for p in permanents for s in line.senses(p)]
    if not spans:
        return np.zeros(0, dtype=np.int64), np.zeros((0, 0))
    first = min(start for start, _ in spans) // DAY_H
    last = max(start + len(values) for start, values in spans) // DAY_H + 1
    days = np.arange(first, last, dtype=np.int64)
    table = np.full((len(permanents), len(days)), np.nan)
    hours = np.arange(first * DAY_H, last * DAY_H, dtype=np.int64)
    for i, p in enumerate(permanents):
        total = np.zeros(len(days))
        for s in line.senses(p):
            total = total + line.at((p, s), hours).reshape(-1, DAY_H).sum(axis=1)
        usual = np.nanmedian(total) if np.isfinite(total).any() else np.nan
        good = np.isfinite(total) & (total > 0.2 * usual)
        table[i, good] = np.log(total[good])
        for w in range(7):
            at = ((days + 3) % 7 == w) & good
            if at.any():
                table[i, at] -= np.median(table[i, at])
    return days, table


def _step(table: Floats, station: int, others: list[int]) -> tuple[float, float, int] | None:
    """Return size (ln), t and the day of the station's strongest step; null where it cannot be told."""
    good = np.isfinite(table[station])
    present = [o for o in others if np.isfinite(table[o][good]).mean() > 0.8] if good.any() else []
    if good.sum() < _MIN_DAYS or len(present) < _MIN_OTHERS:
        return None
    at = np.flatnonzero(good)
    rest = table[present][:, at]
    rest = np.where(np.isfinite(rest), rest, _common(rest)[None, :])
    centred = rest - rest.mean(axis=1, keepdims=True)
    _, _, axes = np.linalg.svd(np.clip(centred, -1, 1), full_matrices=False)
    design = np.column_stack([np.ones(len(at)), axes[: min(PATTERNS, len(present) - 1)].T])
    q, _ = np.linalg.qr(design)
    breaks = np.arange(EDGE_DAYS, len(at) - EDGE_DAYS)
    if not len(breaks):
        return None
    steps = (np.arange(len(at))[:, None] >= breaks[None, :]).astype(float)
    steps -= q @ (q.T @ steps)
    y = table[station, at]
    y = y - q @ (q.T @ y)
    power = (steps**2).sum(axis=0)
    # A first fit finds the step, a second clips strange days around it.
    size = (steps.T @ y) / power
    best = int(np.argmax(size**2 * power))
    left = y - steps[:, best] * size[best]
    spread = 1.4826 * float(np.median(np.abs(left - np.median(left)))) + 1e-9
    y = steps[:, best] * size[best] + np.clip(left, -_CLIP * spread, _CLIP * spread)
    size = (steps.T @ y) / power
    best = int(np.argmax(size**2 * power))
    left = y - steps[:, best] * size[best]
    noise = np.sqrt((left @ left) / max(len(at) - design.shape[1] - 1, 1)) * _memory(left)
    return (
        float(size[best]),
        float(size[best] * np.sqrt(power[best]) / (noise + 1e-9)),
        int(at[breaks[best]]),
    )


def _common(rest: Floats) -> Floats:
    """Return the median of what is present each day, 0 where nothing is."""
    found = np.zeros(rest.shape[1])
    some = np.isfinite(rest).any(axis=0)
    found[some] = np.nanmedian(rest[:, some], axis=0)
    return found


def _memory(left: Floats) -> float:
    """Return √(1 + 2 Σ ρ), how much wider a mean is than with independent days (lags to two weeks)."""
    centred = left - left.mean()
    base = float(centred @ centred)
    if base <= 0:
        return 1.0
    rho = [float(centred[k:] @ centred[:-k]) / base for k in range(1, 15)]
    positive = np.minimum.accumulate(np.maximum(rho, 0.0))
    return float(np.sqrt(1 + 2 * positive.sum()))
