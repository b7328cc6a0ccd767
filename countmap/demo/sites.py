"""Where the town counts: its permanent and short stations, as they stand in ``stations.csv``."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from countmap.demo import plan
from countmap.demo.streets import Line, Piece, Streets

# Two nodes of the plan and how far along the counter lies.
PERMANENT = (
    ("DBS", "DCS", 0.45), ("DCN", "DBN", 0.55), ("OBN", "OBS", 0.5), ("E2", "E3", 0.5),
    ("NR3", "NR4", 0.5), ("A2", "A3", 0.6), ("S1", "ME", 0.55), ("U1", "U2", 0.5),
    ("SR6", "BS", 0.45), ("K5", "MW", 0.5),
)  # fmt: skip
SHORT = (
    ("RW", "W1", 0.4), ("RN", "HS", 0.45), ("RNE", "N1", 0.5), ("RSE", "G1", 0.5),
    ("RSO", "DAS", 0.55), ("DBN", "DAN", 0.5), ("XSW", "M", 0.5), ("M", "XSE", 0.55),
    ("M", "M2", 0.5), ("N1", "N2A", 0.45), ("N2A", "N2", 0.5), ("N2", "N2B", 0.5),
    ("N2B", "N3", 0.45), ("N3", "N4", 0.5), ("NR2", "N2", 0.5), ("N2", "NR3", 0.5),
    ("A1B", "N4", 0.5), ("N4", "A2", 0.5), ("N4", "E1", 0.5), ("E1", "E2", 0.5),
    ("EG3", "E1", 0.5), ("E1", "SD1", 0.5), ("SD1", "SD2", 0.5), ("E3", "E4", 0.45),
    ("U2", "E4", 0.5), ("E4", "U3", 0.45), ("E4", "S5", 0.4), ("K2", "E2", 0.55),
    ("SE3", "E3", 0.5), ("S5", "S4", 0.5), ("S4", "S3", 0.5), ("S3", "S2", 0.5),
    ("S2", "S1", 0.5), ("SR3", "S3", 0.5), ("S3", "SR4", 0.5), ("SR4", "SR5", 0.5),
    ("OBS", "SR1", 0.5), ("SR1", "SR2", 0.5), ("SR2", "SR3", 0.5), ("SR1", "ST1", 0.5),
    ("SR1", "U1", 0.5), ("SW1", "OBS", 0.5), ("OBS", "SE1", 0.5), ("OBN", "H1", 0.6),
    ("T1", "OBN", 0.4), ("OBN", "Q1", 0.5), ("OBN", "Q2", 0.5), ("GA2", "GA4", 0.5),
    ("W1", "C18", 0.5),
)  # fmt: skip
# Two short stations, or a short and a permanent one, with nothing but a bend between them.
IN_SERIES = (
    (("N1", "N2A"), ("N2A", "N2")), (("N2", "N2B"), ("N2B", "N3")), (("N4", "A2"), ("A2", "A3")),
    (("E1", "SD1"), ("SD1", "SD2")), (("S3", "S2"), ("S2", "S1")), (("S3", "SR4"), ("SR4", "SR5")),
)  # fmt: skip
# Nodes all of whose legs are counted, so that the balance can speak about each of them.
COUNTED_NODES = ("N2", "N4", "E1", "E2", "E3", "E4", "S3", "SR1", "OBS")
# What people say where the first named place ahead is the road's own.
OWN_WORDS = {
    ("OBN", "OBS"): ("Station Road", "Market Place"), ("XSW", "M"): ("Vantry", "Scarrow Cross"),
    ("M", "XSE"): ("Scarrow Cross", "Vantry"), ("M", "M2"): ("Vantry", "Scarrow Cross"),
    ("OBN", "H1"): ("North Gate", "Old Bridge"), ("T1", "OBN"): ("Old Bridge", "North Gate"),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Site:
    """A station and the piece of the plan it counts.

    ``same_way`` says whether its sense ``with`` is the piece's drawn direction; a station on a
    one-way piece counts ``with`` alone.
    """

    station_id: str
    kind: str
    piece: int
    along: float
    same_way: bool
    one_way: bool
    ends: tuple[str, str]


def sites(streets: Streets) -> tuple[Site, ...]:
    """Return every station, permanent ones first."""
    found = []
    for kind, table in (("permanent", PERMANENT), ("short", SHORT)):
        for number, (tail, head, along) in enumerate(table, start=1):
            piece, drawn = streets.between(tail, head)
            assert drawn, f"{tail}-{head} is drawn the other way"
            one_way = streets.pieces[piece].one_way
            same_way = one_way or number % 3 != 0
            found.append(
                Site(
                    f"{kind[0].upper()}{number:02d}",
                    kind,
                    piece,
                    along,
                    same_way,
                    one_way,
                    (tail, head),
                )
            )
    return tuple(found)


def station_frame(
    streets: Streets, places: tuple[Site, ...], misplaced: str, rng: np.random.Generator
) -> pd.DataFrame:
    """Return the stations with their places in the plan's metres.

    Parameters
    ----------
    streets : Streets
    places : tuple of Site
    misplaced : str
        The station of a dual carriageway whose position is written down on the other carriageway.
    rng : numpy.random.Generator
        Positions lie 3 to 7 m right of the road's middle, as a counter stands at the kerb.

    Returns
    -------
    DataFrame
        ``station_id, name, x, y, road, kind, bearing_deg, name_with, name_against``.
    """
    rows = []
    for site in places:
        piece = streets.pieces[site.piece]
        right_m = float(rng.uniform(3, 7))
        if site.station_id == misplaced:
            right_m = -2 * plan.HALF_GAP_M + float(rng.uniform(-1, 1))
        x, y, bearing = _stand(piece.line, site.along, right_m)
        ahead, behind = _label(streets, piece, forward=True), _label(streets, piece, forward=False)
        ahead, behind = OWN_WORDS.get(site.ends, (ahead, behind))
        name = f"{piece.street}: {behind} to {ahead}"
        if not site.same_way:
            ahead, behind, bearing = behind, ahead, (bearing + 180) % 360
        rows.append(
            {
                "station_id": site.station_id,
                "name": name,
                "x": x,
                "y": y,
                "road": piece.street,
                "kind": site.kind,
                "bearing_deg": round(bearing) % 360,
                "name_with": f"towards {ahead}",
                "name_against": "" if site.one_way else f"towards {behind}",
            }
        )
    return pd.DataFrame(rows)


def in_series(places: tuple[Site, ...]) -> tuple[tuple[str, str, str], ...]:
    """Return station pairs in series: both station ids and the node between them."""
    by_ends = {site.ends: site.station_id for site in places}
    return tuple((by_ends[a], by_ends[b], a[1]) for a, b in IN_SERIES)


def at_counted_nodes(places: tuple[Site, ...]) -> tuple[str, ...]:
    """Return the short two-way stations on the legs of junctions that are counted all round."""
    nodes = set(COUNTED_NODES)
    return tuple(
        s.station_id for s in places
        if s.kind == "short" and not s.one_way and nodes.intersection(s.ends)
    )  # fmt: skip


def _stand(line: Line, along: float, right_m: float) -> tuple[float, float, float]:
    """Return the place ``right_m`` beside a line and the line's compass bearing there."""
    steps = np.hypot(*np.diff(line, axis=0).T)
    chainage = np.concatenate([[0.0], np.cumsum(steps)])
    target = along * chainage[-1]
    i = min(int(np.searchsorted(chainage, target, side="right")) - 1, len(steps) - 1)
    east, north = (line[i + 1] - line[i]) / steps[i]
    x, y = line[i] + (target - chainage[i]) * np.array([east, north])
    bearing = math.degrees(math.atan2(east, north)) % 360
    return float(x + right_m * north), float(y - right_m * east), bearing


def _label(streets: Streets, piece: Piece, *, forward: bool) -> str:
    """Return where a road leads: the first named place ahead on the same street."""
    node, before = (piece.head, piece.tail) if forward else (piece.tail, piece.head)
    passed_bridge = piece.level == 0
    for _ in range(len(streets.pieces)):
        if node.startswith("R") and len(node) <= 3:
            return "Heath Roundabout"
        if node in {"XNW", "XSW", "XSE", "XNE"}:
            return plan.PLACES["DX"]
        if node in plan.PLACES and passed_bridge:
            return plan.PLACES[node]
        passed_bridge = True
        onward = _onward(streets, piece.street, node, before)
        if onward is None:
            return _crossing_street(streets, piece.street, node)
        node, before = onward, node
    return piece.street


def _onward(streets: Streets, street: str, node: str, before: str) -> str | None:
    for other in streets.pieces:
        if other.street == street and node in (other.tail, other.head):
            ahead = other.head if other.tail == node else other.tail
            if ahead != before:
                return ahead
    return None


def _crossing_street(streets: Streets, street: str, node: str) -> str:
    for other in streets.pieces:
        if node in (other.tail, other.head) and other.street != street:
            return other.street
    return street
