"""Invented towns for the bench of the tides: whole trips on fixed paths, counts from different weeks, faults.

Nothing here is shared with the demo. Trips start and end at the study boundary and at declared inner
zones only, so every other node conserves flow hour by hour.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import networkx as nx
import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent.parent))

import itertools

from made_balance import YEAR
from made_roads import EAST, NORTH, net

from countmap.balance.inputs import BalanceInputs
from countmap.roads.junctions import junctions
from countmap.roads.sections import sections

TUNING_SEEDS = range(1, 61)
REPORT_SEEDS = range(101, 141)
FRESH_SEEDS = range(141, 181)
FAULTS = {"under_count": 4, "swap": 4, "clock": 4}
KEPT_SHARE = (0.60, 0.70)
"""An under-counter misses 30 to 40 % of both senses."""

BUSY_FROM = 400.0
SIDE = 10
BLOCK_M = 500.0
N_PERMANENT = 12
COUNTED_SHARE = 0.60
QUIET_WITHOUT_FLOW = 0.85
COUNTER_SD = 0.01
DAYS = pd.date_range("2025-01-01", "2025-12-31", unit="us")
PURPOSES = 4


@dataclass(frozen=True, eq=False)
class Town:
    """A town: balance inputs, hour cells, and the planted faults by station (kind, size)."""

    inputs: BalanceInputs
    hour_cells: pd.DataFrame
    faults: dict[str, tuple[str, float]]


def town(seed: int, *, quiet: bool = True, access: float = 0.0, counted: float = COUNTED_SHARE):
    """Return a town; ``access`` is the share of flow of a side access at every junction, declared."""
    rng = np.random.default_rng([seed, 20_25])
    streets, zones = _streets(rng)
    graph = nx.DiGraph()
    for link, (u, v, speed) in streets.items():
        graph.add_edge(u, v, minutes=1.0 / speed, arc=(link, "with"))
        graph.add_edge(v, u, minutes=1.0 / speed, arc=(link, "against"))
    arcs, flows = _drive(graph, zones, rng, access)
    total = {k: flows[arcs[k, "with"]].mean() + flows[arcs[k, "against"]].mean() for k in streets}
    used = [k for k in streets if total[k] > 0]
    idle = [k for k in streets if total[k] == 0]
    wanted = min(round(counted * len(streets)), len(used))
    most = int((1 - QUIET_WITHOUT_FLOW) / QUIET_WITHOUT_FLOW * len(idle))
    drop = max(len(used) - wanted, 0) if counted < 1 else 0
    least = sorted(used, key=lambda k: total[k])[: min(drop, most)]
    places = [k for k in streets if k in used and k not in least]
    if counted >= 1:
        places = list(streets)
    return _measure(rng, streets, zones, arcs, flows, places, quiet=quiet, access=access)


def _streets(rng):
    """Return link -> (node, node, speed) and the zones: a bent grid with main streets and spurs."""
    streets, n = {}, 0
    main_x, main_y = {1, 4, 8}, {2, 6}
    for x in range(SIDE):
        for y in range(SIDE):
            for dx, dy in ((1, 0), (0, 1)):
                if x + dx < SIDE and y + dy < SIDE and rng.random() > 0.08:
                    main = y in main_y if dx else x in main_x
                    speed = (2.0 if main else 0.8) * np.exp(rng.normal(0, 0.12))
                    streets[f"L{n:03d}"] = ((x, y), (x + dx, y + dy), speed)
                    n += 1
    edge = [(x, -1) for x in main_x] + [(x, SIDE) for x in main_x]
    edge += [(-1, y) for y in main_y] + [(SIDE, y) for y in main_y]
    for x, y in edge:
        inner = (min(max(x, 0), SIDE - 1), min(max(y, 0), SIDE - 1))
        streets[f"L{n:03d}"] = ((x, y), inner, 1.6)
        n += 1
    graph = nx.Graph((u, v) for u, v, _ in streets.values())
    whole = max(nx.connected_components(graph), key=len)
    streets = {k: s for k, s in streets.items() if s[0] in whole}
    inner = sorted(v for v in whole if 0 <= v[0] < SIDE and 0 <= v[1] < SIDE)
    picks = rng.permutation(len(inner))[:9]
    return streets, [v for v in edge if v in whole] + [inner[i] for i in picks]


def _shapes():
    """Return (purposes, 2 ways, 2 kinds of day, 24): out and back of work, school, shops, through."""
    hour = np.arange(24)

    def hump(at, wide, level):
        shape = np.exp(-(((hour - at) / wide) ** 2))
        return level * shape / shape.sum()

    day = hump(13, 5, 1.0)
    work = [
        [hump(7.3, 1.2, 1.0) + 0.15 * day, 0.2 * day],
        [hump(16.8, 1.6, 1.0) + 0.15 * day, 0.2 * day],
    ]
    school = [
        [hump(7.9, 0.7, 0.7) + 0.1 * day, 0.05 * day],
        [hump(14.2, 1.3, 0.7) + 0.1 * day, 0.05 * day],
    ]
    shops = [
        [hump(11, 2.8, 0.8), hump(11.5, 2.2, 1.0)],
        [hump(13.5, 3.4, 0.8), hump(14.5, 2.6, 1.0)],
    ]
    through = [[hump(12.5, 6, 1.0), hump(15, 5, 0.9)]] * 2
    return np.array([work, school, shops, through])


def _drive(graph, zones, rng, access):
    """Return arc numbers and the year's hourly vehicles (arcs, hours)."""
    mass = rng.lognormal(0, 0.7, (len(zones), PURPOSES, 2))
    is_edge = np.array([v[0] in (-1, SIDE) or v[1] in (-1, SIDE) for v in zones])
    mass[is_edge, 3] *= 4.0
    mass[~is_edge, 3] *= 0.2
    shapes = _shapes()
    weekend = np.asarray(DAYS.day_of_week >= 5)
    town_day = np.exp(
        _memory(rng, PURPOSES, 0.04) + 0.08 * np.sin(2 * np.pi * (np.arange(len(DAYS)) - 100) / 365)
    )
    town_day[1] *= np.where((DAYS.month == 7) | (DAYS.month == 8), 0.3, 1.0)
    zone_day = np.exp(_memory(rng, len(zones), 0.03))
    arcs = {graph.edges[e]["arc"]: i for i, e in enumerate(graph.edges)}
    of = {e: i for i, e in enumerate(graph.edges)}
    flows = np.zeros((len(arcs), len(DAYS) * 24))
    ways = {z: nx.single_source_dijkstra_path(graph, z, weight="minutes") for z in zones}
    wait = {z: nx.single_source_dijkstra_path_length(graph, z, weight="minutes") for z in zones}
    pull = np.array([[np.exp(-wait[a][b] / 8.0) if a != b else 0.0 for b in zones] for a in zones])
    level = 20.0
    for i, a in enumerate(zones):
        means, paths = [], []
        for j, b in enumerate(zones):
            if i == j:
                continue
            out = mass[i, :, 0] * mass[j, :, 1] * pull[i, j]
            back = mass[j, :, 0] * mass[i, :, 1] * pull[i, j]
            mean = np.zeros((len(DAYS), 24))
            for p in range(PURPOSES):
                for way, size in ((0, out[p]), (1, back[p])):
                    shape = shapes[p, way][weekend.astype(int)]
                    mean += level * size * town_day[p][:, None] * shape
            means.append((mean * (zone_day[i] * zone_day[j])[:, None]).ravel())
            path = ways[a][b]
            paths.append([of[e] for e in itertools.pairwise(path)])
        trips = rng.poisson(np.array(means))
        for path, row in zip(paths, trips, strict=True):
            flows[path] += row
    if access:
        _turn_in(graph, of, zones, flows, rng, access)
    return arcs, flows


def _turn_in(graph, of, zones, flows, rng, access):
    """Let a side access at every junction take its share: its trips run to the nearest zone and back."""
    shapes = _shapes()
    weekend = np.asarray(DAYS.day_of_week >= 5).astype(int)
    for node in sorted(graph.nodes):
        legs = [e for e in graph.edges if e[0] == node]
        if node in zones or len(legs) < 2:
            continue
        busy = min(legs, key=lambda e: (-flows[of[e]].mean(), e))
        target = min(
            zones,
            key=lambda z: (
                nx.dijkstra_path_length(graph, node, z, weight="minutes") if z != node else 9e9
            ),
        )
        there = nx.dijkstra_path(graph, node, target, weight="minutes")
        size = access * flows[of[busy]].mean() * 24
        if size <= 0:
            continue
        kind = int(rng.integers(PURPOSES))
        for way, path in ((0, there), (1, there[::-1])):
            row = rng.poisson((size * shapes[kind, way][weekend]).ravel())
            for e in itertools.pairwise(path):
                flows[of[e]] += row


def _memory(rng, n, sd):
    """Return (n, days) of noise with a memory of days."""
    noise = rng.normal(0, sd, (n, len(DAYS)))
    for d in range(1, len(DAYS)):
        noise[:, d] = 0.5 * noise[:, d - 1] + np.sqrt(0.75) * noise[:, d]
    return noise


def _measure(rng, streets, zones, arcs, flows, places, *, quiet, access):
    names = {k: f"S{i:03d}" for i, k in enumerate(places)}
    level = {k: sum(flows[arcs[k, s]].mean() for s in ("with", "against")) * 24 for k in places}
    busy = [k for k in places if level[k] >= BUSY_FROM]
    order = [busy[i] for i in rng.permutation(len(busy))]
    permanent = set(order[:N_PERMANENT])
    left = order[N_PERMANENT:]
    faults = {}
    for kind, n in FAULTS.items():
        for k in left[:n]:
            size = {
                "under_count": float(rng.uniform(*KEPT_SHARE)),
                "swap": -1.0,
                "clock": float(rng.choice([-1, 1])),
            }[kind]
            faults[names[k]] = (kind, size)
        left = left[n:]
    parts, annual = [], []
    for k in places:
        first, n_days = 0, len(DAYS)
        if k not in permanent:
            n_days = int(rng.integers(7, 11))
            first = int(rng.integers(60, 320))
        at = np.arange(first * 24, (first + n_days) * 24)
        kind, size = faults.get(names[k], ("", 0.0))
        for sense in ("with", "against"):
            other = {"with": "against", "against": "with"}[sense]
            true = flows[arcs[k, other if kind == "swap" else sense]]
            if kind == "clock":
                true = np.roll(true, int(size))
            share = (
                (size if kind == "under_count" else 1.0) * (1 + rng.normal(0, COUNTER_SD)) * 0.985
            )
            count = rng.binomial(true[at].astype(int), min(share, 1.0))
            parts.append((names[k], sense, at, count))
            annual.append(
                (
                    names[k],
                    sense,
                    YEAR,
                    count.mean() * 24,
                    0.05,
                    "measured" if k in permanent else "estimated",
                )
            )
    cells = pd.concat([_cells(*part) for part in parts], ignore_index=True)
    jitter = {}
    for u, v, _ in streets.values():
        for node in (u, v):
            jitter.setdefault(node, (node[0] * BLOCK_M, node[1] * BLOCK_M))
    roads = net(**{k: [jitter[u], jitter[v]] for k, (u, v, _) in streets.items()})
    ids = {
        (round(x - EAST), round(y - NORTH)): i
        for i, x, y in roads.nodes[["node_id", "x", "y"]].itertuples(index=False)
    }
    rows = [
        ("generator", ids[round(jitter[z][0]), round(jitter[z][1])], None, None, None)
        for z in zones
    ]
    if quiet:
        rows += [("quiet", k, None, None, None) for k in streets if k not in places]
    if access:
        rows += [("side_access", k, None, access, None) for k in streets]
    said = pd.DataFrame(rows, columns=["kind", "id", "other_id", "value", "note"]).astype(
        {"value": float}
    )
    table = junctions(roads, said)
    stations = pd.DataFrame(
        [
            (names[k], k, BLOCK_M / 2, True, "permanent" if k in permanent else "short")
            for k in places
        ],
        columns=["station_id", "link_id", "offset_m", "same_way", "kind"],
    )
    annual = pd.DataFrame(
        annual, columns=["station_id", "sense", "year", "aadt", "log_se", "status"]
    )
    inputs = BalanceInputs(
        roads, table, sections(roads, table), stations, annual, YEAR, declarations=said
    )
    return Town(inputs, cells, faults)


def _cells(station, sense, at, count):
    return pd.DataFrame(
        {
            "station_id": station,
            "sense": sense,
            "date": DAYS.to_numpy()[at // 24],
            "hour": at % 24,
            "count": count.astype(float),
            "minutes": 60.0,
            "minutes_expected": 60.0,
            "quantity": "vehicles",
        }
    )
