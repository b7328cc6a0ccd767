"""A corridor walked: stations by chainage, the steps between them, the side roads that explain them."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from statistics import NormalDist
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from countmap.balance.inputs import Settings, link_sense, log_errors
from countmap.balance.route import Route, route
from countmap.balance.verdicts import DOUBTFUL_Z

if TYPE_CHECKING:
    from countmap.roads.graph import Roads

_OTHER = {"with": "against", "against": "with"}
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
    settings: Settings | None = None,
) -> dict[str, Any]:
    """Walk from one place to another and say where the flow changes, and whether the sides explain it.

    Parameters
    ----------
    roads, sections, stations, annual, flows
        ``Roads`` and the frames of ``tables``; ``annual`` and ``flows`` of one year.
    start, end : str
        Ids of stations, nodes or links.

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
    seen = _stations(way, stations, figures)
    sides = _Sides.of(roads, sections, flows, way, settings)
    steps = [
        _step(seen[a], seen[b], travels, sides, figures)
        for (a, b), travels in _spans(seen, figures)
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
                "as_drawn": leg.forward,
                "start_m": leg.start_m,
                "end_m": leg.start_m + leg.length_m,
            }
            for leg in way.legs
        ],
        "stations": [
            {k: v for k, v in one.items() if k != "leg"}
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
    way: Route, stations: pd.DataFrame, figures: dict[tuple[str, str], _Figure]
) -> list[dict[str, Any]]:
    """Return the counted stations of the route by chainage, with the link senses that run along it."""
    counted = {station for station, _ in figures}
    rows = []
    for leg in way.legs:
        here = stations.loc[
            stations["link_id"].eq(leg.link_id) & stations["station_id"].isin(counted)
        ]
        for station, offset in here[["station_id", "offset_m"]].itertuples(index=False):
            along = offset if leg.forward else leg.length_m - offset
            at = leg.start_m + along
            if -1e-6 <= at <= way.length_m + 1e-6:
                ahead = "with" if leg.forward else "against"
                rows.append(
                    {
                        "station_id": station,
                        "chainage_m": float(max(at, 0.0)),
                        "link_id": leg.link_id,
                        "ahead": ahead,
                        "back": _OTHER[ahead],
                        "leg": leg,
                    }
                )
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


@dataclass(frozen=True, eq=False)
class _Sides:
    """Side roads along a route: by chainage, their link, and the flows into and out of the route."""

    rows: tuple[dict[str, Any], ...]

    @classmethod
    def of(
        cls,
        roads: Roads,
        sections: pd.DataFrame,
        flows: pd.DataFrame,
        way: Route,
        settings: Settings,
    ) -> _Sides:
        """Collect what joins the route's junctions from beside it."""
        cluster = _clusters(roads, sections)
        at: dict[str, float] = {}
        for node, metres in way.nodes:
            at.setdefault(cluster.get(node, node), metres)
        on_route = {leg.link_id for leg in way.legs}
        inside = set(sections.loc[sections["section_id"].isna(), "link_id"])
        arcs = roads.arcs
        quantile = NormalDist().inv_cdf(0.5 + settings.level / 2)
        known = {
            (link, sense): (flow, (upper - lower) / (2 * quantile))
            for link, sense, flow, lower, upper in flows.loc[
                flows["flow"].notna(), ["link_id", "sense", "flow", "lower", "upper"]
            ].itertuples(index=False)
        }
        names = roads.links.set_index("link_id")["name"]
        rows: dict[tuple[str, str], dict[str, Any]] = {}
        for link, sense, tail, head in arcs.itertuples(index=False):
            if link in on_route or link in inside:
                continue
            for node, side in ((head, "in"), (tail, "out")):
                here = cluster.get(node, node)
                if here in at:
                    row = rows.setdefault(
                        (here, link),
                        {
                            "link_id": link,
                            "name": names[link] if pd.notna(names[link]) else None,
                            "chainage_m": at[here],
                            "in": [],
                            "out": [],
                        },
                    )
                    row[side].append(known.get((link, sense)))
        ordered = sorted(rows.items(), key=lambda item: (item[1]["chainage_m"], item[0]))
        return cls(tuple(row for _, row in ordered))

    def between(self, a_m: float, b_m: float) -> list[dict[str, Any]]:
        """Return the side roads at junctions between two chainages."""
        return [row for row in self.rows if a_m <= row["chainage_m"] <= b_m]


def _clusters(roads: Roads, sections: pd.DataFrame) -> dict[str, str]:
    """Return the junction of each node where a section begins or ends; other nodes stand alone."""
    if sections.empty:
        return {}
    chains = sections.loc[sections["section_id"].notna()].sort_values(["section_id", "seq"])
    links = roads.links.set_index("link_id")
    found: dict[str, str] = {}
    for rows, junction, near in (
        (chains.drop_duplicates("section_id"), "start_junction", True),
        (chains.drop_duplicates("section_id", keep="last"), "end_junction", False),
    ):
        as_drawn = rows["forward"].astype(bool).to_numpy() == near
        here = links.loc[rows["link_id"]]
        node = np.where(as_drawn, here["from_node"], here["to_node"])
        found.update(zip(node.tolist(), rows[junction].tolist(), strict=True))
    return found


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
    a: dict[str, Any],
    b: dict[str, Any],
    travels: list[str],
    sides: _Sides,
    figures: dict[tuple[str, str], _Figure],
) -> dict[str, Any]:
    """Compare two stations that follow each other, in the senses of travel that join them."""
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
        "balance": _balance(a, b, between, figures),
        "side_roads": [
            {
                "link_id": row["link_id"],
                "name": row["name"],
                "chainage_m": row["chainage_m"],
                "in": _sum(row["in"])[0],
                "out": _sum(row["out"])[0],
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


def _sum(parts: list[tuple[float, float] | None]) -> tuple[float | None, float]:
    """Add flows and errors; a sum over a gap is null; no arc at all is 0."""
    if any(part is None for part in parts):
        return None, 0.0
    known = [part for part in parts if part is not None]
    variance = sum(se**2 for _, se in known if np.isfinite(se))
    return float(sum(flow for flow, _ in known)), float(np.sqrt(variance))


def _judge(
    step: float, se: float, between: list[dict[str, Any]], ways: tuple[str, ...]
) -> dict[str, Any]:
    """Say whether a step can be what the side roads bring (``in``) or take (``out``)."""
    z = step / se
    record = {"step": step, "se": float(se), "z": float(z)}
    if abs(z) <= DOUBTFUL_Z:
        return {**record, "verdict": "no step"}
    sums = [_sum([one for way in ways for one in row[way]]) for row in between]
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


def _balance(
    a: dict[str, Any],
    b: dict[str, Any],
    between: list[dict[str, Any]],
    figures: dict[tuple[str, str], _Figure],
) -> dict[str, Any]:
    """Test in − out of the stretch between two stations; null where a flow is missing."""
    ends = [
        (figures.get((a["station_id"], a["ahead"])), 1.0),
        (figures.get((a["station_id"], a["back"])), -1.0),
        (figures.get((b["station_id"], b["ahead"])), -1.0),
        (figures.get((b["station_id"], b["back"])), 1.0),
    ]
    one_way = all(figure is None for figure, _ in (ends[1], ends[3]))
    kept = [(one, sign) for one, sign in ends if one is not None and one.se is not None]
    sums = [(_sum(row["in"]), _sum(row["out"])) for row in between]
    missing = [
        row["link_id"] for row, s in zip(between, sums, strict=True) if None in (s[0][0], s[1][0])
    ]
    if missing or (len(kept) < 4 and not (one_way and len(kept) == 2)):
        return {"disagreement": None, "se": None, "z": None, "missing": missing}
    net = sum(sign * figure.flow for figure, sign in kept)
    net += sum((i[0] or 0.0) - (o[0] or 0.0) for i, o in sums)
    variance = sum((figure.se or 0.0) ** 2 for figure, _ in kept)
    variance += sum(i[1] ** 2 + o[1] ** 2 for i, o in sums)
    se = float(np.sqrt(variance))
    return {"disagreement": float(net), "se": se, "z": float(net / se), "missing": []}
