"""Annual and monthly averages of permanent stations: plain mean, AASHTO, FHWA hourly.

References
----------
Federal Highway Administration, *Traffic Monitoring Guide*, 2022, chapter 3 and appendix L.
Jessberger, Krile, Schroeder, Todt, Feng: Improved Annual Average Daily Traffic Estimation
Processes, Transportation Research Record 2593, 2016.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from countmap.annual.factors import mean_of_seen

Array = np.ndarray[Any, np.dtype[np.float64]]
SERIES = ["station_id", "sense", "year"]
MONTH = [*SERIES, "month"]
WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_AVERAGES = [*SERIES, "aadt", "aawt", "days", "reason"]


def plain_mean(day_totals: pd.DataFrame) -> pd.DataFrame:
    """Return the mean of each station's complete civil days, by sense and year.

    Parameters
    ----------
    day_totals : DataFrame
        DAY_TOTALS. Days whose count is null are left out, never taken as 0.

    Returns
    -------
    DataFrame
        ``station_id, sense, year, aadt, aawt`` (vehicles/day; null without a day), ``days`` used,
        ``reason`` (null, or why there is no figure). Sorted by the first three.

    Notes
    -----
    Right only when the missing days are no special days: the figure everything else is compared
    with, not one to publish from a year with gaps.

    Examples
    --------
    >>> days = pd.DataFrame({"station_id": "p", "sense": "both", "count": [100.0, None, 40.0],
    ...     "date": pd.to_datetime(["2023-01-02", "2023-01-03", "2023-01-07"])})
    >>> plain_mean(days)[["aadt", "aawt", "days"]].to_numpy().tolist()
    [[70.0, 100.0, 2.0]]
    """
    return _averaged(day_totals, 1, _plain)


def aashto(day_totals: pd.DataFrame) -> pd.DataFrame:
    """Return the AASHTO annual averages: the mean over weekdays of the mean over months.

    Parameters
    ----------
    day_totals : DataFrame
        DAY_TOTALS. Only complete civil days are used.

    Returns
    -------
    DataFrame
        As `plain_mean`. Null, with ``reason``, when a weekday has no complete day in a month.

    Notes
    -----
    AADT = 1/7 Σ_weekday [ 1/12 Σ_month mean of that weekday's days in that month ]. The AAWT is the
    same mean over Monday to Friday. Every month weighs alike, whatever its length.

    References
    ----------
    FHWA, *Traffic Monitoring Guide*, 2022, appendix L.
    """
    return _averaged(day_totals, 1, lambda found: _by_grid(found, np.ones((12, 7))))


def aashto_monthly(day_totals: pd.DataFrame) -> pd.DataFrame:
    """Return the AASHTO monthly averages (MADT): the mean over weekdays of each weekday's mean.

    Returns
    -------
    DataFrame
        ``station_id, sense, year, month, madt, days, reason``; ``madt`` is null, with ``reason``,
        when a weekday has no complete day in the month.
    """
    return _monthly(day_totals, 1, lambda _: np.ones((12, 7)))


def fhwa_hourly(hour_cells: pd.DataFrame) -> pd.DataFrame:
    """Return the FHWA annual averages from hours, so that days with gaps still count.

    Parameters
    ----------
    hour_cells : DataFrame
        HOUR_CELLS. Null hours are left out, never taken as 0.

    Returns
    -------
    DataFrame
        As `plain_mean`; ``days`` is hours used / 24. Null, with ``reason``, when an hour of a
        weekday is never there in a month.

    Notes
    -----
    MADT_m = Σ_j w_jm Σ_h mean_i V(i,h,j,m) / Σ_j w_jm and AADT = Σ_m d_m MADT_m / Σ_m d_m, with
    w_jm how often weekday j occurs in month m and d_m the month's days. The AAWT takes the sums
    over Monday to Friday. The hour that is skipped when clocks go forward has no occurrence i, so
    on that one day the estimator takes the mean of the other days of its weekday.

    References
    ----------
    FHWA, *Traffic Monitoring Guide*, 2022, chapter 3; Jessberger et al. 2016.
    """
    return _averaged(hour_cells, 24, lambda found: _by_grid(found, occurrences(found.year)))


def fhwa_monthly(hour_cells: pd.DataFrame) -> pd.DataFrame:
    """Return the FHWA monthly averages (MADT) from hours; columns as `aashto_monthly`."""
    return _monthly(hour_cells, 24, occurrences)


@dataclass(frozen=True)
class _Year:
    """The counts of one year: ``keys`` of the series, ``count`` of shape (series, days, parts of a day)."""

    year: int
    keys: pd.DataFrame
    count: Array

    def grid(self) -> Array:
        """Return Σ_h mean_i V by month and weekday, shape (series, 12, 7); NaN with an hour missing."""
        dates = pd.date_range(f"{self.year}-01-01", periods=self.count.shape[1])
        out = np.full((len(self.count), 12, 7), np.nan)
        for month in range(12):
            for weekday in range(7):
                pick = (dates.month == month + 1) & (dates.day_of_week == weekday)
                out[:, month, weekday] = mean_of_seen(self.count[:, pick]).sum(axis=1)
        return out


def _laid_out(cells: pd.DataFrame, parts: int) -> list[_Year]:
    """Lay out counts densely, a year at a time: sums have one order, whatever that of the rows."""
    station, stations = pd.factorize(cells["station_id"], sort=True)
    sense, senses = pd.factorize(cells["sense"], sort=True)
    day = cells["date"].to_numpy().astype("datetime64[D]")
    year = day.astype("datetime64[Y]")
    count = cells["count"].to_numpy(dtype=np.float64, na_value=np.nan)
    part = cells["hour"].to_numpy(dtype=np.intp) if parts > 1 else np.zeros(len(day), dtype=np.intp)
    series = station * len(senses) + sense
    out = []
    for at in np.unique(year):
        rows = slice(None) if (year == at).all() else np.flatnonzero(year == at)
        there = np.bincount(series[rows], minlength=len(stations) * len(senses)) > 0
        place = np.cumsum(there) - 1
        days = int(((at + 1).astype("datetime64[D]") - at.astype("datetime64[D]")).astype(int))
        dense = np.full((int(there.sum()), days, parts), np.nan)
        of_year = (day[rows] - at.astype("datetime64[D]")).astype(np.intp)
        dense[place[series[rows]], of_year, part[rows]] = count[rows]
        known = np.flatnonzero(there)
        keys = pd.DataFrame(
            {"station_id": stations[known // len(senses)], "sense": senses[known % len(senses)]}
        ).assign(year=int(str(at)))
        out.append(_Year(int(str(at)), keys, dense))
    return out


def _averaged(cells: pd.DataFrame, parts: int, average: Any) -> pd.DataFrame:
    """Return the averages of every series and year; ``average`` gives AADT, AAWT and reasons."""
    frames = []
    for found in _laid_out(cells, parts):
        aadt, aawt, reasons = average(found)
        used = np.isfinite(found.count).sum(axis=(1, 2)) / parts
        frames.append(found.keys.assign(aadt=aadt, aawt=aawt, days=used, reason=reasons))
    text = {"station_id", "sense", "reason"}
    empty = pd.DataFrame(
        {name: pd.Series(dtype="str" if name in text else "float64") for name in _AVERAGES}
    )
    out = pd.concat(frames) if frames else empty
    out["reason"] = out["reason"].astype("str").where(out["reason"].notna(), None)
    return out.sort_values(SERIES, ignore_index=True)[_AVERAGES]


def _plain(found: _Year) -> tuple[Array, Array, list[str | None]]:
    dates = pd.date_range(f"{found.year}-01-01", periods=found.count.shape[1])
    aadt = mean_of_seen(found.count)[:, 0]
    aawt = mean_of_seen(found.count[:, dates.day_of_week < 5])[:, 0]
    return aadt, aawt, [None if ok else "no complete day" for ok in np.isfinite(aadt)]


def _by_grid(found: _Year, weight: Array) -> tuple[Array, Array, list[str | None]]:
    """Average months and weekdays with ``weight``, shape (12, 7)."""
    grid = found.grid()
    aadt = (grid * weight).sum(axis=(1, 2)) / weight.sum()
    aawt = (grid * weight)[:, :, :5].sum(axis=(1, 2)) / weight[:, :5].sum()
    silent = ~np.isfinite(found.count).any(axis=(1, 2)) & (found.count.shape[2] > 1)
    reasons = [
        "no complete hour" if nothing else _gap_reason(np.isnan(one))
        for nothing, one in zip(silent, grid, strict=True)
    ]
    return aadt, aawt, reasons


def _monthly(cells: pd.DataFrame, parts: int, weigh: Any) -> pd.DataFrame:
    """Return MADT of every series and month that has a count."""
    frames = []
    for found in _laid_out(cells, parts):
        grid, weight = found.grid(), weigh(found.year)
        madt = (grid * weight).sum(axis=2) / weight.sum(axis=1)
        month = pd.date_range(f"{found.year}-01-01", periods=found.count.shape[1]).month - 1
        seen = np.isfinite(found.count).sum(axis=2)
        used = np.stack([seen[:, month == m].sum(axis=1) for m in range(12)], axis=1) / parts
        series, at = np.nonzero(used > 0)
        frame = found.keys.iloc[series].assign(month=at + 1, madt=madt[series, at])
        gaps = [
            ", ".join(WEEKDAYS[j] for j in np.flatnonzero(np.isnan(grid[k, m])))
            for k, m in zip(series, at, strict=True)
        ]
        reasons = [f"no complete {names}" if names else None for names in gaps]
        frames.append(frame.assign(days=used[series, at], reason=reasons))
    if not frames:
        return pd.DataFrame(columns=[*MONTH, "madt", "days", "reason"])
    return pd.concat(frames).sort_values(MONTH, ignore_index=True)


def occurrences(year: int) -> Array:
    """Return how often each weekday occurs in each month, shape (12, 7), Monday first."""
    days = pd.date_range(f"{year}-01-01", f"{year}-12-31")
    out = np.zeros((12, 7))
    np.add.at(out, (days.month.to_numpy() - 1, days.day_of_week.to_numpy()), 1)
    return out


def _gap_reason(missing: np.ndarray[Any, np.dtype[np.bool_]]) -> str | None:
    """Say which weekdays are missing in which months, or nothing; ``missing`` is (12, 7)."""
    months = np.flatnonzero(missing.any(axis=1))
    if len(months) == 0:
        return None
    first = months[0]
    if missing[first].all():
        what = f"no usable day in month {first + 1}"
    else:
        names = ", ".join(WEEKDAYS[j] for j in np.flatnonzero(missing[first]))
        what = f"no complete {names} in month {first + 1}"
    more = f"; {len(months) - 1} more months have gaps" if len(months) > 1 else ""
    return what + more
