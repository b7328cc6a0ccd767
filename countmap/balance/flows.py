"""A flow for every link and sense: the count where there is one, else what follows, else nothing."""

from __future__ import annotations

from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from countmap.balance import modelled, totals
from countmap.balance.errors import arc_errors, shown_counts
from countmap.balance.inputs import RANK
from countmap.balance.solve import count_directions
from countmap.tables import FLOWS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from countmap.balance.inputs import BalanceInputs
    from countmap.balance.solved import Balance

    Floats = NDArray[np.float64]

_SENSE_ORDER = {"with": 0, "against": 1, "both": 2}


def table(inputs: BalanceInputs, solved: Balance) -> pd.DataFrame:
    """Return ``tables.FLOWS`` for every link and sense, ``both`` for two-way links."""
    arcs = solved.system.graph.arcs
    senses = inputs.roads.arcs[["link_id", "sense"]].copy()
    known = pd.concat(
        [_counted(solved), _printed(solved), _inferred(inputs, solved)], ignore_index=True
    )
    known = known.drop_duplicates(["link_id", "sense"])
    one_way = senses.merge(known, on=["link_id", "sense"], how="left")
    # Columns without a value would turn into floats.
    one_way = one_way.astype(dict.fromkeys(("status", "method", "sources"), "str"))
    missing = one_way["status"].isna()
    one_way.loc[missing, "status"] = "unobservable"
    quiet = set(arcs.loc[arcs["quiet"], "link_id"])
    stated = missing & one_way["link_id"].isin(quiet)
    one_way.loc[stated, "method"] = "declared quiet"
    if inputs.settings.modelled:
        one_way = _modelled(inputs, solved, one_way, missing & ~stated)
    whole = pd.concat([one_way, _two_way(inputs, solved, one_way)], ignore_index=True)
    whole["year"] = inputs.year
    whole["level"] = np.where(whole["lower"].notna(), inputs.settings.level, np.nan)
    rank = whole["sense"].map(_SENSE_ORDER)
    whole = whole.iloc[np.lexsort((rank, whole["link_id"].to_numpy(dtype=object).astype(str)))]
    return _typed(whole[list(FLOWS.names)].reset_index(drop=True))


def _typed(rows: pd.DataFrame) -> pd.DataFrame:
    kinds = {
        c.name: {"float": "float64", "int": "int64", "text": "str"}[c.kind] for c in FLOWS.columns
    }
    return rows.astype(kinds)


def _counted(solved: Balance) -> pd.DataFrame:
    """Return the counts of the balance, the surest first where a link has several."""
    used, solution = solved.counts.used, solved.solution
    z, bias = count_directions(solution).z()
    rows = used.assign(
        z=z,
        redundancy=np.clip(solution.redundancy, 0.0, 1.0),
        min_detectable_bias=np.where(np.isfinite(bias), bias, np.nan),
    )
    return _as_flows(rows)


def _as_flows(rows: pd.DataFrame) -> pd.DataFrame:
    rows = rows.assign(
        sense=rows["link_sense"],
        flow=rows["aadt"],
        counted=rows["aadt"],
        sources=rows["station_id"],
    )
    low, high = _bounds(rows)
    rows = rows.assign(lower=low, upper=high)
    return shown_counts(rows)


def _bounds(rows: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """Return the bounds as given, else from the standard error on the log scale at 95 %."""
    spread = NormalDist().inv_cdf(0.975) * rows["log_se"]
    given = rows["lower"].notna() & rows["upper"].notna()
    honest = ~rows["status"].eq("unadjusted")
    low = rows["lower"].where(given, (rows["aadt"] * np.exp(-spread)).where(honest))
    high = rows["upper"].where(given, (rows["aadt"] * np.exp(spread)).where(honest))
    return low, high


def _printed(solved: Balance) -> pd.DataFrame:
    """Return figures that are shown and not used: no honest factor."""
    shown = solved.counts.shown
    return _as_flows(shown.loc[shown["link_sense"].ne("both")])


def _inferred(inputs: BalanceInputs, solved: Balance) -> pd.DataFrame:
    system = solved.system
    arcs = system.graph.arcs.iloc[system.inferred]
    spread = np.sqrt(solved.solution.inferred_variance)
    half = NormalDist().inv_cdf(0.5 + inputs.settings.level / 2) * spread
    flow = solved.inferred
    station = solved.counts.used["station_id"].to_numpy(dtype=object)
    sources = [" ".join(sorted(set(station[rows]))) for rows in system.told_by()]
    return pd.DataFrame(
        {
            "link_id": arcs["link_id"].to_numpy(),
            "sense": arcs["sense"].to_numpy(),
            "flow": flow,
            "lower": np.maximum(flow - half, 0.0),
            "upper": flow + half,
            "status": "inferred",
            "method": "balance",
            "sources": sources,
        }
    )


def _modelled(
    inputs: BalanceInputs, solved: Balance, one_way: pd.DataFrame, missing: pd.Series
) -> pd.DataFrame:
    """Fill what no count reaches from the prior; a figure of the balance is never touched."""
    can = missing & ~_dead(solved, one_way)
    prior = modelled.learn(inputs, solved, one_way.loc[can, "link_id"])
    if prior is None:
        return one_way
    for name in ("flow", "lower", "upper"):
        one_way.loc[can, name] = prior.flows[name].to_numpy()
    one_way.loc[can, "status"] = "modelled"
    one_way.loc[can, "method"] = f"prior learned from {prior.taught_by} counted links"
    return one_way


def _dead(solved: Balance, one_way: pd.DataFrame) -> pd.Series:
    """Return which arcs can carry no traffic as the network is drawn."""
    faults = pd.MultiIndex.from_frame(solved.system.graph.faults[["link_id", "sense"]])
    here = pd.MultiIndex.from_frame(one_way[["link_id", "sense"]])
    return pd.Series(here.isin(faults), index=one_way.index)


def _two_way(inputs: BalanceInputs, solved: Balance, one_way: pd.DataFrame) -> pd.DataFrame:
    """Return the two-way rows: a station's own two-way figure, else the sum with its covariance."""
    links = inputs.roads.links
    two_way = links.loc[links["allowed"].eq("both"), "link_id"]
    rows = pd.DataFrame({"link_id": two_way, "sense": "both"})
    by_sense = {
        s: one_way.loc[one_way["sense"].eq(s)].set_index("link_id") for s in ("with", "against")
    }
    total = sum(rows["link_id"].map(by_sense[s]["flow"]) for s in by_sense)
    variance = rows["link_id"].map(_sum_variance(solved, by_sense))
    half = NormalDist().inv_cdf(0.5 + inputs.settings.level / 2) * np.sqrt(variance)
    low, high = _modelled_sum(by_sense, rows["link_id"])
    ranks = pd.concat(
        [rows["link_id"].map(by_sense[s]["status"]).map(RANK) for s in by_sense], axis=1
    ).max(axis=1)
    names = {value: key for key, value in RANK.items()}
    rows["flow"] = total
    rows["lower"] = np.maximum(total - half, 0.0).where(half.notna(), low)
    rows["upper"] = (total + half).where(half.notna(), high)
    rows["status"] = ranks.map(names).where(total.notna(), "unobservable")
    rows["method"] = pd.Series("sum of both senses", index=rows.index, dtype="str").where(
        total.notna()
    )
    sources = [rows["link_id"].map(by_sense[s]["sources"]).fillna("") for s in by_sense]
    joined = [" ".join(sorted(set((a + " " + b).split()))) for a, b in zip(*sources, strict=True)]
    rows["sources"] = pd.Series(joined, index=rows.index, dtype="str").where(total.notna())
    rows["days"] = pd.concat(
        [rows["link_id"].map(by_sense[s]["days"]) for s in by_sense], axis=1
    ).min(axis=1)
    counted = [rows["link_id"].map(by_sense[s]["counted"]) for s in by_sense]
    rows["counted"] = counted[0] + counted[1]
    rows = _with_totals(inputs, solved, rows)
    own = pd.concat([solved.counts.both, solved.counts.totals], ignore_index=True)
    if own.empty:
        return rows
    own = _as_flows(own)
    at = rows.set_index("link_id")
    # A figure counted here stands above a sum that follows from elsewhere.
    follows = own["link_id"].map(at["status"]).isin(["inferred", "modelled", "unobservable"])
    same = own["link_id"].map(at["sources"]).eq(own["station_id"])
    own = own.loc[own["link_id"].isin(two_way) & (follows | same)]
    kept = rows.loc[~rows["link_id"].isin(own["link_id"])]
    return pd.concat([kept, own], ignore_index=True)


def _modelled_sum(
    by_sense: dict[str, pd.DataFrame], links: pd.Series
) -> tuple[pd.Series, pd.Series]:
    """Return bounds of the sum where a sense is modelled: the model misses both senses alike."""
    status = [links.map(by_sense[s]["status"]) for s in by_sense]
    some = status[0].eq("modelled") | status[1].eq("modelled")
    low, high = (sum(links.map(by_sense[s][b]) for s in by_sense) for b in ("lower", "upper"))
    return pd.Series(low).where(some), pd.Series(high).where(some)


def _with_totals(inputs: BalanceInputs, solved: Balance, rows: pd.DataFrame) -> pd.DataFrame:
    """Fill two-way rows that have no sum from a total counted elsewhere on the section."""
    told = totals.along_section(inputs, solved).set_index("link_id")
    at = rows.index[
        (rows["flow"].isna() | rows["status"].eq("modelled")) & rows["link_id"].isin(told.index)
    ]
    if not len(at):
        return rows
    here = told.loc[rows.loc[at, "link_id"]]
    half = NormalDist().inv_cdf(0.5 + inputs.settings.level / 2) * here["sd"].to_numpy()
    flow = here["flow"].to_numpy()
    rows.loc[at, "flow"] = flow
    rows.loc[at, "lower"], rows.loc[at, "upper"] = np.maximum(flow - half, 0.0), flow + half
    rows.loc[at, "status"] = "inferred"
    rows.loc[at, "method"] = "total along the section"
    rows.loc[at, "sources"] = here["sources"].to_numpy()
    return rows


def _sum_variance(solved: Balance, by_sense: dict[str, pd.DataFrame]) -> pd.Series:
    """Return the variance of with + against for links whose senses are both counted or inferred."""
    errors = arc_errors(solved)
    index = errors.index()
    links = sorted(set(by_sense["with"].index) & set(by_sense["against"].index))
    found = {
        link: (index[link, "with"], index[link, "against"])
        for link in links
        if (link, "with") in index and (link, "against") in index
    }
    if not found:
        return pd.Series(dtype="float64")
    pairs = np.array(list(found.values()))
    a, b = pairs[:, 0], pairs[:, 1]
    total = errors.pairwise(a, a) + errors.pairwise(b, b) + 2 * errors.pairwise(a, b)
    return pd.Series(np.maximum(total, 0.0), index=pd.Index(found))
