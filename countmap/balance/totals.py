"""Two-way totals counted without directions: they speak along their section, at no junction."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from countmap.balance.bridges import forest
from countmap.balance.solve import NON_CENTRALITY, times
from countmap.balance.verdicts import sidak, verdict

if TYPE_CHECKING:
    from countmap.balance.inputs import BalanceInputs
    from countmap.balance.solved import Balance

_FIGURES = ["station_id", "section_id", "chainage_m", "link_id", "aadt", "sd"]


def figures(inputs: BalanceInputs, solved: Balance) -> pd.DataFrame:
    """Return every station's two-way figure along its section.

    Returns
    -------
    DataFrame
        station_id, section_id, chainage_m, link_id, aadt, sd, total (counted without directions),
        sorted along each section. Stations with both senses enter with their sum.
    """
    used, e = solved.counts.used, solved.system.equations
    errors = solved.solution.problem.errors
    one, other = e.pairs[:, 0], e.pairs[:, 1]
    mixed = errors.pair + (errors.shared[one] * errors.shared[other]).sum(axis=1)
    frame = used.loc[one, ["station_id", "link_id", "offset_m", "aadt"]].reset_index(drop=True)
    frame["aadt"] += used["aadt"].to_numpy()[other]
    frame["variance"] = errors.variance[one] + errors.variance[other] + 2 * mixed
    frame["total"] = False
    totals = solved.counts.totals[["station_id", "link_id", "offset_m", "aadt", "log_se"]]
    totals = totals.assign(variance=(totals["log_se"] * totals["aadt"]) ** 2 + 1.0, total=True)
    frame = pd.concat([f for f in (frame, totals.drop(columns="log_se")) if len(f)] or [frame])
    if inputs.sections.empty or frame.empty:
        return pd.DataFrame(columns=[*_FIGURES, "total"])
    chains = inputs.sections.loc[inputs.sections["section_id"].notna()]
    frame = frame.merge(chains[["link_id", "section_id", "start_m", "forward"]], on="link_id")
    length = frame["link_id"].map(inputs.roads.links.set_index("link_id")["length_m"])
    along = frame["offset_m"].where(frame["forward"].astype(bool), length - frame["offset_m"])
    frame["chainage_m"] = frame["start_m"] + along
    frame["sd"] = np.sqrt(frame["variance"].astype(float))
    order = ["section_id", "chainage_m", "station_id"]
    return frame.sort_values(order)[[*_FIGURES, "total"]].reset_index(drop=True)


def section_tests(inputs: BalanceInputs, solved: Balance) -> list[dict[str, Any]]:
    """Compare neighbours of one section of which one is a total: both senses together are one flow."""
    rows = figures(inputs, solved)
    pairs = [
        (a, b)
        for _, part in rows.groupby("section_id")
        for a, b in pairwise(part.to_dict("records"))
        if a["total"] or b["total"]
    ]
    bound = sidak(inputs.settings.alpha, len(pairs))
    return [_compare(inputs, a, b, bound) for a, b in pairs]


def _compare(
    inputs: BalanceInputs, a: dict[str, Any], b: dict[str, Any], bound: float
) -> dict[str, Any]:
    km = abs(b["chainage_m"] - a["chainage_m"]) / 1000.0
    # Who turns in comes out the other way: a two-way total changes by both.
    access = inputs.settings.access_per_km * np.sqrt(km) * (a["aadt"] + b["aadt"]) / 2
    se = float(np.sqrt(a["sd"] ** 2 + b["sd"] ** 2 + access**2))
    step = a["aadt"] - b["aadt"]
    return {
        "section_id": a["section_id"],
        "in": float(a["aadt"]),
        "out": float(b["aadt"]),
        "disagreement": float(step),
        "se": se,
        "z": step / se,
        "verdict": verdict(step / se, bound),
        "members": [
            {
                "station_id": one["station_id"],
                "sense": "both",
                "link_id": one["link_id"],
                "way": way,
                "count": float(one["aadt"]),
            }
            for one, way in ((a, "in"), (b, "out"))
        ],
        "min_detectable_bias": NON_CENTRALITY * se,
    }


def along_section(inputs: BalanceInputs, solved: Balance) -> pd.DataFrame:
    """Return the two-way flow of links whose section holds a total: link_id, flow, sd, sources.

    The totals of a section are averaged by their variances; its other links take the average.
    """
    rows = figures(inputs, solved)
    rows = rows.loc[rows["total"].astype(bool)]
    chains = inputs.sections.loc[inputs.sections["section_id"].isin(rows["section_id"])]
    found = []
    for section, part in rows.groupby("section_id"):
        weight = 1.0 / part["sd"].to_numpy(dtype=float) ** 2
        flow = float((weight * part["aadt"]).sum() / weight.sum())
        access = inputs.settings.access_per_km * flow
        for link in chains.loc[chains["section_id"].eq(section), "link_id"]:
            sd = float(np.sqrt(1.0 / weight.sum() + access**2))
            found.append((link, flow, sd, " ".join(part["station_id"])))
    return pd.DataFrame(found, columns=["link_id", "flow", "sd", "sources"])


def net_tests(inputs: BalanceInputs, solved: Balance) -> list[dict[str, Any]]:
    """Hold each total against what its senses differ by, where the counts around it say that.

    Returns
    -------
    list of dict
        station_id, link_id, total, net (with − against of the link, vehicles a day), se, z, verdict. A
        total is one-sided: |with − against| ≤ total; z is null where it is kept.

    Notes
    -----
    The net flow of a street counted without directions follows where it is a bridge of the uncounted
    streets with both senses taken as one: it carries what the rest of its side does not balance.
    """
    system, counts = solved.system, solved.counts
    network = system.found.network
    shown = counts.totals.drop_duplicates("link_id").set_index("link_id")
    arcs = system.graph.arcs
    open_ = np.flatnonzero((network.count < 0) & ~network.closed & (network.tail != network.head))
    code = shown.index.get_indexer(pd.Index(arcs["link_id"].iloc[open_]))
    # One edge for both senses of each such link; the others keep an edge each.
    first = ~pd.Series(code).duplicated().to_numpy() | (code < 0)
    edges = open_[first]
    walk = forest(network.n, network.tail[edges], network.head[edges])
    known = code[first][walk.bridges] >= 0
    at = np.flatnonzero(network.count >= 0)
    flow, errors = solved.solution.problem.counts, solved.solution.problem.errors
    slack = system.graph.slack.multiply(system.source_sd(solved.solution.flow)[None, :]).tocsr()
    found = []
    for edge, below in zip(edges[walk.bridges[known]], walk.below[known], strict=True):
        inside = np.zeros(network.n, dtype=bool)
        inside[walk.order[walk.entered[below] : walk.left[below]]] = True
        way = np.zeros(len(flow))
        way[network.count[at]] = inside[network.head[at]].astype(float) - inside[network.tail[at]]
        if not way.any():
            continue
        link = arcs["link_id"].iloc[edge]
        with_goes_in = inside[network.head[edge]] == (arcs["sense"].iloc[edge] == "with")
        seen = np.asarray(slack[inside].sum(axis=0)).ravel()
        variance = float(way @ times(system.equations, errors, way) + seen @ seen)
        net = float(way @ flow) * (-1.0 if with_goes_in else 1.0)
        found.append(_net_record(shown.loc[link], link, net, variance))
    bound = sidak(inputs.settings.alpha, len(found))
    for one in found:
        one["verdict"] = verdict(one["z"] or 0.0, bound)
    return sorted(found, key=lambda one: one["station_id"])


def _net_record(row: pd.Series, link: str, net: float, variance: float) -> dict[str, Any]:
    total = float(row["aadt"])
    se = float(np.sqrt(variance + (row["log_se"] * total) ** 2 + 1.0))
    over = abs(net) - total
    return {
        "station_id": str(row["station_id"]),
        "link_id": str(link),
        "total": total,
        "net": net,
        "se": se,
        "z": over / se if over > 0 else None,
    }
