"""Who agrees and who is wrong: tests of areas, hypotheses about counts, suspects as sets."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import sparse

from countmap.balance.search import FIRM
from countmap.balance.solve import NON_CENTRALITY, Solution, directions

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from countmap.balance.system import System

    Floats = NDArray[np.float64]

SET_WIDTH = 3.84
"""Hypotheses within this of the best z² are not told apart (χ², one degree of freedom, 95 %)."""

DOUBTFUL_Z = 2.0
"""Beyond this a single test is worth a look (job practice: warn at 2)."""

MAX_SUSPECTS = 20

_DISCOUNT = {
    "section": 0.0,
    "loses": 0.7,
    "gains": 2.8,
    "loses_one": 2.8,
    "junction": 2.8,
    "gains_one": 4.2,
}
"""Twice the log odds by which one fault is rarer than another (project default): along a section an
access that nobody drew is named before a counter; counters miss vehicles more often than they invent
them, in both senses more often than in one. They only say which member of a set is named first."""


def sidak(alpha: float, tests: int) -> float:
    """Return the two-sided z that none of ``tests`` sound tests passes with probability 1 − alpha.

    Examples
    --------
    >>> round(sidak(0.05, 28), 4)
    3.1165
    """
    each = 1.0 - (1.0 - alpha) ** (1.0 / max(tests, 1))
    return NormalDist().inv_cdf(1.0 - each / 2.0)


def standardised(solution: Solution) -> Floats:
    """Return each area's disagreement over its own standard error, r_i / √H_ii."""
    result: Floats = solution.residual / np.sqrt(solution.area_variance)
    return result


def spread(z: Floats) -> float:
    """Return how much wider than their errors the disagreements scatter, at least 1.

    Median based, so that a few faults do not hide themselves, and only so far as it exceeds what
    chance makes of that many tests.
    """
    if len(z) < 10:
        return 1.0
    sigma = 1.4826 * float(np.median(np.abs(z)))
    return max(1.0, sigma / (1.0 + 1.9 / np.sqrt(len(z))))


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """One way in which the counts may be wrong.

    ``kind``: scale (a station loses or gains the same share in both senses), scale_one (one sense),
    leak. ``stations`` are the station itself, or those around the leak; ``place`` says where a leak is,
    ``sort`` whether along a section or at a junction. ``unit`` and ``counted`` are the fitted and the
    counted vehicles a day.
    """

    kind: str
    stations: tuple[str, ...]
    sense: str
    place: str
    unit: float
    counted: float = 0.0
    sort: str = ""


@dataclass(frozen=True, slots=True)
class Suspect:
    """A fault found, with all that could be meant: ``members`` stations, ``rivals`` hypotheses.

    ``posterior`` is the share of the hypothesis among it and its rivals.
    """

    hypothesis: Hypothesis
    size: float
    z: float
    min_detectable_bias: float
    members: tuple[str, ...]
    rivals: tuple[tuple[Hypothesis, float, float], ...]
    posterior: float

    @property
    def power(self) -> float:
        """The non-centrality z² that the fault has in the test."""
        return self.z**2

    @property
    def firm(self) -> bool:
        """Whether it is far likelier than all that rivals it."""
        return self.posterior > FIRM


@dataclass(frozen=True, eq=False)
class Hypotheses:
    """Every hypothesis that day totals can carry, as arrays; a name only for those asked for.

    ``kind`` is scale_one, scale or leak; ``which`` the row of the count, of the pair, or of the source
    (``sort`` area: the row of the area); ``columns`` (blocks, k) what one unit adds to the residuals: a
    share of the flow for counts, one vehicle a day for leaks. ``unit`` and ``counted`` as in
    :class:`Hypothesis`, ``sort`` section, junction or area for leaks.
    """

    system: System
    kind: NDArray[np.object_]
    which: NDArray[np.intp]
    sort: NDArray[np.object_]
    unit: Floats
    counted: Floats
    columns: sparse.csc_array

    def __len__(self) -> int:
        return len(self.kind)

    def describe(self, i: int) -> Hypothesis:
        """Return hypothesis ``i`` with its stations and its place."""
        used, k = self.system.counts.used, int(self.which[i])
        unit, counted = float(self.unit[i]), float(self.counted[i])
        if self.kind[i] == "scale_one":
            station, sense = str(used.loc[k, "station_id"]), str(used.loc[k, "sense"])
            return Hypothesis("scale_one", (station,), sense, "", unit, counted)
        if self.kind[i] == "scale":
            first = self.system.equations.pairs[k, 0]
            return Hypothesis(
                "scale", (str(used.loc[first, "station_id"]),), "both", "", unit, counted
            )
        return self._leak(i, k)

    def _leak(self, i: int, k: int) -> Hypothesis:
        e = self.system.equations
        rows = np.unique(e.block_area[self.columns[:, [i]].indices])
        rows = rows[rows >= 0]
        stations = stations_around(self.system, rows)
        place, sort = _leak_place(self.system, str(self.sort[i]), k)
        if sort == "section" and len(stations) == 2:
            place = f"{place}, between {stations[0]} and {stations[1]}"
        return Hypothesis("leak", stations, "both", place, 1.0, sort=sort)


def stations_around(system: System, rows: NDArray[np.intp]) -> tuple[str, ...]:
    """Return the stations whose counts enter the equations of areas ``rows``."""
    around = np.unique(system.equations.by_area[rows].indices)
    return tuple(sorted(set(system.counts.used["station_id"].to_numpy(dtype=object)[around])))


def hypotheses(system: System, flow: Floats) -> Hypotheses:
    """Return every hypothesis that day totals can carry and what one unit of it adds to the residuals."""
    e = system.equations
    flow = np.maximum(flow, 1.0)
    counts = system.counts.used["aadt"].to_numpy(dtype=float)
    scaled = sparse.csc_array(e.incidence.multiply(flow[None, :]))
    one = np.flatnonzero(system.checkable)
    both = sparse.csc_array(scaled[:, e.pairs[:, 0]] + scaled[:, e.pairs[:, 1]])
    pairs = np.flatnonzero(_largest(sparse.csc_array(e.sums @ both)) > 0)
    leaks, which, sort = _leaks(system)
    kind = np.repeat(["scale_one", "scale", "leak"], [len(one), len(pairs), len(which)])
    ones = np.ones(len(which))
    return Hypotheses(
        system,
        kind.astype(object),
        np.concatenate([one, pairs, which]),
        np.concatenate([np.full(len(one) + len(pairs), "", dtype=object), sort]),
        np.concatenate([flow[one], flow[e.pairs[pairs]].sum(axis=1), ones]),
        np.concatenate([counts[one], counts[e.pairs[pairs]].sum(axis=1), ones]),
        sparse.csc_array(sparse.hstack([scaled[:, one], both[:, pairs], leaks], "csc")),
    )


def _largest(columns: sparse.csc_array) -> Floats:
    """Return the size of the largest entry of each column."""
    found = np.zeros(columns.shape[1])
    column = np.repeat(np.arange(columns.shape[1]), np.diff(columns.indptr))
    np.maximum.at(found, column, np.abs(columns.data))
    return found


def _leaks(system: System) -> tuple[sparse.csc_array, NDArray[np.intp], NDArray[np.object_]]:
    """Return where flow may come in or go out unseen: columns, source or area, and what sort of place.

    Along a section who turns in at an access comes out the other way, so both senses go together.
    """
    e, sources = system.equations, system.graph.sources
    kind = sources["kind"].to_numpy(dtype=object)
    at = np.concatenate([np.flatnonzero(kind == k) for k in ("access", "quiet")])
    here = sparse.csc_array(e.sums @ e.slack[:, at])
    here.eliminate_zeros()
    told = _largest(here) > 0
    at, here = at[told], here[:, told]
    along = area_sorts(system) == "section"
    apart = np.asarray(abs(here).T @ (~along).astype(float)).ravel() > 0
    sort = np.where((kind[at] == "quiet") | ~apart, "section", "junction").astype(object)
    double = np.diff(here.indptr) == 2
    paired = np.zeros(e.n_areas, dtype=bool)
    paired[here[:, double].indices] = True
    alone = np.flatnonzero(~along | ~paired)
    units = sparse.eye_array(e.n_areas, format="csc")[:, alone]
    every = sparse.csc_array(sparse.hstack([here, units], "csc"))
    _, first = np.unique(_fingerprint(every), return_index=True)
    first = np.sort(first)
    inside = np.flatnonzero(e.block_area >= 0)[::-1]
    root = np.zeros(e.n_areas, dtype=np.intp)
    root[e.block_area[inside]] = inside
    placed = sparse.csc_array(
        (np.ones(len(alone)), (root[alone], np.arange(len(alone)))),
        shape=(len(e.block_area), len(alone)),
    )
    blocks = sparse.csc_array(e.slack[:, at])
    size = _largest(here)
    blocks = sparse.csc_array(blocks.multiply(1.0 / size[None, :]))
    columns = sparse.csc_array(sparse.hstack([blocks, placed], "csc"))[:, first]
    kinds = np.concatenate([sort, np.where(along[alone], "section area", "area")])
    return columns, np.concatenate([at, alone])[first], kinds[first]


def _leak_place(system: System, sort: str, k: int) -> tuple[str, str]:
    if sort.endswith("area"):
        return area_name(system, k), "section" if sort == "section area" else "junction"
    word = "the quiet street" if system.graph.sources["kind"].iloc[k] == "quiet" else "link"
    return f"{word} {system.graph.sources['link_id'].iloc[k]}", sort


def _fingerprint(columns: sparse.csc_array) -> Floats:
    """Return a number for each column that agrees where columns point the same way."""
    columns.sort_indices()
    marks = np.random.default_rng(0).uniform(1.0, 2.0, columns.shape[0])
    some = np.diff(columns.indptr) > 0
    lead = np.ones(columns.shape[1])
    lead[some] = columns.data[columns.indptr[:-1][some]]
    result: Floats = np.round(np.asarray(columns.T @ marks) / lead, 9)
    return result


def area_sorts(system: System) -> NDArray[np.object_]:
    """Return for each area whether it is a junction, a place along a section, or several junctions."""
    names = system.clusters
    many = np.bincount(names["area"], minlength=system.equations.n_areas)
    return np.array(["section", "junction", "area"], dtype=object)[np.minimum(many, 2)]


def area_name(system: System, i: int) -> str:
    """Return a name of an area for people."""
    names = system.clusters
    clusters = names.loc[names["area"].eq(i), "cluster"].tolist()
    if len(clusters) == 1:
        return f"junction {clusters[0]}"
    if clusters:
        more = "…" if len(clusters) > 3 else ""
        return f"the area of junctions {', '.join(clusters[:3])}{more}"
    stations = stations_around(system, np.array([i]))
    return "the stretch between " + " and ".join(stations)


def area_clusters(system: System) -> list[list[str]]:
    """Return the junctions of each area, bends left out."""
    names = system.clusters
    bounds = np.searchsorted(names["area"], np.arange(system.equations.n_areas + 1))
    cluster = names["cluster"].tolist()
    return [cluster[a:b] for a, b in pairwise(bounds)]


def accuse(system: System, solution: Solution, alpha: float) -> tuple[list[Suspect], float, float]:
    """Name the faults one after the other, each with the set that the counts cannot tell apart.

    Returns
    -------
    suspects : list of Suspect
        In the order found: where the strongest hypothesis is beyond the Šidák bound, the likeliest of
        those within 3.84 of its z²; then the same with its parameter left free, until none is left.
    bound : float
        The |z| beyond which a hypothesis is an accusation.
    spread : float
        By how much the bound was raised since all disagreements scatter more than their errors say.

    Notes
    -----
    A scale of both senses and a scale of one are tested with one parameter each, so their z² compare.
    """
    found = hypotheses(system, solution.flow)
    wide = spread(standardised(solution)) if solution.dof else 1.0
    bound = wide * sidak(alpha, _distinct(system, found.columns))
    weighed = directions(solution, found.columns)
    suspects: list[Suspect] = []
    while len(found) and len(suspects) < MAX_SUSPECTS:
        z, bias = weighed.z()
        square = np.nan_to_num(z**2, nan=-1.0)
        best = float(square.max())
        if best <= bound**2:
            break
        near = np.flatnonzero(square >= best - SET_WIDTH)
        standing = square[near] - np.array([_discount(found, int(i), z[i]) for i in near])
        order = np.lexsort((near, -np.round(standing, 6)))
        odds = np.exp((standing[order] - standing[order[0]]) / 2.0)
        near = near[order]
        suspects.append(_suspect(found, near, z, bias, float(odds[0] / odds.sum())))
        weighed = weighed.free(int(near[0]))
    return suspects, bound, wide


def _discount(found: Hypotheses, i: int, z: float) -> float:
    if found.kind[i] == "leak":
        return _DISCOUNT["section" if str(found.sort[i]).startswith("section") else "junction"]
    side = "loses" if z < 0 else "gains"
    return _DISCOUNT[side if found.kind[i] == "scale" else f"{side}_one"]


def _suspect(
    found: Hypotheses, near: NDArray[np.intp], z: Floats, bias: Floats, posterior: float
) -> Suspect:
    """Return the first of ``near`` as the suspect, the stations of all as its set, the rest as rivals."""
    named = [found.describe(int(i)) for i in near]
    top = int(near[0])
    members: dict[str, None] = {}
    for one in named:
        if one.kind != "leak" or one is named[0]:
            members.update(dict.fromkeys(one.stations))
    rivals = [
        (one, _size(one, z[i], bias[i]), float(z[i]))
        for i, one in zip(near[1:], named[1:], strict=True)
    ]
    return Suspect(
        named[0],
        _size(named[0], z[top], bias[top]),
        float(z[top]),
        float(bias[top] * named[0].unit),
        tuple(members),
        tuple(rivals),
        posterior,
    )


def _size(hypothesis: Hypothesis, z: float, bias: float) -> float:
    """Return the estimated size: vehicles a day of a leak; of a count, the share it is off the truth.

    In units f'H⁻¹r / f'H⁻¹f = z · bias / 4.13; a count of y that is b too high had a truth of y − b.
    """
    units = float(z * bias / NON_CENTRALITY)
    if hypothesis.kind == "leak":
        return units
    off = units * hypothesis.unit
    return off / max(hypothesis.counted - off, 1.0)


def _distinct(system: System, columns: sparse.csc_array) -> int:
    """Count the hypotheses that point different ways."""
    by_area = sparse.csc_array(system.equations.sums @ columns)
    by_area.eliminate_zeros()
    return len(np.unique(_fingerprint(by_area)))


def verdict(z: float, bound: float) -> str:
    """Say in a word what a z means: agrees, doubtful (beyond 2), disagrees (beyond the bound)."""
    if not np.isfinite(z):
        return "no equation"
    if abs(z) > bound:
        return "disagrees"
    return "doubtful" if abs(z) > DOUBTFUL_Z else "agrees"


def area_tests(system: System, solution: Solution, alpha: float) -> pd.DataFrame:
    """Return one row an area: sort, clusters, in, out, disagreement, se, z, verdict, bias.

    ``min_detectable_bias`` is 4.13 standard errors of the disagreement: what this one equation finds.
    """
    se = np.sqrt(solution.area_variance)
    a, y = system.equations.by_area, solution.problem.counts
    residual = solution.residual
    z = residual / se
    bound = sidak(alpha, len(z))
    clusters = area_clusters(system)
    return pd.DataFrame(
        {
            "sort": area_sorts(system),
            "clusters": clusters,
            "in": (abs(a) @ y + residual) / 2,
            "out": (abs(a) @ y - residual) / 2,
            "disagreement": residual,
            "se": se,
            "z": z,
            "verdict": [verdict(one, bound) for one in z],
            "min_detectable_bias": NON_CENTRALITY * se,
        }
    )
