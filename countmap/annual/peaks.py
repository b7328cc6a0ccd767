"""Peak figures: the 30th hour K, directional share D, peak hour factor PHF, directional design hour.

References
----------
Transportation Research Board, *Highway Capacity Manual*: K, D, PHF and DDHV = AADT · K · D (from
memory of the book). Federal Highway Administration, *Traffic Monitoring Guide*, 2022: K30 is a figure of
continuous stations alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

RANK = 30
"""The 30th highest hour of the year: the usual design hour."""
HOURS_LEAST = 0.95
"""With a smaller share of the year's hours the rank of an hour is not known."""
QUARTERS = 4
QUARTER_MIN = 15


def directional_design_hour(aadt: float, k: float, d: float) -> float:
    """Return DDHV = AADT · K · D, vehicles an hour in the heavier sense.

    Examples
    --------
    >>> directional_design_hour(34_000, 0.08, 0.5276)
    1435.072
    """
    return float(round(aadt * k * d, 9))


def design_hours(
    hour_cells: pd.DataFrame, aadt: Mapping[str, float], year: int, rank: int = RANK
) -> pd.DataFrame:
    """Return the design hour of permanent stations: the ``rank``-th highest hour of both senses together.

    Parameters
    ----------
    hour_cells : DataFrame
        HOUR_CELLS of permanent stations; a null hour is missing. Other years are left aside.
    aadt : mapping
        Station id → AADT of `both` (of a one-way station: of its sense). Only these stations are looked at.
    year : int
    rank : int
        30 by default.

    Returns
    -------
    DataFrame
        ``station_id, year, rank, hours`` (there), ``date, hour, volume`` of that hour, ``k`` (volume over
        AADT), ``sense`` (the heavier), ``d`` (its share of the hour), ``ddhv`` (vehicles an hour in it),
        ``reason``. Null, with ``reason``, where more than a twentieth of the hours lacks; ``d`` is null
        where only totals were counted. Equal hours are taken in the order of time.
    """
    cells = hour_cells[hour_cells["date"].dt.year == year]
    size = 24 * (366 if pd.Timestamp(year, 12, 31).day_of_year == 366 else 365)
    rows = []
    groups = {str(name): part for name, part in cells.groupby("station_id", sort=True)}
    for station in sorted(aadt):
        found = _one(groups.get(station), size, rank)
        volume = found["volume"]
        k = None if volume is None or not aadt[station] else volume / aadt[station]
        rows.append({"station_id": station, "year": year, "rank": rank, **found, "k": k})
    names = ["station_id", "year", "rank", "hours", "date", "hour", "volume", "k"]
    return pd.DataFrame(rows, columns=[*names, "sense", "d", "ddhv", "reason"], dtype=object)


def _one(cells: pd.DataFrame | None, size: int, rank: int) -> dict[str, Any]:
    """Return the design hour of one station, or the reason why it has none."""
    nothing = dict.fromkeys(("hours", "date", "hour", "volume", "sense", "d", "ddhv", "reason"))
    if cells is None:
        return nothing | {"hours": 0, "reason": "no hours were counted"}
    known = cells[cells["count"].notna()]
    table = known.pivot_table(index=["date", "hour"], columns="sense", values="count")
    senses = [name for name in ("with", "against") if name in table]
    total = table["both"] if "both" in table else table[senses].sum(axis=1, min_count=len(senses))
    total = total.dropna()
    found = nothing | {"hours": len(total)}
    if len(total) < HOURS_LEAST * size:
        return found | {"reason": f"only {len(total) / size:.0%} of the year's hours"}
    ordered = total.sort_index().sort_values(ascending=False, kind="stable")
    at = ordered.index[rank - 1]
    volume = float(ordered.iloc[rank - 1])
    found |= {"date": str(at[0].date()), "hour": int(at[1]), "volume": volume}
    split = table.loc[at, senses].dropna() if len(senses) > 1 else pd.Series(dtype="float64")
    if len(split) == 2 and volume > 0:
        heavy = str(split.idxmax())
        found |= {"sense": heavy, "d": float(split[heavy]) / volume, "ddhv": float(split[heavy])}
    return found


def peak_hour(quarters: pd.Series) -> dict[str, Any] | None:
    """Return the busiest hour of quarter-hour counts and its peak hour factor.

    Parameters
    ----------
    quarters : Series
        Vehicles by quarter-hour, the index its start (timestamps, in order); a null quarter is missing.

    Returns
    -------
    dict or None
        ``start``, ``volume`` V of four quarters that follow each other, ``quarter`` the largest of them and
        ``phf`` = V / (4 · largest quarter), 0.25..1. None without an hour of four known quarters.

    Examples
    --------
    >>> start = pd.date_range("2025-05-06 17:00", periods=4, freq="15min")
    >>> found = peak_hour(pd.Series([1000.0, 1200.0, 1100.0, 1000.0], start))
    >>> found["volume"], round(found["phf"], 3)
    (4300.0, 0.896)
    """
    if quarters.empty:
        return None
    every = quarters.asfreq(f"{QUARTER_MIN}min").to_numpy(dtype=np.float64)
    if len(every) < QUARTERS:
        return None
    window = np.lib.stride_tricks.sliding_window_view(every, QUARTERS)
    volume = window.sum(axis=1)
    if not np.isfinite(volume).any() or np.nanmax(volume) <= 0:
        return None
    at = int(np.nanargmax(volume))
    most = float(window[at].max())
    start = quarters.index[0] + pd.Timedelta(minutes=QUARTER_MIN * at)
    hour = float(volume[at])
    return {"start": start, "volume": hour, "quarter": most, "phf": hour / (QUARTERS * most)}
