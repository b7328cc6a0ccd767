"""What changed between two releases: figures beyond their interval, stations, statuses, decisions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from countmap.publish import paper
from countmap.publish.figures import headline
from countmap.publish.sheet import day, interval
from countmap.rounding import Chart, rounded
from countmap.tables import SENSES

SHOWN = 60
"""Rows of a table on paper; all of them are in the JSON document."""


@dataclass(frozen=True, slots=True)
class Release:
    """What was published once.

    Attributes
    ----------
    release : str
        Its id.
    year : int
    stations : DataFrame, tables.STATIONS
    annual : DataFrame, tables.ANNUAL
    links : DataFrame
        ``link_id, name, allowed``.
    flows : DataFrame, tables.FLOWS
        May be empty: no balance was run.
    flags : DataFrame, tables.FLAGS
    """

    release: str
    year: int
    stations: pd.DataFrame
    annual: pd.DataFrame
    links: pd.DataFrame
    flows: pd.DataFrame
    flags: pd.DataFrame


def changes(old: Release, new: Release) -> dict[str, Any]:
    """Return what changed from one release to the next.

    Returns
    -------
    dict
        ``old``, ``new`` (id, year); ``stations`` and ``links``, each with ``compared``, ``moved``
        (records of every figure that is not the same: ``id, name, old, old_lower, old_upper, new,
        new_lower, new_upper, share, beyond, apart``), ``gained``, ``lost`` (a figure where there
        was none, and the other way round) and ``status`` (``id, name, old, new``);
        ``new_stations``, ``gone_stations``, ``retired``; ``decisions`` (flags newly accepted or
        excluded, or taken back).

    Notes
    -----
    ``beyond``: the new figure lies outside the old one's interval, None where there was no
    interval. ``apart``: the two intervals have nothing in common. Of the figures beyond, some are
    due to chance alone: about one in twenty of those that rest on new counts.
    """
    one_way = [r.links.set_index("link_id")["allowed"].isin(SENSES) for r in (old, new)]
    at_one_way = [
        r.stations.set_index("station_id")["link_id"].map(single).eq(other=True)
        for r, single in zip((old, new), one_way, strict=True)
    ]
    stations = [
        headline(r.annual, "station_id", "aadt", r.year, single)
        for r, single in zip((old, new), at_one_way, strict=True)
    ]
    flows = [
        headline(r.flows, "link_id", "flow", r.year, single)
        for r, single in zip((old, new), one_way, strict=True)
    ]
    before, after = (r.stations.set_index("station_id") for r in (old, new))
    return {
        "old": {"release": old.release, "year": old.year},
        "new": {"release": new.release, "year": new.year},
        "stations": _moved(stations[0], stations[1], _names(old, new, "stations")),
        "links": _moved(flows[0], flows[1], _names(old, new, "links")),
        "new_stations": sorted(set(after.index) - set(before.index)),
        "gone_stations": sorted(set(before.index) - set(after.index)),
        "retired": _retired(before, after),
        "decisions": _decisions(old.flags, new.flags),
    }


def _names(old: Release, new: Release, table: str) -> dict[str, str]:
    key = "station_id" if table == "stations" else "link_id"
    frames = [getattr(r, table) for r in (old, new)]
    both = pd.concat([f[[key, "name"]] for f in frames], ignore_index=True).dropna()
    return dict(zip(both[key], both["name"], strict=True))


def _moved(old: pd.DataFrame, new: pd.DataFrame, names: dict[str, str]) -> dict[str, Any]:
    shared = old.index.intersection(new.index)
    a, b = old.loc[shared], new.loc[shared]
    known = a["figure"].notna() & b["figure"].notna()
    same = np.isclose(a["figure"], b["figure"], rtol=1e-9, atol=1e-9)
    moved = []
    for key in shared[known & ~same]:
        one, two = a.loc[key], b.loc[key]
        outside = two["figure"] < one["lower"] or two["figure"] > one["upper"]
        apart = two["upper"] < one["lower"] or two["lower"] > one["upper"]
        sure = pd.notna(one["lower"])
        moved.append(
            {
                "id": key, "name": names.get(key),
                **{f"old{'' if n == 'figure' else f'_{n}'}": _number(one[n]) for n in _THREE},
                **{f"new{'' if n == 'figure' else f'_{n}'}": _number(two[n]) for n in _THREE},
                "share": _number(two["figure"] / one["figure"] - 1) if one["figure"] else None,
                "beyond": bool(outside) if sure else None,
                "apart": bool(apart) if sure and pd.notna(two["lower"]) else None,
            }
        )  # fmt: skip
    changed = a["status"].ne(b["status"])
    return {
        "compared": int(known.sum()),
        "moved": sorted(moved, key=lambda one: (-abs(one["share"] or 0.0), one["id"])),
        "gained": sorted(_known(new) - _known(old)),
        "lost": sorted(_known(old) - _known(new)),
        "status": [
            {"id": k, "name": names.get(k), "old": a.loc[k, "status"], "new": b.loc[k, "status"]}
            for k in shared[changed]
        ],
    }


_THREE = ("figure", "lower", "upper")


def _known(frame: pd.DataFrame) -> set[str]:
    return set(frame.index[frame["figure"].notna()])


def _number(value: Any) -> float | None:
    return None if pd.isna(value) else float(value)


def _retired(before: pd.DataFrame, after: pd.DataFrame) -> list[dict[str, str]]:
    """Return the stations that have a last day in the new release and had none, or another."""
    shared = before.index.intersection(after.index)
    ends = after.loc[shared, "valid_to"]
    newly = ends.notna() & ends.ne(before.loc[shared, "valid_to"])
    return [{"id": key, "last": day(pd.Timestamp(ends.loc[key]).date())} for key in shared[newly]]


def _decisions(old: pd.DataFrame, new: pd.DataFrame) -> list[dict[str, Any]]:
    was = dict(zip(old["flag_id"], old["state"], strict=True))
    found = []
    for one in new.sort_values(["station_id", "first_utc", "flag_id"]).itertuples():
        before = was.get(one.flag_id, "open")
        if one.state != before:
            reason = one.reason if isinstance(one.reason, str) else None
            found.append(
                {"flag_id": one.flag_id, "station_id": one.station_id, "old": before,
                 "new": one.state, "why": one.why, "reason": reason}
            )  # fmt: skip
    return found


def summary(found: dict[str, Any]) -> list[str]:
    """Return the changes in sentences, what matters most first."""
    old, new = found["old"], found["new"]
    said = []
    for noun, part in (("station", found["stations"]), ("link", found["links"])):
        beyond = [one for one in part["moved"] if one["beyond"]]
        unsure = [one for one in part["moved"] if one["beyond"] is None]
        if not part["compared"]:
            continue
        same = part["compared"] - len(part["moved"])
        said.append(
            f"{_many(part['compared'], noun)} with a figure in both: {len(beyond)} changed beyond "
            f"the earlier interval, {len(part['moved']) - len(beyond) - len(unsure)} within it, "
            f"{len(unsure)} had no interval, {same} stayed the same."
        )
        if part["gained"] or part["lost"]:
            said.append(
                f"{_many(len(part['gained']), noun)} gained a figure, {len(part['lost'])} lost it."
            )
        if part["status"]:
            said.append(f"{_many(len(part['status']), noun)} changed status.")
    for key, words in (
        ("new_stations", "New: "), ("gone_stations", "No longer there: "),
    ):  # fmt: skip
        if found[key]:
            said.append(f"{words}{_listed(found[key])}.")
    if found["retired"]:
        said.append(f"Retired: {_listed([one['id'] for one in found['retired']])}.")
    if found["decisions"]:
        said.append(f"{_many(len(found['decisions']), 'decision')} on findings since.")
    if old["year"] != new["year"]:
        said.insert(
            0, f"The years differ, {old['year']} and {new['year']}: traffic itself changed."
        )
    if not found["stations"]["compared"]:
        said.append("No station has a figure in both.")
    return said


def _listed(ids: Sequence[str]) -> str:
    shown = ", ".join(ids[:12])
    return f"{shown} and {len(ids) - 12} more" if len(ids) > 12 else shown


def _many(count: int, noun: str) -> str:
    return f"{count:,} {noun}{'' if count == 1 else 's'}"


def blocks(found: dict[str, Any], chart: str | Chart) -> list[Any]:
    """Return the changes as blocks of a paper."""
    made: list[Any] = [paper.Bullets(tuple(summary(found)))]
    columns: tuple[paper.Column, ...]
    rows: tuple[tuple[Any, ...], ...]
    for noun, part in (("Stations", found["stations"]), ("Links", found["links"])):
        if part["moved"]:
            made.append(_grid(noun, part["moved"], chart))
        if part["status"]:
            columns = (paper.Column("Id"), paper.Column("Name", share=1), paper.Column("Was"),
                       paper.Column("Is"))  # fmt: skip
            rows = tuple((o["id"], o["name"], o["old"], o["new"]) for o in part["status"][:SHOWN])
            made.append(
                paper.Grid(f"{noun} whose status changed", columns, rows,
                           notes=_rest(part["status"]))
            )  # fmt: skip
    if found["decisions"]:
        columns = (paper.Column("Station"), paper.Column("Was"), paper.Column("Is"),
                   paper.Column("Finding", share=2), paper.Column("Reason", share=1))  # fmt: skip
        rows = tuple(
            (o["station_id"], o["old"], o["new"], o["why"], o["reason"])
            for o in found["decisions"][:SHOWN]
        )
        made.append(
            paper.Grid("Decisions on findings", columns, rows, notes=_rest(found["decisions"]))
        )
    return made


def _grid(noun: str, moved: Sequence[dict[str, Any]], chart: str | Chart) -> paper.Grid:
    columns = (
        paper.Column("Id"), paper.Column("Name", share=1),
        paper.Column("Was", "right", shape="#,##0"), paper.Column("Interval", "right"),
        paper.Column("Is", "right", shape="#,##0"), paper.Column("Interval", "right"),
        paper.Column("Change", "right"), paper.Column("Beyond the interval"),
    )  # fmt: skip
    first = sorted(moved, key=lambda one: (one["beyond"] is not True, -abs(one["share"] or 0.0)))
    rows = []
    for one in first[:SHOWN]:
        verdict = {True: "yes", False: "no", None: "no interval"}[one["beyond"]]
        rows.append(
            (
                one["id"], one["name"], rounded(one["old"], chart), interval(one["old_lower"], one["old_upper"], chart),
                rounded(one["new"], chart), interval(one["new_lower"], one["new_upper"], chart),
                None if one["share"] is None else f"{100 * one['share']:+.1f} %",
                paper.Cell(verdict, mark="strong" if one["beyond"] else ""),
            )
        )  # fmt: skip
    return paper.Grid(
        f"{noun} whose figure changed, vehicles a day", columns, tuple(rows), sheet=noun,
        notes=("Rounded as published.", *_rest(moved)),
    )  # fmt: skip


def _rest(rows: Sequence[Any]) -> tuple[str, ...]:
    more = len(rows) - SHOWN
    return (f"{more:,} more in the JSON document.",) if more > 0 else ()


def compared(found: dict[str, Any], chart: str | Chart = "stepped") -> paper.Paper:
    """Return the changes between two releases as a paper."""
    old, new = found["old"], found["new"]
    return paper.Paper(
        f"From {old['release']} to {new['release']}",
        tuple(blocks(found, chart)),
        above="What changed between two releases",
        below=f"Figures of {old['year']}, then of {new['year']}",
        release=f"Releases {old['release']} and {new['release']}",
    )
