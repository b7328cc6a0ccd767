"""What a map's panel tells of a station beyond its figure: who drives there, how fast, how it was installed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from countmap.counts import week
from countmap.jobs.common import Document, Workspace, records
from countmap.jobs.sheets import budget_of
from countmap.rounding import rounded
from countmap.schemes import reader
from countmap.store import queries

if TYPE_CHECKING:
    from countmap.publish.content import Summary

AT_ONCE = 20
"""Stations read together: a year of hours by class is some 10⁵ rows each."""


def summaries(ws: Workspace, year: int) -> dict[str, Summary]:
    """Return class and speed of the year's counts by station, where any were told apart."""
    span = (f"{year}-01-01", f"{year}-12-31")
    schemes = {name: reader.load(name) for name in reader.known()}
    found: dict[str, Summary] = {}
    apart = queries.classified(ws, *span)
    for at in range(0, len(apart), AT_ONCE):
        some = apart[at : at + AT_ONCE]
        by_class, by_speed = (
            queries.periods(ws, *span, some, told_by=what) for what in ("class", "speed")
        )
        for station in some:
            told = [rows[rows["station_id"] == station] for rows in (by_class, by_speed)]
            found[station] = _summary(told[0], told[1], schemes, ws.settings)
    return found


def _summary(
    rows: pd.DataFrame, timed: pd.DataFrame, schemes: dict[str, Any], settings: Any
) -> Summary:
    """Return the shares of both senses together; null where they cannot be told."""
    from countmap.publish.content import Summary

    heavy_ids = {name: scheme.heavy for name, scheme in schemes.items()}
    heavy = week.heavy_shares(rows, heavy_ids, settings.class_scheme)[-1]
    speed = week.percentile_speeds(timed)[-1]
    local = pd.concat([rows["start_utc"], timed["start_utc"]]).dt.tz_convert(settings.timezone)
    classes = rows[rows["vehicle_class"].notna() & rows["count"].notna()]
    alone = classes[classes["speed_low_kmh"].isna()]
    classes = alone if len(alone) else classes  # a table by class and speed tells the same again
    scheme = classes["scheme"].dropna().unique()
    name = str(scheme[0]) if len(scheme) == 1 else settings.class_scheme
    words = {c.id: c.name for c in schemes[name].classes} if name in schemes else {}
    counts = classes.groupby("vehicle_class")["count"].sum()
    return Summary(
        first=local.min().date(),
        last=local.max().date(),
        heavy=heavy.value,
        heavy_why=heavy.reason,
        classified=heavy.of + heavy.beside,
        scheme=name or "",
        classes=tuple((words.get(str(c), str(c)), float(n)) for c, n in counts.items() if n > 0),
        speed85_kmh=speed.value,
        speed_why=speed.reason,
        timed=speed.of,
    )


def surveys(ws: Workspace, year: int) -> dict[str, list[Document]]:
    """Return the installation records of surveys that touch the year, each with its error budget."""
    frame = ws.register.frame("surveys").sort_values(["station_id", "survey_id", "epoch"])
    found: dict[str, list[Document]] = {}
    for one in records(frame):
        starts, ends = one["started"] or f"{year}", one["ended"] or f"{year}"
        if starts[:4] <= f"{year}" <= ends[:4]:
            found.setdefault(one["station_id"], []).append(one | {"budget": budget_of(one)})
    return found


def design_hours(
    found: Document, names: dict[str, dict[str, Any]], rounding: Any
) -> dict[str, str]:
    """Return the design hour of each permanent station in a sentence, or why there is none.

    Parameters
    ----------
    found : dict
        The document of an annual run; one without ``peaks`` tells nothing.
    names : dict
        Station id → its row: the words for its senses.
    rounding : str or chart
        How coarsely the hour's volume is shown.
    """
    said = {}
    for one in found.get("peaks", ()):
        rank, year = one["rank"], one["year"]
        if one["volume"] is None:
            said[one["station_id"]] = f"No {rank}th highest hour of {year}: {one['reason']}."
            continue
        words = f"The {rank}th highest hour of {year} carried {rounded(one['volume'], rounding):,.0f} vehicles"
        if one["k"] is not None:
            words += f", {one['k']:.1%} of the average day (K)"
        if one["d"] is not None:
            name = names.get(one["station_id"], {}).get(f"name_{one['sense']}")
            sense = name if isinstance(name, str) else f"sense {one['sense']}"
            words += f"; {one['d']:.0%} of it {sense} (D)"
        said[one["station_id"]] = f"{words}; {one['date']}, from {one['hour']} h."
    return said
