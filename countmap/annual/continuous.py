"""Annual and monthly averages of permanent stations: plain mean, AASHTO, FHWA hourly.

References
----------
Federal Highway Administration, *Traffic Monitoring Guide*, 2022, chapter 3 and appendix L.
Jessberger, Krile, Schroeder, Todt, Feng: Improved Annual Average Daily Traffic Estimation
Processes, Transportation Research Record 2593, 2016.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

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
    days = _dated(day_totals)
    found = days.dropna(subset="count").groupby(SERIES)["count"].agg(["mean", "size"])
    work = days[days["weekday"] < 5].groupby(SERIES)["count"].mean()
    out = _all_series(days)
    out["aadt"] = found["mean"]
    out["aawt"] = work
    out["days"] = found["size"].astype("float64")
    out["reason"] = [None if ok else "no complete day" for ok in out["aadt"].notna()]
    return _finish(out)


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
    days = _dated(day_totals)
    cells = days.dropna(subset="count").groupby([*MONTH, "weekday"])["count"].mean()
    table = _grid(cells, ["month", "weekday"]) if len(cells) else pd.DataFrame()
    table = table.reindex(columns=pd.MultiIndex.from_product([range(1, 13), range(7)]))
    out = _all_series(days)
    table = table.reindex(out.index)
    complete = table.notna().all(axis=1)
    out["aadt"] = table.mean(axis=1).where(complete)
    workdays = [column for column in table.columns if column[1] < 5]
    out["aawt"] = table[workdays].mean(axis=1).where(table[workdays].notna().all(axis=1))
    out["days"] = days.groupby(SERIES)["count"].count().astype("float64")
    out["reason"] = [_gap_reason(row) for row in table.isna().to_numpy().reshape(len(out), 12, 7)]
    return _finish(out)


def aashto_monthly(day_totals: pd.DataFrame) -> pd.DataFrame:
    """Return the AASHTO monthly averages (MADT): the mean over weekdays of each weekday's mean.

    Returns
    -------
    DataFrame
        ``station_id, sense, year, month, madt, days, reason``; ``madt`` is null, with ``reason``,
        when a weekday has no complete day in the month.
    """
    days = _dated(day_totals)
    cells = days.groupby([*MONTH, "weekday"])["count"].mean()
    table = _grid(cells, "weekday").reindex(columns=range(7))
    used = days.groupby(MONTH)["count"].count().astype("float64")
    return _finish_months(table.mean(axis=1).where(table.notna().all(axis=1)), used, table)


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
    hours = _dated(hour_cells)
    table = _weekday_means(hours)
    out = _all_series(hours)
    out["aadt"], out["aawt"], reasons = np.nan, np.nan, {}
    for key, block in table.groupby(level=SERIES):
        grid = block.droplevel(SERIES).reindex(_MONTH_DAYS).to_numpy().reshape(12, 7)
        weight = _occurrences(int(key[2]))
        out.loc[key, "aadt"] = (grid * weight).sum() / weight.sum()
        out.loc[key, "aawt"] = (grid * weight)[:, :5].sum() / weight[:, :5].sum()
        reasons[key] = _gap_reason(np.isnan(grid))
    out["days"] = hours.groupby(SERIES)["count"].count() / 24
    out["reason"] = [reasons.get(key, "no complete hour") for key in out.index]
    return _finish(out)


def fhwa_monthly(hour_cells: pd.DataFrame) -> pd.DataFrame:
    """Return the FHWA monthly averages (MADT) from hours; columns as `aashto_monthly`."""
    hours = _dated(hour_cells)
    table = _grid(_weekday_means(hours), "weekday").reindex(columns=range(7))
    weight = np.array(
        [_occurrences(int(year))[int(month) - 1] for _, _, year, month in table.index]
    ).reshape(-1, 7)
    madt = (table * weight).sum(axis=1) / weight.sum(axis=1)
    used = hours.groupby(MONTH)["count"].count() / 24
    return _finish_months(madt.where(table.notna().all(axis=1)), used, table)


_MONTH_DAYS = pd.MultiIndex.from_product([range(1, 13), range(7)], names=["month", "weekday"])


def _dated(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the columns needed, with year, month and weekday (Monday 0)."""
    out = frame.loc[:, [c for c in ("station_id", "sense", "date", "hour", "count") if c in frame]]
    date = out["date"].dt
    return out.assign(
        year=date.year.astype("int64"), month=date.month.astype("int64"), weekday=date.day_of_week
    )


def _weekday_means(hours: pd.DataFrame) -> pd.Series:
    """Return Σ_h mean_i V by series, month and weekday; null unless all 24 hours are known."""
    keys = [*MONTH, "weekday"]
    hourly = hours.dropna(subset="count").groupby([*keys, "hour"])["count"].mean()
    return hourly.groupby(level=keys).agg(["sum", "size"]).query("size == 24")["sum"]


def _grid(cells: pd.Series, columns: Any) -> pd.DataFrame:
    """Turn levels of the index into columns; what is not there stays null."""
    return cells.unstack(columns)  # noqa: PD010  # a Series with a MultiIndex has no pivot_table


def _occurrences(year: int) -> np.ndarray[Any, np.dtype[np.float64]]:
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


def _all_series(frame: pd.DataFrame) -> pd.DataFrame:
    keys = frame.loc[:, SERIES].drop_duplicates().sort_values(SERIES)
    return pd.DataFrame(index=pd.MultiIndex.from_frame(keys))


def _finish(out: pd.DataFrame) -> pd.DataFrame:
    out = out.reset_index()
    out["days"] = out["days"].fillna(0.0)
    out["reason"] = out["reason"].astype("str").where(out["reason"].notna(), None)
    return out.loc[:, _AVERAGES]


def _finish_months(madt: pd.Series, used: pd.Series, table: pd.DataFrame) -> pd.DataFrame:
    out = pd.DataFrame({"madt": madt, "days": used})
    missing = table.reindex(out.index).isna().to_numpy()
    names = [", ".join(WEEKDAYS[j] for j in np.flatnonzero(row)) for row in missing]
    out["reason"] = [f"no complete {name}" if name else None for name in names]
    return out.rename_axis(MONTH).reset_index()
