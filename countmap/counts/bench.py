"""The counts laid out for the checks: one row a station, sense and civil day, 24 hours across."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from countmap.counts.days import day_type
from countmap.counts.overlaps import SERIES

if TYPE_CHECKING:
    from numpy.typing import NDArray

# A station without a stated kind that has this many days is judged as a permanent one.
PERMANENT_DAYS = 180


@dataclass(frozen=True, slots=True)
class Series:
    """Counts period by period, in order of series (station, sense, lane, class …) and time.

    Nulls are left out. ``code`` numbers the series, ``names`` gives each its station and sense;
    ``start`` and ``end`` are UTC, or local where only civil hours are known.
    """

    code: NDArray[np.int64]
    names: list[tuple[str, str]]
    start: pd.DatetimeIndex
    end: pd.DatetimeIndex
    count: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Bench:
    """Counts by civil hour as arrays, and the frames they come from.

    ``records`` has one row a station and sense (``both`` only where the senses are not counted
    apart): ``station_id, sense, link_id, permanent, one_way, cul_de_sac, lanes`` (of that sense; NaN:
    unknown), ``first, stop`` (its rows of the arrays). The arrays have a row for each of its days in order:
    ``kind`` its day type, ``usual`` each hour's mean over days of that type, ``declared`` whether
    a holiday, closure or event is known there, ``full`` whether every hour that the civil day has
    was counted, ``total`` the count of a full day (else NaN).
    """

    records: pd.DataFrame
    record: NDArray[np.int64]
    day: NDArray[np.datetime64]
    count: NDArray[np.float64]
    minutes: NDArray[np.float64]
    expected: NDArray[np.float64]
    kind: NDArray[np.int8]
    usual: NDArray[np.float64]
    declared: NDArray[np.bool_]
    full: NDArray[np.bool_]
    total: NDArray[np.float64]
    series: Series
    day_totals: pd.DataFrame
    periods: pd.DataFrame
    stations: pd.DataFrame
    days: pd.DataFrame

    def slices(self) -> Iterator[tuple[int, slice]]:
        """Yield each record's number and its rows."""
        for number, (first, stop) in enumerate(
            zip(self.records["first"], self.records["stop"], strict=True)
        ):
            yield number, slice(int(first), int(stop))

    def name(self, number: int) -> tuple[str, str]:
        """Return the station and the sense of a record."""
        return str(self.records["station_id"].iloc[number]), str(self.records["sense"].iloc[number])


def build(  # noqa: PLR0917  # the frames of checks.run in their order
    hour_cells: pd.DataFrame,
    day_totals: pd.DataFrame,
    periods: pd.DataFrame,
    stations: pd.DataFrame,
    links: pd.DataFrame,
    days: pd.DataFrame,
    holidays: Mapping[date, str],
) -> Bench:
    """Lay out HOUR_CELLS and the frames beside them for the checks."""
    cells = hour_cells
    both = (cells["sense"] == "both").to_numpy()
    if both.any() and not both.all():
        apart = cells.loc[~both, "station_id"].unique()
        cells = cells[~both | ~cells["station_id"].isin(apart).to_numpy()]
    station, station_ids = pd.factorize(cells["station_id"], sort=True)
    sense, senses = pd.factorize(cells["sense"], sort=True)
    dates = cells["date"].to_numpy().astype("datetime64[D]")
    pair = station.astype(np.int64) * max(len(senses), 1) + sense
    stamp = pair * 1_000_000 + dates.astype(np.int64) + 200_000
    rows, at = np.unique(stamp, return_inverse=True)
    shape = (len(rows), 24)
    count, minutes = np.full(shape, np.nan), np.zeros(shape)
    expected = np.zeros(shape)
    hour = cells["hour"].to_numpy()
    count[at, hour] = cells["count"].to_numpy()
    minutes[at, hour] = cells["minutes"].to_numpy()
    expected[at, hour] = cells["minutes_expected"].to_numpy()
    pairs, record = np.unique(rows // 1_000_000, return_inverse=True)
    day = (rows % 1_000_000 - 200_000).astype("datetime64[D]")
    kind, free = _day_kinds(day, days, holidays)
    records = pd.DataFrame(
        {
            "station_id": np.asarray(station_ids)[pairs // max(len(senses), 1)],
            "sense": np.asarray(senses)[pairs % max(len(senses), 1)],
            "first": np.searchsorted(record, np.arange(len(pairs)), "left"),
            "stop": np.searchsorted(record, np.arange(len(pairs)), "right"),
        }
    )
    records = _described(records, stations, links)
    # An hour that clocks skip is not expected.
    full = (~np.isnan(count) | (expected == 0)).all(axis=1) & (expected.sum(axis=1) > 0)
    total = np.where(full, np.nansum(count, axis=1), np.nan)
    return Bench(
        records,
        record,
        day,
        count,
        minutes,
        expected,
        kind,
        hour_means(count, record * 3 + kind),
        free | _declared(records, day, days),
        full,
        total,
        _series_of_periods(periods)
        if len(periods)
        else _series_of_hours(records, record, day, count),
        day_totals,
        periods,
        stations,
        days,
    )


def _series_of_hours(
    records: pd.DataFrame,
    record: NDArray[np.int64],
    day: NDArray[np.datetime64],
    count: NDArray[np.float64],
) -> Series:
    at, hour = np.nonzero(~np.isnan(count))
    start = pd.DatetimeIndex(day[at].astype("M8[us]") + hour.astype("m8[h]"))
    names = list(zip(records["station_id"], records["sense"], strict=True))
    return Series(record[at], names, start, start + pd.Timedelta(hours=1), count[at, hour])


def _series_of_periods(periods: pd.DataFrame) -> Series:
    periods = periods[periods["count"].notna().to_numpy()]
    code = np.zeros(len(periods), dtype=np.int64)
    for name in (*SERIES, "minutes"):
        if name in periods and not periods[name].isna().all():
            own, values = pd.factorize(periods[name], sort=True)
            code = code * (len(values) + 1) + own + 1
    stamp = periods["start_utc"].astype("int64").to_numpy()
    order = np.lexsort((stamp, code))
    code = np.unique(code, return_inverse=True)[1][order]
    periods = periods[["station_id", "sense", "start_utc", "minutes", "count"]].iloc[order]
    heads = periods.iloc[np.flatnonzero(np.diff(code, prepend=-1))]
    names = list(zip(heads["station_id"].astype(str), heads["sense"].astype(str), strict=True))
    start = pd.DatetimeIndex(periods["start_utc"])
    end = start + pd.to_timedelta(periods["minutes"].to_numpy(), unit="m")
    return Series(code, names, start, end, periods["count"].to_numpy(dtype=np.float64))


def _day_kinds(
    day: NDArray[np.datetime64], days: pd.DataFrame, holidays: Mapping[date, str]
) -> tuple[NDArray[np.int8], NDArray[np.bool_]]:
    free = set(holidays)
    everywhere = days["links"].fillna("").str.strip().eq("")
    stated = days[(days["kind"] == "public_holiday") & everywhere]
    for first, last in zip(stated["first"], stated["last"], strict=True):
        free |= {d.date() for d in pd.date_range(first, last)}
    stamps = pd.Series(day.astype("datetime64[us]"))
    is_free = np.isin(day, np.array(sorted(free), dtype="datetime64[D]"))
    return day_type(stamps, free), is_free


def _declared(
    records: pd.DataFrame, day: NDArray[np.datetime64], days: pd.DataFrame
) -> NDArray[np.bool_]:
    """Return which rows lie in a stated day that concerns their link, or every link."""
    out = np.zeros(len(day), dtype=bool)
    for stated in days.itertuples(index=False):
        inside = (day >= np.datetime64(stated.first, "D")) & (
            day <= np.datetime64(stated.last, "D")
        )
        if isinstance(stated.links, str) and stated.links.strip():
            named = set(stated.links.split())
            for a, b, link in zip(
                records["first"], records["stop"], records["link_id"], strict=True
            ):
                if link in named:
                    out[a:b] |= inside[a:b]
        else:
            out |= inside
    return out


def _described(records: pd.DataFrame, stations: pd.DataFrame, links: pd.DataFrame) -> pd.DataFrame:
    known = stations.set_index("station_id").reindex(records["station_id"])
    length = records["stop"] - records["first"]
    kind = known["kind"].to_numpy() if "kind" in known else np.full(len(records), None)
    permanent = (kind == "permanent") | (pd.isna(kind) & (length >= PERMANENT_DAYS).to_numpy())
    allowed = pd.Series("both", index=records.index)
    lanes = pd.Series(np.nan, index=records.index)
    ends = pd.Series(data=False, index=records.index)
    if len(links) and "link_id" in known:
        road = links.set_index("link_id").reindex(known["link_id"].to_numpy())
        allowed = pd.Series(road["allowed"].to_numpy(), index=records.index).fillna("both")
        if "cul_de_sac" in road:
            ends = pd.Series(road["cul_de_sac"].eq(other=True).to_numpy(), index=records.index)
        if "lanes" in road:
            lanes = pd.Series(road["lanes"].to_numpy(dtype=float), index=records.index)
    one_way = (allowed != "both").to_numpy()
    # A two-way road's lanes are those of both senses.
    of_sense = np.where(one_way | (records["sense"] == "both"), lanes, np.ceil(lanes / 2))
    link = known["link_id"].to_numpy() if "link_id" in known else None
    return records.assign(
        link_id=link,
        permanent=permanent.astype(bool),
        one_way=one_way,
        cul_de_sac=ends,
        lanes=of_sense,
    )


def hour_means(count: NDArray[np.float64], code: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return for each row the mean of each hour over the rows of the same code; NaN: none there."""
    size = int(code.max()) + 1 if len(code) else 0
    there = ~np.isnan(count)
    filled = np.where(there, count, 0.0)
    mean = np.full((size, 24), np.nan)
    for hour in range(24):
        n = np.bincount(code, weights=there[:, hour], minlength=size)
        total = np.bincount(code, weights=filled[:, hour], minlength=size)
        np.divide(total, n, out=mean[:, hour], where=n > 0)
    return mean[code]


def runs(mask: NDArray[np.bool_], breaks: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return ``(first, stop)`` of each run of true values; ``breaks`` marks where one must end.

    Examples
    --------
    >>> import numpy as np
    >>> on = np.array([True, True, True, False, True])
    >>> runs(on, np.array([False, False, True, False, False])).tolist()
    [[0, 2], [2, 3], [4, 5]]
    """
    if not len(mask):
        return np.empty((0, 2), dtype=np.int64)
    before = np.concatenate([[False], mask[:-1]])
    after = np.concatenate([mask[1:], [False]])
    broken_after = np.concatenate([breaks[1:], [True]])
    first = np.flatnonzero(mask & (~before | breaks))
    stop = np.flatnonzero(mask & (~after | broken_after)) + 1
    return np.column_stack([first, stop])
