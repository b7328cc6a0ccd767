"""The balance by pattern, and what each fault would do to it: scales, swaps, unseen traffic."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy import sparse

from countmap.balance.inputs import BalanceInputs, gather
from countmap.balance.patterns import PATTERNS, Basis, Coefficients, scale_errors
from countmap.balance.system import System, build

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

ODDS = {
    "scale": 0.02,
    "over": 0.001,
    "scale_one": 0.002,
    "swap": 0.02,
    "leak": 0.01,
    "hidden": 0.10,
}
"""Prior odds of a fault at one place (project default): a hidden flow of a street stated quiet is
commoner than any fault of a counter, an over-count is rarer than an under-count."""

UNDER = (0.45, 0.25)
OVER = (-0.20, 0.10)
"""Mean and standard deviation of 1/scale − 1: an under-counter keeps about 0.55 to 0.85."""

_SWAP_SD = 0.10
_UNSEEN_SHARE = 0.10
_ACCESS_SHARE = 0.30
"""Unseen traffic, one standard deviation as a share of the flow around it: what a street stated quiet
may carry and a small access may bring, and what a depot or a car park brings."""


@dataclass(frozen=True, eq=False)
class Fault:
    """A hypothesis: residual = design @ amplitude + noise, amplitude ~ N(mean, diag(sd²)).

    ``kind`` is scale, over (a scale above 1), scale_one, swap, leak or hidden; ``at`` the station, or
    the areas or link. ``design`` is (rows, k).
    """

    kind: str
    at: str
    sense: str
    design: Floats
    mean: float
    sd: float
    areas: tuple[int, ...] = ()

    @property
    def key(self) -> tuple[str, str, str]:
        """Return what tells it from the others."""
        return self.kind, self.at, self.sense


@dataclass(frozen=True, eq=False)
class Evidence:
    """Residuals (areas · PATTERNS,), their covariance, the hypotheses and the no-U-turn rules.

    ``legs`` (areas, stations) says which station lies around which area, ``total`` (stations,) the
    two-way flow with its standard deviation ``total_sd``, ``access_sd`` (areas,) what may end there.
    """

    system: System
    stations: tuple[str, ...]
    residual: Floats
    covariance: Floats
    faults: tuple[Fault, ...]
    legs: NDArray[np.bool_]
    total: Floats
    total_sd: Floats
    access_sd: Floats
    closed: NDArray[np.bool_]


def weigh(inputs: BalanceInputs, base: Basis, counts: dict[str, Coefficients]) -> Evidence | None:
    """Set up the balance of every pattern and all that could disturb it; null without equations."""
    gathered = gather(inputs)
    used = gathered.used
    known = [
        s in counts and sense in counts[s].senses
        for s, sense in zip(used["station_id"], used["sense"], strict=True)
    ]
    used = used.loc[known].reset_index(drop=True)
    if used.empty:
        return None
    system = build(inputs, replace(gathered, used=used))
    m = len(system.incidence)
    if not m:
        return None
    rows = {str(s): g.index.to_numpy() for s, g in used.groupby("station_id")}
    whole = sparse.kron(sparse.csr_array(system.incidence), sparse.eye_array(PATTERNS), "csc")
    residual = np.zeros(m * PATTERNS)
    covariance = np.zeros((m * PATTERNS, m * PATTERNS))
    faults: list[Fault] = []
    for station, at in rows.items():
        columns = (at[:, None] * PATTERNS + np.arange(PATTERNS)).ravel()
        block = whole[:, columns].toarray()
        mine = _of(counts[station], used["sense"].iloc[at].tolist())
        residual += block @ mine.value.ravel()
        touched = np.flatnonzero(block.any(axis=1))
        part = block[touched]
        covariance[np.ix_(touched, touched)] += part @ mine.covariance @ part.T
        if len(touched):
            faults += _counter_faults(station, mine, block)
    flow = np.array(
        [
            float(counts[s].value[counts[s].senses.index(sense)] @ base.total)
            for s, sense in zip(used["station_id"], used["sense"], strict=True)
        ]
    )
    scaled = (system.slack * system.source_sd(np.maximum(flow, 0.0))[None, :]).toarray()
    covariance += np.kron(scaled @ scaled.T, base.moment)
    around = np.abs(system.incidence) @ flow
    faults += _unseen(system, around, base)
    stations = tuple(rows)
    legs = np.array([(system.incidence[:, rows[s]] != 0).any(axis=1) for s in stations]).T
    total = np.array([flow[rows[s]].sum() for s in stations])
    sd = np.array(
        [_total_sd(_of(counts[s], used["sense"].iloc[rows[s]].tolist()), base) for s in stations]
    )
    access = np.sqrt((scaled**2).sum(axis=1))
    closed = _closed(system, rows, stations)
    return Evidence(
        system, stations, residual, covariance, tuple(faults), legs, total, sd, access, closed
    )


def _closed(
    system: System, rows: dict[str, NDArray[np.intp]], stations: tuple[str, ...]
) -> NDArray[np.bool_]:
    """Return the areas whose every leg was counted in both senses: there the no-U-turn rules hold."""
    open_ = np.zeros(len(system.incidence), dtype=bool)
    for station in stations:
        mine = system.incidence[:, rows[station]] != 0
        open_ |= mine.any(axis=1) & ~(mine.all(axis=1) & (mine.shape[1] == 2))
    return ~open_


def _of(one: Coefficients, senses: list[str]) -> Coefficients:
    """Return the coefficients with the senses in the order asked for."""
    at = [one.senses.index(s) for s in senses]
    flat = np.concatenate([np.arange(PATTERNS) + PATTERNS * i for i in at])
    return Coefficients(tuple(senses), one.value[at], one.covariance[np.ix_(flat, flat)])


def _total_sd(one: Coefficients, base: Basis) -> float:
    weight = np.tile(base.total, len(one.senses))
    own = one.covariance + scale_errors(one.value)
    return float(np.sqrt(weight @ own @ weight))


def _counter_faults(station: str, mine: Coefficients, block: Floats) -> list[Fault]:
    lost = block @ mine.value.ravel()
    found = [
        Fault("scale", station, "both", -lost[:, None], *UNDER),
        Fault("over", station, "both", -lost[:, None], *OVER),
    ]
    if len(mine.senses) == 1:
        return found
    for i, sense in enumerate(mine.senses):
        at = slice(i * PATTERNS, (i + 1) * PATTERNS)
        one = block[:, at] @ mine.value[i]
        found.append(Fault("scale_one", station, sense, -one[:, None], *UNDER))
    turned = block @ (mine.value[::-1] - mine.value).ravel()
    found.append(Fault("swap", station, "both", -turned[:, None], 1.0, _SWAP_SD))
    return found


def _unseen(system: System, around: Floats, base: Basis) -> list[Fault]:
    """Return the leaks at areas, and flows of streets stated quiet: any pattern, of about a share."""
    values, vectors = np.linalg.eigh(base.moment)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    m = len(system.incidence)
    found = []
    for i in range(m):
        design = np.zeros((m * PATTERNS, PATTERNS))
        design[i * PATTERNS : (i + 1) * PATTERNS] = root * around[i] / 2.0
        found.append(Fault("leak", str(i), "both", design, 0.0, _UNSEEN_SHARE, (i,)))
    for i, j in _twins(system):
        design = np.concatenate([found[i].design, found[j].design], axis=1)
        found.append(Fault("leak", f"{i} {j}", "both", design, 0.0, _UNSEEN_SHARE, (i, j)))
    found += [replace(leak, sd=_ACCESS_SHARE) for leak in found]
    quiet = system.graph.arcs.loc[system.graph.arcs["quiet"]].drop_duplicates("link_id")
    for link, tail, head in quiet[["link_id", "tail", "head"]].itertuples(index=False):
        ends = [(int(system.area[tail]), -1.0), (int(system.area[head]), 1.0)]
        level = max((around[i] / 2.0 for i, _ in ends if i >= 0), default=0.0)
        design = np.zeros((m * PATTERNS, PATTERNS))
        for i, sign in ends:
            if i >= 0:
                design[i * PATTERNS : (i + 1) * PATTERNS] += sign * root * level
        if design.any():
            found.append(Fault("hidden", str(link), "both", design, 0.0, _UNSEEN_SHARE))
    return found


def _twins(system: System) -> list[tuple[int, int]]:
    """Return pairs of areas between the same two stations: the two senses of a place along a section."""
    station = system.counts.used["station_id"].to_numpy(dtype=object)
    first: dict[tuple[str, ...], int] = {}
    found = []
    for i, row in enumerate(system.incidence):
        at = np.flatnonzero(row)
        key = tuple(sorted(set(station[at])))
        if len(at) != 2 or len(key) != 2:
            continue
        if key in first:
            found.append((first[key], i))
        else:
            first[key] = i
    return found
