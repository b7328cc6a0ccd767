"""A route along a corridor: the shortest way between two places, whichever way the traffic runs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import dijkstra

from countmap.errors import InvalidInput, NotFound

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from countmap.roads.graph import Roads


@dataclass(frozen=True, slots=True)
class Leg:
    """A link of the route: ``forward`` when travelled as drawn, ``start_m`` of its near end.

    ``start_m`` may be negative, or the far end lie beyond the route, where the route starts or ends
    within the link.
    """

    link_id: str
    forward: bool
    start_m: float
    length_m: float


@dataclass(frozen=True, slots=True)
class Route:
    """Legs in order; ``nodes`` passed with their chainage; ``length_m`` from start to end."""

    legs: tuple[Leg, ...]
    nodes: tuple[tuple[str, float], ...]
    length_m: float


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a route may begin: nodes with the metres to them, and the link one stands on."""

    nodes: tuple[tuple[int, float], ...]
    link: int
    offset_m: float


def route(roads: Roads, stations: pd.DataFrame, start: str, end: str) -> Route:
    """Return the shortest way from one place to another, one-way streets taken either way.

    Parameters
    ----------
    start, end : str
        Ids of stations, nodes or links (looked up in that order); a link stands for its middle.

    Raises
    ------
    NotFound
        An id that is no station on the network, no node and no link.
    InvalidInput
        Both places are the same, or no way joins them.
    """
    links = roads.links
    node_of = {node: i for i, node in enumerate(roads.nodes["node_id"])}
    begin = _place(roads, stations, node_of, start)
    finish = _place(roads, stations, node_of, end)
    if start == end:
        raise InvalidInput(f"corridor: {start!r} is both its start and its end; name two places")
    ends = links[["from_node", "to_node"]].apply(lambda c: c.map(node_of)).to_numpy(dtype=np.intp)
    length = links["length_m"].to_numpy(dtype=float)
    if begin.link >= 0 and begin.link == finish.link:
        return _within(links["link_id"].iloc[begin.link], begin, finish, float(length[begin.link]))
    shortest = _shortest_links(ends, length, len(node_of))
    best: tuple[float, list[int]] | None = None
    for node, metres in begin.nodes:
        far, before = dijkstra(shortest[0], directed=False, indices=node, return_predecessors=True)
        for target, rest in finish.nodes:
            whole = metres + far[target] + rest
            if np.isfinite(whole) and (best is None or whole < best[0] - 1e-9):
                best = (whole, _chain(before, node, target))
    if best is None:
        raise InvalidInput(f"corridor: no road joins {start!r} and {end!r}; check the network")
    path = [shortest[1][min(a, b), max(a, b)] for a, b in zip(best[1], best[1][1:], strict=False)]
    return _assemble(roads, begin, finish, (best[1], path))


def _place(roads: Roads, stations: pd.DataFrame, node_of: dict[str, int], name: str) -> _Place:
    found = stations.loc[stations["station_id"].eq(name) & stations["link_id"].notna()]
    link_at = {link: i for i, link in enumerate(roads.links["link_id"])}
    if len(found):
        link, offset = link_at.get(found["link_id"].iloc[0], -1), float(found["offset_m"].iloc[0])
    elif name in node_of:
        return _Place(((node_of[name], 0.0),), -1, 0.0)
    else:
        link, offset = link_at.get(name, -1), np.nan
    if link < 0:
        raise NotFound(
            f"corridor: {name!r} is no placed station, no node and no link; check the id"
        )
    row = roads.links.iloc[link]
    metres = float(row["length_m"])
    offset = metres / 2 if np.isnan(offset) else min(max(offset, 0.0), metres)
    ends = ((node_of[row["from_node"]], offset), (node_of[row["to_node"]], metres - offset))
    return _Place(ends, link, offset)


def _within(link: str, begin: _Place, finish: _Place, length: float) -> Route:
    forward = finish.offset_m >= begin.offset_m
    start = -begin.offset_m if forward else begin.offset_m - length
    return Route((Leg(link, forward, start, length),), (), abs(finish.offset_m - begin.offset_m))


def _shortest_links(
    ends: NDArray[np.intp], length: NDArray[np.float64], n: int
) -> tuple[sparse.csr_array, dict[tuple[int, int], int]]:
    """Return the two-way graph, and of parallel links the shortest (then the first) by its ends."""
    low, high = ends.min(axis=1), ends.max(axis=1)
    at = np.lexsort((np.arange(len(ends)), length, high, low))
    at = at[low[at] != high[at]]
    first = np.ones(len(at), dtype=bool)
    first[1:] = (low[at][1:] != low[at][:-1]) | (high[at][1:] != high[at][:-1])
    kept = at[first]
    matrix = sparse.csr_array(
        (np.maximum(length[kept], 1e-6), (low[kept], high[kept])), shape=(n, n)
    )
    keys = zip(low[kept].tolist(), high[kept].tolist(), strict=True)
    return matrix, dict(zip(keys, kept.tolist(), strict=True))


def _chain(before: NDArray[np.intp], start: int, end: int) -> list[int]:
    path = [end]
    while path[-1] != start:
        path.append(int(before[path[-1]]))
    return path[::-1]


def _assemble(
    roads: Roads, begin: _Place, finish: _Place, walked: tuple[list[int], list[int]]
) -> Route:
    """Put the route together from its nodes and the links between them, ends within links included."""
    nodes, path = walked
    links = roads.links
    ids, length = links["link_id"].to_numpy(), links["length_m"].to_numpy(dtype=float)
    names = roads.nodes["node_id"].to_numpy()
    first = links["from_node"].to_numpy()
    # A place at the very end of a link may be reached along that link: it is then part of the ends.
    if path and path[0] == begin.link:
        path, nodes = path[1:], nodes[1:]
    if path and path[-1] == finish.link:
        path, nodes = path[:-1], nodes[:-1]
    legs: list[Leg] = []
    at = 0.0
    if begin.link >= 0:
        forward = bool(first[begin.link] != names[nodes[0]])
        at = length[begin.link] - begin.offset_m if forward else begin.offset_m
        legs.append(
            Leg(ids[begin.link], forward, float(at - length[begin.link]), length[begin.link])
        )
    passed = [(str(names[nodes[0]]), float(at))]
    for link, a, b in zip(path, nodes, nodes[1:], strict=False):
        legs.append(Leg(ids[link], bool(first[link] == names[a]), float(at), length[link]))
        at += length[link]
        passed.append((str(names[b]), float(at)))
    if finish.link >= 0:
        forward = bool(first[finish.link] == names[nodes[-1]])
        legs.append(Leg(ids[finish.link], forward, float(at), length[finish.link]))
        at += finish.offset_m if forward else length[finish.link] - finish.offset_m
    return Route(tuple(legs), tuple(passed), float(at))
