"""Counts of different weeks on one basis: how much of each daily pattern of the permanents a count holds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from countmap.balance.hours import DAY_H, Timeline, weekday

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Hours = NDArray[np.int64]

PATTERNS = 5
"""Shapes that span the hours of weekday and weekend (two were too few on trial towns)."""

CLASSES = 2 * DAY_H
"""Hours of the weekday, then hours of the weekend."""

STATION_SD = 0.01
SENSE_SD = 0.01
"""One standard deviation of a sound counter's own scale, both senses and one (project default)."""

MIN_PERMANENTS = 6
RIDGE = 1.0
"""Weight, in permanents, of the usual patterns against what these dates say (found on trial towns)."""

_OWN_SD = 1.5
_MEMORY_H = 2.0
"""Hours of an access go their own way by one and a half times their mean, a few hours together."""

_MIN_DAYS = 180
_PRESENT = 0.95
_OUTLIER = 3.0
_OWN_DATES = 0.75
"""Weight of a count's own dates among all when its errors are learned."""

ERROR_GROWTH = 0.75
"""Errors of a pattern grow with this power of the flow: between a fixed share (1) and chance (½); small
streets follow the others less closely than busy ones (found on trial towns)."""

_WEIGHTS = np.repeat([5.0 / 7.0, 2.0 / 7.0], DAY_H)


@dataclass(frozen=True, eq=False)
class Basis:
    """The leading shapes of the permanents' year.

    ``coefficients`` (k, PATTERNS) belong to ``keys`` (station, sense), ``level`` (k,) is their vehicles
    a day. ``total`` (PATTERNS,) turns coefficients into vehicles a day; ``moment`` is the mean of
    c c' of one vehicle a day on a road. Of one vehicle a day through a side access ``day`` is c c' by the
    roads' hours, ``tide`` what hours of its own add.
    """

    keys: tuple[tuple[str, str], ...]
    coefficients: Floats
    level: Floats
    total: Floats
    moment: Floats
    day: Floats
    tide: Floats
    axes: Floats
    scale: Floats


@dataclass(frozen=True, eq=False)
class Coefficients:
    """A station's counts by pattern: ``value`` (senses, PATTERNS), ``covariance`` of value.ravel()."""

    senses: tuple[str, ...]
    value: Floats
    covariance: Floats


@dataclass(frozen=True, eq=False)
class _Visit:
    """What a station's own dates do to the patterns: one station's raw estimate and the noise.

    ``noise`` (2·PATTERNS, 2·PATTERNS) is the covariance of both senses' errors at one vehicle a day a
    sense, learned from permanents put through the same dates; ``counting`` that of chance.
    """

    senses: tuple[str, ...]
    value: Floats
    noise: Floats
    counting: Floats
    whole_week: bool


def basis(line: Timeline, permanents: list[str]) -> Basis | None:
    """Return the shapes of the permanents' hours, null where fewer than ``MIN_PERMANENTS`` can be used.

    Notes
    -----
    Coefficients are a linear function of the annual profile, so they balance wherever flow does,
    whatever the leading shapes leave over.
    """
    keys, profiles = [], []
    for station in permanents:
        for sense in line.senses(station):
            hours = line.hours((station, sense))
            profile = _profile(line.at((station, sense), hours), hours)
            if len(hours) >= _MIN_DAYS * DAY_H and np.isfinite(profile).all() and profile.sum() > 0:
                keys.append((station, sense))
                profiles.append(profile)
    if len({station for station, _ in keys}) < MIN_PERMANENTS:
        return None
    table = np.array(profiles)
    level = table @ _WEIGHTS
    shapes = table / level[:, None]
    mean = shapes.mean(axis=0)
    scale = np.sqrt(_WEIGHTS / (mean + 0.05 * mean.mean()))
    _, _, axes = np.linalg.svd(shapes * scale, full_matrices=False)
    axes = axes[:PATTERNS] * np.sign(axes[:PATTERNS].sum(axis=1, keepdims=True) + 1e-12)
    coefficients = (table * scale) @ axes.T
    unit = coefficients / level[:, None]
    return Basis(
        tuple(keys),
        coefficients,
        level,
        axes @ (_WEIGHTS / scale),
        unit.T @ unit / len(unit),
        np.outer(unit.mean(axis=0), unit.mean(axis=0)),
        _own_hours(unit.mean(axis=0) @ (axes / scale), axes * scale),
        axes,
        scale,
    )


def _own_hours(day: Floats, onto: Floats) -> Floats:
    """Return the covariance, by pattern, of a day (classes,) whose every few hours vary by their own size.

    Traffic of one purpose comes and goes when no road as a whole does: by the roads' own ``moment`` an
    access would be taken for a fault of a counter.
    """
    hour = np.arange(CLASSES)
    apart = np.abs(hour[:, None] - hour) % DAY_H
    apart = np.minimum(apart, DAY_H - apart)
    alike = np.where(hour[:, None] // DAY_H == hour // DAY_H, 1.0, 0.5)
    own = _OWN_SD**2 * np.outer(day, day) * alike * np.exp(-0.5 * (apart / _MEMORY_H) ** 2)
    result: Floats = onto @ own @ onto.T
    return result


def coefficients(line: Timeline, base: Basis, stations: list[str]) -> dict[str, Coefficients]:
    """Return every station's coefficients with their errors; stations that cannot be expressed are absent.

    Notes
    -----
    The permanents' hours on the same dates are regressed on their annual coefficients: what each
    pattern looked like on those dates. The station's hours are regressed on that. Each permanent put
    through the same dates without itself shows the error; the errors of one set of dates are averaged
    with those of all sets.
    """
    found: dict[str, Coefficients] = {}
    visits: dict[str, _Visit] = {}
    own = {key: i for i, key in enumerate(base.keys)}
    for station in stations:
        senses = tuple(line.senses(station))
        if not senses or senses == ("both",):
            continue
        if all((station, s) in own for s in senses):
            value = base.coefficients[[own[station, s] for s in senses]]
            found[station] = Coefficients(senses, value, scale_errors(value))
            continue
        visit = _visit(line, base, station, senses)
        if visit is not None:
            visits[station] = visit
    pooled = {
        whole: np.mean([v.noise for v in visits.values() if v.whole_week == whole], axis=0)
        for whole in {v.whole_week for v in visits.values()}
    }
    for station, visit in visits.items():
        n = len(visit.senses) * PATTERNS
        level = float((visit.value @ base.total).mean())
        noise = _OWN_DATES * visit.noise + (1.0 - _OWN_DATES) * pooled[visit.whole_week]
        covariance = noise[:n, :n] * max(level, 1.0) ** (2 * ERROR_GROWTH)
        covariance += visit.counting + scale_errors(visit.value)
        found[station] = Coefficients(visit.senses, visit.value, covariance)
    return found


def scale_errors(value: Floats) -> Floats:
    """Return the covariance that a counter's own scale gives to its coefficients (senses, PATTERNS)."""
    whole = value.ravel()
    result = STATION_SD**2 * np.outer(whole, whole)
    for i, one in enumerate(value):
        at = slice(i * PATTERNS, (i + 1) * PATTERNS)
        result[at, at] += SENSE_SD**2 * np.outer(one, one)
    return result


def _profile(values: Floats, hours: Hours) -> Floats:
    """Return the mean count of each hour class, NaN where there is none."""
    kind = hours % DAY_H + DAY_H * (weekday(hours) >= 5)
    good = np.isfinite(values)
    n = np.bincount(kind[good], minlength=CLASSES)
    total = np.bincount(kind[good], weights=values[good], minlength=CLASSES)
    return np.where(n > 0, total / np.maximum(n, 1), np.nan)


def _visit(line: Timeline, base: Basis, station: str, senses: tuple[str, ...]) -> _Visit | None:
    hours = line.hours((station, senses[0]))
    for sense in senses[1:]:
        hours = np.intersect1d(hours, line.hours((station, sense)))
    kind = hours % DAY_H + DAY_H * (weekday(hours) >= 5)
    n = np.bincount(kind, minlength=CLASSES)
    use = np.flatnonzero(n > 0)
    if (n[:DAY_H] == 0).any():
        return None
    if (n[DAY_H:] == 0).any():
        use = np.arange(DAY_H)
    there = [
        i
        for i, key in enumerate(base.keys)
        if key[0] != station and np.isfinite(line.at(key, hours)).mean() >= _PRESENT
    ]
    if len({base.keys[i][0] for i in there}) < MIN_PERMANENTS:
        return None
    table = np.array([_profile(line.at(base.keys[i], hours), hours)[use] for i in there])
    # A counter that was down all through the visit has no pattern to teach.
    good = np.isfinite(table).all(axis=1) & (table > 0).any(axis=1)
    table, there = table[good], np.array(there)[good].tolist()
    if len({base.keys[i][0] for i in there}) < MIN_PERMANENTS:
        return None
    back = _back(base, there, table, use)
    y = np.array([_profile(line.at((station, s), hours), hours)[use] for s in senses])
    chance = np.maximum(y, 0.5 / n[use]) / n[use]
    counting = np.zeros((len(senses) * PATTERNS,) * 2)
    for i, one in enumerate(chance):
        at = slice(i * PATTERNS, (i + 1) * PATTERNS)
        counting[at, at] = (back * one) @ back.T
    noise = _left_out(base, there, table, use)
    return _Visit(senses, y @ back.T, noise, counting, len(use) == CLASSES)


def _back(base: Basis, there: list[int], table: Floats, use: NDArray[np.intp]) -> Floats:
    """Return (PATTERNS, classes) what turns hours on these dates into annual coefficients.

    The patterns on the dates are the usual ones by hour, and what the permanents say beyond.
    """
    c = base.coefficients[there] / base.level[there][:, None]
    shape = table / base.level[there][:, None]
    year = (base.axes / base.scale)[:, use]
    usual = year * (shape.sum(axis=0) / (c @ year).sum(axis=0))
    ridge = c.T @ c + RIDGE * np.eye(len(usual))
    patterns = usual + np.linalg.solve(ridge, c.T @ (shape - c @ usual))
    weighted = patterns * base.scale[use] ** 2
    back: Floats = np.linalg.solve(weighted @ patterns.T, weighted)
    return back


def _left_out(base: Basis, there: list[int], table: Floats, use: NDArray[np.intp]) -> Floats:
    """Put each permanent through the dates without itself; return the covariance of both senses' errors.

    The errors are those of one vehicle a day (see ``ERROR_GROWTH``); the largest are trimmed.
    """
    by_station: dict[str, list[int]] = {}
    for place, i in enumerate(there):
        by_station.setdefault(base.keys[i][0], []).append(place)
    errors = []
    for places in by_station.values():
        rest = [p for p in range(len(there)) if p not in places]
        back = _back(base, [there[p] for p in rest], table[rest], use)
        mine = [there[p] for p in places]
        off = table[places] @ back.T - base.coefficients[mine]
        off /= base.level[mine].mean() ** ERROR_GROWTH
        if len(places) == 1:
            off = np.vstack([off, off])
        # Which sense is called "with" is nobody's choice here: both orders count.
        errors += [off.ravel(), off[::-1].ravel()]
    stacked = np.array(errors)
    size = np.sqrt((stacked**2).sum(axis=1))
    limit = _OUTLIER * np.median(size)
    stacked = stacked * np.minimum(1.0, limit / np.maximum(size, 1e-12))[:, None]
    covariance: Floats = stacked.T @ stacked / len(stacked)
    return covariance
