"""A clean town of Poisson counts for the checks: seasons, weekends, holidays, weather, quiet roads."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from countmap import tables

HOLIDAYS = (
    "2025-01-01",
    "2025-04-18",
    "2025-04-21",
    "2025-05-01",
    "2025-10-03",
    "2025-12-25",
    "2025-12-26",
)
WEEKDAY = np.array(
    [
        8,
        5,
        4,
        5,
        12,
        30,
        70,
        120,
        105,
        80,
        75,
        78,
        82,
        80,
        85,
        100,
        120,
        125,
        95,
        65,
        45,
        32,
        22,
        14,
    ]
)
WEEKEND = np.array(
    [18, 13, 9, 6, 6, 8, 14, 24, 40, 58, 70, 78, 80, 78, 80, 80, 78, 76, 66, 52, 40, 32, 26, 20]
)
DAYS = pd.date_range("2025-01-01", "2025-12-31", freq="D")


@dataclass(frozen=True)
class Town:
    """What ``checks.run`` takes: frames of hours, days, periods and stations."""

    hours: pd.DataFrame
    days: pd.DataFrame
    periods: pd.DataFrame
    stations: pd.DataFrame


def town(seed, *, permanent=10, short=40, weeks=(1, 2)):
    """Return a town without a fault; volumes run from 25 to 20,000 vehicles a day and sense."""
    rng = np.random.default_rng(seed)
    season = 1 + 0.12 * np.sin(2 * np.pi * (DAYS.day_of_year.to_numpy() - 100) / 365)
    weather = np.exp(rng.normal(0, 0.05, len(DAYS)))
    free = DAYS.isin(pd.DatetimeIndex(HOLIDAYS))
    level = np.where(DAYS.day_of_week == 6, 0.62, np.where(DAYS.day_of_week == 5, 0.78, 1.0))
    level = np.where(free, 0.55, level)
    weekend = (DAYS.day_of_week >= 5) | free
    cells, stations = [], []
    for n in range(permanent + short):
        name, is_permanent = f"S{n:03d}", n < permanent
        volume = float(np.exp(rng.uniform(np.log(25), np.log(20_000))))
        tide = rng.normal(0, 0.25)
        own = np.exp(rng.normal(0, 0.04, len(DAYS)))
        at = np.arange(len(DAYS)) if is_permanent else _stay(rng, weeks)
        for sense, way in (("with", 1), ("against", -1)):
            rate = _rates(volume, season * weather * own * level, weekend, way * tide)
            count = rng.poisson(rate[at]).astype(float)
            if not is_permanent:
                count[0, :11] = np.nan
                count[-1, 10:] = np.nan
            cells.append(_cells(name, sense, DAYS[at], count))
        stations.append((name, "permanent" if is_permanent else "short"))
    return finished(pd.concat(cells, ignore_index=True), stations)


def _stay(rng, weeks):
    length = 7 * int(rng.choice(weeks)) + 1
    return np.arange(length) + int(rng.integers(0, len(DAYS) - length))


def _rates(volume, level, weekend, tide):
    hour = np.arange(24)
    bend = 1 + tide * (np.exp(-((hour - 7.5) ** 2) / 4) - np.exp(-((hour - 17) ** 2) / 5))
    shape = np.where(
        weekend[:, None], WEEKEND / WEEKEND.sum(), WEEKDAY * bend / (WEEKDAY * bend).sum()
    )
    return volume * level[:, None] * shape


def _cells(name, sense, days, count):
    return pd.DataFrame(
        {
            "station_id": name,
            "sense": sense,
            "date": np.repeat(days.as_unit("us"), 24),
            "hour": np.tile(np.arange(24), len(days)),
            "count": count.ravel(),
        }
    )


def finished(cells, stations):
    """Return the town of these cells: minutes, days and periods follow from the counts."""
    present = cells["count"].notna()
    hours = cells.assign(
        minutes=np.where(present, 60.0, 0.0), minutes_expected=60.0, quantity="vehicles"
    )
    key = ["station_id", "sense", "date"]
    days = hours.groupby(key, as_index=False).agg(
        count=("count", "sum"),
        minutes=("minutes", "sum"),
        minutes_expected=("minutes_expected", "sum"),
    )
    days["count"] = days["count"].where(days["minutes"] == 1440)
    days["quantity"] = "vehicles"
    start = cells["date"] + pd.to_timedelta(cells["hour"], unit="h") - pd.Timedelta(hours=1)
    periods = cells[["station_id", "sense", "count"]].assign(
        start_utc=start.dt.tz_localize("UTC").dt.as_unit("us"),
        utc_offset_min=60,
        minutes=60,
        quantity="vehicles",
    )
    for name in ("survey_id", "lane", "vehicle_class", "scheme"):
        periods[name] = pd.Series([None] * len(periods), dtype="str")
    periods["speed_low_kmh"] = periods["speed_high_kmh"] = np.nan
    periods = periods[present][list(tables.PERIODS.names)].reset_index(drop=True)
    frame = pd.DataFrame(stations, columns=["station_id", "kind"])
    return Town(hours[list(tables.HOUR_CELLS.names)], days, periods, frame)


def with_counts(clean, change):
    """Return the town after ``change(block, station_id, sense)`` has bent a (days, 24) block."""
    cells = clean.hours[["station_id", "sense", "date", "hour", "count"]].copy()
    count = cells["count"].to_numpy().copy()
    for (station, sense), at in cells.groupby(["station_id", "sense"]).indices.items():
        block = count[at].reshape(-1, 24)
        change(block, station, sense)
        count[at] = block.ravel()
    stations = clean.stations[["station_id", "kind"]].to_numpy().tolist()
    return finished(cells.assign(count=count), stations)
