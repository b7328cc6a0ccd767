"""The search for rounds: large neighbourhoods of a plan taken out and put back cheaper, compiled."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

LONGEST = 40
"""Stops of one round at most."""
_FAR = 1e9


class Task(NamedTuple):
    """What a plan must keep to.

    ``member[first[g]:first[g + 1]]`` are the stations of group g, ``allowed`` (group, day set, day
    collected); ``travel`` minutes between depot and stations, ``work`` minutes of each visit,
    ``spans`` (day: work opens, work closes, shift ends, shift begins), ``shut`` spans without work.
    """

    member: Ints
    first: Ints
    allowed: Mask
    stock: int
    crews: int
    travel: Floats
    work: Floats
    spans: Floats
    shut: Floats


class Held(NamedTuple):
    """A plan, changed in place.

    ``routes`` (routes, LONGEST), a day's crews one after the other, with their ``sizes`` and
    ``cost`` in minutes; ``days`` each group is set and collected (−1: not placed), counters ``out``
    by day.
    """

    routes: Ints
    sizes: Ints
    cost: Floats
    days: Ints
    out: Ints


@njit(cache=True)  # type: ignore[untyped-decorator]
def start_after(at: float, lasts: float, shut: Floats) -> float:
    """Return the earliest start, not before ``at``, of work that ``lasts`` and touches no ``shut`` span."""
    moved = True
    while moved:
        moved = False
        for k in range(len(shut)):
            if at < shut[k, 1] and at + lasts > shut[k, 0]:
                at = shut[k, 1]
                moved = True
    return at


@njit(cache=True)  # type: ignore[untyped-decorator]
def drive(  # noqa: PLR0917  # compiled: arrays one by one
    stops: Ints,
    size: int,
    travel: Floats,
    work: Floats,
    opens: float,
    closes: float,
    ends: float,
    begins: float,
    shut: Floats,
) -> float:
    """Return the minutes driven on a round, or a huge number where its times cannot be kept.

    ``stops`` are visits: station i set is i, collected n + i. Work lies between ``opens`` and
    ``closes``, the crew leaves after ``begins`` and is back by ``ends``.
    """
    n = len(travel) - 1
    if size == 0:
        return 0.0
    total, at, here = 0.0, begins, 0
    for k in range(size):
        place = stops[k] % n + 1
        leg = travel[here, place]
        total += leg
        at = start_after(max(at + leg, opens), work[stops[k]], shut) + work[stops[k]]
        if at > closes:
            return _FAR
        here = place
    total += travel[here, 0]
    return total if at + travel[here, 0] <= ends else _FAR


@njit(cache=True)  # type: ignore[untyped-decorator]
def _minutes(task: Task, stops: Ints, size: int, day: int) -> float:
    spans = task.spans
    return drive(
        stops, size, task.travel, task.work, spans[day, 0], spans[day, 1], spans[day, 2],
        spans[day, 3], task.shut,
    )  # fmt: skip


@njit(cache=True)  # type: ignore[untyped-decorator]
def _insert(task: Task, held: Held, visit: int, day: int) -> float:
    """Put a visit where it adds least on a day, in place; return what it adds (huge: nowhere)."""
    routes, sizes, cost = held.routes, held.sizes, held.cost
    best, where, at_route = _FAR, -1, -1
    trial = np.empty(LONGEST, dtype=np.int64)
    for crew in range(task.crews):
        r = day * task.crews + crew
        size = sizes[r]
        if size + 1 > LONGEST:
            continue
        empty_before = False
        for other in range(crew):  # crews are alike: only the first idle one is tried
            if sizes[day * task.crews + other] == 0:
                empty_before = True
        if size == 0 and empty_before:
            continue
        for k in range(size + 1):
            trial[:k] = routes[r, :k]
            trial[k] = visit
            trial[k + 1 : size + 1] = routes[r, k:size]
            total = _minutes(task, trial, size + 1, day)
            if total < _FAR and total - cost[r] < best:
                best, where, at_route = total - cost[r], k, r
    if where < 0:
        return _FAR
    size = sizes[at_route]
    for k in range(size, where, -1):
        routes[at_route, k] = routes[at_route, k - 1]
    routes[at_route, where] = visit
    sizes[at_route] = size + 1
    cost[at_route] += best
    return best


@njit(cache=True)  # type: ignore[untyped-decorator]
def _remove(task: Task, held: Held, visit: int, day: int) -> None:
    for crew in range(task.crews):
        r = day * task.crews + crew
        for k in range(held.sizes[r]):
            if held.routes[r, k] == visit:
                for m in range(k, held.sizes[r] - 1):
                    held.routes[r, m] = held.routes[r, m + 1]
                held.sizes[r] -= 1
                held.cost[r] = _minutes(task, held.routes[r], held.sizes[r], day)
                return


@njit(cache=True)  # type: ignore[untyped-decorator]
def _place(task: Task, held: Held, g: int) -> float:
    """Put a group on its cheapest pair of days; return what it adds (huge: there is none)."""
    n = len(task.travel) - 1
    number = len(task.spans)
    members = task.member[task.first[g] : task.first[g + 1]]
    adds = np.full((2, number), _FAR)
    for kind in range(2):
        for day in range(number):
            useful = False
            for other in range(number):
                pair = task.allowed[g, day, other] if kind == 0 else task.allowed[g, other, day]
                useful = useful or pair
            if useful:
                adds[kind, day] = _tried(task, held, members + kind * n, day)
    best, set_day, collect_day = _FAR, -1, -1
    for a in range(number):
        if adds[0, a] >= _FAR:
            continue
        for b in range(number):
            if not task.allowed[g, a, b] or adds[0, a] + adds[1, b] >= best:
                continue
            fits = True
            for d in range(a, b + 1):
                if held.out[d] + len(members) > task.stock:
                    fits = False
                    break
            if fits:
                best, set_day, collect_day = adds[0, a] + adds[1, b], a, b
    if set_day < 0:
        return _FAR
    for i in members:
        _insert(task, held, i, set_day)
        _insert(task, held, i + n, collect_day)
    held.days[g, 0], held.days[g, 1] = set_day, collect_day
    for d in range(set_day, collect_day + 1):
        held.out[d] += len(members)
    return best


@njit(cache=True)  # type: ignore[untyped-decorator]
def _tried(task: Task, held: Held, visits: Ints, day: int) -> float:
    """Return what these visits would add on a day; the plan stays as it was."""
    low, high = day * task.crews, (day + 1) * task.crews
    routes, sizes = held.routes[low:high].copy(), held.sizes[low:high].copy()
    cost = held.cost[low:high].copy()
    total = 0.0
    for visit in visits:
        total += _insert(task, held, visit, day)
        if total >= _FAR:
            break
    held.routes[low:high], held.sizes[low:high], held.cost[low:high] = routes, sizes, cost
    return total


@njit(cache=True)  # type: ignore[untyped-decorator]
def _copied(held: Held) -> Held:
    return Held(
        held.routes.copy(), held.sizes.copy(), held.cost.copy(), held.days.copy(), held.out.copy()
    )


@njit(cache=True)  # type: ignore[untyped-decorator]
def search(task: Task, rounds: int, seed: int) -> tuple[Ints, Ints, Ints, float]:
    """Return routes (routes, LONGEST), their sizes, each group's days (−1: not placed), and the cost.

    Groups are taken out (at random, near each other, or a day's) and put back one by one, at random or
    the farthest first, each on its cheapest days; a worse plan is kept now and then (simulated
    annealing), the best is returned.
    """
    np.random.seed(seed)  # noqa: NPY002  # the only generator of compiled code
    member, first, travel, crews = task.member, task.first, task.travel, task.crews
    n, groups, number = len(travel) - 1, len(first) - 1, len(task.spans)
    held = Held(
        np.zeros((number * crews, LONGEST), dtype=np.int64),
        np.zeros(number * crews, dtype=np.int64),
        np.zeros(number * crews),
        np.full((groups, 2), -1, dtype=np.int64),
        np.zeros(number, dtype=np.int64),
    )
    missing_cost = 1e5
    far = np.empty(groups)
    for g in range(groups):
        far[g] = travel[0, member[first[g]] + 1] + 1000.0 * (first[g + 1] - first[g])
    for g in np.argsort(-far):
        _place(task, held, g)
    now = held.cost.sum() + missing_cost * (held.days[:, 0] < 0).sum()
    best, kept = now, _copied(held)
    heat = 0.05 * max(held.cost.sum(), 1.0) / max(groups, 1)
    for step in range(rounds):
        old = _copied(held)
        taken = np.zeros(groups, dtype=np.bool_)
        want = min(groups, 1 + np.random.randint(max(2, min(groups, 8))))  # noqa: NPY002
        how = np.random.randint(3)  # noqa: NPY002
        seed_group = np.random.randint(groups)  # noqa: NPY002
        if how == 0:
            for _ in range(want):
                taken[np.random.randint(groups)] = True  # noqa: NPY002
        elif how == 1:
            near = np.empty(groups)
            for g in range(groups):
                near[g] = travel[member[first[seed_group]] + 1, member[first[g]] + 1]
                near[g] *= 0.5 + np.random.random()  # noqa: NPY002
            for g in np.argsort(near)[:want]:
                taken[g] = True
        else:
            side = np.random.randint(2)  # noqa: NPY002
            count = 0
            for g in np.random.permutation(groups):  # noqa: NPY002
                if held.days[g, side] == held.days[seed_group, side] and count < 2 * want:
                    taken[g] = True
                    count += 1
        for g in range(groups):
            if held.days[g, 0] < 0:
                taken[g] = True
                continue
            if not taken[g]:
                continue
            for i in member[first[g] : first[g + 1]]:
                _remove(task, held, i, held.days[g, 0])
                _remove(task, held, i + n, held.days[g, 1])
            for d in range(held.days[g, 0], held.days[g, 1] + 1):
                held.out[d] -= first[g + 1] - first[g]
            held.days[g] = -1
        order = np.random.permutation(groups)  # noqa: NPY002
        if np.random.random() < 0.3:  # noqa: NPY002
            order = np.argsort(-far)
        for g in order:
            if taken[g]:
                _place(task, held, g)
        then = held.cost.sum() + missing_cost * (held.days[:, 0] < 0).sum()
        warmth = heat * (1.0 - step / rounds) + 1e-9
        if then < now or np.random.random() < np.exp(-(then - now) / warmth):  # noqa: NPY002
            now = then
            if now < best - 1e-9:
                best, kept = now, _copied(held)
        else:
            held = old
    return kept.routes, kept.sizes, kept.days, best
