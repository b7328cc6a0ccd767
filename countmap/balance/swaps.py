"""Swapped directions: counts whose tide runs the wrong way against their neighbours, hour by hour."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from countmap.balance.hours import DAY_H, Timeline, date_of, weekday, weekday_profile
from countmap.balance.inputs import BalanceInputs, Counts, gather
from countmap.balance.solve import inverse
from countmap.balance.system import System, build
from countmap.balance.verdicts import SET_WIDTH, sidak

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

PATTERN_ERROR = 0.06
"""One standard deviation by which an hour's share differs from week to week (project default)."""

MEMORY = 3.0
"""Hours that err together: 24 hours say as much as eight independent ones (project default)."""

LEVEL_ERROR = 0.05
MIN_AMPLITUDE = 0.6
MAX_AMPLITUDE = 1.5
MIN_Z = 4.0
"""Least distance from a sound station; neighbours of other faults reach 4 at amplitudes below a third."""

MIN_POWER = 25.0
"""Non-centrality of a swap (tide against errors) below which the station cannot be tested."""

_LEAST_POWER = (MIN_Z / MAX_AMPLITUDE) ** 2
_MAX_FOUND = 20


@dataclass(frozen=True, slots=True)
class Swap:
    """A station whose senses are swapped, with all that could be meant.

    ``amplitude`` is 1 for a clean swap and 0 for none, ``z`` its distance from 0, ``power`` the
    non-centrality. ``members`` starts with the station.
    """

    station: str
    members: tuple[str, ...]
    amplitude: float
    z: float
    power: float


@dataclass(frozen=True, slots=True)
class Flip:
    """A station whose own tide turns round for a while."""

    station: str
    first: str
    last: str
    correlation: float


@dataclass(frozen=True, eq=False)
class _Hourly:
    """The balance of the 24 hours of a weekday: flows (24, n), residual weights (24, m, m)."""

    system: System
    flow: Floats
    weight: Floats


def swaps(
    inputs: BalanceInputs, line: Timeline, alpha: float = 0.01
) -> tuple[list[Swap], list[str]]:
    """Find swapped stations by the balance of every hour of the weekday.

    Returns
    -------
    swaps : list of Swap
    blind : list of str
        Stations whose swap the hours could not show: no tide, or no equation that holds both ends.

    Notes
    -----
    Undoing a swap of station k changes the residuals of hour h by f_h; r_h = −a f_h with a = 1 for a
    swap and 0 for a sound station, so a = −Σ f'H⁻¹r / Σ f'H⁻¹f. Errors are the profile's (pattern,
    counting, level), widened by how much all equations scatter. The clearest swap is undone and the
    rest looked at again. Stations that explain the same hours alike form the set.
    """
    hourly = _hourly(inputs, line)
    if hourly is None:
        return [], []
    used = hourly.system.counts.used
    pairs = {
        str(station): rows.index.to_numpy()
        for station, rows in used.groupby("station_id")
        if len(rows) == 2
    }
    pairs = {s: k for s, k in pairs.items() if (hourly.system.incidence[:, k] != 0).any()}
    bound = max(MIN_Z, sidak(alpha, len(pairs)))
    flow = hourly.flow.copy()
    found: list[Swap] = []
    blind: set[str] | None = None
    while pairs and len(found) < _MAX_FOUND:
        wide = _spread(hourly, flow)
        judged = {s: _judge(hourly, flow, k, wide) for s, k in sorted(pairs.items())}
        if blind is None:
            blind = {s for s, (_, _, power) in judged.items() if power < MIN_POWER}
        hits = {
            s: (a, z, power)
            for s, (a, z, power) in judged.items()
            if MIN_AMPLITUDE <= a <= MAX_AMPLITUDE and z >= bound and power >= _LEAST_POWER
        }
        if not hits:
            break
        gain = {s: (2 * a - 1) * power for s, (a, _, power) in hits.items()}
        best = max(gain.values())
        near = sorted((s for s in hits if gain[s] >= best - SET_WIDTH), key=lambda s: (-gain[s], s))
        top = _choose(inputs, near, gain)
        members = (top, *[s for s in near if s != top])
        found.append(Swap(top, members, *hits[top]))
        flow[:, pairs[top]] = flow[:, pairs[top][::-1]]
        del pairs[top]
    return found, sorted(blind or ())


def _choose(inputs: BalanceInputs, near: list[str], gain: dict[str, float]) -> str:
    """Return the station to name first: among equals a short count before a permanent station."""
    kind = inputs.stations.set_index("station_id").get("kind")
    best = gain[near[0]]
    equal = [s for s in near if gain[s] >= best - 1e-6 * abs(best)]
    short = [s for s in equal if kind is None or kind.get(s) != "permanent"]
    return (short or equal)[0]


def _hourly(inputs: BalanceInputs, line: Timeline) -> _Hourly | None:
    """Set up the balance of each hour from the stations that have a whole weekday in each sense."""
    counts = gather(inputs)
    profiles = {}
    for station, sense in counts.used[["station_id", "sense"]].itertuples(index=False):
        profile = weekday_profile(line, (station, sense))
        if profile is not None and profile[0].sum() > 0:
            profiles[station, sense] = profile
    keys = list(zip(counts.used["station_id"], counts.used["sense"], strict=True))
    kept = counts.used.loc[[key in profiles for key in keys]].reset_index(drop=True)
    if kept.empty:
        return None
    system = build(inputs, replace(counts, used=kept))
    if not len(system.incidence):
        return None
    shapes, days = [], []
    for key in zip(kept["station_id"], kept["sense"], strict=True):
        shape, n = profiles[key]
        shapes.append(shape / shape.sum())
        days.append(n)
    flow = np.array(shapes).T * kept["aadt"].to_numpy(dtype=float)[None, :]
    return _Hourly(system, flow, _weights(system, flow, np.array(days)))


def _weights(system: System, flow: Floats, days: Floats) -> Floats:
    """Return H⁻¹ of each hour. Both senses enter with their mean, so that a swap changes no weight."""
    level = _mean_of_senses(system.counts, flow)
    a = system.incidence
    found = []
    for here in level:
        variance = (PATTERN_ERROR**2 + LEVEL_ERROR**2) * here**2 + here / days + 1.0
        scaled = system.slack * system.source_sd(here)[None, :]
        found.append(inverse((a * variance) @ a.T + (scaled @ scaled.T).toarray()))
    return np.array(found)


def _mean_of_senses(counts: Counts, flow: Floats) -> Floats:
    level = flow.copy()
    for rows in counts.used.groupby("station_id").groups.values():
        at = np.asarray(rows)
        level[:, at] = flow[:, at].mean(axis=1, keepdims=True)
    return level


def _spread(hourly: _Hourly, flow: Floats) -> float:
    """Return by how much the hours' disagreements scatter beyond their errors, median based, at least 1."""
    residual = flow @ hourly.system.incidence.T
    z2 = residual**2 * np.array([np.diag(w) for w in hourly.weight])
    return max(1.0, float(np.median(z2)) / 0.455)


def _judge(
    hourly: _Hourly, flow: Floats, at: NDArray[np.intp], wide: float
) -> tuple[float, float, float]:
    """Return amplitude, z and non-centrality of a swap of the counts ``at``."""
    a = hourly.system.incidence
    residual = flow @ a.T
    change = (flow[:, at[::-1]] - flow[:, at]) @ a[:, at].T
    towards = np.einsum("hij,hj->hi", hourly.weight, change)
    power = float((towards * change).sum())
    if power <= 1e-9:
        return 0.0, 0.0, 0.0
    amplitude = -float((towards * residual).sum()) / power
    scaled = power / (wide * MEMORY)
    return amplitude, amplitude * float(np.sqrt(scaled)), scaled


def flips(line: Timeline) -> list[Flip]:
    """Find stations whose own tide turns round: two or more weeks against all their other weeks."""
    found = []
    for station in line.stations():
        if line.senses(station) != ["with", "against"]:
            continue
        hours = np.intersect1d(line.hours((station, "with")), line.hours((station, "against")))
        hours = hours[weekday(hours) < 5]
        week = (hours // DAY_H + 3) // 7
        tide = line.at((station, "with"), hours) - line.at((station, "against"), hours)
        traffic = line.at((station, "with"), hours) + line.at((station, "against"), hours)
        weeks = np.unique(week)
        if len(weeks) < 4:
            continue
        table = np.array([_shape(tide[week == w], hours[week == w] % DAY_H) for w in weeks])
        level = np.array([_shape(traffic[week == w], hours[week == w] % DAY_H) for w in weeks])
        usual = np.nanmedian(table, axis=0) if np.isfinite(table).any(axis=0).all() else None
        if usual is None or np.abs(usual).sum() < 0.08 * np.nanmedian(level, axis=0).sum():
            continue
        agree = np.array([_correlation(row, usual) for row in table])
        turned = np.flatnonzero(agree < -0.7)
        if len(turned) >= 2 and np.median(agree) > 0.7:
            first, last = hours[week == weeks[turned[0]]][0], hours[week == weeks[turned[-1]]][-1]
            found.append(
                Flip(station, date_of(first), date_of(last), float(np.median(agree[turned])))
            )
    return found


def _shape(values: Floats, hour: NDArray[np.int64]) -> Floats:
    n = np.bincount(hour, minlength=DAY_H)
    total = np.bincount(hour, weights=values, minlength=DAY_H)
    return np.where(n > 0, total / np.maximum(n, 1), np.nan)


def _correlation(a: Floats, b: Floats) -> float:
    both = np.isfinite(a) & np.isfinite(b)
    size = np.sqrt((a[both] ** 2).sum() * (b[both] ** 2).sum())
    return float((a[both] * b[both]).sum() / size) if both.sum() >= 12 and size > 0 else 0.0
