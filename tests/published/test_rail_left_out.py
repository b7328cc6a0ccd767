"""Date-matched against month × weekday shares on real daily counts, leave one station out.

Source: see tests/rail_entries.py. The comparison is this project's own; the full experiment, with
cover and widths, is tests/bench/bench_annual.py.
"""

from __future__ import annotations

import numpy as np
import pytest
import rail_entries

from countmap.annual import factors, gaps, matched
from countmap.annual.expand import ALL_HOURS, Block


@pytest.fixture(scope="module")
def entries():
    return rail_entries.load()


@pytest.mark.parametrize(("length", "least_gain"), [(2, 0.05), (3, 0.25), (7, 0.10)])
def test_matching_the_dates_beats_month_by_weekday(entries, length, least_gain):
    year = 2010
    pool = rail_entries.pool(entries, year)
    level = np.nanmean(pool.day, axis=1)
    logs = np.log(pool.day / level[:, None])
    stations = np.ones(len(level))
    filled = gaps.complete(logs, stations, len(logs))
    every = np.ones(logs.shape[1], dtype=bool)
    teachers = matched.teach(filled, stations, np.log(level), pool.owner, every)
    days = slice(0, pool.day.shape[1])
    shares = factors.shares(pool, level, days, rail_entries.federal_holidays(year))
    same_dates, textbook = [], []
    for start in rail_entries.starts(year, length)[::7]:
        span = slice(start, start + length)
        y = logs[:, span]
        learned = matched.blocks(teachers, y, np.arange(start, start + length))
        rows, fit = matched.left_out(teachers, learned, stations)
        whole = rows[np.isfinite(y[rows]).all(axis=1)]
        same_dates += list(np.abs(np.expm1(fit.level[np.isin(rows, whole)])))
        window = tuple(
            Block("day", ((pool.first + day, ALL_HOURS),), 0.0) for day in range(start, span.stop)
        )
        share = factors.block_shares(shares, window)
        tried, errors = factors.left_out(pool, level, share, window, stations > 0)
        assert set(tried) == set(whole)
        textbook += list(np.abs(np.expm1(errors)))
    assert len(same_dates) == len(textbook) > 500
    assert np.mean(same_dates) < (1 - least_gain) * np.mean(textbook)
