"""48-hour counts of a real motorway station, factors from the year after.

    python tests/bench/bench_annual_motorway.py

Every pair of days of October 2016 – September 2017 is a short count, judged against the mean of
those twelve months; the factors are the station's own of October 2017 – September 2018, so that no
date can be matched. A US federal holiday has no share: a pair with one rests on its other day. The
interval comes from the errors of the same counts within the factors' own year. Data: see
tests/published/test_motorway_station.py. The last table lies in annual_motorway.txt.
"""

from __future__ import annotations

import io
import sys
import zipfile
from pathlib import Path

import holidays
import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent.parent))

import opendata

from countmap.annual import factors
from countmap.annual.expand import ALL_HOURS, Block
from countmap.annual.pool import Pool, day_number

FIRST, MIDDLE, LAST = "2016-10-01", "2017-10-01", "2018-10-01"


def days():
    """Return the station's day totals over both years, vehicles."""
    outer = opendata.member("autots==1.0.4", "autots/datasets/data/traffic_hourly.zip")
    with zipfile.ZipFile(outer) as archive:
        text = archive.read(archive.namelist()[0])
    frame = pd.read_csv(io.BytesIO(text), parse_dates=["datetime"])
    frame = frame[frame["datetime"].between(FIRST, LAST, inclusive="left")]
    grouped = frame.groupby(frame["datetime"].dt.normalize())["traffic_volume"]
    return grouped.sum().where(grouped.size() >= 23).to_numpy(dtype=float)


def pool(counts, first):
    """Return one series as a pool without hours."""
    hour = np.full((1, len(counts), 24), np.nan)
    return Pool([("M1", "with")], np.zeros(1, dtype=np.intp), first, counts[None], hour)


def errors(counts, first, level, shares, off):
    """Return ln estimate − ln mean of every pair of days, and which of them touch a holiday."""
    found, touched = [], []
    for start in range(len(counts) - 1):
        pair = [d for d in (start, start + 1) if d + first not in off and np.isfinite(counts[d])]
        if pair:
            window = tuple(Block("day", ((d + first, ALL_HOURS),), counts[d]) for d in pair)
            share = factors.block_shares(shares, window)
            found.append(np.log(factors.level(counts[pair].sum(), share, [True]) / level))
            touched.append(len(pair) < 2)
    return np.array(found), np.array(touched)


def table_of(counted, counted_first, taught_by, taught_first, off):
    """Return the lines of one direction: counts of one year, factors of the other."""
    level = float(np.nanmean(taught_by))
    lines = []
    for form in ("month_weekday", "separate", "week"):
        # The factors' year runs from October: laid out so, all of it is "the year" of the shares.
        taught = factors.shares(
            pool(taught_by, taught_first), np.array([level]), slice(0, len(taught_by)), off, form
        )
        own, _ = errors(taught_by, taught_first, level, taught, off)
        half = float(np.quantile(np.abs(own), 0.95))
        error, touched = errors(counted, counted_first, float(np.nanmean(counted)), taught, off)
        for name, keep in (("every", error < np.inf), ("two days, no holiday", ~touched)):
            part = error[keep]
            lines.append(
                f"{form:<15} {name:<21} {len(part):>6} {np.abs(np.expm1(part)).mean() * 100:>8.2f}"
                f" {np.mean(np.abs(part) <= half) * 100:>8.1f} {200 * half:>8.1f}"
            )
    return lines


def main():
    """Print the table and keep it."""
    counts = days()
    first, middle = day_number(FIRST), day_number(MIDDLE)
    before, after = counts[: middle - first], counts[middle - first :]
    off = {day_number(str(day)) for day in holidays.US(years=[2016, 2017, 2018])}
    head = "factors         starts                 pairs  error %  cover %  width %"
    lines = [
        "To choose by: counts of October 2017 – September 2018, factors of the year before",
        head,
        *table_of(after, middle, before, first, off),
        "Reported: counts of October 2016 – September 2017, factors of the year after",
        head,
        *table_of(before, first, after, middle, off),
        "Chosen for counts whose dates cannot be matched: week (least error of the first table). The",
        "same choice on rail entries of 2003–2012, each station by its own next year, would have been",
        "month_weekday (6.17 %; week 6.64, separate 6.65): stations of a railway keep their month's",
        "habits, the road its weeks. A road is what is counted here.",
    ]
    text = "\n".join(lines) + "\n"
    print(text)
    (Path(__file__).parent / "annual_motorway.txt").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
