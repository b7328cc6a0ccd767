"""Whole days, part days and composite days from the cells of a count."""

from __future__ import annotations

from collections.abc import Collection
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from numpy.typing import NDArray

DAY_TYPES = ("weekday", "saturday", "sunday")
# Usual manual and camera counts: 07–19 and 06–22 (common practice).
USUAL_PARTS = {(7, 19): "12-hour", (6, 22): "16-hour"}
_ONE = ["station_id", "sense"]


def day_type(days: pd.Series, holidays: Collection[date] = ()) -> NDArray[np.int8]:
    """Return 0 for Monday to Friday, 1 for Saturday, 2 for Sundays and public holidays.

    Examples
    --------
    >>> from datetime import date
    >>> days = pd.Series(pd.to_datetime(["2025-05-01", "2025-05-02", "2025-05-03", "2025-05-04"]))
    >>> day_type(days, [date(2025, 5, 1)]).tolist()
    [2, 0, 1, 2]
    """
    dates = pd.DatetimeIndex(days)
    kind = np.maximum(dates.day_of_week.to_numpy() - 4, 0).astype(np.int8)
    free = dates.normalize().isin(pd.DatetimeIndex([pd.Timestamp(d) for d in holidays]))
    kind[np.asarray(free)] = 2
    return kind


def part_days(hour_cells: pd.DataFrame) -> pd.DataFrame:
    """Return the days of which one unbroken stretch of hours was counted, but not all.

    Parameters
    ----------
    hour_cells : DataFrame
        HOUR_CELLS.

    Returns
    -------
    DataFrame
        ``station_id, sense, date, first_hour, last_hour`` (exclusive), ``hours, count, quantity``
        and ``kind``: 12-hour (07–19), 16-hour (06–22) or part.
    """
    present = hour_cells[hour_cells["count"].notna()]
    found = present.groupby([*_ONE, "date"], as_index=False).agg(
        first_hour=("hour", "min"),
        last_hour=("hour", "max"),
        hours=("hour", "size"),
        count=("count", "sum"),
        quantity=("quantity", "first"),
    )
    found["last_hour"] += 1
    unbroken = found["hours"] == found["last_hour"] - found["first_hour"]
    found = found[unbroken & (found["hours"] < 23)].reset_index(drop=True)
    spans = zip(found["first_hour"], found["last_hour"], strict=True)
    found["kind"] = [USUAL_PARTS.get((int(a), int(b)), "part") for a, b in spans]
    return found


def within_validity(
    cells: pd.DataFrame, stations: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Part the cells that lie in their station's validity from those before and after it.

    Parameters
    ----------
    cells : DataFrame
        HOUR_CELLS or DAY_TOTALS.
    stations : DataFrame
        STATIONS; ``valid_from`` and ``valid_to`` (the last day) may be absent or null: no limit.

    Returns
    -------
    kept : DataFrame
        The cells within, in their order. A station that is not in ``stations`` has no limit.
    dropped : DataFrame
        ``station_id, days`` (civil days of it), ``reason``: one row a station and side.

    Examples
    --------
    >>> days = pd.to_datetime(["2025-05-01", "2025-05-02", "2025-05-03"])
    >>> cells = pd.DataFrame({"station_id": "S1", "date": days, "count": [7.0, 8.0, 9.0]})
    >>> stations = pd.DataFrame({"station_id": ["S1"], "valid_to": days[1:2]})
    >>> kept, dropped = within_validity(cells, stations)
    >>> kept["count"].tolist(), dropped.to_numpy().tolist()
    ([7.0, 8.0], [['S1', 1, 'after 2025-05-02, the last day of the station']])
    """
    known = stations.drop_duplicates("station_id").set_index("station_id")
    keep = pd.Series(data=True, index=cells.index)
    dropped = []
    for name, side, word in (
        ("valid_from", "before", "first"),
        ("valid_to", "after", "last"),
    ):
        if name not in known:
            continue
        limit = pd.to_datetime(known[name]).reindex(cells["station_id"]).set_axis(cells.index)
        beyond = (cells["date"] < limit) if side == "before" else (cells["date"] > limit)
        keep &= ~beyond
        outside = cells[beyond].assign(limit=limit[beyond])
        dropped += [
            (
                station,
                part["date"].nunique(),
                f"{side} {day:%Y-%m-%d}, the {word} day of the station",
            )
            for (station, day), part in outside.groupby(["station_id", "limit"])
        ]
    told = pd.DataFrame(sorted(dropped), columns=["station_id", "days", "reason"])
    return cells[keep].reset_index(drop=True), told


def composite(hour_cells: pd.DataFrame, holidays: Collection[date] = ()) -> pd.DataFrame:
    """Make one day of the partial first and last day of each stay.

    A counter set on Monday at 11 and collected the next Monday at 11 has counted hours 11–24 of
    the first Monday and 0–11 of the second: together a day.

    Parameters
    ----------
    hour_cells : DataFrame
        HOUR_CELLS. A stay is a run of days without a day between them left uncounted.
    holidays : collection of date
        Days that count as Sundays.

    Returns
    -------
    DataFrame
        ``station_id, sense, date`` (the first day), ``other_date`` (the last), ``split_hour`` h:
        hours h–24 come from the first day and 0–h from the last, ``count``, ``minutes`` (1440),
        ``quantity``, ``composite`` (True). Stays whose two days are not of one day type (Monday to
        Friday, Saturday, Sunday and holidays), leave an hour out, or lie on a clock change give
        no row.
    """
    columns = ["station_id", "sense", "date", "other_date", "split_hour", "count", "minutes"]
    columns += ["quantity", "composite"]
    parts = part_days(hour_cells)
    cells = hour_cells[hour_cells["count"].notna() & (hour_cells["minutes_expected"] == 60)]
    days = cells.groupby([*_ONE, "date"], as_index=False).size()
    days["stay"] = (days.groupby(_ONE)["date"].diff() != pd.Timedelta(days=1)).cumsum()
    ends = days.groupby("stay", as_index=False).agg(
        station_id=("station_id", "first"),
        sense=("sense", "first"),
        date=("date", "min"),
        other_date=("date", "max"),
    )
    first = parts[parts["last_hour"] == 24][[*_ONE, "date", "first_hour", "quantity"]]
    last = parts[parts["first_hour"] == 0][[*_ONE, "date", "last_hour", "quantity"]]
    last = last.rename(columns={"date": "other_date"})
    pairs = ends.merge(first, on=[*_ONE, "date"]).merge(last, on=[*_ONE, "other_date", "quantity"])
    alike = day_type(pairs["date"], holidays) == day_type(pairs["other_date"], holidays)
    pairs = pairs[
        alike & (pairs["date"] < pairs["other_date"]) & (pairs["last_hour"] >= pairs["first_hour"])
    ]
    if pairs.empty:
        return pd.DataFrame({name: [] for name in columns})
    pairs = pairs.assign(split_hour=pairs["first_hour"], minutes=1440.0, composite=True)
    late = cells.merge(pairs[[*_ONE, "date", "split_hour"]], on=[*_ONE, "date"])
    late = late[late["hour"] >= late["split_hour"]]
    early = cells.merge(
        pairs[[*_ONE, "date", "other_date", "split_hour"]].rename(
            columns={"date": "of", "other_date": "date"}
        ),
        on=[*_ONE, "date"],
    )
    early = early[early["hour"] < early["split_hour"]].assign(date=lambda f: f["of"])
    both = pd.concat([late, early], ignore_index=True)
    total = both.groupby([*_ONE, "date"], as_index=False).agg(
        count=("count", "sum"), hours=("hour", "nunique")
    )
    total = total[total["hours"] == 24]
    return pairs.merge(total, on=[*_ONE, "date"])[columns].reset_index(drop=True)
