"""The true traffic: fixed paths, whole trips drawn hour by hour, and what they add up to on each arc."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import networkx as nx
import numpy as np
from numpy.typing import NDArray

from countmap.demo import demand, seasons
from countmap.demo.demand import Trips
from countmap.demo.streets import Streets, lengths_m

Floats = NDArray[np.float64]
Counts = NDArray[np.int32]

# How much of its speed limit a class of road is worth to a driver.
EASE = {"trunk": 1.0, "primary": 0.92, "secondary": 0.74, "tertiary": 0.66, "local": 0.48}
NODE_DELAY_MIN = 0.07
# Pairs with this many trips a day use a second way too, if it takes little longer.
SPLIT_FROM_TRIPS = 60.0
SPLIT_DETOUR = 1.10
SPLIT_SHARE = 0.36
PENALTY = 1.5
ACCESS_SHARE = 0.24
BLOCK_HOURS = 730

Arc = tuple[int, bool]
"""A piece of the plan by position, and whether it is driven as drawn."""


@dataclass(frozen=True, slots=True)
class Traffic:
    """The year's true flows.

    Attributes
    ----------
    arcs : tuple of (piece, drawn way)
    flows : int array, shape (arcs, hours)
        Vehicles in every hour of the year, in the order of ``seasons.Calendar.hours``.
    access : str
        The node whose trips the road file knows nothing of.
    sources : frozenset of str
        Every node where trips start and end, the hidden access among them.
    disturbed : bool array, shape (arcs,)
        Arcs whose traffic changes while a street is closed.
    """

    arcs: tuple[Arc, ...]
    flows: Counts
    access: str
    sources: frozenset[str]
    disturbed: NDArray[np.bool_]

    def of(self, piece: int, *, drawn_way: bool) -> Counts:
        """Return an arc's flow in each hour; zeros against a one-way street."""
        if (piece, drawn_way) not in self.arcs:
            return np.zeros(self.flows.shape[1], dtype=np.int32)
        return self.flows[self.arcs.index((piece, drawn_way))]


def simulate(
    streets: Streets, cal: seasons.Calendar, access: str, rng: np.random.Generator
) -> Traffic:
    """Drive a year: the same streets, calendar, access and random state give the same flows.

    Parameters
    ----------
    streets : Streets
    cal : Calendar
    access : str
        The node of the plan where trips start and end unknown to the road file.
    rng : numpy.random.Generator

    Notes
    -----
    Trips of a pair in an hour are Poisson around rate × hour × both zones' day. Each is a whole
    vehicle on one path within the hour, so in and out agree exactly at every node but the sources.
    """
    arcs = all_arcs(streets)
    graph = _graph(streets, arcs)
    closed = frozenset(
        i for i, piece in enumerate(streets.pieces) if piece.street == seasons.CLOSED_STREET
    )
    detour = _graph(streets, [arc for arc in arcs if arc[0] not in closed])
    names = demand.zones(streets)
    usual, minutes = _paths(graph, names)
    trips = demand.trips(streets, minutes, rng)
    trips, paths = _routes(graph, trips, usual)
    trips, paths = _add_access(graph, trips, paths, arcs, access)
    other = _around(detour, trips, paths, closed)
    flows = _drive(trips, (_incidence(paths, arcs), _incidence(other, arcs)), cal, rng)
    moved = np.flatnonzero([a != b for a, b in zip(paths, other, strict=True)])
    touched = np.asarray(_incidence([paths[i] + other[i] for i in moved], arcs).any(axis=1))
    return Traffic(arcs, flows, access, frozenset((*names, access)), touched)


def all_arcs(streets: Streets) -> tuple[Arc, ...]:
    """Return every arc of the plan: each piece as drawn, then against unless it is one way."""
    arcs = []
    for i, piece in enumerate(streets.pieces):
        arcs.append((i, True))
        if not piece.one_way:
            arcs.append((i, False))
    return tuple(arcs)


def ends(streets: Streets, arc: Arc) -> tuple[str, str]:
    """Return the node an arc leaves and the node it reaches."""
    piece = streets.pieces[arc[0]]
    return (piece.tail, piece.head) if arc[1] else (piece.head, piece.tail)


def _graph(streets: Streets, arcs: tuple[Arc, ...] | list[Arc]) -> nx.DiGraph:
    graph = nx.DiGraph()
    length = lengths_m(streets)
    for arc in arcs:
        piece = streets.pieces[arc[0]]
        speed_m_min = piece.speed_kmh * EASE[piece.road_class] / 0.06
        tail, head = ends(streets, arc)
        minutes = length[arc[0]] / speed_m_min + NODE_DELAY_MIN
        graph.add_edge(tail, head, minutes=minutes, arc=arc)
    return graph


Paths = dict[tuple[str, str], list[str]]


def _paths(graph: nx.DiGraph, names: tuple[str, ...]) -> tuple[Paths, Floats]:
    """Return the quickest path and its minutes between all zones."""
    paths: Paths = {}
    minutes = np.zeros((len(names), len(names)))
    for i, name in enumerate(names):
        took, way = nx.single_source_dijkstra(graph, name, weight="minutes")
        minutes[i] = [took[other] for other in names]
        paths.update({(name, other): way[other] for other in names})
    return paths, minutes


def _routes(graph: nx.DiGraph, trips: Trips, usual: Paths) -> tuple[Trips, list[list[Arc]]]:
    """Return the trips with one row a path: big pairs are split over two ways where there are two."""
    daily = trips.rates.sum(axis=1)
    rows: list[int] = []
    shares: list[float] = []
    paths: list[list[Arc]] = []
    for row, (o, d) in enumerate(zip(trips.origin, trips.destination, strict=True)):
        pair = (trips.zones[o], trips.zones[d])
        second = _second_way(graph, usual[pair]) if daily[row] >= SPLIT_FROM_TRIPS else None
        ways = [usual[pair]] if second is None else [usual[pair], second]
        share = [1.0] if second is None else [1 - SPLIT_SHARE, SPLIT_SHARE]
        rows += [row] * len(ways)
        shares += share
        paths += [_arcs_along(graph, way) for way in ways]
    at = np.array(rows)
    rates = trips.rates[at] * np.array(shares)[:, None]
    return Trips(trips.zones, trips.origin[at], trips.destination[at], rates), paths


def _second_way(graph: nx.DiGraph, first: list[str]) -> list[str] | None:
    """Return another path that takes at most a tenth longer than ``first``, if there is one."""
    used = set(pairwise(first))

    def weight(tail: str, head: str, data: dict[str, float]) -> float:
        return data["minutes"] * (PENALTY if (tail, head) in used else 1.0)

    second = nx.dijkstra_path(graph, first[0], first[-1], weight=weight)
    if second == first:
        return None
    slower = nx.path_weight(graph, second, "minutes") / nx.path_weight(graph, first, "minutes")
    return second if slower <= SPLIT_DETOUR else None


def _arcs_along(graph: nx.DiGraph, way: list[str]) -> list[Arc]:
    return [graph.edges[pair]["arc"] for pair in pairwise(way)]


def _add_access(
    graph: nx.DiGraph, trips: Trips, paths: list[list[Arc]], arcs: tuple[Arc, ...], access: str
) -> tuple[Trips, list[list[Arc]]]:
    """Add the hidden access: a depot whose staff and lorries come and go by one side of its road."""
    load = _incidence(paths, arcs) @ trips.rates.sum(axis=1)
    inbound = {graph.edges[edge]["arc"] for edge in graph.in_edges(access)}
    flow = sum(load[i] for i, arc in enumerate(arcs) if arc in inbound)
    took, way = nx.single_source_dijkstra(graph, access, weight="minutes")
    back = {z: nx.dijkstra_path(graph, z, access, weight="minutes") for z in demand.DRAW}
    side = _busier_side(way, back)
    partners = [z for z in demand.DRAW if way[z][1] == side and back[z][-2] == side]
    weight = np.array(
        [sum(demand.DRAW[z].values()) * np.exp(-took[z] / demand.REACH_MIN) for z in partners]
    )
    size = ACCESS_SHARE / 2 * flow * weight / weight.sum()
    moves = seasons.MOVES
    there, home = np.zeros(len(moves)), np.zeros(len(moves))
    for move, share in (("commute_out", 0.45), ("shopping_out", 0.15), ("freight", 0.4)):
        there[moves.index(move)] = share
        home[moves.index(move.replace("_out", "_back"))] = share
    zones = (*trips.zones, access)
    new, at = len(zones) - 1, np.array([zones.index(z) for z in partners])
    here = np.full(len(at), new)
    more = Trips(
        zones,
        np.concatenate([trips.origin, at, here]),
        np.concatenate([trips.destination, here, at]),
        np.concatenate([trips.rates, size[:, None] * there, size[:, None] * home]),
    )
    ways = [back[z] for z in partners] + [way[z] for z in partners]
    return more, paths + [_arcs_along(graph, w) for w in ways]


def _busier_side(way: dict[str, list[str]], back: dict[str, list[str]]) -> str:
    """Return the neighbour of the access by which most of the town's places are reached."""
    sides: dict[str, float] = {}
    for zone, draw in demand.DRAW.items():
        if way[zone][1] == back[zone][-2]:
            sides[way[zone][1]] = sides.get(way[zone][1], 0.0) + sum(draw.values())
    return max(sorted(sides), key=lambda key: sides[key])


def _around(
    detour: nx.DiGraph, trips: Trips, paths: list[list[Arc]], closed: frozenset[int]
) -> list[list[Arc]]:
    """Return the paths while a street is closed: those that used it go round."""
    other = []
    for row, path in enumerate(paths):
        if closed.isdisjoint(piece for piece, _ in path):
            other.append(path)
            continue
        o, d = trips.zones[trips.origin[row]], trips.zones[trips.destination[row]]
        other.append(_arcs_along(detour, nx.dijkstra_path(detour, o, d, weight="minutes")))
    return other


def _incidence(paths: list[list[Arc]], arcs: tuple[Arc, ...]) -> NDArray[np.float32]:
    row = {arc: i for i, arc in enumerate(arcs)}
    matrix = np.zeros((len(arcs), len(paths)), dtype=np.float32)
    for column, path in enumerate(paths):
        for arc in path:
            matrix[row[arc], column] = 1.0
    return matrix


def _drive(
    trips: Trips,
    incidence: tuple[NDArray[np.float32], NDArray[np.float32]],
    cal: seasons.Calendar,
    rng: np.random.Generator,
) -> Counts:
    """Draw the trips of every hour and add them up along their paths.

    Sums are of whole numbers below 2**24, so single precision keeps them exact in any order.
    """
    weights = seasons.hour_weights(cal, seasons.purpose_days(cal.days, rng))
    busy = seasons.zone_days(rng, len(trips.zones), len(cal.days))
    busy[trips.zones.index("MK")] *= np.where(seasons.event_days(cal.days), 1.6, 1.0)
    day = cal.hours["day"].to_numpy()
    closed = seasons.closed_hours(cal)
    flows = np.empty((len(incidence[0]), len(day)), dtype=np.int32)
    for start in range(0, len(day), BLOCK_HOURS):
        span = slice(start, start + BLOCK_HOURS)
        pair_days = busy[trips.origin] * busy[trips.destination]
        mean = (trips.rates @ weights[:, span]) * pair_days[:, day[span]]
        drawn = rng.poisson(mean).astype(np.float32)
        for shut in (False, True):
            at = np.flatnonzero(closed[span] == shut)
            flows[:, start + at] = np.rint(incidence[shut] @ drawn[:, at]).astype(np.int32)
    return flows
