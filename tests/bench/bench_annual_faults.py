"""Broken permanents: how far a fault planted in one moves the short counts of others.

    python tests/bench/bench_annual_faults.py

plants 20 days of zeros, and then −30 % from 1 July, in each permanent in turn: of two invented towns
(tests/made_town_counts.py, 10 permanents, 30 week-long counts, totals and senses) and of the rail
entries of 2010 (tests/rail_entries.py: 14 stations permanent, weeks of the other six as short
counts). Printed: the largest and the mean change of any other station's AADT, the largest among
stations none of whose days lies in the zeros, and how many of the broken were named. A count taken
while its most alike permanent was dead has lost what that permanent would have said. The last table lies in annual_faults.txt.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent.parent))

import made_town_counts
import rail_entries

from countmap import tables
from countmap.annual.estimate import AnnualInputs, estimate

FAULTS = {
    "20 days of zeros": ("03-03", "03-22", 0.0, "zeros on 20 days"),
    "-30 % from 1 July": ("07-01", "12-31", 0.7, "level shift of -"),
}
RAIL_YEAR, RAIL_SHORTS, WEEKS = 2010, 6, range(3, 52, 6)


def rail():
    """Return the rail entries of one year as inputs of the annual stage."""
    entries = rail_entries.load().loc[str(RAIL_YEAR)]
    names = list(entries.columns)
    parts = []
    for at, name in enumerate(names):
        days = pd.DataFrame({"date": entries.index.as_unit("us"), "count": entries[name] * 1000})
        if at % 3 != 1 or at // 3 >= RAIL_SHORTS:
            parts.append(days.assign(station_id=name))
            continue
        for week in WEEKS:
            part = days.iloc[7 * week : 7 * week + 7]
            parts.append(part.assign(station_id=f"{name} {week}"))
    totals = pd.concat(parts, ignore_index=True).assign(sense="both")
    stations = totals[["station_id"]].drop_duplicates(ignore_index=True)
    stations["kind"] = np.where(stations["station_id"].isin(names), "permanent", "short")
    return AnnualInputs(tables.empty(tables.HOUR_CELLS), totals, stations, RAIL_YEAR)


def planted(inputs, station, first, last, factor):
    """Return the inputs with one station's counts of some days multiplied."""

    def change(frame):
        day = frame["date"].dt.strftime("%m-%d")
        hit = (frame["station_id"] == station) & day.between(first, last)
        return frame.assign(count=frame["count"].where(~hit, frame["count"] * factor))

    return replace(
        inputs, hour_cells=change(inputs.hour_cells), day_totals=change(inputs.day_totals)
    )


def within(inputs, first, last):
    """Return the short stations that were counted on some of these days."""
    days = inputs.day_totals
    hit = days["date"].dt.strftime("%m-%d").between(first, last)
    permanent = inputs.stations.loc[inputs.stations["kind"] == "permanent", "station_id"]
    return set(days.loc[hit & ~days["station_id"].isin(permanent), "station_id"])


def main():
    """Plant every fault in every permanent and keep the table."""
    cases = {
        "town 1": made_town_counts.town(1, permanents=10, shorts=30).inputs,
        "town 2": made_town_counts.town(2, permanents=10, shorts=30).inputs,
        f"rail {RAIL_YEAR}": rail(),
    }
    rows = []
    for case, inputs in cases.items():
        before = estimate(inputs).annual.set_index(["station_id", "sense"])
        touched = {
            fault: within(inputs, first, last) for fault, (first, last, *_) in FAULTS.items()
        }
        touched["-30 % from 1 July"] = set()
        stations = inputs.stations.query("kind == 'permanent'")["station_id"]
        for fault, (first, last, factor, says) in FAULTS.items():
            for station in stations:
                broken = estimate(planted(inputs, station, first, last, factor)).annual
                after = broken.set_index(["station_id", "sense"])
                change = np.abs(np.log(after["aadt"] / before["aadt"])).drop(station, level=0)
                away = change.loc[~change.index.get_level_values(0).isin(touched[fault])]
                reason = after.loc[(station, "both"), "reason"]
                named = isinstance(reason, str) and reason.startswith(says)
                rows.append((case, fault, station, change.max(), away.max(), change.mean(), named))
    frame = pd.DataFrame(rows, columns=["case", "fault", "station", "max", "away", "mean", "named"])
    grouped = frame.groupby(["case", "fault"], sort=False)
    table = grouped.agg(
        {"max": "max", "away": "max", "mean": "mean", "named": "sum", "station": "size"}
    )
    table["worst"] = [frame.loc[at, "station"] for at in grouped["max"].idxmax()]
    table[["max", "away", "mean"]] *= 100
    text = (
        "change of other stations' AADT in %, permanents named of those broken\n"
        f"{table.rename(columns={'station': 'broken'}).round(2).to_string()}\n"
    )
    print(text)
    (Path(__file__).parent / "annual_faults.txt").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
