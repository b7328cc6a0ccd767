"""What a survey's week says: averages by hour, peaks, the heavy share, the 85th percentile speed.

Everything here is arithmetic on what was counted at one station; nothing is filled or expanded.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from countmap.counts.periods import percentile_from_bins
from countmap.tables import BASES

WORKDAYS = (0, 1, 2, 3, 4)
ALL_DAYS = (0, 1, 2, 3, 4, 5, 6)
NOON = 12


@dataclass(frozen=True, slots=True)
class Peak:
    """The busiest clock hour of one half of an average day.

    ``hour`` and ``volume`` are None, with a ``reason``, where an hour of that half is not known.
    """

    sense: str
    half: str
    hour: int | None
    volume: float | None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Share:
    """A share or a speed by sense; ``value`` is None with a ``reason`` where there is none.

    ``of`` is the number of vehicles it rests on, ``beside`` those that could not be told.
    """

    sense: str
    value: float | None
    of: float
    beside: float = 0.0
    reason: str = ""


def mean_by_hour(
    hour_cells: pd.DataFrame, weekdays: Collection[int] = ALL_DAYS, *, every: bool = True
) -> pd.DataFrame:
    """Return the average day of a station, hour by hour.

    Parameters
    ----------
    hour_cells : DataFrame, tables.HOUR_CELLS
        Of one station; every hour of a day that exists has a row in one sense at least.
    weekdays : collection of int
        Monday is 0. Each weighs the same, however often it was counted.
    every : bool
        False: the weekdays that were counted at an hour are enough for it.

    Returns
    -------
    DataFrame
        Index ``hour`` 0..23, a column for each sense that was counted. Null where one of the
        weekdays has no count at that hour; with ``every`` false, where none has.

    Notes
    -----
    First the mean of each weekday, then the mean of the weekdays: a Monday counted twice, or half of
    one Monday and half of the next, weighs as one day. The repeated hour when clocks go back holds
    120 minutes and enters as half; the hour that is skipped in spring asks nothing of its weekday.
    """
    cells = hour_cells.assign(weekday=hour_cells["date"].dt.day_of_week)
    cells = cells[cells["weekday"].isin(list(weekdays))]
    cells = cells.assign(rate=cells["count"] * 60.0 / cells["minutes_expected"])
    senses = [s for s in BASES if s in set(hour_cells["sense"])]
    out = pd.DataFrame(index=pd.RangeIndex(24, name="hour"))
    table = {"index": "hour", "columns": "weekday"}
    # Sense both has rows only where both senses are complete: what exists is told by any sense.
    exists = cells.pivot_table(values="date", aggfunc="count", **table)
    exists = exists.reindex(index=out.index, columns=list(weekdays)).fillna(0)
    skipped = (exists == 0) & (exists.sum(axis=0) > 0)
    for sense in senses:
        here = cells[cells["sense"] == sense]
        days = here.pivot_table(values="rate", aggfunc="mean", **table)
        days = days.reindex(index=out.index, columns=list(weekdays))
        whole = (days.notna() | skipped).all(axis=1)
        out[sense] = days.mean(axis=1).where(whole | (not every))
    return out


def day_mean(by_hour: pd.DataFrame) -> pd.Series:
    """Return the average day of each sense: the sum of its 24 hours, null while one is null."""
    return by_hour.sum(axis=0, skipna=False)


def whole_days(hour_cells: pd.DataFrame, weekdays: Collection[int] = ALL_DAYS) -> pd.DataFrame:
    """Return the sums of the days that were counted through, a row a sense.

    Parameters
    ----------
    hour_cells : DataFrame, tables.HOUR_CELLS
        Of one station; every hour of a day that exists has a row in one sense at least.

    Returns
    -------
    DataFrame
        Index sense; ``days`` counted through, and the ``mean`` of their sums: null where none was.
        Unlike `mean_by_hour` no weekday is missed and none is weighed: it is what was counted.
    """
    cells = hour_cells[hour_cells["date"].dt.day_of_week.isin(list(weekdays))]
    hours = cells.groupby("date")["hour"].nunique()
    senses = [s for s in BASES if s in set(hour_cells["sense"])]
    found = []
    for sense in senses:
        by_day = cells[cells["sense"] == sense].groupby("date")["count"]
        sums = by_day.sum()[by_day.count() == hours.reindex(by_day.count().index)]
        found.append((len(sums), float(sums.mean()) if len(sums) else np.nan))
    return pd.DataFrame(found, index=pd.Index(senses, name="sense"), columns=["days", "mean"])


def peaks(by_hour: pd.DataFrame) -> list[Peak]:
    """Return the a.m. and the p.m. peak of each sense from an average day; the earlier of equals."""
    found = []
    for sense in by_hour.columns:
        for half, hours in (("a.m.", slice(0, NOON - 1)), ("p.m.", slice(NOON, 23))):
            here = by_hour[sense].loc[hours]
            gaps = here.index[here.isna()]
            if len(gaps):
                reason = f"no count from Monday to Friday at {len(gaps)} of these 12 hours"
                found.append(Peak(sense, half, None, None, reason))
            else:
                hour = int(here.idxmax())
                found.append(Peak(sense, half, hour, float(here.loc[hour])))
    return found


def heavy_shares(
    periods: pd.DataFrame, heavy: Mapping[str, Collection[str]], default_scheme: str = ""
) -> list[Share]:
    """Return the share of heavy vehicles by sense, over the periods that were classified.

    Parameters
    ----------
    periods : DataFrame, tables.PERIODS
        Of one station; periods of which a class is missing are left out.
    heavy : mapping of scheme to class ids
        The classes that count as heavy; a scheme that is not there cannot be read.
    default_scheme : str
        Of periods that name none.
    """
    rows = _split(periods, "vehicle_class", "speed_low_kmh")
    scheme = rows["scheme"].fillna(default_scheme)
    known = scheme.isin(list(heavy))
    strange = sorted(set(scheme[~known]))
    is_heavy = np.array(
        [c in heavy.get(s, ()) for c, s in zip(rows["vehicle_class"], scheme, strict=True)], bool
    )
    told = known & (rows["vehicle_class"] != "unclassified")
    found = []
    for sense in (*[s for s in BASES[:2] if (rows["sense"] == s).any()], "both"):
        here = (rows["sense"] == sense) | (sense == "both")
        of, beside = _sum(rows, here & told), _sum(rows, here & ~told)
        if of > 0:
            found.append(Share(sense, _sum(rows, here & told & is_heavy) / of, of, beside))
        else:
            found.append(Share(sense, None, of, beside, _no_classes(rows, strange)))
    return found


def _no_classes(rows: pd.DataFrame, strange: list[str]) -> str:
    if rows.empty:
        return "vehicle classes were not counted"
    if strange == [""]:
        return "the classes name no scheme; set class_scheme in countmap.toml"
    return f"class scheme {', '.join(strange)} is not known here" if strange else "no vehicle"


def percentile_speeds(periods: pd.DataFrame, share: float = 0.85) -> list[Share]:
    """Return the speed that ``share`` of the vehicles do not exceed, by sense, km/h, from speed bins.

    Linear within its bin. None where bins overlap or leave a gap, or where the speed lies in a bin
    without an upper end.
    """
    rows = _split(periods, "speed_high_kmh", "vehicle_class", "speed_low_kmh")
    found = []
    for sense in (*[s for s in BASES[:2] if (rows["sense"] == s).any()], "both"):
        here = rows[(rows["sense"] == sense) | (sense == "both")]
        of = float(here["count"].sum())
        if here.empty or of <= 0:
            found.append(Share(sense, None, 0.0, reason="speeds were not counted"))
            continue
        value, reason = _percentile(here, share)
        found.append(Share(sense, value, of, reason=reason))
    return found


def _percentile(rows: pd.DataFrame, share: float) -> tuple[float | None, str]:
    low = rows["speed_low_kmh"].fillna(0.0)
    high = rows["speed_high_kmh"].fillna(np.inf)
    bins = rows["count"].groupby([low.rename("low"), high.rename("high")]).sum().reset_index()
    if (bins["low"].to_numpy()[1:] != bins["high"].to_numpy()[:-1]).any():
        return None, "the speed bins overlap or leave a gap"
    edges = np.append(bins["low"].to_numpy(), bins["high"].to_numpy()[-1])
    closed = bins["count"].to_numpy()[:-1].sum()
    if np.isinf(edges[-1]) and closed < share * bins["count"].sum():
        return None, f"it lies above {edges[-2]:g} km/h, in a bin without an upper end"
    edges = np.where(np.isinf(edges), edges[-2] if len(edges) > 1 else 0.0, edges)
    return percentile_from_bins(edges, bins["count"], share), ""


def _split(periods: pd.DataFrame, by: str, other: str, also: str = "") -> pd.DataFrame:
    """Return the rows that split a period by one column, whole periods alone.

    A period may be told by class, by speed and by both: the table by the one alone is taken, the
    cross table where there is no other. Sense ``both`` is left out where a file tells the senses.
    """
    has = periods[by].notna() | (periods[also].notna() if also else False)
    rows = periods[has]
    alone = rows[rows[other].isna()]
    rows = alone if len(alone) else rows
    if set(rows["sense"]) - {"both"}:
        rows = rows[rows["sense"] != "both"]
    key = [rows["sense"], rows["start_utc"], rows["minutes"]]
    whole = rows["count"].notna().groupby(key).transform("all")
    return rows[whole] if len(rows) else rows


def _sum(rows: pd.DataFrame, mask: pd.Series) -> float:
    return float(rows.loc[mask, "count"].sum())
