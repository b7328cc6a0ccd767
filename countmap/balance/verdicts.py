"""Who agrees and who is wrong: tests of areas, hypotheses about counts, suspects as sets."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from countmap.balance.solve import NON_CENTRALITY, Solution, direction_z, project_out

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
    variance = np.diag(_h(solution))
    result: Floats = solution.residual / np.sqrt(variance)
    return result


def _h(solution: Solution) -> Floats:
    problem = solution.problem
    result: Floats = problem.incidence @ problem.errors @ problem.incidence.T + problem.slack
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
    """A fault found, with all that could be meant: ``members`` stations, ``rivals`` hypotheses."""

    hypothesis: Hypothesis
    size: float
    z: float
    min_detectable_bias: float
    members: tuple[str, ...]
    rivals: tuple[tuple[Hypothesis, float, float], ...]


def hypotheses(system: System, flow: Floats) -> tuple[list[Hypothesis], Floats]:
    """Return every hypothesis that day totals can carry and what one unit of it adds to the residuals.

    A unit is a share of the flow for counts, one vehicle a day for leaks.
    """
    used = system.counts.used
    found: list[Hypothesis] = []
    columns: list[Floats] = []
    checkable = system.checkable
    flow = np.maximum(flow, 1.0)
    counts = used["aadt"].to_numpy(dtype=float)
    for k in np.flatnonzero(checkable):
        found.append(
            Hypothesis("scale_one", (used.loc[k, "station_id"],), used.loc[k, "sense"], "", flow[k])
        )
        columns.append(system.incidence[:, k] * flow[k])
    for station, rows in used.groupby("station_id"):
        at = rows.index.to_numpy()
        if len(at) > 1:
            column = system.incidence[:, at] @ flow[at]
            if np.abs(column).max(initial=0.0) > 0:
                found.append(
                    Hypothesis(
                        "scale",
                        (str(station),),
                        "both",
                        "",
                        float(flow[at].sum()),
                        float(counts[at].sum()),
                    )
                )
                columns.append(column)
    for column, place, sort in _leaks(system):
        around = np.flatnonzero((np.abs(system.incidence) * np.abs(column)[:, None]).any(axis=0))
        stations = tuple(sorted(set(used.loc[around, "station_id"])))
        if sort == "section" and len(stations) == 2:
            where = f"{place}, between {stations[0]} and {stations[1]}"
        else:
            where = place
        found.append(Hypothesis("leak", stations, "both", where, 1.0, sort=sort))
        columns.append(column)
    return found, (np.column_stack(columns) if columns else np.zeros((len(system.incidence), 0)))


def _leaks(system: System) -> list[tuple[Floats, str, str]]:
    """Return where flow may come in or go out unseen: direction, place, and section or junction.

    Along a section who turns in at an access comes out the other way, so both senses go together.
    """
    m = len(system.incidence)
    found: dict[bytes, tuple[Floats, str, str]] = {}

    def add(column: Floats, place: str, sort: str) -> None:
        lead = column[np.flatnonzero(column)[0]]
        key = np.round(column / lead, 6).tobytes()
        found.setdefault(key, (column / np.abs(column).max(), place, sort))

    names = area_names(system)
    sources = system.graph.sources
    for kind, word in (("access", "link"), ("quiet", "the quiet street")):
        at = np.flatnonzero(sources["kind"].eq(kind))
        unit = system.slack[:, at].tocsc()
        unit.eliminate_zeros()
        for j in np.flatnonzero(np.diff(unit.indptr)):
            column = unit[:, [j]].toarray().ravel()
            along = all(names[i][0] == "section" for i in np.flatnonzero(column))
            sort = "section" if along or kind == "quiet" else "junction"
            add(column, f"{word} {sources['link_id'].iloc[at[j]]}", sort)
    paired = {
        i for c, _, _ in found.values() if np.count_nonzero(c) == 2 for i in np.flatnonzero(c)
    }
    for i, (sort, name) in enumerate(names):
        if sort != "section" or i not in paired:
            add(np.eye(m)[i], name, "section" if sort == "section" else "junction")
    return list(found.values())


def area_names(system: System) -> list[tuple[str, str]]:
    """Return for each area its sort (junction, section, area) and a name for people."""
    named: list[tuple[str, str]] = []
    for i, clusters in enumerate(area_clusters(system)):
        if len(clusters) == 1:
            named.append(("junction", f"junction {clusters[0]}"))
        elif clusters:
            more = "…" if len(clusters) > 3 else ""
            named.append(("area", f"the area of junctions {', '.join(clusters[:3])}{more}"))
        else:
            around = np.flatnonzero(system.incidence[i])
            stations = sorted(set(system.counts.used.loc[around, "station_id"]))
            named.append(("section", "the stretch between " + " and ".join(stations)))
    return named


def area_clusters(system: System) -> list[list[str]]:
    """Return the junctions of each area, bends left out."""
    vertices = system.graph.vertices
    at = np.flatnonzero((system.area >= 0) & (vertices["kind"] != "bend").to_numpy())
    names = pd.DataFrame({"area": system.area[at], "cluster": vertices["cluster"].to_numpy()[at]})
    by_area = names.drop_duplicates().sort_values("cluster").groupby("area")["cluster"].agg(list)
    return [by_area.get(i, []) for i in range(len(system.incidence))]


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
    found, directions = hypotheses(system, solution.flow)
    wide = spread(standardised(solution)) if solution.dof else 1.0
    bound = wide * sidak(alpha, _distinct(directions))
    weight = solution.weight
    suspects: list[Suspect] = []
    while found and len(suspects) < MAX_SUSPECTS:
        z, bias = direction_z(weight, solution.residual, directions)
        square = np.nan_to_num(z**2, nan=-1.0)
        best = float(square.max())
        if best <= bound**2:
            break
        near = np.flatnonzero(square >= best - SET_WIDTH)
        standing = square[near] - np.array([_discount(found[i], z[i]) for i in near])
        near = near[np.lexsort((near, -np.round(standing, 6)))]
        suspects.append(_suspect(found, near, z, bias))
        weight = project_out(weight, directions[:, near[0]])
    return suspects, bound, wide


def _discount(hypothesis: Hypothesis, z: float) -> float:
    if hypothesis.kind == "leak":
        return _DISCOUNT[hypothesis.sort]
    side = "loses" if z < 0 else "gains"
    return _DISCOUNT[side if hypothesis.kind == "scale" else f"{side}_one"]


def _suspect(found: list[Hypothesis], near: NDArray[np.intp], z: Floats, bias: Floats) -> Suspect:
    """Return the first of ``near`` as the suspect, the stations of all as its set, the rest as rivals."""
    top = int(near[0])
    members: dict[str, None] = {}
    for i in near:
        if found[i].kind != "leak" or i == top:
            members.update(dict.fromkeys(found[i].stations))
    rivals = [(found[i], _size(found[i], z[i], bias[i]), float(z[i])) for i in near[1:]]
    return Suspect(
        found[top],
        _size(found[top], z[top], bias[top]),
        float(z[top]),
        float(bias[top] * found[top].unit),
        tuple(members),
        tuple(rivals),
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


def _distinct(directions: Floats) -> int:
    """Count the hypotheses that point different ways."""
    if directions.size == 0:
        return 0
    lead = directions[np.argmax(np.abs(directions) > 0, axis=0), range(directions.shape[1])]
    scaled = np.round(directions / np.where(lead == 0, 1.0, lead), 6)
    return len(np.unique(scaled, axis=1).T)


def verdict(z: float, bound: float) -> str:
    """Say in a word what a z means: agrees, doubtful (beyond 2), disagrees (beyond the bound)."""
    if not np.isfinite(z):
        return "no equation"
    if abs(z) > bound:
        return "disagrees"
    return "doubtful" if abs(z) > DOUBTFUL_Z else "agrees"


def area_tests(system: System, solution: Solution, alpha: float) -> pd.DataFrame:
    """Return one row an area: sort, name, clusters, in, out, disagreement, se, z, verdict, bias.

    ``min_detectable_bias`` is 4.13 standard errors of the disagreement: what this one equation finds.
    """
    h = _h(solution)
    se = np.sqrt(np.diag(h))
    a, y = solution.problem.incidence, solution.problem.counts
    z = solution.residual / se
    bound = sidak(alpha, len(z))
    names = area_names(system)
    return pd.DataFrame(
        {
            "sort": [sort for sort, _ in names],
            "name": [name for _, name in names],
            "clusters": area_clusters(system),
            "in": np.clip(a, 0, None) @ y,
            "out": np.clip(-a, 0, None) @ y,
            "disagreement": solution.residual,
            "se": se,
            "z": z,
            "verdict": [verdict(one, bound) for one in z],
            "min_detectable_bias": NON_CENTRALITY * se,
        }
    )
