"""What the annual estimate reads and writes: frozen records, and the frames made ready."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Literal

import numpy as np
import pandas as pd

from countmap import tables
from countmap.annual import continuous, expand, factors
from countmap.annual.pool import day_number

Key = tuple[str, str]
Rows = dict[Key, dict[str, Any]]


@dataclass(frozen=True)
class AnnualSettings:
    """How annual averages are estimated.

    Attributes
    ----------
    method : {'matched', 'textbook'}
        Same dates at the permanents, or month × weekday shares.
    estimator : {'fhwa', 'aashto'}
        For permanent stations.
    shares : {'month_weekday', 'separate', 'week'}, optional
        Shares: one for each weekday of each month; a month's times a weekday's; a week's times a
        weekday's. By default the first for the textbook method, the last where no date is matched.
    level : float
        Of the intervals, 0..1.
    count_error : float
        Standard error of a count as a share, where a station has none of its own. 0.02 is this
        project's default for tubes.
    one_way : mapping
        Station id → its only sense.
    axles_per_vehicle : mapping
        Station id → axles per vehicle, for counts of axles and axle pairs.
    min_permanents : int
        With fewer permanent stations no short count is adjusted (at least 3).
    min_hours : int
        A short count of fewer hours is not adjusted.
    """

    method: Literal["matched", "textbook"] = "matched"
    estimator: Literal["fhwa", "aashto"] = "fhwa"
    shares: factors.Form | None = None
    level: float = 0.95
    count_error: float = 0.02
    one_way: Mapping[str, str] = field(default_factory=dict)
    axles_per_vehicle: Mapping[str, float] = field(default_factory=dict)
    min_permanents: int = 3
    min_hours: int = 12


@dataclass(frozen=True)
class AnnualInputs:
    """Everything `estimate` reads.

    Attributes
    ----------
    hour_cells, day_totals, stations : DataFrame
        HOUR_CELLS, DAY_TOTALS (of as many years as there are) and STATIONS with ``kind``; stations
        may carry ``group``, the factor group of a permanent or short station, and ``road_class``.
    year : int
        The year wanted.
    holidays : mapping of date to name
    days : DataFrame, optional
        DAYS: closures and events are left out, school terms are noted.
    count_error : mapping
        Station id → standard error of its counts as a share.
    other_years : DataFrame, optional
        ANNUAL rows of permanent stations from elsewhere, for growth.
    distance : DataFrame, optional
        Metres along the network, stations (index) × permanents (columns).
    """

    hour_cells: pd.DataFrame
    day_totals: pd.DataFrame
    stations: pd.DataFrame
    year: int
    holidays: Mapping[date, str] = field(default_factory=dict)
    days: pd.DataFrame | None = None
    count_error: Mapping[str, float] = field(default_factory=dict)
    other_years: pd.DataFrame | None = None
    distance: pd.DataFrame | None = None
    settings: AnnualSettings = field(default_factory=AnnualSettings)


@dataclass(frozen=True)
class Work:
    """The inputs made ready: vehicles only, days numbered, `both` summed where a file has it not.

    ``groups`` holds the factor group of every permanent that has one and of what the user gave one.
    """

    inputs: AnnualInputs
    hours: pd.DataFrame
    days: pd.DataFrame
    permanents: frozenset[str]
    refused: Mapping[str, str]
    averages: pd.DataFrame
    gaps: Mapping[tuple[str, str, int], str]
    holidays: Mapping[int, str]
    groups: Mapping[str, str] = field(default_factory=dict)

    @property
    def settings(self) -> AnnualSettings:
        """Return the inputs' settings."""
        return self.inputs.settings

    @property
    def form(self) -> factors.Form:
        """Return the form of the shares."""
        textbook = self.settings.method == "textbook"
        return self.settings.shares or ("month_weekday" if textbook else factors.FALLBACK)

    def count_error(self, station: str) -> float:
        """Return the standard error of a station's counts as a share."""
        return float(self.inputs.count_error.get(station, self.settings.count_error))


def prepare(inputs: AnnualInputs) -> Work:
    """Make the frames ready and average every permanent station in every year."""
    settings = inputs.settings
    per_vehicle = dict(settings.axles_per_vehicle)
    hours, refused = expand.to_vehicles(inputs.hour_cells, per_vehicle)
    days, also = expand.to_vehicles(inputs.day_totals, per_vehicle)
    hours, days = _with_totals(hours, ["date", "hour"]), _with_totals(days, ["date"])
    kind = inputs.stations.set_index("station_id").get("kind")
    permanents = [] if kind is None else [str(s) for s in kind.index[kind.eq("permanent")]]
    averages, gaps = _averages(
        hours[hours["station_id"].isin(permanents)],
        days[days["station_id"].isin(permanents)],
        settings.estimator,
    )
    holidays = {day_number(str(day)): name for day, name in inputs.holidays.items()}
    return Work(
        inputs,
        _numbered(hours),
        _numbered(days),
        frozenset(permanents),
        refused | also,
        averages,
        gaps,
        holidays,
    )


def _averages(
    hours: pd.DataFrame, days: pd.DataFrame, estimator: str
) -> tuple[pd.DataFrame, dict[tuple[str, str, int], str]]:
    """Return the permanents' averages of all years with ``method``, and why others have none.

    A series without hours cannot have the FHWA average; it gets the AASHTO average of its days.
    """
    found = [continuous.aashto(days).assign(method="aashto")]
    if estimator == "fhwa":
        found.insert(0, continuous.fhwa_hourly(hours).assign(method="fhwa"))
    every = pd.concat(found, ignore_index=True)
    known = every.dropna(subset="aadt").drop_duplicates(continuous.SERIES, ignore_index=True)
    named = every.dropna(subset="reason").drop_duplicates(continuous.SERIES)
    gaps = {
        (str(row.station_id), str(row.sense), int(row.year)): str(row.reason)
        for row in named.itertuples(index=False)
    }
    return known, gaps


def _with_totals(cells: pd.DataFrame, time: list[str]) -> pd.DataFrame:
    """Add the sense `both` to stations that have none, where both senses are complete."""
    have = set(cells.loc[cells["sense"] == "both", "station_id"])
    rest = cells.loc[~cells["station_id"].isin(have), ["station_id", "sense", *time, "count"]]
    two = rest.groupby("station_id")["sense"].nunique()
    rest = rest[rest["station_id"].isin(two.index[two == 2])]
    if rest.empty:
        return cells
    keys = ["station_id", *time]
    total = rest.groupby(keys)["count"].agg(["sum", "count"]).reset_index()
    total["count"] = total["sum"].where(total["count"] == 2)
    return pd.concat([cells, total.drop(columns="sum").assign(sense="both")], ignore_index=True)


def _numbered(frame: pd.DataFrame) -> pd.DataFrame:
    day = frame["date"].to_numpy().astype("datetime64[D]").astype(np.int64)
    return frame.assign(day=day)


def blank(key: Key, year: int, **more: Any) -> dict[str, Any]:
    """Return a row of ANNUAL, `unadjusted` and empty but for ``more``."""
    row: dict[str, Any] = dict.fromkeys(tables.ANNUAL.names)
    row |= {"station_id": key[0], "sense": key[1], "year": year, "status": "unadjusted"}
    return row | more
