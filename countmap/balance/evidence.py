"""The balance by pattern, and what each fault would do to it: scales, swaps, unseen traffic."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from countmap.balance.expand import NET_SHARE
from countmap.balance.inputs import BalanceInputs, gather
from countmap.balance.patterns import PATTERNS, Basis, Coefficients
from countmap.balance.system import System, build

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

ODDS = {
    "scale": 0.02,
    "over": 0.0005,
    "scale_one": 0.002,
    "swap": 0.02,
    "leak": 0.01,
    "hidden": 0.10,
}
"""Prior odds of a fault at one place (project default): a hidden flow of a street stated quiet is
commoner than any fault of a counter, an over-count is rarer than an under-count."""

UNDER = (0.45, 0.25)
OVER = (-0.17, 0.07)
"""Mean and standard deviation of 1/scale − 1: an under-counter keeps about 0.55 to 0.85, an over-counter
finds up to 1.4 of the truth."""

MOST_AREAS = 1200
"""A region is weighed in full matrices: this many areas take about a gigabyte."""

_SWAP_SD = 0.07
_UNSEEN_SHARE = 0.10
_ACCESS_SHARE = 0.30
"""Unseen traffic, one standard deviation as a share of the flow around it: what a street stated quiet
may carry and a small access may bring, and what a depot or a car park brings."""


@dataclass(frozen=True, eq=False)
class Fault:
    """A hypothesis: residual = design @ amplitude + noise, amplitude ~ N(mean, diag(sd²)).

    ``kind`` is scale, over (a scale above 1), scale_one, swap, leak or hidden; ``at`` the station, or
    the areas or link. ``areas`` are those it touches, ``design`` (areas · PATTERNS, k) what it does there.
    """

    kind: str
    at: str
    sense: str
    areas: tuple[int, ...]
    design: Floats
    mean: float
    sd: float

    @property
    def key(self) -> tuple[str, str, str]:
        """Return what tells it from the others."""
        return self.kind, self.at, self.sense


@dataclass(frozen=True, eq=False)
class Evidence:
    """Residuals (areas · PATTERNS,), their covariance, the hypotheses and the no-U-turn rules.

    The areas of one region: those of different regions share no error. ``legs`` (areas, stations) says
    which station lies around which area, ``total`` (stations,) the two-way flow with its standard
    deviation ``total_sd``, ``access_sd`` (areas,) what may end there, ``closed`` (areas,) whether every leg
    was counted in both senses.
    """

    stations: tuple[str, ...]
    residual: Floats
    covariance: Floats
    faults: tuple[Fault, ...]
    legs: NDArray[np.bool_]
    total: Floats
    total_sd: Floats
    access_sd: Floats
    closed: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Weighed:
    """The evidence region by region; ``left_out``: stations of regions too large, with their areas."""

    regions: tuple[Evidence, ...]
    left_out: dict[str, int]


@dataclass(frozen=True, eq=False)
class _Part:
    """What one station brings to the balance: the areas it touches, its share of residual and errors.

    ``total`` is its two-way flow, ``total_sd`` one standard deviation.
    """

    areas: NDArray[np.intp]
    residual: Floats
    covariance: Floats
    total: float
    total_sd: float


@dataclass(frozen=True, eq=False)
class _Around:
    """All areas: what stations and hypotheses bring, and where the no-U-turn rules hold.

    ``streets``, ``accesses`` (areas, sources) are what quiet streets and accesses add to a day, ``tides``
    what accesses add to some hours and take from others.
    """

    parts: dict[str, _Part]
    faults: tuple[Fault, ...]
    streets: sparse.csr_array
    accesses: sparse.csr_array
    tides: sparse.csr_array
    closed: NDArray[np.bool_]
    base: Basis


def weigh(inputs: BalanceInputs, base: Basis, counts: dict[str, Coefficients]) -> Weighed:
    """Set up the balance of every pattern and all that could disturb it, region by region.

    Returns
    -------
    Weighed
        Without regions where there is no equation.
    """
    gathered = gather(inputs)
    used = gathered.used
    known = [
        s in counts and sense in counts[s].senses
        for s, sense in zip(used["station_id"], used["sense"], strict=True)
    ]
    used = used.loc[known].reset_index(drop=True)
    if used.empty:
        return Weighed((), {})
    system = build(inputs, replace(gathered, used=used))
    if not len(system.incidence):
        return Weighed((), {})
    rows = {str(s): g.index.to_numpy() for s, g in used.groupby("station_id")}
    parts, faults = dict[str, _Part](), list[Fault]()
    flow = np.zeros(len(used))
    for station, at in rows.items():
        mine = _of(counts[station], used["sense"].iloc[at].tolist())
        flow[at] = mine.value @ base.total
        incidence = system.incidence[:, at]
        areas = np.flatnonzero(incidence.any(axis=1))
        block = _kron(incidence[areas], np.eye(PATTERNS))
        parts[station] = _Part(
            areas,
            block @ mine.value.ravel(),
            block @ mine.covariance @ block.T,
            float(flow[at].sum()),
            _total_sd(mine, base),
        )
        if len(areas):
            faults += _counter_faults(station, mine, areas, block)
    scaled = sparse.csr_array(system.slack * system.source_sd(np.maximum(flow, 0.0))[None, :])
    faults += _unseen(system, np.abs(system.incidence) @ flow, base)
    kind = system.graph.sources["kind"].to_numpy(dtype=object)
    quiet, net = kind == "quiet", kind == "net"
    around = _Around(
        parts,
        tuple(faults),
        scaled[:, quiet],
        scaled[:, ~quiet],
        # Who turns in comes out again: nothing of the day, but neither in the same hours.
        scaled[:, net] / (NET_SHARE * np.sqrt(2.0)),
        _closed(system, rows),
        base,
    )
    regions = _regions(faults, scaled)
    size = {int(i): len(region) for region in regions for i in region}
    return Weighed(
        tuple(_region(region, around) for region in regions if len(region) <= MOST_AREAS),
        {
            s: size[int(part.areas[0])]
            for s, part in parts.items()
            if len(part.areas) and size[int(part.areas[0])] > MOST_AREAS
        },
    )


def _regions(faults: list[Fault], scaled: sparse.csr_array) -> list[NDArray[np.intp]]:
    """Return the areas of each region: joined by a station or by what may enter two of them unseen."""
    m = scaled.shape[0]
    joined = sparse.coo_array(scaled @ scaled.T)
    pairs = [np.stack([joined.row, joined.col])]
    pairs += [np.array([fault.areas[:-1], fault.areas[1:]], dtype=np.intp) for fault in faults]
    tail, head = np.concatenate(pairs, axis=1)
    links = sparse.coo_array((np.ones(len(tail)), (tail, head)), shape=(m, m))
    n, label = connected_components(links, directed=False)
    return [np.flatnonzero(label == i) for i in range(n)]


def _region(area: NDArray[np.intp], around: _Around) -> Evidence:
    """Put together what belongs to some areas, numbered afresh."""
    place = {int(i): k for k, i in enumerate(area)}
    parts = {
        s: part for s, part in around.parts.items() if len(part.areas) and part.areas[0] in place
    }
    slack = [
        (s[area] @ s[area].T).toarray() for s in (around.streets, around.accesses, around.tides)
    ]
    covariance: Floats = np.kron(slack[0], around.base.moment)
    covariance += np.kron(slack[1], around.base.day) + np.kron(
        slack[1] + slack[2], around.base.tide
    )
    residual = np.zeros(len(covariance))
    legs = np.zeros((len(area), len(parts)), dtype=bool)
    for k, part in enumerate(parts.values()):
        at = np.array([place[int(i)] for i in part.areas])
        legs[at, k] = True
        rows = (at[:, None] * PATTERNS + np.arange(PATTERNS)).ravel()
        residual[rows] += part.residual
        covariance[np.ix_(rows, rows)] += part.covariance
    mine = tuple(
        replace(fault, areas=tuple(place[i] for i in fault.areas))
        for fault in around.faults
        if fault.areas[0] in place
    )
    return Evidence(
        tuple(parts),
        residual,
        covariance,
        mine,
        legs,
        np.array([part.total for part in parts.values()]),
        np.array([part.total_sd for part in parts.values()]),
        np.sqrt(np.diag(slack[0] + slack[1])),
        around.closed[area],
    )


def _closed(system: System, rows: dict[str, NDArray[np.intp]]) -> NDArray[np.bool_]:
    """Return the areas whose every leg was counted in both senses: there the no-U-turn rules hold."""
    open_ = np.zeros(len(system.incidence), dtype=bool)
    for at in rows.values():
        mine = system.incidence[:, at] != 0
        open_ |= mine.any(axis=1) & ~(mine.all(axis=1) & (mine.shape[1] == 2))
    return ~open_


def _of(one: Coefficients, senses: list[str]) -> Coefficients:
    """Return the coefficients with the senses in the order asked for."""
    at = [one.senses.index(s) for s in senses]
    flat = np.concatenate([np.arange(PATTERNS) + PATTERNS * i for i in at])
    return Coefficients(tuple(senses), one.value[at], one.covariance[np.ix_(flat, flat)])


def _total_sd(one: Coefficients, base: Basis) -> float:
    weight = np.tile(base.total, len(one.senses))
    return float(np.sqrt(weight @ one.covariance @ weight))


def _counter_faults(
    station: str, mine: Coefficients, areas: NDArray[np.intp], block: Floats
) -> list[Fault]:
    at = tuple(areas.tolist())
    lost = -(block @ mine.value.ravel())[:, None]
    found = [
        Fault("scale", station, "both", at, lost, *UNDER),
        Fault("over", station, "both", at, lost, *OVER),
    ]
    if len(mine.senses) == 1:
        return found
    for i, sense in enumerate(mine.senses):
        own = slice(i * PATTERNS, (i + 1) * PATTERNS)
        one = -(block[:, own] @ mine.value[i])[:, None]
        found.append(Fault("scale_one", station, sense, at, one, *UNDER))
    turned = -(block @ (mine.value[::-1] - mine.value).ravel())[:, None]
    found.append(Fault("swap", station, "both", at, turned, 1.0, _SWAP_SD))
    return found


def _unseen(system: System, around: Floats, base: Basis) -> list[Fault]:
    """Return the leaks at areas, and flows of streets stated quiet: any pattern, of about a share."""
    street, access = _root(base.moment), _root(base.day + base.tide)
    found = []
    for areas in [(i,) for i in range(len(around))] + _twins(system):
        design = _kron(np.diag(around[list(areas)] / 2.0), access)
        at = " ".join(map(str, areas))
        found += [
            Fault("leak", at, "both", areas, design, 0.0, share)
            for share in (_UNSEEN_SHARE, _ACCESS_SHARE)
        ]
    quiet = system.graph.arcs.loc[system.graph.arcs["quiet"]].drop_duplicates("link_id")
    for link, tail, head in quiet[["link_id", "tail", "head"]].itertuples(index=False):
        ends = {int(system.area[tail]): -1.0, int(system.area[head]): 1.0}
        areas = tuple(sorted(i for i in ends if i >= 0))
        level = max((around[i] / 2.0 for i in areas), default=0.0)
        if level > 0 and system.area[tail] != system.area[head]:
            design = np.concatenate([ends[i] * level * street for i in areas])
            found.append(Fault("hidden", str(link), "both", areas, design, 0.0, _UNSEEN_SHARE))
    return found


def _kron(areas: Floats, patterns: Floats) -> Floats:
    """Return what holds for areas and patterns at once."""
    result: Floats = np.kron(areas, patterns).astype(np.float64, copy=False)
    return result


def _root(moment: Floats) -> Floats:
    values, vectors = np.linalg.eigh(moment)
    result: Floats = vectors * np.sqrt(np.maximum(values, 0.0))
    return result


def _twins(system: System) -> list[tuple[int, ...]]:
    """Return pairs of areas between the same two stations: the two senses of a place along a section."""
    station = system.counts.used["station_id"].to_numpy(dtype=object)
    first: dict[tuple[str, ...], int] = {}
    found: list[tuple[int, ...]] = []
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
