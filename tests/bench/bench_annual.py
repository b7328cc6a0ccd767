"""Leave one station out on real daily counts: date-matched against month × weekday shares.

    python tests/bench/bench_annual.py 2013 2015            every start
    python tests/bench/bench_annual.py 2003 2012 --every 5  every fifth start

prints, for windows of 2 weekdays and any 2, 3 and 7 days that touch no federal holiday: mean
absolute error, cover of 95 % intervals with its standard error (stations are the clusters), mean
width, and the worst station's cover. Every station in turn is the short count, the others the
permanents; they in turn are left out one by one for the interval, in both methods. No count error
is added: estimate and truth come from the same counter. Source of the data: tests/rail_entries.py.

`textbook` takes the month × weekday shares from every day of the year; `without holidays` leaves the
federal holidays out of the shares, as countmap does: the harder rival.

Everything in countmap/annual was chosen on 2003–2012; what was tried is in annual_rail_chosen.txt. The
table of 2013 and 2015, annual_rail.txt, was made once after the last choice.
"""

from __future__ import annotations

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent.parent))

import rail_entries

from countmap.annual import factors, gaps, matched
from countmap.annual.expand import ALL_HOURS, Block
from countmap.annual.intervals import from_errors

KINDS = (
    ("2 weekdays", 2, True),
    ("any 2 days", 2, False),
    ("any 3 days", 3, False),
    ("any 7 days", 7, False),
)
DAYS_MIN = 300
"""A station needs so many days for the mean of its year to be a truth."""
LEVEL = 0.95


def by_dates(pool, level, out, year):
    """Return ``estimate(span) -> (error, half)`` by the stations other than ``out``."""
    logs = np.log(pool.day / level[:, None])
    keep = np.arange(len(logs)) != out
    trust = np.ones(keep.sum())
    filled = gaps.complete(logs[keep], trust, len(trust))
    days = np.arange(pool.day.shape[1])
    ordinary = ~np.isin(days + pool.first, list(rail_entries.federal_holidays(year)))
    teachers = matched.teach(filled, trust, np.log(level[keep]), pool.owner[keep], ordinary)

    def estimate(span):
        counts = np.log(pool.day[None, out, span])
        learned = matched.blocks(teachers, logs[keep, span], days[span])
        rows, test = matched.left_out(teachers, learned, trust)
        half, _ = from_errors(test.level / test.log_se, len(rows), LEVEL)
        fit = matched.fit(teachers, learned, counts, np.array([-1]))
        return fit.level[0] - np.log(level[out]), half * fit.log_se[0]

    return estimate


def by_shares(pool, level, out, skip):
    """Return the same by Σ count / Σ group share; ``skip`` are the days the shares leave out."""
    keep = np.arange(len(level)) != out
    shares = factors.shares(pool, level, slice(0, pool.day.shape[1]), skip)

    def estimate(span):
        days = range(pool.first + span.start, pool.first + span.stop)
        window = tuple(Block("day", ((day, ALL_HOURS),), 0.0) for day in days)
        share = factors.block_shares(shares, window)
        rows, errors = factors.left_out(pool, level, share, window, keep)
        found = factors.level(pool.day[out, span].sum(), share, keep)
        return np.log(found / level[out]), from_errors(errors, len(rows), LEVEL)[0]

    return estimate


def one_year(year, every):
    """Return one row for every window, station and method."""
    pool = rail_entries.pool(rail_entries.load(), year, DAYS_MIN)
    level = np.nanmean(pool.day, axis=1)
    rows = []
    for out in range(len(level)):
        name = pool.series[out][0]
        methods = {
            "matched": by_dates(pool, level, out, year),
            "textbook": by_shares(pool, level, out, set()),
            "without holidays": by_shares(pool, level, out, rail_entries.federal_holidays(year)),
        }
        for kind, length, weekdays in KINDS:
            for start in rail_entries.starts(year, length, weekdays_only=weekdays)[::every]:
                span = slice(start, start + length)
                if np.isfinite(pool.day[out, span]).all():
                    rows += [(year, kind, m, name, *f(span)) for m, f in methods.items()]
    return pd.DataFrame(rows, columns=["year", "kind", "method", "station", "error", "half"])


def table_of(frame):
    """Return the table by kind of window and method."""
    frame = frame.assign(
        mae=np.abs(np.expm1(frame["error"])) * 100,
        cover=(frame["error"].abs() <= frame["half"]) * 100.0,
        width=200 * frame["half"],
    )
    grouped = frame.groupby(["kind", "method"], sort=False)
    table = grouped[["mae", "cover", "width"]].mean()
    by_station = frame.groupby(["kind", "method", "station"], sort=False)["cover"].mean()
    each = by_station.groupby(level=["kind", "method"], sort=False)
    table.insert(2, "± se", each.std(ddof=1) / np.sqrt(each.size()))
    table["worst"] = each.min()
    table["station"] = [at[2] for at in each.idxmin()]
    mae = table["mae"].unstack()  # noqa: PD010  # a Series has no pivot_table
    table["of textbook"] = [mae.loc[k, m] / mae.loc[k, "textbook"] for k, m in table.index]
    return table


def main():
    """Run the experiment, print its table and keep it where asked."""
    parser = argparse.ArgumentParser()
    parser.add_argument("years", type=int, nargs="+")
    parser.add_argument("--every", type=int, default=1)
    parser.add_argument("--out")
    given = parser.parse_args()
    with ProcessPoolExecutor(2) as workers:
        frames = workers.map(partial(one_year, every=given.every), given.years)
        table = table_of(pd.concat(list(frames)))
    text = (
        f"years {', '.join(map(str, given.years))}; every {given.every}. start; "
        f"errors, covers and widths in %\n{table.round(3).to_string()}\n"
    )
    print(text)
    if given.out:
        (Path(__file__).parent / given.out).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
