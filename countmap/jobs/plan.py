"""Jobs of choosing: what to count next, what would settle a dispute, what would tell all."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from countmap.balance.expand import DECLARED_SHARE
from countmap.balance.inputs import BalanceInputs
from countmap.errors import InvalidInput, NotFound
from countmap.formats import csv_table
from countmap.jobs import planning
from countmap.jobs.common import (
    Document,
    Network,
    Workspace,
    records,
    refusing,
    require_known,
    stale_notes,
    station_row,
)
from countmap.plan import choose, coverage, field, known, observe, settle
from countmap.plan import permanent as factors
from countmap.plan.units import Units, units
from countmap.store import queries
from countmap.tables import COSTS, WEIGHTS

TOPICS = ("roads", "stations", "declarations", "annual", "settings")
KIND = "plan"
WITHIN = (0.10, 0.20)


@dataclass(frozen=True, eq=False)
class _Known:
    """The network of a workspace with the joint estimate of its flows."""

    network: Network
    units: Units
    counts: pd.DataFrame
    side_access: pd.Series
    settings: field.FieldSettings
    field: field.Field

    def row(self, section: str) -> int:
        """Return the row of a section.

        Raises
        ------
        NotFound
            If there is none.
        """
        ids = self.units.sections["section_id"].to_numpy(dtype=object)
        found = np.flatnonzero(ids == section)
        if not len(found):
            raise NotFound(f"there is no section {section!r}; countmap plan reaches lists them")
        return int(found[0])


def _known(ws: Workspace, year: int) -> _Known:
    """Estimate all flows of a year from everything the register holds."""
    network = Network(ws)
    annual = ws.register.results("annual")
    if annual.empty or not annual["year"].le(year).any():
        raise NotFound(
            f"there are no annual averages up to {year}; run countmap annual estimate --year {year}"
            " first"
        )
    options = planning.prior(ws)
    made = units(network.roads, network.junctions, network.sections, network.declarations)
    inputs = BalanceInputs(
        network.roads,
        network.junctions,
        network.sections,
        ws.register.frame("stations"),
        annual,
        year,
        declarations=network.declarations,
    )
    counts = known.newest(inputs, options)
    access = known.side_access(network.declarations, network.sections, DECLARED_SHARE)
    found = field.estimate(made, network.sections, counts, side_access=access, settings=options)
    return _Known(network, made, counts, access, options, found)


def next_(
    ws: Workspace,
    *,
    year: int,
    budget: float,
    cost: Path | None = None,
    weights: str = "none",
    must: tuple[str, ...] = (),
    exclude: tuple[str, ...] = (),
    local: bool = False,
    dry_run: bool = False,
) -> Document:
    """Choose the stations that tell most about the network for the budget, and keep the plan as a run.

    Parameters
    ----------
    budget : float
        How many counts, or what they may cost where ``cost`` prices them.
    cost : Path, optional
        CSV ``id, cost``: a section, a link of it, or a station on it; others cost 1.
    weights : str
        ``none`` (information), ``km``, ``vehicle-km``, ``class``, or a CSV file ``id, weight``.
    must, exclude : station, link or section ids
    local : bool
        Streets that are counted on request are candidates too.

    Raises
    ------
    NotFound
        No roads, no annual averages up to that year, an id that is not there.
    InvalidInput
        A cost or weight that is none; what must be counted is dearer than the budget.
    """
    fingerprint = ws.register.fingerprint(TOPICS, year)
    found = _known(ws, year)
    sections = found.units.sections
    asked = sections["road_class"].fillna("").isin(coverage.ON_REQUEST).to_numpy()
    every = np.flatnonzero(found.units.open)
    placed = _Ids(ws, found)
    forced = [placed.section(one) for one in must]
    dropped = {placed.section(one) for one in exclude}
    both = dropped & set(forced)
    if both:
        at = min(both)
        raise InvalidInput(
            f"section {sections['section_id'].iloc[at]} must be counted and is excluded; drop one"
        )
    keep = [
        int(s) for s in every
        if s not in dropped and (local or not asked[s] or s in set(forced))
    ]  # fmt: skip
    candidates = np.array(keep, dtype=np.int64)
    position = {s: i for i, s in enumerate(keep)}
    price = placed.numbers(cost, "cost", 1.0)
    wanted = choose.Wanted(
        candidates,
        price[candidates],
        float(budget),
        tuple(dict.fromkeys(position[s] for s in forced)),
        _weights(weights, found, placed),
    )
    choice = choose.choose(found.field, wanted)
    document = _plan_document(ws, found, wanted, choice) | {
        "year": year,
        "weights": weights,
        "notes": stale_notes(ws, year),
    }
    asked_for = {
        "budget": budget, "weights": weights, "must": list(must), "exclude": list(exclude),
        "local": local,
    }  # fmt: skip
    if not dry_run:
        with ws.register.transaction() as tx:
            document["run_id"] = tx.add_run(KIND, year, fingerprint, asked_for, document, {})
    return document | {"dry_run": dry_run}


class _Ids:
    """From what a user names (section, link, station) to rows of the sections."""

    def __init__(self, ws: Workspace, found: _Known) -> None:
        self.ws = ws
        ids = found.units.sections["section_id"]
        self.count = len(ids)
        rows = dict(zip(ids, range(len(ids)), strict=True))
        links = found.network.sections.dropna(subset=["section_id"])
        self.rows: dict[str, int] = {
            link: rows[section]
            for link, section in zip(links["link_id"], links["section_id"], strict=True)
        } | rows
        stations = ws.register.frame("stations").dropna(subset=["link_id"])
        for station, link in zip(stations["station_id"], stations["link_id"], strict=True):
            if link in self.rows:
                self.rows.setdefault(station, self.rows[link])

    def section(self, name: str) -> int:
        """Return the section's row of an id.

        Raises
        ------
        NotFound
            If nothing is called that.
        """
        if name not in self.rows:
            raise NotFound(f"{name!r} is no station, link or section of this network")
        return self.rows[name]

    def numbers(self, file: Path | None, column: str, default: float) -> Any:
        """Return a number for each section from a CSV ``id, column``; ``default`` where it has none.

        Raises
        ------
        InvalidInput
            A number that is none or too small; an id that is not there.
        """
        found = np.full(self.count, default)
        if file is None:
            return found
        frame = csv_table.read_or_raise(file, COSTS if column == "cost" else WEIGHTS)
        with refusing(self.ws):
            require_known(frame, "id", set(self.rows), "station, link or section", file)
        at = frame["id"].map(self.rows).to_numpy(dtype=np.int64)
        found[at] = frame[column].to_numpy(dtype=float)
        return found


# What a kilometre of each class weighs where a plan serves the main roads first (project default).
CLASS_WEIGHT = {"motorway": 8.0, "trunk": 6.0, "primary": 4.0, "secondary": 2.0}


def _weights(said: str, found: _Known, placed: _Ids) -> Any:
    km = found.units.sections["length_km"].to_numpy(dtype=float)
    if said == "none":
        return None
    if said == "km":
        return km
    if said == "vehicle-km":
        return km * found.field.section_flow()
    if said == "class":
        class_ = found.units.sections["road_class"].map(CLASS_WEIGHT).fillna(1.0)
        return km * class_.to_numpy(dtype=float)
    if Path(said).is_file():
        return placed.numbers(Path(said), "weight", 1.0)
    raise InvalidInput(
        f"--weights {said!r} is neither none, km, vehicle-km or class nor a CSV file of id, weight"
    )


def _plan_document(
    ws: Workspace, found: _Known, wanted: choose.Wanted, choice: choose.Choice
) -> Document:
    """Return the chosen stations with what each tells, and the network before and after."""
    sections, estimate = found.units.sections, found.field
    quantile = found.settings.quantile
    before = field.half_width(choice.before, quantile)
    after = field.half_width(choice.after, quantile)
    flow = estimate.section_flow()
    km = sections["length_km"].to_numpy(dtype=float)
    open_ = found.units.open
    stations = known.shared_by_sections(_placed_stations(ws, found), found.network.sections)
    rows = []
    for place, at in enumerate(choice.rows):
        s = int(wanted.candidates[at])
        section = sections.iloc[s]
        own = stations.get(section["section_id"])
        rows.append(
            {
                "rank": place + 1,
                "section_id": section["section_id"],
                "station_id": own.split()[0] if isinstance(own, str) else None,
                "road": section["road"],
                "road_class": section["road_class"],
                "length_km": section["length_km"],
                "flow": flow[s],
                "half_width_before": before[s],
                "half_width_after": after[s],
                "information": choice.information[place],
                "relief": choice.relief[place],
                "cost": wanted.cost[at],
                "must": at in wanted.must,
                "why": _why_next(at in wanted.must, found, s, before[s], after[s]),
            }
        )
    total = {
        "km": float(km[open_].sum()),
        "half_width_before": float(np.average(before[open_], weights=(km * flow)[open_])),
        "half_width_after": float(np.average(after[open_], weights=(km * flow)[open_])),
        "within": [
            {
                "within": w,
                "km_before": float(km[open_ & (before <= w)].sum()),
                "km_after": float(km[open_ & (after <= w)].sum()),
                "vehicle_km_before": float((km * flow)[open_ & (before <= w)].sum()),
                "vehicle_km_after": float((km * flow)[open_ & (after <= w)].sum()),
            }
            for w in WITHIN
        ],
        "vehicle_km": float((km * flow)[open_].sum()),
    }
    return {
        "candidates": len(wanted.candidates),
        "budget": wanted.budget,
        "spent": float(wanted.cost[choice.rows].sum()) if len(choice.rows) else 0.0,
        "new_count_error": estimate.new_error,
        "level": found.settings.level,
        "next": records(pd.DataFrame(rows)),
        "total": total,
    }


def _placed_stations(ws: Workspace, found: _Known) -> pd.DataFrame:
    stations = ws.register.frame("stations").dropna(subset=["link_id"])
    return stations[["station_id", "link_id"]].assign(link_sense="with")


def _why_next(forced: bool, found: _Known, section: int, before: float, after: float) -> str:
    said = "must be counted; " if forced else ""
    if not found.field.counted[section]:
        said += "never counted, "
    return f"{said}known {_share(before)}, then {_share(after)}"


def _share(half: float) -> str:
    return f"± {100 * half:.0f} %" if half < 1 else f"within a factor of {1 + half:.1f}"


def settle_(ws: Workspace, station: str, *, year: int, most: int = 10) -> Document:
    """Name the counts that would settle the dispute a station is in.

    Raises
    ------
    NotFound
        No such station; no annual averages.
    """
    station_row(ws, station)
    suspects = ws.register.results("suspects", year)
    sets = [sorted(s.split()) for s in suspects["set"].dropna() if station in s.split()]
    dispute = max(sets, key=len) if sets else [station]
    found = _known(ws, year)
    ranked = settle.settle(
        found.units,
        found.network.sections,
        found.counts,
        dispute,
        side_access=found.side_access,
        settings=found.settings,
    )
    about = found.units.sections[["section_id", "road", "road_class"]]
    stations = known.shared_by_sections(_placed_stations(ws, found), found.network.sections)
    rows = ranked.head(most).merge(about, on="section_id", how="left")
    rows["stations"] = rows["section_id"].map(stations)
    return {
        "year": year,
        "station_id": station,
        "suspects": dispute,
        "accused": bool(sets),
        "counts": records(rows),
        "notes": stale_notes(ws, year),
    }


def observe_(ws: Workspace, *, year: int, cost: Path | None = None) -> Document:
    """Return the cheapest further counts after which every flow follows by conservation alone.

    Raises
    ------
    NotFound
        No roads; no annual averages up to that year.
    """
    found = _known(ws, year)
    price = _Ids(ws, found).numbers(cost, "cost", 1.0)
    sections = found.units.sections
    parts = {}
    for name, single in (("stations", False), ("senses", True)):
        full = observe.full_set(found.units, price, found.field.counted, single=single)
        rows = sections.iloc[full.sections][["section_id", "road", "road_class", "length_km"]]
        rows = rows.assign(sense=list(full.senses))
        parts[name] = {"cost": full.cost, "number": len(rows), "counts": records(rows)}
    return {"year": year, "counted": int(found.field.counted.sum()), **parts}


def permanent(ws: Workspace, *, year: int, most: int = 10) -> Document:
    """Say where a new permanent station would improve the factors of the short counts most.

    Raises
    ------
    NotFound
        No counts in that year.
    InvalidInput
        No permanent station has hourly counts.
    """
    hours, days = queries.hours_and_days(ws, f"{year}-01-01", f"{year}-12-31")
    if hours.empty:
        raise NotFound(f"there are no counts in {year}; import some first")
    stations = ws.register.frame("stations")
    steady = sorted(stations.loc[stations["kind"].eq("permanent"), "station_id"])
    order = days["sense"].map({"both": 0, "with": 1, "against": 2})
    best = order.groupby(days["station_id"]).transform("min")
    one = days[order == best].dropna(subset=["count"])
    windows = one.loc[~one["station_id"].isin(steady), ["station_id", "date"]]
    spread = factors.factor_spread(one, steady, windows)
    found = factors.rank(factors.shapes(hours), steady, spread)
    named = stations[["station_id", "name", "road"]]
    rows = found.head(most).merge(named, on="station_id", how="left")
    return {
        "year": year,
        "permanents": len(steady),
        "short": len(found),
        "before": float(found["before"].iloc[0]) if len(found) else None,
        "places": records(rows),
    }
