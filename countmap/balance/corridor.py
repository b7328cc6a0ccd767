"""A corridor walked: stations by chainage, the steps between them, the side roads that explain them."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from statistics import NormalDist
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from countmap.balance.carriageways import OTHER, Beside, beside
from countmap.balance.inputs import Settings, link_sense, log_errors
from countmap.balance.route import route
from countmap.balance.sides import Sides, added
from countmap.balance.verdicts import DOUBTFUL_Z

if TYPE_CHECKING:
    from countmap.balance.route import Leg
    from countmap.roads.graph import Roads

_TRAVEL = ("ahead", "back")


@dataclass(frozen=True, slots=True)
class _Figure:
    """An annual figure; bounds and standard error are null where it is unadjusted."""

    flow: float
    lower: float | None
    upper: float | None
    se: float | None
    status: str


def walk(  # noqa: PLR0917  # the frames in the order in which the stages make them
    roads: Roads,
    sections: pd.DataFrame,
    stations: pd.DataFrame,
    annual: pd.DataFrame,
    flows: pd.DataFrame,
    start: str,
    end: str,
    *,
    pairs: pd.DataFrame | None = None,
    settings: Settings | None = None,
) -> dict[str, Any]:
    """Walk from one place to another and say where the flow changes, and whether the sides explain it.

    Parameters
    ----------
    roads, sections, stations, annual, flows
        ``Roads`` and the frames of ``tables``; ``annual`` and ``flows`` of one year.
    start, end : str
        Ids of stations, nodes or links.
    pairs : DataFrame, optional
        ``tables.PAIRS``: the other carriageway of a link of the route is the way back.

    Returns
    -------
    dict
        JSON-able: ``length_m``, ``links`` and ``stations`` by chainage, ``steps``. A station has its
        figures ``ahead``, ``back`` and ``both`` (null where there is none). A step joins two stations
        that follow each other in a sense of travel (``ahead``, ``back``; ``both`` where one of them
        counts without directions), with one entry a sense: ``step`` (downstream minus upstream, of
        totals the farther minus the nearer), ``se``, ``z``, ``verdict``: no step, explained,
        unexplained, cannot tell, or not compared (with its ``reason``: an unadjusted figure stands
        beside nothing). What joins between two counts of one sense can be no more than what comes in
        from the side roads, what leaves no more than what goes out there, and a total changes by no
        more than both. ``balance`` tests in − out over the stretch where every side road is known.

    Raises
    ------
    NotFound, InvalidInput
        See :func:`countmap.balance.route.route`.
    """
    settings = settings or Settings()
    way = route(roads, stations, start, end)
    figures = _figures(annual, stations, settings)
    other = beside(roads, sections, pairs, way)
    seen = _stations(other, stations, figures)
    sides = Sides.of(roads, sections, flows, other, settings)
    steps = [
        _step(seen, (a, b), travels, sides, figures) for (a, b), travels in _spans(seen, figures)
    ]
    names = roads.links.set_index("link_id")["name"]
    return {
        "from": start,
        "to": end,
        "length_m": way.length_m,
        "links": [
            {
                "link_id": leg.link_id,
                "name": names[leg.link_id] if pd.notna(names[leg.link_id]) else None,
                "other_id": other.pair.get(leg.link_id),
                "as_drawn": leg.forward,
                "start_m": leg.start_m,
                "end_m": leg.start_m + leg.length_m,
            }
            for leg in way.legs
        ],
        "stations": [
            {k: v for k, v in one.items() if k != "carries"}
            | {side: _shown(_at(one, side, figures)) for side in (*_TRAVEL, "both")}
            for one in seen
        ],
        "steps": steps,
    }


def _figures(
    annual: pd.DataFrame, stations: pd.DataFrame, settings: Settings
) -> dict[tuple[str, str], _Figure]:
    """Return each station's figure by its sense of the link as drawn."""
    rows = annual.loc[annual["aadt"].notna()].copy()
    rows = rows.merge(stations[["station_id", "same_way"]], on="station_id")
    for name in ("lower", "upper", "log_se"):
        if name not in rows:
            rows[name] = np.nan
    rows["error"] = log_errors(rows, settings)
    rows["on_link"] = link_sense(rows["sense"], rows["same_way"])
    quantile = NormalDist().inv_cdf(0.5 + settings.level / 2)
    found = {}
    for row in rows.itertuples(index=False):
        low = high = se = None
        if row.status != "unadjusted":
            low = row.lower if pd.notna(row.lower) else row.aadt * np.exp(-quantile * row.error)
            high = row.upper if pd.notna(row.upper) else row.aadt * np.exp(quantile * row.error)
            low, high, se = float(low), float(high), float(max(row.aadt * row.error, 1.0))
        found[row.station_id, row.on_link] = _Figure(
            float(row.aadt), low, high, se, str(row.status)
        )
    return found


def _at(
    station: dict[str, Any], travel: str, figures: dict[tuple[str, str], _Figure]
) -> _Figure | None:
    """Return a station's figure ahead, back or both."""
    return figures.get((station["station_id"], station.get(travel, travel)))


def _stations(
    other: Beside, stations: pd.DataFrame, figures: dict[tuple[str, str], _Figure]
) -> list[dict[str, Any]]:
    """Return the counted stations of the route and its other carriageway by chainage.

    ``ahead`` and ``back`` are the senses of the station's link that run so, ``carries`` the senses of
    travel that have traffic there.
    """
    way, shapes = other.way, other.roads.links.set_index("link_id").geometry
    arcs = set(zip(other.roads.arcs["link_id"], other.roads.arcs["sense"], strict=True))
    counted = stations.loc[stations["station_id"].isin({station for station, _ in figures})]
    counted = counted[["station_id", "link_id", "offset_m"]]
    rows = []

    def add(station: str, link: str, ahead: str, leg: Leg, at: float) -> None:
        pair = other.pair.get(leg.link_id, link)
        runs = {link: ahead, leg.link_id: "with" if leg.forward else "against"}
        runs[pair] = other.ahead.get(pair, runs.get(pair, ahead))
        sense = {"ahead": runs, "back": {k: OTHER[v] for k, v in runs.items()}}
        carries = [side for side in _TRAVEL if arcs & set(sense[side].items())]
        rows.append(
            {
                "station_id": station,
                "chainage_m": float(max(at, 0.0)),
                "link_id": link,
                "ahead": ahead,
                "back": OTHER[ahead],
                "carries": carries,
            }
        )

    for leg in way.legs:
        here = counted.loc[counted["link_id"].eq(leg.link_id)]
        for station, link, offset in here.itertuples(index=False):
            at = leg.start_m + (offset if leg.forward else leg.length_m - offset)
            if -1e-6 <= at <= way.length_m + 1e-6:
                add(station, link, "with" if leg.forward else "against", leg, at)
    here = counted.loc[counted["link_id"].isin(other.ahead)]
    for station, link, offset in here.itertuples(index=False):
        placed = other.place(shapes[link].interpolate(offset))
        if placed is not None:
            add(station, link, other.ahead[link], placed[1], placed[0])
    return sorted(rows, key=lambda r: (r["chainage_m"], r["station_id"]))


def _shown(figure: _Figure | None) -> dict[str, Any] | None:
    if figure is None:
        return None
    return {
        "flow": figure.flow,
        "lower": figure.lower,
        "upper": figure.upper,
        "status": figure.status,
    }


def _spans(
    seen: list[dict[str, Any]], figures: dict[tuple[str, str], _Figure]
) -> list[tuple[tuple[int, int], list[str]]]:
    """Return which stations follow each other, and in which senses of travel.

    An unadjusted figure is told beside its neighbours and does not part those that compare. Where no
    sense joins two neighbours they still stand beside each other, for the side roads between.
    """
    spans: dict[tuple[int, int], list[str]] = {}
    senses = {at for at, one in enumerate(seen) if any(_at(one, side, figures) for side in _TRAVEL)}
    for side in (*_TRAVEL, "both"):
        found = [(at, _at(one, side, figures)) for at, one in enumerate(seen)]
        there = [at for at, figure in found if figure is not None]
        sound = [at for at, figure in found if figure is not None and figure.se is not None]
        for a, b in sorted({*pairwise(there), *pairwise(sound)}):
            if side != "both" or not {a, b} <= senses:
                spans.setdefault((a, b), []).append(side)
    for a, b in pairwise(range(len(seen))):
        if not any(first <= a and b <= last for first, last in spans):
            spans[a, b] = []
    return sorted(spans.items())


def _step(
    seen: list[dict[str, Any]],
    ends: tuple[int, int],
    travels: list[str],
    sides: Sides,
    figures: dict[tuple[str, str], _Figure],
) -> dict[str, Any]:
    """Compare two stations that follow each other, in the senses of travel that join them."""
    a, b = (seen[at] for at in ends)
    between = sides.between(a["chainage_m"], b["chainage_m"])
    senses = []
    for travel in travels:
        first, last = (b, a) if travel == "back" else (a, b)
        senses.append({"travel": travel, **_compared(first, last, travel, between, figures)})
    return {
        "from_station": a["station_id"],
        "to_station": b["station_id"],
        "from_m": a["chainage_m"],
        "to_m": b["chainage_m"],
        "senses": senses,
        "balance": _balance(
            _around(seen, ends, sides, figures) if travels else None, between, figures
        ),
        "side_roads": [
            {
                "link_id": row["link_id"],
                "name": row["name"],
                "chainage_m": row["chainage_m"],
                "in": added(row["in"])[0],
                "out": added(row["out"])[0],
            }
            for row in between
        ],
    }


def _compared(
    first: dict[str, Any],
    last: dict[str, Any],
    travel: str,
    between: list[dict[str, Any]],
    figures: dict[tuple[str, str], _Figure],
) -> dict[str, Any]:
    """Return the step from the first to the last station of one sense, and what explains it."""
    one, two = (_at(station, travel, figures) for station in (first, last))
    assert one is not None
    assert two is not None
    if one.se is None or two.se is None:
        names = [s["station_id"] for s, f in ((first, one), (last, two)) if f.se is None]
        why = f"{' and '.join(names)} unadjusted"
        return {**dict.fromkeys(("step", "se", "z")), "verdict": "not compared", "reason": why}
    step, se = two.flow - one.flow, float(np.hypot(one.se, two.se))
    ways = ("in", "out") if travel == "both" else ("in",) if step > 0 else ("out",)
    return {**_judge(step, se, between, ways), "reason": None}


def _judge(
    step: float, se: float, between: list[dict[str, Any]], ways: tuple[str, ...]
) -> dict[str, Any]:
    """Say whether a step can be what the side roads bring (``in``) or take (``out``)."""
    z = step / se
    record = {"step": step, "se": float(se), "z": float(z)}
    if abs(z) <= DOUBTFUL_Z:
        return {**record, "verdict": "no step"}
    sums = [added([one for way in ways for one in row[way]]) for row in between]
    unknown = [row for row, (flow, _) in zip(between, sums, strict=True) if flow is None]
    limit = sum(flow for flow, _ in sums if flow is not None)
    error = np.sqrt(se**2 + sum(e**2 for _, e in sums))
    record["side_flow"] = float(limit)
    if abs(step) <= limit + DOUBTFUL_Z * error:
        return {**record, "verdict": "explained"}
    if unknown:
        return {**record, "verdict": f"cannot tell: {_road(unknown)} uncounted"}
    return {**record, "verdict": "unexplained"}


def _road(rows: list[dict[str, Any]]) -> str:
    first = rows[0]["name"] or rows[0]["link_id"]
    more = f" and {len(rows) - 1} more" if len(rows) > 1 else ""
    return f"side road {first}{more}"


def _around(
    seen: list[dict[str, Any]],
    ends: tuple[int, int],
    sides: Sides,
    figures: dict[tuple[str, str], _Figure],
) -> dict[tuple[str, str], float] | None:
    """Return the figures around a stretch, +1 in and −1 out; null where one is not known.

    On a dual road a station counts one carriageway: the other is told by the nearest station there
    that no side road parts from it.
    """
    signs: dict[tuple[str, str], float] = {}
    for end, inward in zip(ends, ("ahead", "back"), strict=True):
        at = seen[end]["chainage_m"]
        near = sorted(seen, key=lambda s: (abs(s["chainage_m"] - at), s["station_id"]))
        for travel in seen[end]["carries"]:
            told = [
                (one["station_id"], one[travel])
                for one in near
                if (one is seen[end] or not sides.between(*sorted((at, one["chainage_m"]))))
                and (figure := _at(one, travel, figures)) is not None
                and figure.se is not None
            ]
            if not told:
                return None
            signs[told[0]] = signs.get(told[0], 0.0) + (1.0 if travel == inward else -1.0)
    return signs


def _balance(
    signs: dict[tuple[str, str], float] | None,
    between: list[dict[str, Any]],
    figures: dict[tuple[str, str], _Figure],
) -> dict[str, Any]:
    """Test in − out of the stretch between two stations; null where a flow is missing."""
    sums = [(added(row["in"]), added(row["out"])) for row in between]
    missing = [
        row["link_id"] for row, s in zip(between, sums, strict=True) if None in (s[0][0], s[1][0])
    ]
    if missing or signs is None:
        return {"disagreement": None, "se": None, "z": None, "missing": missing}
    net = sum(sign * figures[key].flow for key, sign in signs.items())
    net += sum((i[0] or 0.0) - (o[0] or 0.0) for i, o in sums)
    variance = sum((sign * (figures[key].se or 0.0)) ** 2 for key, sign in signs.items())
    variance += sum(i[1] ** 2 + o[1] ** 2 for i, o in sums)
    if variance <= 0:  # one and the same counts stand for both ends
        return {"disagreement": None, "se": None, "z": None, "missing": []}
    se = float(np.sqrt(variance))
    return {"disagreement": float(net), "se": se, "z": float(net / se), "missing": []}
