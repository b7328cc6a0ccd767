"""Hourly counts laid on one line of civil hours, so that stations can be compared hour by hour."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

DAY_H = 24
_FULL_MIN = 60


@dataclass(frozen=True, eq=False)
class Timeline:
    """Hour values by (station, sense): the first hour and the values from there, NaN where missing.

    Hours are civil hours since 1970-01-01 00:00, 24 a day; the hour that occurs twice is halved.
    """

    series: dict[tuple[str, str], tuple[int, Floats]]

    def at(self, key: tuple[str, str], hours: NDArray[np.int64]) -> Floats:
        """Return the values at ``hours``, NaN outside the record."""
        first, values = self.series[key]
        place = hours - first
        inside = (place >= 0) & (place < len(values))
        found = np.full(len(hours), np.nan)
        found[inside] = values[place[inside]]
        return found

    def hours(self, key: tuple[str, str]) -> NDArray[np.int64]:
        """Return the hours with a value."""
        first, values = self.series[key]
        return np.flatnonzero(np.isfinite(values)).astype(np.int64) + first

    def senses(self, station: str) -> list[str]:
        """Return the senses of a station: its two, else ``both``."""
        two = [s for s in ("with", "against") if (station, s) in self.series]
        return two or [s for s in ("both",) if (station, s) in self.series]

    def stations(self) -> list[str]:
        """Return the stations in the order of text."""
        return sorted({station for station, _ in self.series})


def timeline(hour_cells: pd.DataFrame) -> Timeline:
    """Lay hour cells on the line of hours; a cell that is not whole is missing.

    Parameters
    ----------
    hour_cells : DataFrame
        ``tables.HOUR_CELLS``, any order.
    """
    rows = hour_cells.loc[hour_cells["count"].notna()]
    if rows.empty:
        return Timeline({})
    day = (rows["date"].to_numpy().astype("datetime64[D]") - np.datetime64("1970-01-01")).astype(
        int
    )
    hour = day * DAY_H + rows["hour"].to_numpy()
    expected = (
        rows["minutes_expected"].to_numpy(dtype=float) if "minutes_expected" in rows else _FULL_MIN
    )
    value = rows["count"].to_numpy(dtype=float) * _FULL_MIN / np.maximum(expected, 1.0)
    frame = pd.DataFrame(
        {
            "station_id": rows["station_id"].to_numpy(),
            "sense": rows["sense"].to_numpy(),
            "hour": hour,
            "value": value,
        }
    )
    found: dict[tuple[str, str], tuple[int, Floats]] = {}
    for (station, sense), part in frame.groupby(["station_id", "sense"]):
        at = part["hour"].to_numpy()
        first = int(at.min())
        values = np.full(int(at.max()) - first + 1, np.nan)
        values[at - first] = part["value"].to_numpy()
        found[str(station), str(sense)] = (first, values)
    return Timeline(found)


def weekday(hours: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the weekday of each hour, Monday 0.

    Examples
    --------
    >>> weekday(np.array([0, 23, 24, 4 * 24])).tolist()
    [3, 3, 4, 0]
    """
    return (hours // DAY_H + 3) % 7


def date_of(hour: int) -> str:
    """Return the civil date of an hour, ISO."""
    return str(np.datetime64(int(hour) // DAY_H, "D"))


def visits(
    hours: NDArray[np.int64], *, gap_days: int = 7, long_days: int = 45
) -> list[NDArray[np.int64]]:
    """Split hours into visits: by gaps of a week and more, and long records by calendar month."""
    if not len(hours):
        return []
    breaks = np.flatnonzero(np.diff(hours) > gap_days * DAY_H) + 1
    found: list[NDArray[np.int64]] = []
    for part in np.split(hours, breaks):
        if part[-1] - part[0] <= long_days * DAY_H:
            found.append(part)
            continue
        month = (part // DAY_H).astype("datetime64[D]").astype("datetime64[M]").astype(int)
        found.extend(np.split(part, np.flatnonzero(np.diff(month)) + 1))
    return found


def weekday_profile(line: Timeline, key: tuple[str, str]) -> tuple[Floats, float] | None:
    """Return the median weekday count of each hour (24) and the days it rests on; null if incomplete."""
    if key not in line.series:
        return None
    hours = line.hours(key)
    hours = hours[weekday(hours) < 5]
    values = line.at(key, hours)
    cells = [values[hours % DAY_H == h] for h in range(DAY_H)]
    if min(map(len, cells)) == 0:
        return None
    return np.array([float(np.median(c)) for c in cells]), float(np.mean([len(c) for c in cells]))
