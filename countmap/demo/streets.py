"""From the plan to road pieces: smooth lines, carriageways, the roundabout's ring, cul-de-sacs."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from countmap.demo import plan

Line = NDArray[np.float64]
SMOOTH_STEP_M = 45.0


@dataclass(frozen=True, slots=True)
class Piece:
    """A road piece between two nodes of the plan, drawn once."""

    tail: str
    head: str
    street: str
    road_class: str
    lanes: int
    speed_kmh: int
    one_way: bool
    roundabout: bool
    level: int
    line: Line


@dataclass(frozen=True, slots=True)
class Streets:
    """The town's road pieces, the place of every node and the twins of the dual carriageways.

    ``twins`` names the pieces, by position, that are the two carriageways of one road or the two
    streets of a one-way couple.
    """

    pieces: tuple[Piece, ...]
    nodes: dict[str, tuple[float, float]]
    homes: dict[str, int]
    twins: tuple[tuple[int, int], ...]
    index: dict[tuple[str, str], int] = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "index", {(p.tail, p.head): i for i, p in enumerate(self.pieces)})

    def between(self, tail: str, head: str) -> tuple[int, bool]:
        """Return the piece that joins two nodes and whether it is drawn that way."""
        if (tail, head) in self.index:
            return self.index[tail, head], True
        return self.index[head, tail], False


def build() -> Streets:
    """Return the whole street plan, always the same."""
    nodes = _node_table()
    nodes.update(_ring_nodes())
    pieces = _ring_pieces(nodes)
    twins: list[tuple[int, int]] = []
    crossing = _crossing_nodes()
    nodes.update(crossing)
    pieces += _crossing_pieces(nodes)
    for dual in plan.DUALS:
        twins += _add_dual(dual, nodes, pieces)
    for street in plan.STREETS:
        pieces += _street_pieces(street, nodes)
    homes: dict[str, int] = {}
    for number, stub in enumerate(plan.STUBS):
        pieces.append(_stub_piece(stub, f"C{number:02d}", nodes))
        homes[f"C{number:02d}"] = stub.homes
    twins += _couple(pieces)
    return Streets(tuple(pieces), nodes, homes, tuple(twins))


def lengths_m(streets: Streets) -> NDArray[np.float64]:
    """Return the length of every piece in metres."""
    return np.array(
        [np.hypot(*np.diff(piece.line, axis=0).T).sum() for piece in streets.pieces], dtype=float
    )


def smooth(points: Line, step_m: float = SMOOTH_STEP_M) -> list[Line]:
    """Return a smooth line through ``points``, cut at them: one array of vertices a span.

    Notes
    -----
    Centripetal Catmull-Rom splines: they pass through every point and make no loops.

    References
    ----------
    Catmull & Rom 1974, *A class of local interpolating splines*; parameter of Lee 1989.

    Examples
    --------
    >>> [len(span) for span in smooth(np.array([[0.0, 0.0], [100.0, 0.0], [200.0, 50.0]]))]
    [4, 4]
    """
    if len(points) == 2:
        return [np.asarray(points, dtype=float)]
    padded = np.vstack([2 * points[0] - points[1], points, 2 * points[-1] - points[-2]])
    spans = []
    for i in range(len(points) - 1):
        p0, p1, p2, p3 = padded[i : i + 4]
        knots = np.cumsum(
            [0.0, *(math.dist(a, b) ** 0.5 for a, b in ((p0, p1), (p1, p2), (p2, p3)))]
        )
        t0, t1, t2, t3 = knots
        count = max(2, round(math.dist(p1, p2) / step_m) + 2)
        t = np.linspace(t1, t2, count)[:, None]
        a1 = (t1 - t) / (t1 - t0) * p0 + (t - t0) / (t1 - t0) * p1
        a2 = (t2 - t) / (t2 - t1) * p1 + (t - t1) / (t2 - t1) * p2
        a3 = (t3 - t) / (t3 - t2) * p2 + (t - t2) / (t3 - t2) * p3
        b1 = (t2 - t) / (t2 - t0) * a1 + (t - t0) / (t2 - t0) * a2
        b2 = (t3 - t) / (t3 - t1) * a2 + (t - t1) / (t3 - t1) * a3
        spans.append((t2 - t) / (t2 - t1) * b1 + (t - t1) / (t2 - t1) * b2)
    return spans


def beside(line: Line, right_m: float) -> Line:
    """Return the line moved to its right by ``right_m`` metres (left if negative)."""
    along = np.gradient(line, axis=0)
    along /= np.hypot(*along.T)[:, None]
    return line + right_m * np.column_stack([along[:, 1], -along[:, 0]])


def _node_table() -> dict[str, tuple[float, float]]:
    words = plan.NODE_TEXT.split()
    return {
        key: (float(x), float(y))
        for key, x, y in zip(words[0::3], words[1::3], words[2::3], strict=True)
    }


def _ring_point(angle_deg: float) -> tuple[float, float]:
    x, y, radius = plan.ROUNDABOUT
    angle = math.radians(angle_deg)
    return x + radius * math.cos(angle), y + radius * math.sin(angle)


def _ring_nodes() -> dict[str, tuple[float, float]]:
    return {key: _ring_point(angle) for key, angle in plan.RING}


def _ring_pieces(nodes: dict[str, tuple[float, float]]) -> list[Piece]:
    pieces = []
    for (key, start), (after, end) in zip(plan.RING, plan.RING[1:] + plan.RING[:1], strict=True):
        turn = (end - start) % 360
        angles = np.linspace(start, start + turn, max(3, round(turn / 14) + 1))
        line = np.array([_ring_point(angle) for angle in angles])
        line[0], line[-1] = nodes[key], nodes[after]
        pieces.append(Piece(key, after, "Heath Roundabout", "trunk", 2, 40, True, True, 0, line))
    return pieces


def _crossing_nodes() -> dict[str, tuple[float, float]]:
    (x, y), gap = plan.CROSSING, plan.HALF_GAP_M
    return {
        "XNW": (x - gap, y + gap), "XSW": (x - gap, y - gap),
        "XSE": (x + gap, y - gap), "XNE": (x + gap, y + gap),
    }  # fmt: skip


def _crossing_pieces(nodes: dict[str, tuple[float, float]]) -> list[Piece]:
    around = (
        ("XNW", "XSW", "Westway", "trunk"), ("XSW", "XSE", "Southern Ring", "primary"),
        ("XSE", "XNE", "Westway", "trunk"), ("XNE", "XNW", "Southern Ring", "primary"),
    )  # fmt: skip
    return [
        Piece(a, b, name, road_class, 2, 60, True, False, 0, np.array([nodes[a], nodes[b]]))
        for a, b, name, road_class in around
    ]


def _middle(key: str, nodes: dict[str, tuple[float, float]]) -> tuple[float, float]:
    if key == "RB":
        return _ring_point(270)
    if key == "DX":
        return plan.CROSSING
    return plan.DUAL_POINTS.get(key) or nodes[key]


def _add_dual(
    dual: plan.Dual, nodes: dict[str, tuple[float, float]], pieces: list[Piece]
) -> list[tuple[int, int]]:
    """Append both carriageways of ``dual``; return the positions of the pieces that are twins."""
    middle = np.array([_middle(key, nodes) for key in dual.nodes], dtype=float)
    there = _carriageway_nodes(dual, middle, +1, nodes)
    back = _carriageway_nodes(dual, middle, -1, nodes)
    twins = []
    for i, span in enumerate(smooth(middle)):
        level = int(dual.bridge == dual.nodes[i : i + 2])
        placed = []
        for keys, side in ((there, +1), (back, -1)):
            line = beside(span, side * plan.HALF_GAP_M)
            line[0], line[-1] = nodes[keys[i]], nodes[keys[i + 1]]
            tail, head = (keys[i], keys[i + 1]) if side > 0 else (keys[i + 1], keys[i])
            line = line if side > 0 else line[::-1]
            placed.append(len(pieces))
            pieces.append(
                Piece(tail, head, dual.name, dual.road_class, dual.lanes, dual.speed_kmh,
                      True, False, level, line)
            )  # fmt: skip
        twins.append((placed[0], placed[1]))
    return twins


def _carriageway_nodes(
    dual: plan.Dual, middle: Line, side: int, nodes: dict[str, tuple[float, float]]
) -> list[str]:
    """Return the node keys of one carriageway (+1: the drawn direction), adding those it cuts."""
    spans = smooth(middle)
    keys = []
    for i, key in enumerate(dual.nodes):
        if key == "RB":
            keys.append("RSO" if side > 0 else "RSI")
        elif key == "DX":
            neighbour = dual.nodes[i - 1] if i else dual.nodes[1]
            keys.append(_corner(neighbour, outbound=(i == 0) == (side > 0)))
        elif key in plan.DUAL_POINTS:
            name = f"{key}{'S' if side > 0 else 'N'}"
            line = beside(spans[i], side * plan.HALF_GAP_M)
            nodes[name] = (float(line[0, 0]), float(line[0, 1]))
            keys.append(name)
        else:
            keys.append(key)
    return keys


def _corner(towards: str, *, outbound: bool) -> str:
    """Return the corner of the crossing where a carriageway of the leg to ``towards`` begins or ends."""
    leaving = {"DD": "XNE", "M": "XSW", "ME": "XSE", "MW": "XNW"}
    arriving = {"DD": "XNW", "M": "XSE", "ME": "XNE", "MW": "XSW"}
    return leaving[towards] if outbound else arriving[towards]


def _street_pieces(street: plan.Street, nodes: dict[str, tuple[float, float]]) -> list[Piece]:
    keys = street.nodes.split()
    pieces = []
    for tail, head, span in zip(
        keys, keys[1:], smooth(np.array([nodes[key] for key in keys])), strict=False
    ):
        span[0], span[-1] = nodes[tail], nodes[head]
        level = int((tail, head) in plan.BRIDGES)
        pieces.append(
            Piece(tail, head, street.name, street.road_class, street.lanes, street.speed_kmh,
                  street.one_way, False, level, span)
        )  # fmt: skip
    return pieces


def _stub_piece(stub: plan.Stub, key: str, nodes: dict[str, tuple[float, float]]) -> Piece:
    start = np.array(nodes[stub.node])
    bearing = math.radians(stub.bearing_deg)
    along = np.array([math.sin(bearing), math.cos(bearing)])
    bend = 0.12 * stub.length_m * np.array([along[1], -along[0]])
    line = np.array(
        [start, start + 0.35 * stub.length_m * along + bend, start + 0.7 * stub.length_m * along + bend,
         start + stub.length_m * along]
    )  # fmt: skip
    nodes[key] = (float(line[-1, 0]), float(line[-1, 1]))
    return Piece(stub.node, key, stub.name, "local", 2, 30, False, False, 0, line)


def _couple(pieces: list[Piece]) -> list[tuple[int, int]]:
    there = [i for i, p in enumerate(pieces) if p.street == "Lantern Street"]
    back = [i for i, p in enumerate(pieces) if p.street == "Tanner Street"]
    return list(zip(there, reversed(back), strict=True))


def frame(streets: Streets, offset: int = 101) -> pd.DataFrame:
    """Return the pieces as a table with public ids.

    Returns
    -------
    DataFrame
        ``link_id, from_node, to_node, name, road_class, allowed, lanes, speed_kmh, roundabout,
        level``, one row a piece in the plan's order.
    """
    ids = node_ids(streets)
    rows = [
        {
            "link_id": f"L{offset + i}",
            "from_node": ids[p.tail],
            "to_node": ids[p.head],
            "name": p.street,
            "road_class": p.road_class,
            "allowed": "with" if p.one_way else "both",
            "lanes": p.lanes,
            "speed_kmh": p.speed_kmh,
            "roundabout": p.roundabout,
            "level": p.level,
        }
        for i, p in enumerate(streets.pieces)
    ]
    return pd.DataFrame(rows)


def node_ids(streets: Streets) -> dict[str, str]:
    """Return the public id of every node that a piece uses, numbered in the plan's order."""
    used = {key for piece in streets.pieces for key in (piece.tail, piece.head)}
    return {key: f"N{101 + i}" for i, key in enumerate(k for k in streets.nodes if k in used)}
