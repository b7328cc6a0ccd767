"""When to count: windows of full normal days, and which stations stand in the same days."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from countmap import clock
from countmap.errors import InvalidInput

if TYPE_CHECKING:
    from countmap.roads.graph import Roads

WEEKEND = (5, 6)
_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class SeasonSettings:
    """What a stay needs. Hours are civil.

    ``full_days``: full normal days a stay has to yield; 6 of them, from Monday 11:00 to the next
    Monday 10:00, is what a usual week gives. ``set_hour``, ``collect_hour``: when a counter is set and
    collected. ``longest_days``: a stay is no longer than so many days. ``before_holiday``,
    ``after_holiday``: days next to a public holiday or school holiday that are not normal either
    [common practice: no weeks that touch them].
    """

    full_days: float = 6
    set_hour: float = 11
    collect_hour: float = 10
    longest_days: float = 9
    before_holiday: float = 1
    after_holiday: float = 1

    def __post_init__(self) -> None:
        if not 1 <= self.full_days <= self.longest_days:
            raise InvalidInput(
                f"plan setting season_full_days must lie between 1 and season_longest_days "
                f"({self.longest_days:g}), got {self.full_days:g}"
            )
        for name in ("set_hour", "collect_hour"):
            if not 0 <= getattr(self, name) < 24:
                raise InvalidInput(
                    f"plan setting season_{name} must lie between 0 and 24, got "
                    f"{getattr(self, name):g}"
                )


def full_days(set_at: datetime, collect_at: datetime) -> list[date]:
    """Return the civil days that lie wholly between two local times.

    A day of 23 or 25 hours is a full day all the same.

    Examples
    --------
    Monday 11:00 to the next Monday 10:00 gives six, not seven:

    >>> len(full_days(datetime(2026, 3, 2, 11), datetime(2026, 3, 9, 10)))
    6
    """
    first = set_at.date() if set_at.time() == time(0) else set_at.date() + _DAY
    found = []
    while first + _DAY <= collect_at.date():
        found.append(first)
        first += _DAY
    return found


def odd_days(
    first: date,
    last: date,
    *,
    calendar: str = "",
    days: pd.DataFrame | None = None,
    link: str = "",
    settings: SeasonSettings | None = None,
) -> dict[date, str]:
    """Return the days that are not normal, each with its reason.

    Parameters
    ----------
    first, last : date
        Inclusive; they may lie in different years.
    calendar : str
        Of public holidays, such as ``DE-BY``; empty: none.
    days : DataFrame, tables.DAYS, optional
        Rows with ``links`` count for those links only; without ``link`` for none.
    link : str
        The link that is to be counted.
    settings : SeasonSettings, optional

    Raises
    ------
    InvalidInput
        There is no such calendar.
    """
    options = settings or SeasonSettings()
    before, after = int(options.before_holiday), int(options.after_holiday)
    found: dict[date, str] = {}
    beside: dict[date, str] = {}
    edge = timedelta(days=max(before, after))
    years = list(range((first - edge).year, (last + edge).year + 1))

    def mark(begin: date, end: date, name: str, *, wide: bool) -> None:
        at = begin
        while at <= end:
            found.setdefault(at, name)
            at += _DAY
        if not wide:
            return
        for n in range(1, before + 1):
            beside.setdefault(begin - n * _DAY, f"day before {name}")
        for n in range(1, after + 1):
            beside.setdefault(end + n * _DAY, f"day after {name}")

    for at, name in clock.public_holidays(calendar, years).items():
        mark(at, at, name, wide=True)
    if days is not None:
        for row in days.sort_values(["first", "last", "kind"]).itertuples(index=False):
            links = row.links.split() if isinstance(getattr(row, "links", None), str) else []
            if links and link not in links:
                continue
            own = getattr(row, "name", None)
            said = own if isinstance(own, str) and own else str(row.kind).replace("_", " ")
            wide = row.kind in ("public_holiday", "school_holiday")
            mark(row.first.date(), row.last.date(), said, wide=wide)
    whole = beside | found
    return {at: whole[at] for at in sorted(whole) if first <= at <= last}


def windows(
    first: date,
    last: date,
    odd: Mapping[date, str],
    *,
    timezone: str,
    settings: SeasonSettings | None = None,
) -> pd.DataFrame:
    """Return the stays that yield enough full normal days.

    Parameters
    ----------
    first, last : date
        The first day a counter may be set, the last it may be collected.
    odd : mapping of date to reason
        Of :func:`odd_days`.
    timezone : str
    settings : SeasonSettings, optional

    Returns
    -------
    DataFrame
        ``set_at, collect_at`` (local), ``full_days`` (normal ones), ``weekdays`` (of them),
        ``clock_change`` (a date or null), ``why``. For every day a counter can be set (Monday to
        Friday, no public holiday) the earliest collection that yields enough; the days are whole and
        follow each other, so that no odd day lies within.

    Notes
    -----
    Odd days inside a stay would still be counted and flagged; here a stay with one is not proposed.
    """
    options = settings or SeasonSettings()
    set_time, collect_time = _clock(options.set_hour), _clock(options.collect_hour)
    rows = []
    at = first
    while at <= last:
        if at.weekday() not in WEEKEND and at not in odd:
            found = _stay(at, last, odd, options)
            if found is not None:
                end, inside = found
                change = next((d for d in inside if _changes(d, timezone)), None)
                weekdays = sum(d.weekday() not in WEEKEND for d in inside)
                rows.append(
                    (
                        datetime.combine(at, set_time),
                        datetime.combine(end, collect_time),
                        len(inside),
                        weekdays,
                        None if change is None else pd.Timestamp(change),
                        _why(inside, change),
                    )
                )
        at += _DAY
    columns = ["set_at", "collect_at", "full_days", "weekdays", "clock_change", "why"]
    frame = pd.DataFrame(rows, columns=columns)
    for name in ("set_at", "collect_at", "clock_change"):
        frame[name] = pd.to_datetime(frame[name]).astype("datetime64[us]")
    return frame


def _clock(hour: float) -> time:
    minutes = round(hour * 60)
    return time(minutes // 60, minutes % 60)


def _stay(
    at: date,
    last: date,
    odd: Mapping[date, str],
    options: SeasonSettings,
) -> tuple[date, list[date]] | None:
    """Return the earliest day of collection that yields enough, and the full days; None without."""
    set_time, collect_time = _clock(options.set_hour), _clock(options.collect_hour)
    end = at + _DAY
    while end <= last and (end - at).days <= options.longest_days:
        inside = full_days(datetime.combine(at, set_time), datetime.combine(end, collect_time))
        if any(d in odd for d in inside):
            return None
        collectable = end.weekday() not in WEEKEND and end not in odd
        if collectable and len(inside) >= options.full_days:
            return end, inside
        end += _DAY
    return None


def _changes(day: date, timezone: str) -> bool:
    return clock.day_minutes(day, timezone) != clock.DAY_MIN


def _why(inside: list[date], change: date | None) -> str:
    said = f"{len(inside)} full normal days, {inside[0]:%a %d %b} to {inside[-1]:%a %d %b %Y}"
    return said if change is None else f"{said}; clocks change on {change:%a %d %b}"


def together(
    roads: Roads,
    junctions: pd.DataFrame,
    stations: pd.DataFrame,
    crossings: Mapping[str, Sequence[str]] | None = None,
) -> pd.DataFrame:
    """Return which stations are counted in the same days: those of one junction or screenline.

    Parameters
    ----------
    roads : Roads
    junctions : tables.JUNCTIONS
    stations : DataFrame
        ``station_id, link_id``.
    crossings : mapping of name to link ids, optional
        The links each screenline or corridor takes in.

    Returns
    -------
    DataFrame
        ``station_id, group, why``: stations of one group are set and collected on the same days.
        Stations alone have a group of their own.

    Notes
    -----
    Groups that share a station are one. A group is named after the first of its stations.
    """
    ends = roads.links[["link_id", "from_node", "to_node"]]
    cluster = junctions.set_index("node_id")["junction_id"]
    placed = stations[["station_id", "link_id"]].dropna().merge(ends, on="link_id")
    kind = junctions.drop_duplicates("junction_id").set_index("junction_id")["kind"]
    sets: list[tuple[str, list[str]]] = []
    rows = pd.concat(
        [
            placed[["station_id"]].assign(junction=placed[side].map(cluster))
            for side in ("from_node", "to_node")
        ]
    )
    rows = rows[rows["junction"].map(kind).eq("junction")]
    for junction, inside in rows.sort_values("station_id").groupby("junction")["station_id"]:
        members = list(dict.fromkeys(inside))
        if len(members) > 1:
            sets.append((f"junction {junction}", members))
    for name, links in sorted((crossings or {}).items()):
        members = sorted(placed.loc[placed["link_id"].isin(list(links)), "station_id"])
        if len(members) > 1:
            sets.append((name, members))
    names = sorted(stations["station_id"])
    at = {s: i for i, s in enumerate(names)}
    root = np.arange(len(names))

    def find(i: int) -> int:
        while root[i] != i:
            i = int(root[i])
        return i

    why: dict[str, list[str]] = {}
    for said, members in sets:
        for one in members:
            a, b = sorted((find(at[members[0]]), find(at[one])))
            root[b] = a
            why.setdefault(one, []).append(said)
    return pd.DataFrame(
        {
            "station_id": names,
            "group": [names[find(i)] for i in range(len(names))],
            "why": ["; ".join(why.get(s, [])) or "alone" for s in names],
        }
    )
