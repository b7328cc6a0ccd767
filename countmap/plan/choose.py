"""Which stations to count next: the most information for the money, from the joint estimate."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from countmap.errors import InvalidInput

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from countmap.plan.field import Field

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

SHORT_LIST = 16
"""So many candidates, best by information, have their exact effect on the network computed."""

EXCHANGE_MOST = 400
"""With more candidates than this, choices are not exchanged afterwards."""

_BATCH = 64


@dataclass(frozen=True, eq=False)
class Wanted:
    """What may be counted and what it costs.

    ``candidates`` are rows of the sections; ``cost`` (candidates,) in the unit of the budget; ``must``
    are positions in ``candidates`` that are counted whatever they tell. ``weight`` (sections,) makes
    the plan serve weighted precision; None: pure information.
    """

    candidates: Ints
    cost: Floats
    budget: float
    must: tuple[int, ...] = ()
    weight: Floats | None = None


@dataclass(frozen=True, eq=False)
class Choice:
    """The chosen stations in their order.

    ``rows`` (k,) are positions in ``candidates``; ``information`` (k,) the gain of each in nats after
    those before it; ``relief`` (k,) the drop of the weighted sum of variances of ln flow;
    ``before, after`` (sections,) the variance of ln of each section's flow; ``alone`` (candidates,)
    what each would tell first.
    """

    rows: Ints
    information: Floats
    relief: Floats
    before: Floats
    after: Floats
    alone: Floats


class Beliefs:
    """The covariance of all ln flows as counts are added, kept as columns over the first one.

    C = C₀ − G G', G (arcs, 2k). Only the diagonal and the pair of senses of each section are kept up.
    """

    def __init__(self, field: Field) -> None:
        self.field = field
        arcs = field.units.of_arc
        self.arcs = arcs
        self.two = field.units.two_way
        own = field.factored.variances()
        cross = np.zeros(len(arcs))
        cross[self.two] = field.factored.covariances(arcs[self.two, 0], arcs[self.two, 1])
        self.own, self.cross = own, cross
        self.taken = np.empty((len(own), 0), order="F")
        self._room = np.empty((len(own), 32), order="F")
        error = field.new_error**2
        self.noise = error * np.array([[1.0, field.sense_share], [field.sense_share, 1.0]])
        self._first: dict[int, Floats] = {}

    def senses(self, section: int) -> Ints:
        """Return the arcs of a section."""
        here = self.arcs[section]
        found: Ints = here[here >= 0]
        return found

    def information(self, rows: Ints) -> Floats:
        """Return ½ ln det(I + S⁻¹ C) of a new count of each section."""
        arcs = self.arcs[rows]
        error, covary = self.noise[0, 0], self.noise[0, 1]
        a = self.own[arcs[:, 0]] + error
        b = self.own[arcs[:, 1]] + error
        c = self.cross[rows] + covary
        pair = 0.5 * np.log(np.maximum((a * b - c**2) / (error**2 - covary**2), 1.0))
        single = 0.5 * np.log(1 + self.own[arcs.max(axis=1)] / error)
        found: Floats = np.where(self.two[rows], pair, single)
        return found

    def columns(self, section: int) -> Floats:
        """Return the columns of C at a section's arcs (arcs, 1 or 2)."""
        arcs = self.senses(section)
        if section not in self._first:
            self._first[section] = self.field.factored.columns(arcs)
        return self._first[section] - self.taken @ self.taken[arcs].T

    def whitened(self, section: int) -> Floats:
        """Return the columns whose outer product a count of the section takes off C."""
        columns = self.columns(section)
        arcs = self.senses(section)
        k = len(arcs)
        lower = np.linalg.cholesky(columns[arcs] + self.noise[:k, :k])
        found: Floats = np.linalg.solve(lower, columns.T).T
        return found

    def add(self, section: int) -> Floats:
        """Count a section; return what it takes off the variance of each arc."""
        new = self.whitened(section)
        k, width = self.taken.shape[1], new.shape[1]
        if k + width > self._room.shape[1]:
            wider = np.empty((len(self.own), 2 * self._room.shape[1]), order="F")
            wider[:, :k] = self.taken
            self._room = wider
        self._room[:, k : k + width] = new
        self.taken = self._room[:, : k + width]
        drop: Floats = (new**2).sum(axis=1)
        self.own = self.own - drop
        pairs = self.arcs[self.two]
        self.cross[self.two] -= (new[pairs[:, 0]] * new[pairs[:, 1]]).sum(axis=1)
        self._first.pop(section, None)
        return drop

    def section_variance(self) -> Floats:
        """Return the variance of ln of each section's flow."""
        share = self.field.shares()
        there = self.arcs >= 0
        total: Floats = (share**2 * np.where(there, self.own[self.arcs], 0.0)).sum(axis=1)
        return total + 2 * share.prod(axis=1) * self.cross


def choose(field: Field, wanted: Wanted) -> Choice:
    """Choose stations until the budget is spent.

    Parameters
    ----------
    field : Field
    wanted : Wanted

    Notes
    -----
    Greedy by gain per cost, those that must be counted first. The gain is ½ ln det(I + S⁻¹ C) for
    both senses of a station. With weights, the best by information are ranked by the exact drop of
    Σ w Var(ln flow). Up to ``EXCHANGE_MOST`` candidates, chosen stations are then exchanged for others
    while that tells more: greedy alone is within 1 − 1/e of the best.

    Raises
    ------
    InvalidInput
        What must be counted costs more than the budget.

    References
    ----------
    G. Nemhauser, L. Wolsey & M. Fisher, "An analysis of approximations for maximizing submodular set
    functions", Mathematical Programming 14, 1978.
    """
    spent = float(wanted.cost[list(wanted.must)].sum()) if wanted.must else 0.0
    if spent > wanted.budget + 1e-9:
        raise InvalidInput(
            f"what must be counted costs {spent:g}, more than the budget of {wanted.budget:g}; "
            "raise --budget or shorten the list"
        )
    told = _Telling(field, wanted)
    _greedy(told, wanted)
    if wanted.weight is None and len(wanted.candidates) <= EXCHANGE_MOST:
        rows = _exchanged(field, wanted, told.rows)
        if rows != told.rows:
            told = _Telling(field, wanted)
            for at in rows:
                told.take(at)
    return told.choice()


class _Telling:
    """The choice as it grows, and what each station tells after those before it."""

    def __init__(self, field: Field, wanted: Wanted) -> None:
        self.wanted = wanted
        self.beliefs = Beliefs(field)
        ones = np.ones(len(field.units.sections)) if wanted.weight is None else wanted.weight
        self.weight = _arc_weight(field, ones)
        self.before = self.beliefs.section_variance()
        self.alone = self.beliefs.information(wanted.candidates)
        self.rows: list[int] = []
        self.information: list[float] = []
        self.relief: list[float] = []

    def take(self, at: int) -> None:
        """Count one more candidate."""
        section = self.wanted.candidates[at : at + 1]
        self.information.append(float(self.beliefs.information(section)[0]))
        self.relief.append(float(self.weight @ self.beliefs.add(int(section[0]))))
        self.rows.append(at)

    def relief_of(self, at: int) -> float:
        """Return by how much a candidate would lower the weighted sum of variances, per cost."""
        new = self.beliefs.whitened(int(self.wanted.candidates[at]))
        return float(self.weight @ (new**2).sum(axis=1)) / float(self.wanted.cost[at])

    def choice(self) -> Choice:
        """Return what was chosen."""
        return Choice(
            np.array(self.rows, dtype=np.int64),
            np.array(self.information),
            np.array(self.relief),
            self.before,
            self.beliefs.section_variance(),
            self.alone,
        )


def _greedy(told: _Telling, wanted: Wanted) -> None:
    left = wanted.budget
    free = np.ones(len(wanted.candidates), dtype=bool)
    for at in wanted.must:
        told.take(at)
        free[at] = False
        left -= float(wanted.cost[at])
    while True:
        open_ = np.flatnonzero(free & (wanted.cost <= left + 1e-9))
        if not len(open_):
            return
        rows = wanted.candidates[open_]
        gain = told.beliefs.information(rows) / wanted.cost[open_]
        if wanted.weight is None:
            best = int(open_[np.argmax(gain)])
        else:
            order = np.argsort(-gain * wanted.weight[rows], kind="stable")
            short = open_[order[:SHORT_LIST]]
            best = int(short[int(np.argmax([told.relief_of(int(at)) for at in short]))])
        told.take(best)
        free[best] = False
        left -= float(wanted.cost[best])


def _arc_weight(field: Field, weight: Floats) -> Floats:
    """Spread a section's weight over its senses by their shares of the flow."""
    section = field.units.section_of
    flow = field.flow
    found: Floats = weight[section] * flow / field.section_flow()[section]
    return found


def joint(field: Field, candidates: Ints) -> tuple[Floats, list[Ints]]:
    """Return the covariance of all the candidates' arcs, and where each candidate's arcs stand in it."""
    arcs = [a[a >= 0] for a in field.units.of_arc[candidates]]
    flat = np.concatenate(arcs) if arcs else np.zeros(0, dtype=np.int64)
    first = np.cumsum([0, *map(len, arcs)])
    covariance = np.empty((len(flat), len(flat)))
    for at in range(0, len(flat), _BATCH):
        covariance[:, at : at + _BATCH] = field.factored.columns(flat[at : at + _BATCH])[flat]
    return covariance, [np.arange(a, b, dtype=np.int64) for a, b in pairwise(first)]


def _exchanged(field: Field, wanted: Wanted, chosen: list[int]) -> list[int]:
    """Exchange chosen stations for others, one at a time, while the set tells more."""
    covariance, places = joint(field, wanted.candidates)
    error = field.new_error**2
    block = error * np.array([[1.0, field.sense_share], [field.sense_share, 1.0]])
    noisy = covariance.copy()
    for place in places:
        noisy[np.ix_(place, place)] += block[: len(place), : len(place)]
    own = np.array([np.linalg.slogdet(block[: len(p), : len(p)])[1] for p in places])
    pool = _Pool(noisy, places, own)
    now = list(chosen)
    while True:
        better = _best_exchange(pool, wanted, now)
        if better is None:
            return now
        now = better


@dataclass(frozen=True, slots=True)
class _Pool:
    """The candidates as counts would see them: S + C of all, each one's places in it, ln det of its S."""

    noisy: Floats
    places: list[Ints]
    own: Floats

    def gains(self, kept: list[int], asked: Ints) -> Floats:
        """Return what each of ``asked`` tells after ``kept``, in nats."""
        if kept:
            at = np.concatenate([self.places[k] for k in kept])
            solved = np.linalg.solve(self.noisy[np.ix_(at, at)], self.noisy[at])
        gains = np.empty(len(asked))
        for i, one in enumerate(asked):
            place = self.places[one]
            block = self.noisy[np.ix_(place, place)]
            if kept:
                block = block - self.noisy[np.ix_(at, place)].T @ solved[:, place]
            det = block[0, 0] if len(place) == 1 else block[0, 0] * block[1, 1] - block[0, 1] ** 2
            gains[i] = 0.5 * (np.log(det) - self.own[one])
        return gains


def _best_exchange(pool: _Pool, wanted: Wanted, now: list[int]) -> list[int] | None:
    """Return the set after the exchange of one station that gains most; None if none gains."""
    spent = float(wanted.cost[now].sum())
    inside = set(now)
    outside = np.array([at for at in range(len(pool.places)) if at not in inside], dtype=np.int64)
    if not len(outside):
        return None
    best, found = 1e-9, None
    for out in range(len(wanted.must), len(now)):
        kept = now[:out] + now[out + 1 :]
        room = wanted.budget - spent + float(wanted.cost[now[out]])
        gain = pool.gains(kept, np.append(outside, now[out]))
        gain[:-1][wanted.cost[outside] > room + 1e-9] = -np.inf
        at = int(np.argmax(gain[:-1]))
        if gain[at] - gain[-1] > best:
            best, found = gain[at] - gain[-1], [*kept, int(outside[at])]
    return found
