"""The same rounds by a general routing solver (extra ``routes``), from the search's plan or alone."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from countmap.errors import MissingExtra
from countmap.plan.rounds import Problem, Rounds, told
from countmap.plan.search import LONGEST

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Ints = NDArray[np.int64]

_FINE = 100  # the solver counts in whole hundredths of a minute


def solve(problem: Problem, *, seconds: int = 20, start: Rounds | None = None) -> Rounds | None:
    """Plan the rounds with OR-tools; None where it finds no plan in time.

    Parameters
    ----------
    problem : Problem
    seconds : int
        Of search. How far it comes depends on the machine: two runs may differ.
    start : Rounds, optional
        A plan to improve.

    Raises
    ------
    MissingExtra
        OR-tools is not installed.
    """
    try:
        from ortools.constraint_solver import pywrapcp, routing_enums_pb2
    except ImportError as error:
        raise MissingExtra(
            "the routing solver is not installed; pip install 'countmap[routes]', or leave it out: "
            "the search works without it"
        ) from error
    n, crews, number = len(problem.names), problem.crews, len(problem.dates)
    manager = pywrapcp.RoutingIndexManager(2 * n + 1, crews * number, 0)
    model = pywrapcp.RoutingModel(manager)
    place = np.concatenate([[0], np.arange(n) + 1, np.arange(n) + 1])
    work = np.concatenate([[0.0], problem.work])
    travel = np.rint(problem.travel * _FINE).astype(np.int64)
    lasts = np.rint(work * _FINE).astype(np.int64)

    def leg(a: int, b: int) -> int:
        one, two = manager.IndexToNode(a), manager.IndexToNode(b)
        return int(travel[place[one], place[two]])

    def time(a: int, b: int) -> int:
        return leg(a, b) + int(lasts[manager.IndexToNode(a)])

    model.SetArcCostEvaluatorOfAllVehicles(model.RegisterTransitCallback(leg))
    most = int(2 * 1440 * _FINE)
    model.AddDimension(model.RegisterTransitCallback(time), most, most, False, "time")
    _keep_times(problem, manager, model, lasts)
    _keep_days(problem, manager, model)
    options = pywrapcp.DefaultRoutingSearchParameters()
    first = routing_enums_pb2.FirstSolutionStrategy
    options.first_solution_strategy = first.PARALLEL_CHEAPEST_INSERTION
    meta = routing_enums_pb2.LocalSearchMetaheuristic
    options.local_search_metaheuristic = meta.GUIDED_LOCAL_SEARCH
    options.time_limit.seconds = seconds
    if start is None:
        found = model.SolveWithParameters(options)
    else:
        model.CloseModelWithParameters(options)
        given = model.ReadAssignmentFromRoutes(_given(problem, start), True)
        found = model.SolveFromAssignmentWithParameters(given, options)
    return None if found is None else _read(problem, manager, model, found)


def _keep_times(problem: Problem, manager: Any, model: Any, lasts: Ints) -> None:
    """Keep the shift, daylight and peaks."""
    n = len(problem.names)
    dimension, solver = model.GetDimensionOrDie("time"), model.solver()
    for vehicle in range(model.vehicles()):
        ends, begins = problem.spans[vehicle // problem.crews, 2:]
        dimension.CumulVar(model.Start(vehicle)).SetMin(int(begins * _FINE))
        dimension.CumulVar(model.End(vehicle)).SetMax(int(ends * _FINE))
    low = [int(span[0] * _FINE) for span in problem.spans for _ in range(problem.crews)]
    high = [int(span[1] * _FINE) for span in problem.spans for _ in range(problem.crews)]
    for node in range(1, 2 * n + 1):
        index = manager.NodeToIndex(node)
        start = dimension.CumulVar(index)
        for a, b in problem.settings.shut:
            start.RemoveInterval(int(a * _FINE) - int(lasts[node]) + 1, int(b * _FINE) - 1)
        vehicle = model.VehicleVar(index)
        solver.Add(start >= solver.Element(low, vehicle))
        solver.Add(start + int(lasts[node]) <= solver.Element(high, vehicle))


def _keep_days(problem: Problem, manager: Any, model: Any) -> None:
    """Keep the pairs of days, groups together, and the stock of counters."""
    n, crews, number = len(problem.names), problem.crews, len(problem.dates)
    solver = model.solver()
    day_of = [v // crews for v in range(crews * number)]

    def day(node: int) -> Any:
        vehicle = model.VehicleVar(manager.NodeToIndex(node))
        return solver.Element(day_of, vehicle).Var()

    set_on, collect_on = [day(i + 1) for i in range(n)], [day(n + i + 1) for i in range(n)]
    for i in range(n):
        solver.Add(
            solver.AllowedAssignments(
                [set_on[i], collect_on[i]],
                [tuple(map(int, pair)) for pair in np.argwhere(problem.allowed[problem.group[i]])],
            )
        )
    leader: dict[int, int] = {}
    for i, g in enumerate(problem.group.tolist()):
        one = leader.setdefault(g, i)
        if one != i:
            solver.Add(set_on[i] == set_on[one])
            solver.Add(collect_on[i] == collect_on[one])
    if problem.stock < n:
        for d in range(number):
            out = [(set_on[i] <= d) * (collect_on[i] >= d) for i in range(n)]
            solver.Add(solver.Sum(out) <= problem.stock)


def _given(problem: Problem, start: Rounds) -> list[list[int]]:
    at = {name: i for i, name in enumerate(problem.names)}
    when = {day: i for i, day in enumerate(problem.dates)}
    n = len(problem.names)
    routes: list[list[int]] = [[] for _ in range(problem.crews * len(problem.dates))]
    for row in start.visits.itertuples(index=False):
        node = at[row.station_id] + 1 + (n if row.visit == "collect" else 0)
        routes[when[row.date.date()] * problem.crews + row.crew - 1].append(node)
    return routes


def _read(problem: Problem, manager: Any, model: Any, found: Any) -> Rounds:
    n = len(problem.names)
    routes = np.zeros((model.vehicles(), LONGEST), dtype=np.int64)
    sizes = np.zeros(model.vehicles(), dtype=np.int64)
    groups = len(problem.allowed)
    days = np.full((groups, 2), -1, dtype=np.int64)
    for vehicle in range(model.vehicles()):
        index = found.Value(model.NextVar(model.Start(vehicle)))
        while not model.IsEnd(index):
            visit = manager.IndexToNode(index) - 1
            routes[vehicle, sizes[vehicle]] = visit
            sizes[vehicle] += 1
            days[problem.group[visit % n], visit // n] = vehicle // problem.crews
            index = found.Value(model.NextVar(index))
    return told(problem, routes, sizes, days)
