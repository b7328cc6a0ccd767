"""Leave one station out on real daily counts: date-matched against month × weekday shares.

    python tests/bench/bench_annual.py 2004 2007 2010 2012

prints, for windows of 2 weekdays and any 2, 3 and 7 days at every start that touches no federal
holiday: mean absolute error, cover and mean width of 95 % intervals (no count error: both estimate
and truth come from the same counter), and the worst station's cover. Source of the data: see
tests/rail_entries.py. Every station in turn is the short count, the other nineteen the permanents;
they in turn are left out one by one for the interval.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent.parent))

import rail_entries

from countmap.annual import factors, matched
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


def one_station(pool, level, out, year, step):
    """Yield one row for every window and method with station ``out`` as the short count."""
    logs = np.log(pool.day / level[:, None])
    keep = np.arange(len(level)) != out
    trust = keep.astype(float)
    patterns = matched.learn(logs[keep], pool.owner[keep], trust[keep])
    days = slice(0, pool.day.shape[1])
    shares = factors.shares(pool, level, days, rail_entries.federal_holidays(year))
    for kind, length, weekdays in KINDS:
        for start in rail_entries.starts(year, length, weekdays_only=weekdays)[::step]:
            span = slice(start, start + length)
            if not np.isfinite(logs[out, span]).all():
                continue
            y = logs[keep, span]
            learned = matched.blocks(patterns, y)
            rows, test = matched.left_out(patterns, learned, y, trust[keep])
            half, _ = from_errors(test.level / test.log_se, len(rows), 0.95)
            fit = matched.fit(learned, np.array([0]), logs[None, out, span])
            yield kind, "matched", pool.series[out][0], fit.level[0], half * fit.log_se[0]
            window = tuple(
                Block("day", ((pool.first + day, ALL_HOURS),), 0.0)
                for day in range(start, span.stop)
            )
            share = factors.block_shares(shares, window)
            rows, errors = factors.left_out(pool, level, share, window, keep)
            total = pool.day[out, span].sum()
            error = np.log(factors.level(total, share, keep) / level[out])
            yield (
                kind,
                "textbook",
                pool.series[out][0],
                error,
                from_errors(errors, len(rows), 0.95)[0],
            )


def main(years, step):
    """Run the experiment for ``years`` and print its table."""
    entries = rail_entries.load()
    rows = []
    for year in years:
        pool = rail_entries.pool(entries, year, DAYS_MIN)
        level = np.nanmean(pool.day, axis=1)
        for out in range(len(level)):
            rows += [(year, *row) for row in one_station(pool, level, out, year, step)]
    frame = pd.DataFrame(rows, columns=["year", "kind", "method", "station", "error", "half"])
    frame["mae"] = np.abs(np.expm1(frame["error"])) * 100
    frame["cover"] = frame["error"].abs() <= frame["half"]
    frame["width"] = 200 * frame["half"]
    grouped = frame.groupby(["kind", "method"], sort=False)
    table = grouped[["mae", "cover", "width"]].mean()
    by_station = frame.groupby(["kind", "method", "station"], sort=False)["cover"].mean()
    worst = by_station.groupby(level=["kind", "method"], sort=False)
    table["worst cover"] = worst.min()
    table["at"] = [at[2] for at in worst.idxmin()]
    mae = table["mae"].unstack()  # noqa: PD010  # a Series has no pivot_table
    table["ratio"] = [mae.loc[k, m] / mae.loc[k, "textbook"] for k, m in table.index]
    print(f"years {', '.join(map(str, years))}; every {step}. start; errors and widths in %")
    print(table.round(3).to_string())


if __name__ == "__main__":
    given = [int(text) for text in sys.argv[1:] if text.isdigit()] or [2004, 2007, 2010, 2012]
    main(given, step=3 if "--quick" in sys.argv else 1)
