"""Invented towns whose every flow is known: a grid with main roads, gates, and people on quickest ways."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import geopandas as gpd
import networkx as nx
import numpy as np
import pandas as pd
import shapely

from countmap.balance.inputs import BalanceInputs
from countmap.plan import field, known, units
from countmap.roads.graph import Roads, build
from countmap.roads.junctions import junctions
from countmap.roads.sections import sections
from countmap.tables import DECLARATIONS, empty

YEAR = 2025
CRS = "EPSG:3067"
SPEED = {"primary": 60.0, "secondary": 50.0, "tertiary": 40.0}


@dataclass(frozen=True)
class Made:
    """A town: its graph, and the true annual flow of each link by sense."""

    roads: Roads
    junctions: pd.DataFrame
    sections: pd.DataFrame
    declarations: pd.DataFrame
    truth: pd.DataFrame

    def counted(self, at, rng, *, error=0.06, years=None):
        """Return the balance's inputs with a station counted at each section of ``at``."""
        middle = middles(self.sections, at)
        stations = pd.DataFrame(
            {
                "station_id": [f"S-{s}" for s in at],
                "link_id": middle,
                "offset_m": 20.0,
                "same_way": True,
            }
        )
        flow = self.truth.set_index(["link_id", "sense"])["flow"]
        rows = []
        for n, (station, link) in enumerate(
            zip(stations["station_id"], stations["link_id"], strict=True)
        ):
            common = rng.normal()
            for sense in ("with", "against"):
                if (link, sense) in flow.index:
                    own = error * (common + rng.normal()) / np.sqrt(2)
                    count = flow[link, sense] * np.exp(own)
                    year = YEAR if years is None else int(years[n])
                    rows.append((station, sense, year, count, error, "estimated"))
        names = ["station_id", "sense", "year", "aadt", "log_se", "status"]
        return self.inputs(stations, pd.DataFrame(rows, columns=names))

    def inputs(self, stations, annual):
        return BalanceInputs(
            self.roads, self.junctions, self.sections, stations, annual, YEAR,
            declarations=self.declarations,
        )  # fmt: skip

    def field(self, inputs, settings=None):
        options = settings or field.FieldSettings()
        made = units.units(self.roads, self.junctions, self.sections, self.declarations)
        return field.estimate(made, self.sections, known.newest(inputs, options), settings=options)

    def field_of(self, at, *, error=0.06):
        """Return the estimate with both senses of each section of ``at`` counted as they are."""
        counts = self.truth[self.truth["link_id"].isin(middles(self.sections, at))]
        counts = counts.rename(columns={"sense": "link_sense", "flow": "aadt"})
        counts = counts.assign(station_id=counts["link_id"], log_se=error, status="estimated")
        made = units.units(self.roads, self.junctions, self.sections, self.declarations)
        return field.estimate(made, self.sections, counts)

    def section_truth(self):
        """Return the true flow of each section, both senses, by id: that of its first link."""
        total = self.truth.groupby("link_id")["flow"].sum()
        first = self.sections[self.sections["seq"] == 0].dropna(subset=["section_id"])
        return first.set_index("section_id")["link_id"].map(total).sort_index()


def middles(table, at):
    """Return a link of each section: its first."""
    first = table[table["seq"] == 0].dropna(subset=["section_id"])
    return first.set_index("section_id")["link_id"].reindex(list(at)).to_numpy()


def town(seed, *, rows=7, columns=7, missing=0.12, one_way=0.08, gates=0.8, driven=True):
    """Return a town of ``rows`` × ``columns`` crossings with roads that leave it.

    Trips run between gates and crossings, more where they are close, on the quickest way with a
    taste of each driver's own; not ``driven``: any flows, which need not add up.
    """
    rng = np.random.default_rng(seed)
    raw = _streets(rng, rows, columns, missing, one_way, gates)
    roads = build(raw)
    declared = empty(DECLARATIONS)
    ends = junctions(roads, declared)
    if not driven:
        flow = roads.arcs[["link_id", "sense"]].copy()
        flow["flow"] = np.exp(rng.normal(7, 1, len(flow)))
        return Made(roads, ends, sections(roads, ends), declared, flow)
    inner = ends.loc[ends["kind"].isin(["junction", "bend"]), "node_id"].to_numpy()
    sources = rng.permutation(inner)[: max(2, len(inner) // 5)]
    declared = pd.DataFrame(
        [("generator", n, None, None, None) for n in sorted(sources)],
        columns=["kind", "id", "other_id", "value", "note"],
    )
    ends = junctions(roads, declared)
    return Made(roads, ends, sections(roads, ends), declared, _traffic(rng, roads, ends))


def _streets(rng, rows, columns, missing, one_way, gates):
    main_row, main_column = {rows // 2}, {columns // 2}
    other_row, other_column = {0, rows - 1}, {0, columns - 1}
    place = {
        (r, c): (400 * c + rng.normal(0, 40), 400 * r + rng.normal(0, 40))
        for r in range(-1, rows + 1)
        for c in range(-1, columns + 1)
    }
    found = []
    for r in range(-1, rows + 1):
        for c in range(-1, columns + 1):
            for dr, dc in ((0, 1), (1, 0)):
                a, b = (r, c), (r + dr, c + dc)
                inside = [0 <= y < rows and 0 <= x < columns for y, x in (a, b)]
                if not any(inside) or b not in place:
                    continue
                along = r in main_row if dc else c in main_column
                ring = r in other_row if dc else c in other_column
                kind = "primary" if along else "secondary" if ring else "tertiary"
                if not all(inside) and (kind == "tertiary" or rng.random() > gates):
                    continue
                if kind == "tertiary" and rng.random() < missing:
                    continue
                allowed = "both"
                if kind == "tertiary" and all(inside) and rng.random() < one_way:
                    allowed = "with" if (r + c) % 2 else "against"
                road = f"Row {r}" if dc else f"Line {c}"
                line = shapely.LineString([place[a], place[b]])
                found.append((road, kind, allowed, line))
    names = ["name", "road_class", "allowed", "geometry"]
    frame = gpd.GeoDataFrame(pd.DataFrame(found, columns=names), geometry="geometry", crs=CRS)
    frame["geometry"] = frame.translate(385_000, 6_672_000)
    frame["link_id"] = [f"l{n:03d}" for n in range(len(frame))]
    frame["speed_kmh"] = frame["road_class"].map(SPEED)
    frame["lanes"] = 2.0
    return frame


def _traffic(rng, roads, ends):
    graph = roads.to_networkx()
    speed = dict(zip(roads.links["link_id"], roads.links["speed_kmh"], strict=True))
    arcs = roads.arcs
    flow = dict.fromkeys(zip(arcs["link_id"], arcs["sense"], strict=True), 0.0)
    where = {n: np.array([x, y]) for n, x, y in roads.nodes[["node_id", "x", "y"]].to_numpy()}
    ground = ends.loc[ends["kind"].isin(["boundary", "generator"]), "node_id"].to_numpy()
    size = pd.Series(np.exp(rng.normal(0, 0.7, len(ground))), index=ground)
    boundary = set(ends.loc[ends["kind"].eq("boundary"), "node_id"])
    size[[n in boundary for n in ground]] *= 3
    for _ in range(3):  # three kinds of driver
        taste = dict(zip(flow, np.exp(rng.normal(0, 0.15, len(flow))), strict=True))
        for a, b, key, data in graph.edges(keys=True, data=True):
            graph.edges[a, b, key]["minutes"] = data["length_m"] / speed[key[0]] * 0.06 * taste[key]
        for origin in ground:
            ways = nx.single_source_dijkstra_path(graph, origin, weight="minutes")
            for target in ground:
                if target == origin or target not in ways:
                    continue
                away = np.hypot(*(where[origin] - where[target]))
                trips = 30 * size[origin] * size[target] * np.exp(-away / 2500)
                trips *= np.exp(rng.normal(0, 0.03))
                way = ways[target]
                for a, b in pairwise(way):
                    best = min(graph[a][b], key=lambda k: graph[a][b][k]["minutes"])
                    flow[best] += trips
    for link in roads.links.loc[roads.links["allowed"].eq("both"), "link_id"]:
        living = 150 * np.exp(rng.normal(0, 0.5))  # people who live there, out and home again
        flow[link, "with"] += living
        flow[link, "against"] += living
    rows = [(link, sense, max(vehicles, 20.0)) for (link, sense), vehicles in flow.items()]
    return pd.DataFrame(rows, columns=["link_id", "sense", "flow"])
