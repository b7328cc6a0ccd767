"""Zones, civil days, clock changes and calendars: the only place that knows about local time."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import pandas as pd

from countmap.errors import InvalidInput

if TYPE_CHECKING:
    from numpy.typing import NDArray

DAY_MIN = 1440
# ASCII classes only: pandas leaves the fast matcher for \s, and \d takes digits of any script.
_ISO = r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}(?::[0-9]{2}(?:\.[0-9]{1,6})?)?"
_OFFSET = r" ?(?:Z|z|[+-][0-9]{2}(?::?[0-9]{2})?)"


def zone(name: str) -> ZoneInfo:
    """Return the time zone called ``name``.

    Raises
    ------
    InvalidInput
        If there is no such zone in the tz database.
    """
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, IsADirectoryError) as error:
        raise InvalidInput(
            f"time zone {name!r} is unknown; use a tz database name such as Europe/Berlin"
        ) from error


def localize(
    local: pd.Series, tz: str, groups: pd.Series | None = None
) -> tuple[pd.Series, NDArray[np.int64], NDArray[np.bool_], NDArray[np.bool_]]:
    """Turn naive local times into UTC, resolving the repeated hour by order.

    Parameters
    ----------
    local : Series of datetime64, naive
        In file order.
    tz : str
        Zone of the counter.
    groups : Series, optional
        Times are put in order within each group (one station, direction, lane, class …).

    Returns
    -------
    utc : Series of datetime64[us, UTC]
        NaT where the local time does not exist.
    offset_min : int array
        Local minus UTC, minutes; 0 where ``utc`` is NaT.
    impossible : bool array
        The local time was skipped when clocks went forward.
    first_pass : bool array
        A repeated local time that occurs once in its group: read as the first pass, and to be flagged.

    Notes
    -----
    Within a group each distinct ambiguous time is the first pass at its first appearance and the
    second pass at its second. Further appearances stay with the second pass.
    """
    zone(tz)
    naive = pd.DatetimeIndex(local).as_unit("us")
    ambiguous, skipped = _repeated(naive, tz), _skipped(naive, tz)
    first = np.ones(len(naive), dtype=bool)
    single = np.zeros(len(naive), dtype=bool)
    if ambiguous.any():
        at = np.flatnonzero(ambiguous)
        key = groups.to_numpy()[at] if groups is not None else np.zeros(len(at))
        repeated = pd.DataFrame({"key": key, "local": naive[at]})
        order = repeated.groupby(["key", "local"], sort=False).cumcount().to_numpy()
        size = repeated.groupby(["key", "local"], sort=False)["local"].transform("size").to_numpy()
        first[at] = order == 0
        single[at] = size == 1
    utc = naive.tz_localize(tz, ambiguous=first, nonexistent="NaT").tz_convert("UTC")
    offset = (naive - utc.tz_localize(None)).total_seconds().to_numpy() / 60
    offset = np.where(np.isnan(offset), 0, offset).astype(np.int64)
    return pd.Series(utc, index=local.index), offset, skipped, single


def _repeated(naive: pd.DatetimeIndex, tz: str) -> NDArray[np.bool_]:
    first = naive.tz_localize(tz, ambiguous=np.ones(len(naive), bool), nonexistent="NaT")
    second = naive.tz_localize(tz, ambiguous=np.zeros(len(naive), bool), nonexistent="NaT")
    return np.asarray((first != second) & first.notna() & second.notna())


def _skipped(naive: pd.DatetimeIndex, tz: str) -> NDArray[np.bool_]:
    located = naive.tz_localize(tz, ambiguous=np.ones(len(naive), bool), nonexistent="NaT")
    return np.asarray(located.isna() & naive.notna())


def instants(text: pd.Series) -> tuple[pd.Series, pd.Series, NDArray[np.bool_]]:
    """Read ISO 8601 times: a date and a time of day to the minute or finer.

    Parameters
    ----------
    text : Series of str
        Null and ``""`` give NaT and are not wrong.

    Returns
    -------
    utc : Series of datetime64[us, UTC]
        Where the text carries an offset, else NaT.
    local : Series of datetime64[us], naive
        Where it carries none, else NaT.
    wrong : bool array
        Text that is no such time.

    Examples
    --------
    >>> utc, local, wrong = instants(pd.Series(["2025-03-04T07:15+01:00", "2025-03-04 07:15", "x"]))
    >>> str(utc[0]), str(local[1]), wrong.tolist()
    ('2025-03-04 06:15:00+00:00', '2025-03-04 07:15:00', [False, False, True])
    """
    text = text.astype("str")
    with_offset = text.str.fullmatch(_ISO + _OFFSET).fillna(value=False).to_numpy(dtype=bool)
    shaped = with_offset | text.str.fullmatch(_ISO).fillna(value=False).to_numpy(dtype=bool)
    read = pd.to_datetime(text.where(shaped), format="ISO8601", errors="coerce", utc=True)
    stamp = read.dt.as_unit("us")
    wrong = stamp.isna().to_numpy() & ~(text.isna() | (text == "")).to_numpy(dtype=bool)
    return stamp.where(with_offset), stamp.where(~with_offset).dt.tz_localize(None), wrong


def offsets_min(utc: pd.Series, tz: str) -> NDArray[np.int64]:
    """Return local minus UTC in minutes for each instant."""
    stamps = pd.DatetimeIndex(utc)
    local = stamps.tz_convert(tz).tz_localize(None)
    return ((local - stamps.tz_localize(None)).total_seconds().to_numpy() // 60).astype(np.int64)


def day_minutes(day: date, tz: str) -> int:
    """Return the length of a civil day in minutes.

    Examples
    --------
    >>> from datetime import date
    >>> [day_minutes(date(2025, *md), "Europe/Berlin") for md in ((3, 29), (3, 30), (10, 26))]
    [1440, 1380, 1500]
    """
    here = zone(tz)
    start = datetime(day.year, day.month, day.day, tzinfo=here)
    after = day + timedelta(days=1)
    end = datetime(after.year, after.month, after.day, tzinfo=here)
    return round((end.timestamp() - start.timestamp()) / 60)


def hour_minutes(tz: str, first: date, last: date) -> pd.DataFrame:
    """Return the length of every civil hour from ``first`` to ``last``.

    Returns
    -------
    DataFrame
        ``date`` (midnight), ``hour`` 0..23, ``minutes`` (60; 120 when repeated; skipped hours absent).
    """
    start = pd.Timestamp(first).tz_localize(tz)
    end = (pd.Timestamp(last) + pd.Timedelta(days=1)).tz_localize(tz)
    quarter = pd.date_range(
        start.tz_convert("UTC"), end.tz_convert("UTC"), freq="15min", inclusive="left"
    )
    local = quarter.tz_convert(tz).tz_localize(None)
    frame = pd.DataFrame(
        {"date": local.normalize().as_unit("us"), "hour": local.hour.astype("int64")}
    )
    return frame.value_counts(sort=False).mul(15).rename("minutes").reset_index()


def public_holidays(calendar: str, years: list[int]) -> dict[date, str]:
    """Return the public holidays of a calendar such as ``DE-BY`` or ``US``.

    Raises
    ------
    InvalidInput
        If the ``holidays`` library knows no such country or subdivision.
    """
    import holidays

    if not calendar:
        return {}
    country, _, subdivision = calendar.partition("-")
    try:
        known = holidays.list_localized_countries().get(country, [])
        language = "en_US" if "en_US" in known else None
        found = holidays.country_holidays(
            country, subdiv=subdivision or None, years=years, language=language
        )
    except NotImplementedError as error:
        raise InvalidInput(
            f"holiday calendar {calendar!r} is unknown; use a code such as DE, DE-BY or US"
        ) from error
    return dict(sorted(found.items()))
