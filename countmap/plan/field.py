"""What is known of every flow: a joint estimate of all sections from prior, counts and conservation.

The balance says nothing of a street that its counts do not reach; a plan has to weigh just those. So
each flow gets a stated prior, and everything that the balance knows is laid over it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from statistics import NormalDist
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy import sparse

from countmap.errors import InvalidInput
from countmap.plan.precision import Factored, factor
from countmap.plan.units import GROUND, Units, section_senses, through

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

_STEPS = 8
_HALVINGS = 6
_LEAST_FLOW = 0.5
_FEW = 6
_UNTIED = 100.0  # says nothing, but keeps the two senses neighbours in the matrix
# Vehicles a day and sense of a road of each class before anything is counted: project defaults.
CLASS_FLOW = {
    "motorway": 20_000.0,
    "trunk": 8000.0,
    "primary": 5000.0,
    "secondary": 2500.0,
    "tertiary": 1000.0,
    "unclassified": 500.0,
}
OTHER_FLOW = 250.0


@dataclass(frozen=True, slots=True)
class FieldSettings:
    """The stated prior; every number is a project default, a share or on the log scale.

    ``spread``: standard deviation of ln flow within a road class; it stands for six counts beside
    those of the class. ``sense_spread``: of ln(with/against), but beside a one-way street, whose way
    back it may be. ``turning``: standard deviation of what a road gains or
    loses as it passes a junction, as a share of its side roads' flow: they cannot give more than
    they have, and anything between is alike (1/√3). ``steady``: what it changes without side roads.
    ``access_per_km``: what small accesses take from or bring to a sense over a kilometre.
    ``count_error``: of a new short count, where the network has none. ``sense_share``: correlation of
    that error between the senses of one station. ``growth``: what a year adds to the error of an
    older figure.
    """

    spread: float = 0.8
    sense_spread: float = 0.08
    turning: float = 0.58
    steady: float = 0.05
    access_per_km: float = 0.01
    count_error: float = 0.05
    sense_share: float = 0.5
    growth: float = 0.03
    level: float = 0.95

    def __post_init__(self) -> None:
        for name in ("spread", "sense_spread", "steady", "count_error"):
            if getattr(self, name) <= 0:
                raise InvalidInput(
                    f"plan setting {name} must be above 0, got {getattr(self, name)}"
                )
        if not 0 <= self.sense_share < 1:
            raise InvalidInput(
                f"plan setting sense_share must be at least 0 and below 1, got {self.sense_share}"
            )

    @property
    def quantile(self) -> float:
        """Standard errors in half an interval."""
        return NormalDist().inv_cdf(0.5 + self.level / 2)


@dataclass(frozen=True, eq=False)
class Field:
    """The joint estimate: ln flow of each arc (``log_flow``), and its precision factored.

    ``new_error`` is the standard error of ln of a new count, ``sense_share`` its correlation between
    the senses. ``counted`` (sections,) says which sections a figure of any year covers.
    """

    units: Units
    log_flow: Floats
    factored: Factored
    new_error: float
    sense_share: float
    counted: NDArray[np.bool_]
    settings: FieldSettings = field(default_factory=FieldSettings)

    @property
    def flow(self) -> Floats:
        """Vehicles a day of each arc."""
        found: Floats = np.exp(self.log_flow)
        return found

    def section_flow(self) -> Floats:
        """Vehicles a day of each section, all senses."""
        number = len(self.units.sections)
        found = np.bincount(self.units.section_of, weights=self.flow, minlength=number)
        return found.astype(np.float64)

    def shares(self) -> Floats:
        """Each sense's share of its section's flow (sections, 2); 0 where there is no such sense."""
        arcs = self.units.of_arc
        flow = np.where(arcs >= 0, self.flow[arcs], 0.0)
        total = flow.sum(axis=1, keepdims=True)
        return flow / np.where(total > 0, total, 1.0)

    def section_variance(self) -> Floats:
        """Variance of ln of each section's flow; 0 where no sense carries traffic."""
        own = self.factored.variances()
        arcs, share = self.units.of_arc, self.shares()
        total: Floats = (share**2 * np.where(arcs >= 0, own[arcs], 0.0)).sum(axis=1)
        two = self.units.two_way
        cross = self.factored.covariances(arcs[two, 0], arcs[two, 1])
        total[two] += 2 * share[two].prod(axis=1) * cross
        return total


def half_width(variance: Floats, quantile: float) -> Floats:
    """Return half an interval as a share of the flow from the variance of its logarithm."""
    found: Floats = np.expm1(quantile * np.sqrt(np.maximum(variance, 0.0)))
    return found


@dataclass(frozen=True, slots=True)
class _Rows:
    """Linear equations on ln flow: ``value`` at (``row``, ``arc``), ``aim`` and ``sd`` by row."""

    row: Ints
    arc: Ints
    value: Floats
    aim: Floats
    sd: Floats


def estimate(
    units: Units,
    sections: pd.DataFrame,
    counts: pd.DataFrame,
    *,
    side_access: pd.Series | None = None,
    settings: FieldSettings | None = None,
) -> Field:
    """Estimate every flow of a network jointly.

    Parameters
    ----------
    units : Units
    sections : tables.SECTIONS
    counts : DataFrame
        ``station_id, link_id, link_sense`` (both: a total), ``aadt, log_se``; one row a station and
        sense, errors already widened by age.
    side_access : Series, optional
        Declared share of the flow that leaves or enters, by ``section_id``.

    Notes
    -----
    Unknown is ln of each section's flow by sense. Its mean and spread come from the counted sections
    of its class; both senses are alike; a road keeps its flow at a junction but for a share of its
    side roads (nobody turns round); flow is conserved at every junction but for accesses. The mode is
    found by Gauss-Newton steps, its precision is that of the last step (Laplace). Errors that several
    counts share are left with each of them. With a weak prior the variances of observable flows are
    those of the balance.
    """
    options = settings or FieldSettings()
    placed = _placed(units, sections, counts, options)
    mean, spread = _prior(units, placed, options)
    fixed = [_prior_rows(units, mean, spread), _senses(units, options), *_count_rows(units, placed)]
    pairs = through(units)
    level = _linear(len(units.arcs), [*fixed, _along(units, pairs, mean, options)])
    for _ in range(2):
        rows = [*fixed, _along(units, pairs, level, options)]
        slack = _slack(units, np.exp(level), side_access, options)
        level, whole = _mode(units, rows, slack, level)
    new_error, share = _new_count(counts, options)
    counted = np.zeros(len(units.sections), dtype=bool)
    counted[placed["section"].to_numpy(dtype=np.int64)] = True
    return Field(units, level, factor(whole), new_error, share, counted, options)


def _placed(
    units: Units, sections: pd.DataFrame, counts: pd.DataFrame, options: FieldSettings
) -> pd.DataFrame:
    """Return the counts with their ``section`` (row), ``arc`` (−1: a total), ln flow and error."""
    rows = section_senses(counts, sections)
    number = pd.Series(np.arange(len(units.sections)), index=units.sections["section_id"])
    rows["section"] = rows["section_id"].map(number).astype(np.int64)
    side = rows["section_sense"].map({"with": 0, "against": 1, "both": -1}).to_numpy(dtype=np.int64)
    section = rows["section"].to_numpy()
    arc = np.where(side >= 0, units.of_arc[section, np.maximum(side, 0)], -1)
    one_way = (units.of_arc[section] < 0).any(axis=1) & (side < 0)
    arc = np.where(one_way, units.of_arc[section].max(axis=1), arc)
    rows["arc"] = arc
    if "sense_share" not in rows:
        rows["sense_share"] = np.nan
    rows["sense_share"] = rows["sense_share"].astype("float64").fillna(options.sense_share)
    rows["log"] = np.log(np.maximum(rows["aadt"].to_numpy(dtype=float), _LEAST_FLOW))
    two = (units.of_arc[section] >= 0).all(axis=1)
    kept = (arc >= 0) | ((side < 0) & two)
    return rows.loc[kept].sort_values(["section", "station_id", "arc"]).reset_index(drop=True)


def _prior(units: Units, placed: pd.DataFrame, options: FieldSettings) -> tuple[Floats, Floats]:
    """Return mean and spread of ln flow by arc, class by class.

    Each class has its usual flow, times what this network has more or less of (six counts' weight),
    times what the counted arcs of the class have more or less still.
    """
    classes = units.sections["road_class"].fillna("").to_numpy(dtype=object)
    usual = np.log(pd.Series(classes).map(CLASS_FLOW).fillna(OTHER_FLOW).to_numpy(dtype=float))
    known = placed.loc[placed["arc"] >= 0]
    at = known["section"].to_numpy(dtype=np.int64)
    more = pd.Series(known["log"].to_numpy(dtype=float) - usual[at])
    whole = float(more.mean()) * len(more) / (len(more) + _FEW) if len(more) else 0.0
    by_class = more.groupby(classes[at])
    number, middle = by_class.size(), by_class.mean()
    middle = (number * middle + _FEW * whole) / (number + _FEW)
    around = (more - pd.Series(classes[at]).map(middle)) ** 2
    own = around.groupby(classes[at]).sum()
    spread = np.sqrt((own + _FEW * options.spread**2) / (number + _FEW))
    own_class = pd.Series(classes)
    mean = usual + own_class.map(middle).fillna(whole).to_numpy(dtype=float)
    wide = own_class.map(spread).fillna(options.spread).to_numpy(dtype=float)
    return mean[units.section_of], wide[units.section_of]


def _prior_rows(units: Units, mean: Floats, spread: Floats) -> _Rows:
    n = len(units.arcs)
    senses = (units.of_arc >= 0).sum(axis=1)[units.section_of]
    return _Rows(np.arange(n), np.arange(n), np.ones(n), mean, spread * np.sqrt(senses))


def _senses(units: Units, options: FieldSettings) -> _Rows:
    """Return that both senses of a road are alike, but not beside a one-way street."""
    two = (units.of_arc >= 0).all(axis=1)
    ends = units.sections[["start", "end"]].to_numpy()
    lone = np.zeros(units.vertices, dtype=bool)
    lone[ends[~two].ravel()] = True
    lone[GROUND] = False
    pairs = units.of_arc[two]
    sd = np.where(lone[ends[two]].any(axis=1), _UNTIED, options.sense_spread)
    return _difference(pairs[:, 0], pairs[:, 1], sd)


def _difference(a: Ints, b: Ints, sd: Floats) -> _Rows:
    k = len(a)
    row = np.concatenate([np.arange(k), np.arange(k)])
    value = np.concatenate([np.ones(k), -np.ones(k)])
    return _Rows(row, np.concatenate([a, b]), value, np.zeros(k), sd)


def _count_rows(units: Units, placed: pd.DataFrame) -> list[_Rows]:
    """Return the counts as rows; a station that counts both senses shares its error between them."""
    log, sd = placed["log"].to_numpy(), placed["log_se"].to_numpy(dtype=float)
    arc = placed["arc"].to_numpy(dtype=np.int64)
    rho = placed["sense_share"].to_numpy(dtype=float)
    twin = np.full(len(placed), -1)
    key = placed["station_id"].to_numpy(dtype=object)
    section = placed["section"].to_numpy()
    follows = np.flatnonzero(
        (key[1:] == key[:-1]) & (section[1:] == section[:-1]) & (arc[1:] >= 0) & (arc[:-1] >= 0)
    )
    twin[follows], twin[follows + 1] = follows + 1, follows
    alone = np.flatnonzero((arc >= 0) & (twin < 0))
    first = follows
    second = follows + 1
    rows = [_Rows(np.arange(len(alone)), arc[alone], np.ones(len(alone)), log[alone], sd[alone])]
    if len(first):
        share = rho[first]
        mid = np.sqrt((sd[first] ** 2 + sd[second] ** 2) / 2)
        k = np.arange(len(first))
        ends = np.concatenate([arc[first], arc[second]])
        half = np.full(2 * len(k), 0.5)
        rows.append(
            _Rows(
                np.concatenate([k, k]), ends, half,
                (log[first] + log[second]) / 2, mid * np.sqrt((1 + share) / 2),
            )
        )  # fmt: skip
        apart = _difference(arc[first], arc[second], mid * np.sqrt(2 * (1 - share)))
        rows.append(_Rows(apart.row, apart.arc, apart.value, log[first] - log[second], apart.sd))
    total = np.flatnonzero(arc < 0)
    if len(total):  # a two-way total: half of it each way, as the logarithms go
        pair = units.of_arc[section[total]]
        k = np.arange(len(total))
        half = np.full(2 * len(k), 0.5)
        ends = np.concatenate([pair[:, 0], pair[:, 1]])
        rows.append(_Rows(np.concatenate([k, k]), ends, half, log[total] - np.log(2), sd[total]))
    return rows


def _along(units: Units, pairs: pd.DataFrame, level: Floats, options: FieldSettings) -> _Rows:
    """Return that a road keeps its flow as it passes a junction, but for its side roads."""
    arcs = units.of_arc
    # The mean of a lognormal flow lies above its middle; the spread of an uncounted side road is wide.
    flow = np.where(arcs >= 0, np.exp(level)[arcs], 0.0)
    mean = flow.sum(axis=1) / np.maximum((arcs >= 0).sum(axis=1), 1)
    ends = np.concatenate([units.sections["start"], units.sections["end"]])
    at_vertex = np.bincount(ends, weights=np.concatenate([mean, mean]), minlength=units.vertices)
    a, b = pairs["a"].to_numpy(), pairs["b"].to_numpy()
    side = np.maximum(at_vertex[pairs["vertex"]] - mean[a] - mean[b], 0.0)
    side *= np.exp(options.spread**2 / 2)
    middle = np.maximum((mean[a] + mean[b]) / 2, _LEAST_FLOW)
    sd = np.sqrt((options.turning * side / middle) ** 2 + options.steady**2)
    a_end, b_end = pairs["a_end"].to_numpy(), pairs["b_end"].to_numpy()
    # The sense that comes to the junction by one section goes on by the other.
    comes_a, goes_b = arcs[a, 1 - a_end], arcs[b, b_end]
    comes_b, goes_a = arcs[b, 1 - b_end], arcs[a, a_end]
    one, two = np.concatenate([comes_a, comes_b]), np.concatenate([goes_b, goes_a])
    there = (one >= 0) & (two >= 0) & (one != two)
    double = (comes_a >= 0) & (goes_b >= 0) & (comes_b >= 0) & (goes_a >= 0)
    sd = np.concatenate([sd, sd]) * np.where(np.concatenate([double, double]), np.sqrt(2), 1.0)
    there &= sd < 2 * options.spread
    return _difference(one[there], two[there], sd[there])


def _slack(
    units: Units, flow: Floats, side_access: pd.Series | None, options: FieldSettings
) -> Floats:
    """Return one standard deviation, in vehicles, of what leaves or enters unseen at each vertex."""
    km = units.sections["length_km"].to_numpy(dtype=float)
    share = options.access_per_km**2 * km / 2
    if side_access is not None:
        stated = units.sections["section_id"].map(side_access).fillna(0.0).to_numpy(dtype=float)
        share = share + stated**2 / 2
    each = share[units.section_of] * flow**2
    total = np.ones(units.vertices)
    through = np.zeros(units.vertices)
    for side in ("tail", "head"):
        np.add.at(total, units.arcs[side].to_numpy(), each)
        np.add.at(through, units.arcs[side].to_numpy(), flow / 2)
    found: Floats = np.sqrt(total + (options.access_per_km / 2 * through) ** 2)
    return found


def _gathered(n: int, rows: list[_Rows]) -> tuple[Any, Floats]:
    """Return the rows as one weighted sparse matrix and its aims."""
    first = np.cumsum([0, *(len(one.sd) for one in rows)])
    row = np.concatenate([one.row + at for one, at in zip(rows, first[:-1], strict=True)])
    weight = np.concatenate([1 / one.sd[one.row] for one in rows])
    value = np.concatenate([one.value for one in rows]) * weight
    arc = np.concatenate([one.arc for one in rows])
    matrix = sparse.csr_array((value, (row, arc)), shape=(int(first[-1]), n))
    return matrix, np.concatenate([one.aim / one.sd for one in rows])


def _linear(n: int, rows: list[_Rows]) -> Floats:
    matrix, aim = _gathered(n, rows)
    return factor(matrix.T @ matrix).solve(matrix.T @ aim)


def _mode(units: Units, rows: list[_Rows], slack: Floats, level: Floats) -> tuple[Floats, Any]:
    """Return the most likely ln flows and the precision there."""
    n = len(units.arcs)
    matrix, aim = _gathered(n, rows)
    normal = (matrix.T @ matrix).tocsc()
    tail, head = units.arcs["tail"].to_numpy(), units.arcs["head"].to_numpy()
    arc = np.arange(n)
    keep_head, keep_tail = head != GROUND, tail != GROUND
    row = np.concatenate([head[keep_head], tail[keep_tail]])
    sign = np.concatenate([np.ones(keep_head.sum()), -np.ones(keep_tail.sum())])
    column = np.concatenate([arc[keep_head], arc[keep_tail]])
    shape = (units.vertices, n)
    incidence = sparse.csr_array((sign / slack[row], (row, column)), shape=shape)

    def misfit(at: Floats) -> float:
        closing = incidence @ np.exp(at)
        return float(((matrix @ at - aim) ** 2).sum() + (closing**2).sum())

    now = misfit(level)
    for _ in range(_STEPS):
        flow = np.exp(level)
        bent = incidence * flow[None, :]
        whole = normal + bent.T @ bent
        gradient = matrix.T @ (matrix @ level - aim) + bent.T @ (incidence @ flow)
        step = factor(whole).solve(gradient)
        size = 1.0
        for _ in range(_HALVINGS):
            trial = level - size * step
            then = misfit(trial) if np.abs(trial).max(initial=0) < 50 else np.inf
            if then < now:
                break
            size /= 2
        if not then < now:
            break
        level, gained, now = trial, now - then, then
        if gained < 1e-6 * max(now, 1.0):
            break
    flow = np.exp(level)
    bent = incidence * flow[None, :]
    return level, normal + bent.T @ bent


def _new_count(counts: pd.DataFrame, options: FieldSettings) -> tuple[float, float]:
    """Return the standard error of a new short count and its correlation between senses."""
    short = counts.loc[counts["status"].eq("estimated") & counts["link_sense"].ne("both")]
    known = short["log_se"].dropna()
    error = float(known.median()) if len(known) >= _FEW else options.count_error
    share = options.sense_share
    if "sense_share" in counts and counts["sense_share"].notna().sum() >= _FEW:
        share = float(counts["sense_share"].dropna().median())
    return error, share
