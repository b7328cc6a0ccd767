"""How long the annual stage takes on a large town.

    python tests/bench/bench_annual_scale.py [STATIONS [COUNTS]]

1. 10,000 week-long short counts against 300 permanents, intervals included: whole days; and counts
   laid at one of eight hours, whose first and last day are parts.
2. 1,000 stations × one year of quarter-hours, civil hours and both estimators, beside DuckDB's own
   group-by of the same rows to (station, civil hour).

The last table lies in annual_scale.txt.
"""

from __future__ import annotations

import sys
from pathlib import Path
from time import perf_counter, process_time

import duckdb
import numpy as np
import pandas as pd

from countmap import tables
from countmap.annual import continuous
from countmap.annual.estimate import AnnualInputs, estimate

YEAR, PERMANENTS, SHORTS, STAY_DAYS = 2025, 300, 10_000, 7
WEEK = np.array(
    [
        [1.10, 1.12, 1.13, 1.12, 1.14, 0.75, 0.64],
        [0.95, 0.94, 0.95, 0.98, 1.10, 1.10, 0.98],
        [0.92, 0.90, 0.92, 0.96, 1.12, 1.16, 1.02],
    ]
)
DATES = pd.date_range(f"{YEAR}-01-01", f"{YEAR}-12-31").as_unit("us")
HOURS = np.exp(-0.5 * ((np.arange(24) - 8) / 2.5) ** 2) + np.exp(
    -0.5 * ((np.arange(24) - 17) / 3) ** 2
)


def days(rng, number):
    """Return daily counts of mixed roads, shape (number, days)."""
    mix = rng.dirichlet([1.2, 0.8, 0.5], number)
    level = np.exp(rng.uniform(np.log(1500), np.log(20000), number))
    season = np.cos(2 * np.pi * (DATES.day_of_year.to_numpy() - 200) / 365)
    log = (mix @ np.log(WEEK))[:, DATES.day_of_week]
    log += (mix @ [-0.06, 0.05, 0.3])[:, None] * season
    log += rng.normal(0, 0.05, len(DATES)) + rng.normal(0, 0.035, (number, len(DATES)))
    return rng.poisson(level[:, None] * np.exp(log)).astype(np.float64)


def inputs(rng, shorts, *, by_hour):
    """Return the inputs of the first experiment; ``by_hour`` lays the counts at eight hours."""
    count = days(rng, PERMANENTS + shorts)
    name = np.array(
        [f"{'P' if k < PERMANENTS else 'S'}{k:05d}" for k in range(PERMANENTS + shorts)]
    )
    start = rng.integers(0, len(DATES) - STAY_DAYS, shorts)
    extra = int(by_hour)
    row = np.repeat(np.arange(PERMANENTS), len(DATES))
    at = np.tile(np.arange(len(DATES)), PERMANENTS)
    row = np.concatenate([row, np.repeat(np.arange(shorts) + PERMANENTS, STAY_DAYS + extra)])
    at = np.concatenate([at, (start[:, None] + np.arange(STAY_DAYS + extra)).ravel()])
    stations = pd.DataFrame({"station_id": name})
    stations["kind"] = np.where(stations["station_id"].str.startswith("P"), "permanent", "short")
    total = pd.DataFrame({"station_id": name[row], "sense": "both", "date": DATES[at]})
    total["count"] = count[row, at]
    if not by_hour:
        return AnnualInputs(tables.empty(tables.HOUR_CELLS), total, stations, YEAR)
    share = rng.multinomial(count[row, at].astype(np.int64), HOURS / HOURS.sum())
    hour = np.tile(np.arange(24), len(row))
    line = np.repeat(np.arange(len(row)), 24)
    short = row[line] >= PERMANENTS
    laid = np.where(short, 8 + (row[line] % 8), 0)
    order = at - np.concatenate(
        [np.zeros(PERMANENTS * len(DATES)), np.repeat(start, STAY_DAYS + 1)]
    )
    into = order[line]
    keep = ~short | ((into > 0) & (into < STAY_DAYS)) | ((into == 0) & (hour > laid))
    keep |= short & (into == STAY_DAYS) & (hour < laid)
    cells = total.loc[line[keep], ["station_id", "sense", "date"]].reset_index(drop=True)
    cells["hour"] = hour[keep]
    cells["count"] = share.ravel()[keep].astype(np.float64)
    whole = (row < PERMANENTS) | ((order > 0) & (order < STAY_DAYS))
    return AnnualInputs(cells, total[whole], stations, YEAR)


def timed(what, act):
    """Return the result and a line with wall and processor seconds."""
    wall, cpu = perf_counter(), process_time()
    found = act()
    return found, f"{what:<66} {perf_counter() - wall:>7.1f} s {process_time() - cpu:>7.1f} s"


def short_counts(lines, shorts):
    """Run the first experiment."""
    for by_hour in (False, True):
        made = inputs(np.random.default_rng(3), shorts, by_hour=by_hour)
        how = "laid at eight hours" if by_hour else "whole days"
        what = f"{shorts} counts of {STAY_DAYS} days, {PERMANENTS} permanents, {how}"
        found, line = timed(what, lambda made=made: estimate(made))
        status = found.annual["status"].value_counts().to_dict()
        lines += [line, f"    {status}"]


def averages(lines, stations):
    """Run the second experiment."""
    rng = np.random.default_rng(4)
    stamp = pd.date_range(DATES[0], periods=len(DATES) * 96, freq="15min").as_unit("us")
    rows = pd.DataFrame(
        {
            "station": np.repeat(np.arange(stations, dtype=np.int32), len(stamp)),
            "start": np.tile(stamp, stations),
            "count": rng.poisson(30, len(stamp) * stations).astype(np.int32),
        }
    )
    db = duckdb.connect()
    db.execute("SET threads = 2")
    db.register("given", rows)
    db.execute("CREATE TABLE rows AS SELECT station::VARCHAR AS station, start, count FROM given")
    del rows
    query = (
        "SELECT station, date_trunc('hour', start) AS hour, sum(count) AS count "
        "FROM rows GROUP BY ALL"
    )
    _, line = timed(
        f"DuckDB: {len(stamp) * stations:,} rows to hours",
        lambda: db.execute(query).fetchnumpy(),
    )
    base = spent(line)
    _, whole = timed("the same rows to hours and days, and both estimators", lambda: both(db))
    ratio = [mine / theirs for mine, theirs in zip(spent(whole), base, strict=True)]
    lines += [line, whole, f"    {ratio[0]:.1f} times the group-by (processor {ratio[1]:.1f})"]


def spent(line):
    """Return wall and processor seconds of a line."""
    return float(line.split()[-4]), float(line.split()[-2])


def both(db):
    """Sum hours and days in DuckDB and average them by both estimators."""
    db.execute(
        "CREATE TABLE hours AS SELECT station AS station_id, 'both' AS sense, "
        "date_trunc('hour', start) AS clock_hour, sum(count)::DOUBLE AS count FROM rows GROUP BY ALL"
    )
    hours = db.execute(
        "SELECT station_id, sense, date_trunc('day', clock_hour)::TIMESTAMP AS date, "
        "hour(clock_hour) AS hour, count FROM hours"
    ).df()
    total = db.execute(
        "SELECT station_id, sense, date_trunc('day', clock_hour)::TIMESTAMP AS date, "
        "sum(count) AS count FROM hours GROUP BY ALL"
    ).df()
    return continuous.fhwa_hourly(hours), continuous.aashto(total)


def main(stations, shorts):
    """Print the table and keep it."""
    lines = [f"{'':<66} {'wall':>9} {'processor':>9}"]
    averages(lines, stations)
    short_counts(lines, shorts)
    text = "\n".join(lines) + "\n"
    print(text)
    (Path(__file__).parent / "annual_scale.txt").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    sizes = [int(size) for size in sys.argv[1:]]
    main(*(sizes + [1000, SHORTS][len(sizes) :]))
