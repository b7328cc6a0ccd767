"""The demo: the whole job on the invented town, held against its truth."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pandas as pd

from countmap.errors import Conflict
from countmap.jobs import (
    annual,
    balance,
    counts,
    days,
    flags,
    publish,
    register,
    releases,
    roads,
    screenlines,
    stations,
    surveys,
)
from countmap.jobs.common import Document, Step, Workspace, no_step, open_workspace

YEAR = 2025
SEED = 2025
ZONE, HOLIDAYS = "Europe/Berlin", "DE"
# What the demo's analyst leaves out of the averages, and why.
EXCLUDED = {
    "zero_run": "the counter was down: no vehicle for days on a road that is never empty",
    "copied": "the same hours twice: one of them was not counted",
}
LOUD = ("warn", "fail")
# Gaps that the counter admits: they accuse nobody of a wrong count.
GAPS = ("short_day", "missing_weekday")


def run(folder: Path, *, seed: int = SEED, step: Step = no_step) -> Document:
    """Make the town, do the whole job on it, and say what was found.

    Raises
    ------
    Conflict
        The folder is there and not empty.
    """
    from countmap.demo import town

    if folder.exists() and any(folder.iterdir()):
        raise Conflict(f"{folder} is not empty; name a new folder for the demo")
    inputs = folder / "inputs"
    town.write(inputs, seed=seed)
    step(1, 4)
    document = work(folder, inputs, step)
    truth = inputs / "truth"
    faults = json.loads((truth / "faults.json").read_text(encoding="utf-8"))
    judged = judge(document, faults, pd.read_csv(truth / "aadt.csv"))
    return judged | {"lines": list(_lines(document, judged))}


def work(folder: Path, inputs: Path, step: Step = no_step) -> Document:
    """Do the job as an analyst would: import, check, decide, estimate, balance, publish."""
    register.init(folder, timezone=ZONE, holidays=HOLIDAYS)
    ws = open_workspace(folder)
    network = roads.import_(ws, inputs / "roads.geojson")
    roads.declare(ws, inputs / "declare.csv")
    placed = stations.import_(ws, inputs / "stations.csv")
    for one in placed["ambiguous"]:
        stations.place(
            ws, one["station_id"], _by_bearing(ws, one["station_id"]), reason="its bearing decides"
        )
    surveys.import_(ws, inputs / "surveys.csv")
    days.import_(ws, inputs / "days.csv")
    screenlines.import_(ws, inputs / "screenlines.geojson")
    files = sorted((inputs / "counts").glob("*.csv"))
    long = [f for f in files if f.name.startswith("permanent")]
    counts.import_(ws, long, layout=inputs / "counts" / "permanent.toml")
    counts.import_(ws, [f for f in files if f not in long])
    step(2, 4)
    checked = counts.check(ws)
    decided = [
        flags.decide(ws, f["flag_id"], "excluded", reason=EXCLUDED[f["rule"]])
        for f in checked["flags"]
        if f["rule"] in EXCLUDED and f["severity"] in LOUD
    ]
    averages = annual.estimate(ws, year=YEAR)
    balanced = balance.run(ws, year=YEAR, hours=True)
    step(3, 4)
    chart = publish.map_(ws, year=YEAR, title="Invented river town")
    releases.data(ws, year=YEAR)
    step(4, 4)
    return {
        "roads": network,
        "ambiguous": placed["ambiguous"],
        "flags": checked["flags"],
        "excluded": [d["flag_id"] for d in decided],
        "annual": averages["annual"],
        "balance": balanced,
        "map": chart["path"],
    }


def _by_bearing(ws: Workspace, station_id: str) -> str:
    """Return the candidate link along which the station's own bearing runs."""
    station = ws.register.frame("stations", station_id=station_id).iloc[0]
    candidates = json.loads(station["candidates"])
    turn = {
        c["link_id"]: abs((c["bearing_deg"] - station["bearing_deg"] + 180) % 360 - 180)
        for c in candidates
    }
    return min(turn, key=lambda link: (turn[link], link))


def judge(document: Document, faults: list[Document], truth: pd.DataFrame) -> Document:
    """Hold the findings against the planted faults and the intervals against the true averages.

    Returns
    -------
    dict
        ``faults`` (each with ``found``, ``evidence`` and ``set``, or ``why_not``), ``accused`` (sound
        stations that are named), ``cover`` and ``covered`` over stations without a planted level
        fault, ``map``.
    """
    findings = list(_findings(document))
    faulty = {station for fault in faults for station in fault["stations"]}
    judged = [_judge_one(fault, findings, document) for fault in faults]
    accused = sorted({f["station_id"] for f in findings if not set(f["set"]) & faulty})
    level = {s for fault in faults if fault["level"] for s in fault["stations"]}
    joined = pd.DataFrame(document["annual"]).merge(
        truth.rename(columns={"aadt": "true"}), on=["station_id", "sense"]
    )
    joined = joined[~joined["station_id"].isin(level) & joined["lower"].notna()]
    inside = joined["true"].between(joined["lower"], joined["upper"])
    return {
        "map": document["map"],
        "faults": judged,
        "accused": accused,
        "intervals": len(joined),
        "covered": int(inside.sum()),
        "cover": float(inside.mean()) if len(joined) else None,
        "shorts": int((joined["status"] == "estimated").sum()),
        "shorts_covered": int(inside[joined["status"] == "estimated"].sum()),
    }


def _findings(document: Document) -> Iterator[Document]:
    """Yield everything that names a station: flags, placements, suspects, each with its set."""
    for flag in document["flags"]:
        if flag["severity"] in LOUD and flag["rule"] not in GAPS:
            yield {
                "what": {flag["rule"]},
                "station_id": flag["station_id"],
                "evidence": flag["why"],
                "set": [flag["station_id"]],
            }
    for one in document["ambiguous"]:
        yield {
            "what": {"placement"},
            "station_id": one["station_id"],
            "evidence": one["why"],
            "set": [one["station_id"]],
        }
    for suspect in document["balance"]["suspects"]:
        yield {
            "what": {suspect["hypothesis"], *(rival["hypothesis"] for rival in suspect["rivals"])},
            "station_id": suspect["station_id"],
            "evidence": suspect["evidence"],
            "set": suspect["set"],
        }


# What counts as having found a fault of each kind.
FOUND_BY = {
    "under_count": ("scale", "scale_one"),
    "swapped_directions": ("swap",),
    "copied_day": ("copied",),
    "outage_zeros": ("zero_run",),
    "clock": ("clock",),
    "wrong_carriageway": ("placement",),
    "hidden_access": ("leak",),
    "level_shift": ("level_shift",),
}


def _judge_one(fault: Document, findings: list[Document], document: Document) -> Document:
    hits = [
        f
        for f in findings
        if f["what"] & set(FOUND_BY[fault["kind"]]) and set(f["set"]) & set(fault["stations"])
    ]
    known: dict[str, Any] = {
        "kind": fault["kind"],
        "stations": fault["stations"],
        "found": bool(hits),
    }
    if hits:
        return known | {"evidence": hits[0]["evidence"], "set": hits[0]["set"]}
    return known | {"why_not": _why_not(fault, document["balance"])}


def _why_not(fault: Document, balanced: Document) -> str:
    """Say why nothing gave a fault away: no sum contains it, or the sums agree all the same."""
    stations_ = set(fault["stations"])
    reasons = [u["reason"] for u in balanced["untestable"] if u["station_id"] in stations_]
    sums = [
        f"{one.get('name') or one.get('section_id')} (z {one['z']:+.1f})"
        for kind in ("junctions", "sections", "areas")
        for one in balanced[kind]
        if one["z"] is not None and stations_ & {m["station_id"] for m in one["members"]}
    ]
    if sums:
        reasons.append(f"the day totals agree all the same at {', '.join(sums)}")
    return "; ".join([*reasons, f"could be found by {fault['found_by']}"])


def _lines(document: Document, judged: Document) -> Iterator[str]:
    size = document["roads"]
    yield f"An invented river town: {size['links']} links, {size['length_km']:.0f} km, {size['junctions']} junctions."
    found = [f for f in judged["faults"] if f["found"]]
    yield f"Found {len(found)} of {len(judged['faults'])} planted faults:"
    for fault in found:
        yield f"  {fault['kind'].replace('_', ' ')} ({' '.join(fault['stations'])}): {fault['evidence']}"
        if fault["set"] != fault["stations"]:
            yield f"    could be any of: {' '.join(fault['set'])}"
    for fault in judged["faults"]:
        if not fault["found"]:
            yield f"  not found: {fault['kind'].replace('_', ' ')} ({' '.join(fault['stations'])}): {fault['why_not']}"
    yield f"Sound stations accused: {len(judged['accused'])} {' '.join(judged['accused'])}".rstrip()
    yield (
        f"95 % intervals that hold the true average: {judged['covered']} of {judged['intervals']}"
        f" ({judged['cover']:.0%}), stations with a planted level fault apart"
    )
    yield f"The map: {judged['map']}"
