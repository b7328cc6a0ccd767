"""A simulated town for the annual stage: permanents and week-long short counts of known truth.

Every station is a mixture of three kinds of road (commuter, weekend, summer), answers in its own
way to the weather of the day, and has a scatter of its own. Short counts carry a count error.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from countmap.annual.inputs import AnnualInputs


@dataclass(frozen=True)
class Made:
    """Inputs of the annual stage and the true AADT by station."""

    inputs: AnnualInputs
    truth: pd.Series


WEEK = np.array(
    [
        [1.10, 1.12, 1.13, 1.12, 1.14, 0.75, 0.64],
        [0.95, 0.94, 0.95, 0.98, 1.10, 1.10, 0.98],
        [0.92, 0.90, 0.92, 0.96, 1.12, 1.16, 1.02],
    ]
)
SUMMER = np.array([-0.06, 0.05, 0.30])
COUNT_ERROR = 0.02


def town(seed, *, permanents=10, shorts=40, days=7, year=2025):
    """Return a simulated town; ``days`` is the length of each short count."""
    rng = np.random.default_rng(seed)
    date = pd.date_range(f"{year}-01-01", f"{year}-12-31").as_unit("us")
    number = permanents + shorts
    mix = rng.dirichlet([1.2, 0.8, 0.5], number)
    level = np.exp(rng.uniform(np.log(1500), np.log(20000), number))
    daily = level[:, None] * np.exp(_relative(rng, mix, date))
    hourly = _hours(rng, daily, mix, date.day_of_week.to_numpy() >= 5)
    counts = rng.poisson(hourly).astype(np.float64)
    truth, frames = {}, []
    for k in range(number):
        permanent = k < permanents
        name = f"{'P' if permanent else 'S'}{k:02d}"
        truth[name] = counts[k].sum(axis=(0, 2)).mean()
        error = 1.0 if permanent else 1 + rng.normal(0, COUNT_ERROR)
        start = 0 if permanent else int(rng.integers(0, len(date) - days + 1))
        span = slice(start, len(date) if permanent else start + days)
        frames.append(_cells(name, date[span], counts[k, :, span] * error))
    hours = pd.concat(frames, ignore_index=True)
    totals = hours.groupby(["station_id", "sense", "date"], as_index=False)["count"].sum()
    stations = pd.DataFrame({"station_id": list(truth)})
    stations["kind"] = np.where(stations["station_id"].str.startswith("P"), "permanent", "short")
    return Made(AnnualInputs(hours, totals, stations, year), pd.Series(truth))


def _relative(rng, mix, date):
    """Return ln of daily volume over level, shape (stations, days)."""
    shape = (len(mix), len(date))
    season = np.cos(2 * np.pi * (date.day_of_year.to_numpy() - 200) / 365)
    weather = np.convolve(rng.normal(0, 0.05, len(date)), [0.8, 0.5], "same")
    answer = rng.normal(1.0, 0.35, len(mix))
    slow = np.cumsum(rng.normal(0, 0.002, shape), axis=1)
    log = (mix @ np.log(WEEK))[:, date.day_of_week] + (mix @ SUMMER)[:, None] * season
    log += answer[:, None] * weather + rng.normal(0, 0.035, shape)
    return log + slow - slow.mean(axis=1, keepdims=True)


def _hours(rng, daily, mix, weekend):
    """Split days into senses and hours, shape (stations, 2, days, 24)."""
    hour = np.arange(24)

    def peak(at, width):
        return np.exp(-0.5 * ((hour - at) / width) ** 2)

    morning, evening, midday = peak(8, 1.3), peak(17, 1.7), peak(13.5, 4.0)
    out = np.zeros((len(daily), 2, daily.shape[1], 24))
    tide = rng.uniform(-0.6, 0.6, len(daily))
    for k in range(len(daily)):
        for s, sign in enumerate((1, -1)):
            commute = mix[k, 0] * ((1 + sign * tide[k]) * morning + (1 - sign * tide[k]) * evening)
            free = 0.15 * commute + midday + 0.015
            out[k, s] = np.where(weekend[:, None], free, commute + 0.8 * midday + 0.01)
        out[k] *= (daily[k] / out[k].sum(axis=(0, 2)))[None, :, None]
    return out


def _cells(name, date, counts):
    """Return HOUR_CELLS of one station from counts of shape (2, days, 24)."""
    senses = {"with": counts[0], "against": counts[1], "both": counts.sum(axis=0)}
    return pd.concat(
        [
            pd.DataFrame(
                {
                    "station_id": name,
                    "sense": sense,
                    "date": np.repeat(date, 24),
                    "hour": np.tile(np.arange(24), len(date)),
                    "count": values.ravel(),
                }
            )
            for sense, values in senses.items()
        ],
        ignore_index=True,
    )
