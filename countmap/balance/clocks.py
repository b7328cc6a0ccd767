"""Clocks: a count whose hours fit the permanents' patterns only when moved by an hour."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from countmap.balance.hours import DAY_H, Timeline, date_of, visits, weekday

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

PATTERNS = 3
"""Shapes of a day that span the permanents (two were too few on trial towns)."""

MIN_GAIN = 20.0
"""Log likelihood that the moved clock must gain: half the hours of weekday and weekend, both senses, times
ln of the misfits' ratio. A week in both senses must fit 1.5 times better, two weekdays 2.3 times; sound
counts of trial towns reached 12 (project default)."""

_MIN_CLASSES = 20
_MIN_PERMANENTS = 3
_PRESENT = 0.95


@dataclass(frozen=True, slots=True)
class ClockFault:
    """A visit whose stamps lie ``hours`` too late (positive) or too early."""

    station: str
    hours: int
    ratio: float
    first: str
    last: str
    permanents: int


def clocks(line: Timeline, permanents: list[str]) -> list[ClockFault]:
    """Find counts whose clock was an hour off.

    Parameters
    ----------
    line : Timeline
    permanents : list of str
        Stations whose patterns on the same dates are the measure. Each is first examined against the
        others; one whose own clock is off leaves the measure.

    Notes
    -----
    The count, summed by hour of weekday and of weekend, is fitted by the leading patterns of the
    permanents over the same hours, moved by −1, 0 and +1 hour; weights follow the square root of the
    flow. Before any balance: a count's own shape needs no neighbour.
    """
    wrong = [fault for p in permanents for fault in _examine(line, p, permanents)]
    off = {fault.station for fault in wrong}
    sound = [p for p in permanents if p not in off]
    others = [s for s in line.stations() if s not in permanents]
    return wrong + [fault for s in others for fault in _examine(line, s, sound)]


def _examine(line: Timeline, station: str, permanents: list[str]) -> list[ClockFault]:
    senses = line.senses(station)
    basis = [(p, s) for p in permanents if p != station for s in line.senses(p)]
    if not senses or len({p for p, _ in basis}) < _MIN_PERMANENTS:
        return []
    found = []
    for hours in visits(line.hours((station, senses[0]))):
        judged = _judge(line, [(station, s) for s in senses], basis, hours)
        if judged is not None:
            shift, ratio, used = judged
            found.append(
                ClockFault(station, shift, ratio, date_of(hours[0]), date_of(hours[-1]), used)
            )
    return found


def _judge(
    line: Timeline,
    targets: list[tuple[str, str]],
    basis: list[tuple[str, str]],
    hours: NDArray[np.int64],
) -> tuple[int, float, int] | None:
    """Return the shift, the fall of the misfit and the permanents used; null for a sound clock."""
    shifts = (-1, 0, 1)
    moved = {k: np.array([line.at(key, hours - k) for key in basis]) for k in shifts}
    present = np.array([np.isfinite(moved[k]).mean(axis=1) for k in shifts]).min(axis=0) >= _PRESENT
    if len({key[0] for key, ok in zip(basis, present, strict=True) if ok}) < _MIN_PERMANENTS:
        return None
    values = np.array([line.at(key, hours) for key in targets])
    whole = np.isfinite(values).all(axis=0)
    for k in shifts:
        whole &= np.isfinite(moved[k][present]).all(axis=0)
    kind = hours % DAY_H + DAY_H * (weekday(hours) >= 5)
    classes, place = np.unique(kind[whole], return_inverse=True)
    if len(classes) < _MIN_CLASSES:
        return None
    sums = _by_class(values[:, whole], place, len(classes))
    misfit = {
        k: _misfit(sums, _by_class(moved[k][present][:, whole], place, len(classes)))
        for k in shifts
    }
    best = min(shifts, key=lambda k: (misfit[k], abs(k)))
    if best == 0 or misfit[best] <= 0:
        return None
    ratio = misfit[0] / misfit[best]
    if 0.5 * sums.size * np.log(ratio) < MIN_GAIN:
        return None
    return best, float(ratio), len({key[0] for key, ok in zip(basis, present, strict=True) if ok})


def _by_class(values: Floats, place: NDArray[np.intp], n: int) -> Floats:
    return np.array([np.bincount(place, weights=row, minlength=n) for row in values])


def _misfit(targets: Floats, patterns: Floats) -> float:
    """Return what the leading patterns leave of the targets, each as a share of its total."""
    total = patterns.sum(axis=1)
    shapes = patterns[total > 0] / total[total > 0][:, None]
    mean = shapes.mean(axis=0)
    weight = 1.0 / np.sqrt(mean + 1e-3 * mean.mean())
    _, _, axes = np.linalg.svd(shapes * weight, full_matrices=False)
    axes = axes[: min(PATTERNS, len(shapes) - 1)]
    left = 0.0
    for target in targets:
        if target.sum() > 0:
            shape = target / target.sum() * weight
            left += float(((shape - axes.T @ (axes @ shape)) ** 2).sum())
            # Below its own counting noise a fit says nothing.
            left += float((weight**2 * np.maximum(target, 1.0)).sum() / target.sum() ** 2) * 0.5
    return left
