"""When people travel: purposes by hour, weekday, season, holiday and weather of the year 2025."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from countmap import clock

YEAR = 2025
TIMEZONE = "Europe/Berlin"
HOLIDAYS = "DE"
Floats = NDArray[np.float64]

SCHOOL_HOLIDAYS = (
    ("2025-01-01", "2025-01-05", "Christmas holidays"),
    ("2025-02-03", "2025-02-08", "Winter holidays"),
    ("2025-04-14", "2025-04-26", "Easter holidays"),
    ("2025-07-07", "2025-08-16", "Summer holidays"),
    ("2025-10-13", "2025-10-25", "Autumn holidays"),
    ("2025-12-22", "2025-12-31", "Christmas holidays"),
)
EVENT = ("2025-06-27", "2025-06-29", "Wennet Quay Days")
CLOSURE = ("2025-05-12", "2025-05-23", "Anchor Street: new drains")
CLOSED_STREET = "Anchor Street"

# Purpose and whether the trip leaves home or comes back: each has its own hours of the day.
MOVES = (
    "commute_out", "commute_back", "school_out", "school_back", "shopping_out", "shopping_back",
    "leisure_out", "leisure_back", "freight", "through",
)  # fmt: skip
PURPOSES = ("commute", "school", "shopping", "leisure", "freight", "through")
PURPOSE_OF_MOVE = (0, 0, 1, 1, 2, 2, 3, 3, 4, 5)

# Humps of the day: (centre hour, width in hours, weight), for working days and for days off.
_WORKDAY_HUMPS = {
    "commute_out": ((7.2, 0.9, 0.72), (9.0, 1.6, 0.14), (13.6, 1.2, 0.10), (21.3, 0.8, 0.04)),
    "commute_back": ((16.7, 1.2, 0.66), (13.2, 1.6, 0.16), (19.0, 1.6, 0.10), (6.0, 0.7, 0.04), (22.2, 0.7, 0.04)),
    "school_out": ((7.5, 0.60, 0.80), (13.5, 1.2, 0.20)),
    "school_back": ((8.0, 0.6, 0.35), (13.1, 0.9, 0.35), (15.6, 0.8, 0.30)),
    "shopping_out": ((10.0, 1.6, 0.50), (15.8, 2.0, 0.50)),
    "shopping_back": ((11.4, 1.6, 0.46), (17.2, 1.9, 0.54)),
    "leisure_out": ((18.4, 1.7, 0.55), (14.5, 2.0, 0.30), (10.0, 1.6, 0.15)),
    "leisure_back": ((21.5, 1.6, 0.55), (17.5, 2.0, 0.30), (12.5, 1.8, 0.15)),
    "freight": ((9.5, 2.6, 0.62), (14.5, 2.2, 0.34), (3.5, 2.0, 0.04)),
    "through": ((8.2, 2.0, 0.28), (16.4, 2.4, 0.42), (12.2, 2.6, 0.25), (21.5, 2.4, 0.05)),
}  # fmt: skip
_DAY_OFF_HUMPS = {
    "commute_out": ((6.6, 1.2, 0.50), (13.0, 1.4, 0.32), (21.0, 1.0, 0.18)),
    "commute_back": ((14.2, 1.4, 0.50), (18.5, 1.8, 0.32), (22.3, 0.9, 0.18)),
    "school_out": ((9.5, 1.2, 1.0),),
    "school_back": ((12.5, 1.4, 1.0),),
    "shopping_out": ((10.8, 1.7, 0.70), (15.0, 1.6, 0.30)),
    "shopping_back": ((12.3, 1.8, 0.66), (16.8, 1.6, 0.34)),
    "leisure_out": ((11.0, 2.0, 0.52), (14.6, 1.7, 0.30), (19.2, 1.4, 0.18)),
    "leisure_back": ((17.4, 2.0, 0.62), (22.6, 1.6, 0.20), (13.2, 1.5, 0.18)),
    "freight": ((9.0, 3.0, 0.7), (15.0, 3.0, 0.3)),
    "through": ((11.3, 2.4, 0.42), (16.6, 2.6, 0.50), (21.5, 2.0, 0.08)),
}

# Monday … Sunday, as a share of an ordinary working day.
_WEEKDAYS = {
    "commute": (1.0, 1.02, 1.01, 1.0, 0.92, 0.27, 0.13),
    "school": (1.0, 1.0, 1.0, 1.0, 0.97, 0.0, 0.0),
    "shopping": (0.92, 0.90, 0.94, 1.0, 1.16, 1.52, 0.17),
    "leisure": (0.74, 0.77, 0.80, 0.86, 1.10, 1.38, 1.42),
    "freight": (0.98, 1.03, 1.03, 1.02, 0.92, 0.24, 0.07),
    "through": (0.97, 0.93, 0.95, 1.02, 1.22, 0.92, 0.88),
}
_PUBLIC_HOLIDAY = {
    "commute": 0.14, "school": 0.0, "shopping": 0.12, "leisure": 1.30, "freight": 0.08, "through": 0.90,
}  # fmt: skip
_SCHOOL_HOLIDAY = {
    "commute": 0.87, "school": 0.0, "shopping": 1.04, "leisure": 1.12, "freight": 0.95, "through": 1.06,
}  # fmt: skip
# A yearly wave: its height and the day of the year on which it peaks.
_SEASON = {
    "commute": (0.035, 290), "school": (0.02, 30), "shopping": (0.05, 345), "leisure": (0.27, 200),
    "freight": (0.06, 160), "through": (0.13, 208),
}  # fmt: skip
# What a day of weather one standard deviation better than usual adds, in logs.
_WEATHER = {
    "commute": -0.012, "school": -0.03, "shopping": 0.02, "leisure": 0.10, "freight": 0.004, "through": 0.02,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Calendar:
    """The year hour by hour, in the order in which the hours passed.

    ``hours`` has one row for each of the 8,760 hours: ``start_utc``, ``local`` (naive), ``date``,
    ``hour`` (civil) and ``day`` (0 for 1 January). ``days`` has one row a civil day: ``date``,
    ``weekday`` (Monday 0), ``public_holiday``, ``school_holiday``, ``off`` (nobody works).
    """

    hours: pd.DataFrame
    days: pd.DataFrame


def calendar() -> Calendar:
    """Return the calendar of the demo's year."""
    first = pd.Timestamp(YEAR, 1, 1).tz_localize(TIMEZONE).tz_convert("UTC")
    last = pd.Timestamp(YEAR + 1, 1, 1).tz_localize(TIMEZONE).tz_convert("UTC")
    utc = pd.date_range(first, last, freq="h", inclusive="left").as_unit("us")
    local = utc.tz_convert(TIMEZONE).tz_localize(None)
    hours = pd.DataFrame(
        {
            "start_utc": utc,
            "local": local,
            "date": local.normalize(),
            "hour": np.asarray(local.hour, dtype=np.int64),
            "day": np.asarray(local.day_of_year, dtype=np.int64) - 1,
        }
    )
    dates = pd.date_range(f"{YEAR}-01-01", f"{YEAR}-12-31", freq="D", unit="us")
    closed = clock.public_holidays(HOLIDAYS, [YEAR])
    public = np.array([date(d.year, d.month, d.day) in closed for d in dates])
    school = np.zeros(len(dates), dtype=bool)
    for start, end, _ in SCHOOL_HOLIDAYS:
        school |= np.asarray((dates >= start) & (dates <= end))
    weekday = np.asarray(dates.day_of_week, dtype=np.int64)
    days = pd.DataFrame(
        {
            "date": dates,
            "weekday": weekday,
            "public_holiday": public,
            "school_holiday": school,
            "off": public | (weekday >= 5),
        }
    )
    return Calendar(hours, days)


def purpose_days(days: pd.DataFrame, rng: np.random.Generator) -> Floats:
    """Return what share of an ordinary day's trips each purpose makes on each day.

    Parameters
    ----------
    days : DataFrame
        ``Calendar.days``.
    rng : numpy.random.Generator
        Draws the weather and the days' own luck.

    Returns
    -------
    array, shape (purposes, days)
    """
    count = len(days)
    weather = _wave(rng, count, 0.7)
    snow = _snow_days(rng, count)
    weekday = days["weekday"].to_numpy()
    public = days["public_holiday"].to_numpy()
    school = days["school_holiday"].to_numpy()
    festive = (days["date"] >= f"{YEAR}-12-24").to_numpy() | (
        days["date"] <= f"{YEAR}-01-03"
    ).to_numpy()
    advent = ((days["date"] >= f"{YEAR}-11-27") & (days["date"] <= f"{YEAR}-12-23")).to_numpy()
    at = np.arange(count)
    everyone = np.exp(rng.normal(0, 0.012, count))
    factors = np.empty((len(PURPOSES), count))
    for row, purpose in enumerate(PURPOSES):
        share = np.array(_WEEKDAYS[purpose])[weekday]
        share = np.where(public, _PUBLIC_HOLIDAY[purpose], share)
        share = share * np.where(school, _SCHOOL_HOLIDAY[purpose], 1.0)
        height, peak = _SEASON[purpose]
        height *= float(np.exp(rng.normal(0, 0.15)))
        share = share * (1 + height * np.cos(2 * np.pi * (at - peak) / 365))
        if purpose in ("commute", "freight"):
            share = share * np.where(festive & ~public, 0.55, 1.0)
        if purpose == "shopping":
            share = share * np.where(advent, 1.22, 1.0)
        own = rng.normal(0, 0.015, count)
        factors[row] = share * np.exp(_WEATHER[purpose] * weather + own) * everyone * snow
    return factors


def hour_weights(cal: Calendar, by_day: Floats) -> Floats:
    """Return each move's share of an ordinary day's trips in every hour of the year.

    Parameters
    ----------
    cal : Calendar
    by_day : array, shape (purposes, days)
        From ``purpose_days``.

    Returns
    -------
    array, shape (moves, hours)
    """
    hour, day = cal.hours["hour"].to_numpy(), cal.hours["day"].to_numpy()
    off = cal.days["off"].to_numpy()[day]
    weights = np.empty((len(MOVES), len(hour)))
    for row, move in enumerate(MOVES):
        workday, day_off = _profile(_WORKDAY_HUMPS[move]), _profile(_DAY_OFF_HUMPS[move])
        profile = np.where(off, day_off[hour], workday[hour])
        weights[row] = profile * by_day[PURPOSE_OF_MOVE[row]][day]
    return weights


def event_days(days: pd.DataFrame) -> NDArray[np.bool_]:
    """Return which days the town's event takes place on."""
    return ((days["date"] >= EVENT[0]) & (days["date"] <= EVENT[1])).to_numpy()


def closed_hours(cal: Calendar) -> NDArray[np.bool_]:
    """Return in which hours the closed street is closed."""
    return ((cal.hours["date"] >= CLOSURE[0]) & (cal.hours["date"] <= CLOSURE[1])).to_numpy()


def zone_days(rng: np.random.Generator, zones: int, days: int) -> Floats:
    """Return how busy each zone is on each day beside its purposes: slow waves and the day's luck."""
    at = np.arange(days)
    height = rng.normal(0, 0.03, zones)[:, None]
    peak = rng.uniform(0, 365, zones)[:, None]
    slow = height * np.cos(2 * np.pi * (at - peak) / 365)
    quick = np.array([_wave(rng, days, 0.6) for _ in range(zones)]) * 0.022
    return np.exp(slow + quick)


def _wave(rng: np.random.Generator, count: int, memory: float) -> Floats:
    """Return a stationary first-order autoregression of unit variance."""
    steps = rng.normal(0, np.sqrt(1 - memory**2), count)
    wave = np.empty(count)
    wave[0] = rng.normal()
    for i in range(1, count):
        wave[i] = memory * wave[i - 1] + steps[i]
    return wave


def _snow_days(rng: np.random.Generator, count: int) -> Floats:
    factor = np.ones(count)
    start = int(rng.integers(8, 50))
    factor[start : start + 2] = (0.72, 0.84)
    return factor


def _profile(humps: tuple[tuple[float, float, float], ...]) -> Floats:
    """Return shares of 24 hours that sum to 1: humps that wrap round midnight, and a little always."""
    hour = np.arange(24) + 0.5
    shape = np.full(24, 0.0012)
    for centre, width, weight in humps:
        gap = (hour - centre + 12) % 24 - 12
        hump = np.exp(-0.5 * (gap / width) ** 2)
        shape += weight * hump / hump.sum()
    return shape / shape.sum()
