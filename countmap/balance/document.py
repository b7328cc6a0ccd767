"""The balance as one JSON-able record: tests, suspects, what cannot be tested, and why."""

from __future__ import annotations

from statistics import NormalDist
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from countmap.balance import totals
from countmap.balance.errors import arc_errors
from countmap.balance.solve import count_directions
from countmap.tables import SUSPECTS, empty

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from countmap.balance.inputs import BalanceInputs
    from countmap.balance.solved import Balance
    from countmap.balance.verdicts import Hypothesis, Suspect

    Floats = NDArray[np.float64]


def number(value: Any) -> float | None:
    """Return a float that JSON can hold: null for NaN and infinities."""
    value = float(value)
    return value if np.isfinite(value) else None


def areas(inputs: BalanceInputs, solved: Balance, tests: pd.DataFrame) -> dict[str, Any]:
    """Return ``junctions``, ``sections`` and ``areas``: each test with the counts that make it."""
    tested = {one for clusters in tests["clusters"] for one in clusters}
    names = junction_names(inputs, tested | _near(inputs, solved))
    section = inputs.sections.set_index("link_id")["section_id"] if len(inputs.sections) else {}
    found: dict[str, list[dict[str, Any]]] = {"junctions": [], "sections": [], "areas": []}
    for i, test in enumerate(tests.to_dict("records")):
        record = {
            "in": number(test["in"]),
            "out": number(test["out"]),
            "disagreement": number(test["disagreement"]),
            "se": number(test["se"]),
            "z": number(test["z"]),
            "verdict": test["verdict"],
            "members": _members(solved, i),
            "min_detectable_bias": number(test["min_detectable_bias"]),
        }
        clusters = test["clusters"]
        if test["sort"] == "junction":
            head = {"junction_id": clusters[0], "name": names.get(clusters[0], clusters[0])}
            found["junctions"].append(head | record)
        elif test["sort"] == "section":
            link = record["members"][0]["link_id"]
            found["sections"].append({"section_id": _text(section, link)} | record)
        else:
            shown = " · ".join(names.get(one, one) for one in clusters[:4])
            found["areas"].append({"junction_ids": clusters, "name": shown} | record)
    found["junctions"] += _untested(
        inputs, solved, names, {j["junction_id"] for j in found["junctions"]}
    )
    found["sections"] += totals.section_tests(inputs, solved)
    found["junctions"].sort(key=lambda j: (-abs(j["z"] or 0.0), j["junction_id"]))
    found["sections"].sort(key=lambda s: (-abs(s["z"] or 0.0), s["section_id"] or ""))
    found["areas"].sort(key=lambda a: (-abs(a["z"] or 0.0), a["junction_ids"]))
    return found


def _text(lookup: Any, key: str) -> str | None:
    value = lookup.get(key)
    return None if value is None or pd.isna(value) else str(value)


def _members(solved: Balance, row: int) -> list[dict[str, Any]]:
    used = solved.counts.used
    line = solved.system.equations.by_area
    found = slice(line.indptr[row], line.indptr[row + 1])
    order = np.argsort(line.indices[found])
    return [
        {
            "station_id": used.loc[k, "station_id"],
            "sense": used.loc[k, "sense"],
            "link_id": used.loc[k, "link_id"],
            "way": "in" if way > 0 else "out",
            "count": number(used.loc[k, "aadt"]),
        }
        for k, way in zip(
            line.indices[found][order].tolist(), line.data[found][order].tolist(), strict=True
        )
    ]


def junction_names(inputs: BalanceInputs, wanted: set[str]) -> dict[str, str]:
    """Return a name for each wanted junction: the roads that meet there, at most three."""
    links = inputs.roads.links
    cluster = inputs.junctions.set_index("node_id")["junction_id"]
    ends = pd.DataFrame(
        {
            "name": np.tile(links["name"].to_numpy(dtype=object), 2),
            "node_id": np.concatenate(
                [links[e].to_numpy(dtype=object) for e in ("from_node", "to_node")]
            ),
        }
    )
    ends["junction_id"] = ends["node_id"].map(cluster).fillna(ends["node_id"])
    ends = ends.loc[ends["name"].notna() & ends["junction_id"].isin(wanted)]
    ends = ends.drop_duplicates(["junction_id", "name"])
    ends = ends.sort_values(["junction_id", "name"])
    return ends.groupby("junction_id")["name"].agg(lambda n: " / ".join(n.iloc[:3])).to_dict()


def _untested(
    inputs: BalanceInputs, solved: Balance, names: dict[str, str], tested: set[str]
) -> list[dict[str, Any]]:
    """Return the junctions with a counted leg that have no equation of their own, and why."""
    kind = inputs.junctions.drop_duplicates("junction_id").set_index("junction_id")["kind"]
    ends = _ends(inputs)
    counted = set(solved.counts.used["link_id"])
    known = counted | set(solved.system.graph.arcs["link_id"].iloc[solved.system.inferred])
    totals = set(solved.counts.totals["link_id"])
    near = _near(inputs, solved)
    by_junction = (
        ends.loc[ends["junction_id"].isin(near)].groupby("junction_id")["link_id"].agg(set)
    )
    found = []
    for junction in sorted(near - tested):
        sort = kind.get(junction, "junction")
        if sort in ("bend", "boundary", "cul_de_sac"):
            continue
        here = by_junction[junction]
        missing, whole = sorted(here - known - totals), sorted(here & totals - known)
        if sort == "generator":
            reason = "a generator: trips start and end here, so in and out need not agree"
        elif missing:
            reason = f"no equation of its own: {_few(missing)} not counted"
        elif whole:
            reason = f"no equation: {_few(whole)} counted without directions"
        else:
            reason = "no equation of its own: it is tested together with its neighbours"
        blank = dict.fromkeys(("in", "out", "disagreement", "se", "z", "min_detectable_bias"))
        found.append(
            {
                "junction_id": junction,
                "name": names.get(junction, junction),
                "verdict": "no equation",
            }
            | blank
            | {"members": [], "reason": reason}
        )
    return found


def _ends(inputs: BalanceInputs) -> pd.DataFrame:
    """Return the links at each junction: link_id, junction_id."""
    links = inputs.roads.links
    cluster = inputs.junctions.set_index("node_id")["junction_id"]
    node = np.concatenate([links[e].to_numpy(dtype=object) for e in ("from_node", "to_node")])
    ends = pd.DataFrame(
        {"link_id": np.tile(links["link_id"].to_numpy(dtype=object), 2), "node": node}
    )
    ends["junction_id"] = ends["node"].map(cluster).fillna(ends["node"])
    return ends.drop_duplicates(["link_id", "junction_id"])


def _near(inputs: BalanceInputs, solved: Balance) -> set[str]:
    """Return the junctions at the ends of counted links."""
    counted = set(solved.counts.used["link_id"]) | set(solved.counts.totals["link_id"])
    ends = _ends(inputs)
    return set(ends.loc[ends["link_id"].isin(counted), "junction_id"])


def _few(ids: list[str]) -> str:
    word = "link" if len(ids) == 1 else "links"
    more = f" and {len(ids) - 3} more" if len(ids) > 3 else ""
    return f"{word} {', '.join(ids[:3])}{more}"


def pairs(inputs: BalanceInputs, solved: Balance, table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the two-way flow of links published as one road; null while one of them is unknown."""
    errors = arc_errors(solved)
    index = errors.index()
    z95 = NormalDist().inv_cdf(0.5 + inputs.settings.level / 2)
    one_way = table.loc[table["sense"].ne("both")]
    found = []
    for pair, rows in inputs.pairs.groupby("pair_id"):
        here = one_way.loc[one_way["link_id"].isin(rows["link_id"])]
        arcs = list(zip(here["link_id"], here["sense"], strict=True))
        record = {"pair_id": str(pair), "links": sorted(set(rows["link_id"]))}
        if here["flow"].isna().any() or any(arc not in index for arc in arcs) or not arcs:
            found.append(record | dict.fromkeys(("flow", "lower", "upper")))
            continue
        at = np.array([index[arc] for arc in arcs], dtype=np.intp)
        flow, half = (
            float(here["flow"].sum()),
            z95 * float(np.sqrt(errors.of_sum(at, np.ones(len(at))))),
        )
        found.append(record | {"flow": flow, "lower": max(flow - half, 0.0), "upper": flow + half})
    return found


def suspects(found: list[Suspect]) -> list[dict[str, Any]]:
    """Return the suspects with their sets and rivals."""
    return [
        {
            "station_id": one.hypothesis.stations[0],
            "sense": one.hypothesis.sense,
            "hypothesis": one.hypothesis.kind,
            "size": number(one.size),
            "z": number(one.z),
            "power": number(one.power),
            "posterior": number(one.posterior),
            "firm": one.firm,
            "min_detectable_bias": number(one.min_detectable_bias),
            "set": list(one.members),
            "place": one.hypothesis.place or None,
            "evidence": sentence(one),
            "rivals": [
                {
                    "hypothesis": rival.kind,
                    "station_id": rival.stations[0] if rival.kind != "leak" else None,
                    "sense": rival.sense,
                    "place": rival.place or None,
                    "size": number(size),
                    "z": number(z),
                }
                for rival, size, z in one.rivals
            ],
        }
        for one in found
    ]


def suspect_table(found: list[Suspect]) -> pd.DataFrame:
    """Return ``tables.SUSPECTS``."""
    if not found:
        return empty(SUSPECTS)
    rows = [
        {
            "station_id": one.hypothesis.stations[0],
            "sense": one.hypothesis.sense,
            "hypothesis": one.hypothesis.kind,
            "size": one.size,
            "z": one.z,
            "min_detectable_bias": one.min_detectable_bias,
            "power": one.power,
            "posterior": one.posterior,
            "firm": one.firm,
            "set": " ".join(one.members),
            "evidence": sentence(one),
        }
        for one in found
    ]
    return pd.DataFrame(rows).reindex(columns=list(SUSPECTS.names))


def sentence(one: Suspect) -> str:
    """Say in one sentence what was found and what it rests on."""
    said = f"{_claim(one.hypothesis, one.size)} (z {one.z:+.1f}"
    said += f"; a bias of {one.min_detectable_bias:,.0f} vehicles/day would have been found)"
    if one.hypothesis.kind == "leak":
        counts = [(rival, size) for rival, size, _ in one.rivals if rival.kind != "leak"]
        if counts:
            said += f"; the counts cannot tell it from this: {_claim(*counts[0])}"
        return said
    others = [m for m in one.members if m not in one.hypothesis.stations]
    if others:
        said += f"; the counts cannot tell it from a fault at {', '.join(others)}"
    leaks = [rival.place for rival, _, _ in one.rivals if rival.kind == "leak"]
    if leaks:
        said += f"; or traffic comes or goes unseen at {leaks[0]}"
    return said


def _claim(what: Hypothesis, size: float) -> str:
    if what.kind == "leak":
        if what.sort == "section":
            return f"about {abs(size):,.0f} vehicles/day turn in or out unseen at {what.place}"
        word = "go" if size < 0 else "come in"
        return f"about {abs(size):,.0f} vehicles/day {word} unseen at {what.place}"
    side = "in both senses" if what.kind == "scale" else f"in sense {what.sense}"
    return (
        f"station {what.stations[0]} counts {abs(size):.0%} too {'much' if size > 0 else 'little'} "
        f"{side} against what the others say"
    )


def untestable(solved: Balance) -> list[dict[str, str]]:
    """Return the stations that no equation tests, each with the reason."""
    used = solved.counts.used
    checkable = solved.system.checkable
    reasons = dict[str, str]()
    for station, reason in solved.counts.untestable:
        reasons.setdefault(station, reason)
    tested = set(used.loc[checkable, "station_id"])
    for station, link in used.loc[~checkable, ["station_id", "link_id"]].itertuples(index=False):
        if station not in tested:
            reasons.setdefault(
                station,
                f"uncounted streets join both ends of link {link}: no sum of counts contains it",
            )
    return [{"station_id": s, "reason": reasons[s]} for s in sorted(reasons)]


def reconciled(inputs: BalanceInputs, solved: Balance) -> list[dict[str, Any]]:
    """Return what each count becomes beside the others: a diagnosis, never published as the count."""
    used, solution = solved.counts.used, solved.solution
    z, bias = count_directions(solution).z()
    sd, redundancy = np.sqrt(solution.variance), solution.redundancy
    return [
        {
            "station_id": used.loc[k, "station_id"],
            "sense": used.loc[k, "sense"],
            "link_id": used.loc[k, "link_id"],
            "count": number(used.loc[k, "aadt"]),
            "reconciled": number(solved.reconciled[k]),
            "sd": number(sd[k]),
            "z": number(z[k]),
            "redundancy": number(redundancy[k]),
            "min_detectable_bias": number(bias[k]),
        }
        for k in range(len(used))
    ]


def coding_faults(solved: Balance) -> list[dict[str, Any]]:
    """Return arcs that can carry no traffic as the network is drawn, counted ones first."""
    faults = solved.system.graph.faults
    used = solved.counts.used["station_id"].to_numpy(dtype=object)
    rows = [
        {
            "link_id": link,
            "sense": sense,
            "station_id": str(used[count]) if count >= 0 else None,
            "why": f"link {link}, sense {sense}, lies on no way through the network: "
            "what enters there cannot leave; check its one-way, its ends or declare the node a generator",
        }
        for link, sense, count in faults[["link_id", "sense", "count"]].itertuples(index=False)
    ]
    return sorted(rows, key=lambda r: (r["station_id"] is None, r["link_id"], r["sense"]))
