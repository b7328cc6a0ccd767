"""Hourly counts of an invented town: permanents with their own patterns, short counts, faults on request."""

from __future__ import annotations

import numpy as np
import pandas as pd

DAYS = pd.date_range("2025-01-01", "2025-12-31", unit="us")


def shape(morning: float, evening: float, noon: float) -> np.ndarray:
    """Return the shares of 24 hours: three humps on a low night."""
    hour = np.arange(24)
    day = 0.15 + morning * np.exp(-(((hour - 7.5) / 1.3) ** 2))
    day += evening * np.exp(-(((hour - 16.8) / 1.7) ** 2)) + noon * np.exp(
        -(((hour - 13) / 4.0) ** 2)
    )
    return day / day.sum()


def year_of_days(rng: np.random.Generator) -> np.ndarray:
    """Return the town's factor of each day: week, season, weather with a memory."""
    week = np.array([1.02, 1.05, 1.05, 1.06, 1.08, 0.85, 0.7])[DAYS.day_of_week]
    season = 1 + 0.1 * np.sin(2 * np.pi * (np.arange(len(DAYS)) - 100) / 365)
    noise = np.zeros(len(DAYS))
    for i in range(1, len(DAYS)):
        noise[i] = 0.6 * noise[i - 1] + rng.normal(0, 0.02)
    return week * season * np.exp(noise)


def cells(station: str, sense: str, counts: np.ndarray, days: pd.DatetimeIndex) -> pd.DataFrame:
    """Return HOUR_CELLS of whole days: ``counts`` (days, 24)."""
    return pd.DataFrame(
        {
            "station_id": station,
            "sense": sense,
            "date": np.repeat(days.to_numpy(), 24),
            "hour": np.tile(np.arange(24), len(days)),
            "count": counts.ravel().astype(float),
            "minutes": 60.0,
            "minutes_expected": 60.0,
            "quantity": "vehicles",
        }
    )


def hourly(
    rng: np.random.Generator,
    station: str,
    flows: tuple[float, float],
    tide: float,
    town: np.ndarray,
    *,
    days: slice = slice(None),
    own: float = 0.02,
) -> dict[str, pd.DataFrame]:
    """Return the cells of both senses: ``with`` has the morning for tide > 0; weekends have none."""
    weekend = np.asarray(DAYS.day_of_week >= 5)[:, None]
    found = {}
    for sense, flow, sign in (("with", flows[0], 1), ("against", flows[1], -1)):
        work = shape(1.0 + sign * tide, 1.0 - sign * tide, 0.6)
        rest = shape(0.1, 0.4, 1.2)
        mean = flow * town[:, None] * np.where(weekend, rest, work)
        mean = mean * np.exp(rng.normal(0, own, (len(DAYS), 1)))
        counts = rng.poisson(mean)[days]
        found[sense] = cells(station, sense, counts, DAYS[days])
    return found


def permanents(rng: np.random.Generator, town: np.ndarray, n: int = 8) -> pd.DataFrame:
    """Return a year of ``n`` permanent stations P0 …"""
    parts = []
    for i in range(n):
        flow = float(rng.uniform(2000, 9000))
        tide = float(rng.uniform(-0.6, 0.6))
        parts += hourly(rng, f"P{i}", (flow, flow), tide, town).values()
    return pd.concat(parts, ignore_index=True)
