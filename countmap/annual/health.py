"""Permanents that are broken within the year: zeros for an outage, level shifts, gaps, copies.

A finding changes no count. It keeps the broken part of one permanent from teaching the others, and
is named in the explanations and in the station's own row.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from countmap.annual.gaps import leading
from countmap.annual.pool import Pool, date_text

Array = np.ndarray[Any, np.dtype[np.float64]]
Mask = np.ndarray[Any, np.dtype[np.bool_]]

ZERO_HOURS_MIN = 7
"""Consecutive zero hours that are critical: FHWA Traffic Monitoring Guide, appendix J."""
ZERO_EXPECTED_MIN = 20.0
"""… where at least so many vehicles would be expected: the Poisson chance of none is 2e-9."""
SHIFT_MIN = 0.12
"""Smallest level shift (on the log scale) that is looked for."""
SHIFT_SCATTERS = 5.0
"""… and how many times the usual change from four weeks to the next four it must be."""
SHIFT_SIDE_DAYS = 28
STEP_SIDE_DAYS = 70
STEP_MEMORY_DAYS = 14.0
"""A shift's size is taken from so many days on either side, those further off fading e-fold."""
STEP_RIDGE_DAYS = 5.0
PATTERNS_MAX = 6
SHIFT_LASTS_DAYS = 56
"""… and it must be seen to last: what comes at the year's end may be the holidays."""
DAYS_MIN = 0.5
"""A permanent teaches the others with at least this share of the year."""
REPAIRED_TRUST = 0.95
COPY_DAYS_MIN = 28


@dataclass(frozen=True)
class Shift:
    """A step in one series' level: ``at`` is the first day (since 1970) of the new level."""

    at: int
    log_size: float


@dataclass(frozen=True)
class Health:
    """What was found in a pool, and the pool as it may teach.

    Attributes
    ----------
    pool : Pool
        The counts as they may teach: outage zeros missing, everything after a level shift divided
        by its size, so that the series has one level.
    trust : array, shape (series,)
        1 sound, less when repaired, 0 when it may not teach.
    zeros : list, one entry a series, of (first, last) days
    shifts : list, one entry a series, of Shift or None
    notes : list, one entry a series, of str or None
        One sentence with the figures.
    """

    pool: Pool
    trust: Array
    zeros: list[list[tuple[int, int]]]
    shifts: list[Shift | None]
    notes: list[str | None]


def examine(pool: Pool, year: int) -> Health:
    """Look for outages, level shifts, gaps and copies in the permanents of one year.

    Parameters
    ----------
    pool : Pool
    year : int
        Gaps are judged over its days.
    """
    masked, zeros = _without_zeros(pool)
    trust = np.ones(len(pool.series))
    shifts: list[Shift | None] = [None] * len(pool.series)
    says: list[list[str]] = [[] for _ in pool.series]
    for k, runs in enumerate(zeros):
        days = sum(last - first + 1 for first, last in runs)
        if days:
            first, last = runs[0][0], runs[-1][1]
            says[k].append(f"zeros on {days} days from {date_text(first)} to {date_text(last)}")
    present = np.isfinite(masked.day[:, pool.days_of(year)]).mean(axis=1)
    for k, share in enumerate(present):
        if share < DAYS_MIN:
            trust[k] = 0.0
            says[k].append(f"complete days on only {share:.0%} of the year")
    for k, original in _copies(masked):
        trust[k] = 0.0
        says[k].append(f"a copy of {' '.join(pool.series[original])}")
    for k, found in enumerate(_shifts(masked, trust > 0)):
        if found is not None:
            shifts[k] = found
            trust[k] *= REPAIRED_TRUST
            masked.day[k, found.at - pool.first :] *= np.exp(-found.log_size)
            masked.hour[k, found.at - pool.first :] *= np.exp(-found.log_size)
            size = np.expm1(found.log_size)
            says[k].append(f"level shift of {size:+.0%} from {date_text(found.at)}")
    notes = ["; ".join(says[k]) or None for k in range(len(says))]
    return Health(masked, trust, zeros, shifts, notes)


def _without_zeros(pool: Pool) -> tuple[Pool, list[list[tuple[int, int]]]]:
    """Take improbable runs of zeros as missing."""
    day, hour = pool.day.copy(), pool.hour.copy()
    zeros: list[list[tuple[int, int]]] = []
    for k in range(len(pool.series)):
        bad = np.zeros(day.shape[1], dtype=bool)
        seen = np.isfinite(hour[k])
        if seen.any():
            usual = np.nanmedian(np.where(seen.any(axis=1)[:, None], hour[k], np.nan), axis=0)
            zero = (hour[k] == 0).ravel()
            expected = np.tile(np.nan_to_num(usual), day.shape[1])
            gone = np.zeros(zero.size, dtype=bool)
            for first, last in _runs(zero):
                enough = last - first + 1 >= ZERO_HOURS_MIN
                if enough and expected[first : last + 1].sum() >= ZERO_EXPECTED_MIN:
                    gone[first : last + 1] = True
            gone = gone.reshape(hour[k].shape)
            hour[k][gone] = np.nan
            bad |= gone.any(axis=1)
        usual_day = np.nanmedian(day[k]) if np.isfinite(day[k]).any() else 0.0
        bad |= (day[k] == 0) & (usual_day >= ZERO_EXPECTED_MIN)
        day[k, bad] = np.nan
        zeros.append([(a + pool.first, b + pool.first) for a, b in _runs(bad)])
    return Pool(pool.series, pool.owner, pool.first, day, hour), zeros


def _runs(flags: Mask) -> list[tuple[int, int]]:
    """Return first and last index of each run of true values."""
    edges = np.diff(np.concatenate([[0], flags.astype(np.int8), [0]]))
    return list(
        zip(
            np.flatnonzero(edges == 1).tolist(),
            (np.flatnonzero(edges == -1) - 1).tolist(),
            strict=True,
        )
    )


def _shifts(pool: Pool, usable: Mask) -> list[Shift | None]:
    """Find the one strongest step of each series against the median of the others.

    The yardstick is how much all series change, against the others, from four weeks to the next
    four: a season that differs is a slope, an outlying event comes back, a shift does neither.
    """
    found: list[Shift | None] = [None] * len(pool.series)
    if usable.sum() < 3:
        return found
    logs = np.log(np.where(pool.day > 0, pool.day, np.nan))
    logs = logs - _median(logs, axis=1)[:, None]
    against = np.full_like(logs, np.nan)
    for k in np.flatnonzero(usable):
        others = usable & (pool.owner != pool.owner[k])
        against[k] = logs[k] - _median(logs[others], axis=0)
    against -= _weekday_level(against, pool.first)
    change = _changes(against)
    scatter = 1.4826 * _median(np.abs(change[usable]).ravel(), axis=0)
    for k in np.flatnonzero(usable):
        if not np.isfinite(change[k]).any():
            continue
        rough = int(np.nanargmax(np.abs(change[k])))
        size = float(change[k, rough])
        if abs(size) < max(SHIFT_MIN, SHIFT_SCATTERS * float(scatter)):
            continue
        at = _sharpened(against[k], rough, size)
        before, after = against[k, :at], against[k, at:]
        lasting = float(_median(after, axis=0) - _median(before, axis=0))
        enough = min(np.isfinite(before).sum(), np.isfinite(after).sum()) >= SHIFT_LASTS_DAYS
        if enough and lasting / size > 0.5:
            others = usable & (pool.owner != pool.owner[k])
            rest = _unexplained(logs[k], logs[others], at)
            sharper = _sharpened(rest, at, size)
            if sharper != at:
                at, rest = sharper, _unexplained(logs[k], logs[others], sharper)
            size = _step(rest, at)
            if abs(size) >= SHIFT_MIN:
                found[k] = Shift(at + pool.first, size)
    return found


def _unexplained(series: Array, others: Array, at: int) -> Array:
    """Return what of a series with a step near day ``at`` the other series' patterns leave open.

    The answers to the patterns and the weekdays come from the whole year, a step beside them, which
    is left in.
    """
    day = np.arange(len(series))
    mean = np.nan_to_num(_median(others, axis=0))
    rest = np.where(np.isfinite(others), others - mean, 0.0)
    rank = min(PATTERNS_MAX, max(0, (len(others) - 1) // 2))
    answering = np.vstack([leading(rest, rank), [day % 7 == j for j in range(6)]])
    base = np.vstack([np.ones(len(day)), answering, day >= at])
    seen = np.isfinite(series)
    y = np.where(seen, series - mean, 0.0)
    ridge = np.diag([0.0] + [STEP_RIDGE_DAYS] * len(answering) + [0.0])
    answer = np.linalg.solve((base * seen) @ base.T + ridge, base @ y)
    return np.where(seen, y - answer[:-1] @ base[:-1], np.nan)


def _step(left: Array, at: int) -> float:
    """Return the size of a step at day ``at`` of a series that is level but for it.

    From the days on either side, the nearest most, because slow drift of its own looks like a step
    from afar.
    """
    limit = 3 * 1.4826 * float(_median(np.abs(left - _median(left, axis=0)), axis=0))
    away = np.abs(np.arange(len(left)) - at + 0.5)
    fade = np.exp(-away / STEP_MEMORY_DAYS) * np.isfinite(left)
    sides = slice(max(at - STEP_SIDE_DAYS, 0), at), slice(at, at + STEP_SIDE_DAYS)
    before, following = (_faded_mean(left[side], fade[side], limit) for side in sides)
    return following - before


def _faded_mean(values: Array, weight: Array, limit: float) -> float:
    """Return the weighted mean of what is there, held within ``limit`` of its median."""
    middle = float(_median(values, axis=0))
    held = np.clip(np.nan_to_num(values, nan=middle), middle - limit, middle + limit)
    return float((weight * held).sum() / max(weight.sum(), 1e-12))


def _weekday_level(against: Array, first: int) -> Array:
    """Return each series' median by weekday, laid out over the days."""
    weekday = (np.arange(against.shape[1]) + first) % 7
    level = np.zeros_like(against)
    for j in range(7):
        level[:, weekday == j] = _median(against[:, weekday == j], axis=1)[:, None]
    return level


def _changes(against: Array) -> Array:
    """Return median of the next four weeks − median of the last four, for every day."""
    side = SHIFT_SIDE_DAYS
    out = np.full_like(against, np.nan)
    for at in range(side, against.shape[1] - side + 1):
        left, right = against[:, at - side : at], against[:, at : at + side]
        enough = (np.isfinite(left).sum(axis=1) >= side // 2) & (
            np.isfinite(right).sum(axis=1) >= side // 2
        )
        value = _median(right, axis=1) - _median(left, axis=1)
        if at < out.shape[1]:
            out[enough, at] = value[enough]
    return out


def _sharpened(series: Array, rough: int, size: float) -> int:
    """Return the day that best divides the days around ``rough`` into two levels."""
    low, high = max(rough - SHIFT_SIDE_DAYS, 0), min(rough + SHIFT_SIDE_DAYS, len(series))
    part = series[low:high]
    best, at = np.inf, rough
    for cut in range(7, len(part) - 7):
        a, b = part[:cut], part[cut:]
        cost = np.nansum(np.abs(a - _median(a, axis=0))) + np.nansum(np.abs(b - _median(b, axis=0)))
        if cost < best:
            best, at = float(cost), low + cut
    return at


def _copies(pool: Pool) -> list[tuple[int, int]]:
    """Return (copy, original) for series of different stations with equal days throughout."""
    originals: dict[bytes, int] = {}
    out: list[tuple[int, int]] = []
    for k, row in enumerate(pool.day):
        if np.isfinite(row).sum() < COPY_DAYS_MIN:
            continue
        original = originals.setdefault((row + 0.0).tobytes(), k)
        if pool.owner[original] != pool.owner[k]:
            out.append((k, original))
    return out


def _median(values: Array, axis: int) -> Array:
    """Return the median of what is there; NaN where nothing is."""
    seen = np.isfinite(values)
    ordered = np.sort(np.where(seen, values, np.inf), axis=axis)
    count = seen.sum(axis=axis, keepdims=True)
    low = np.take_along_axis(ordered, np.maximum((count - 1) // 2, 0), axis=axis)
    high = np.take_along_axis(ordered, np.minimum(count // 2, values.shape[axis] - 1), axis=axis)
    with np.errstate(invalid="ignore"):
        middle = np.where(count > 0, (low + high) / 2, np.nan)
    return np.asarray(np.squeeze(middle, axis=axis))
