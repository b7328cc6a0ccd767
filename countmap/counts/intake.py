"""Raw counts to period counts: directions to senses, local times to UTC, doubles and overlaps out."""

from __future__ import annotations

import difflib
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from countmap import clock, tables
from countmap.counts import directions
from countmap.counts.overlaps import KEY, SERIES, fresh, overlaps
from countmap.rounding import number_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["EARLIEST", "Intake", "fresh", "overlaps", "to_periods"]

# No tube counter kept a clock before; an unset one starts in 1970 or 1980.
EARLIEST = pd.Timestamp("1985-01-01", tz="UTC")


@dataclass(frozen=True, slots=True)
class Intake:
    """What came of a file.

    ``periods`` is PERIODS, sorted; ``rejects`` REJECTS; ``notes`` are sentences on what was
    decided without refusing a row.
    """

    periods: pd.DataFrame
    rejects: pd.DataFrame
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Desk:
    """The rows at hand, which of them are still good, and what was said about the others."""

    rows: pd.DataFrame
    good: NDArray[np.bool_]
    said: list[pd.DataFrame] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def refuse(self, where: Any, column: str, value: pd.Series, why: pd.Series | str) -> None:
        """Refuse the rows ``where`` that are still good."""
        at = np.asarray(where, dtype=bool) & self.good
        if not at.any():
            return
        found = self.rows.loc[at, ["file", "row"]].assign(
            column=column,
            value=value[at].astype("str"),
            why=why[at] if isinstance(why, pd.Series) else why,
        )
        self.said.append(found)
        self.good[at] = False


def to_periods(
    raw: pd.DataFrame,
    stations: pd.DataFrame,
    tz: str,
    *,
    one_way: Mapping[str, str] | Collection[str] = (),
    today: date | None = None,
) -> Intake:
    """Turn raw counts into period counts.

    Parameters
    ----------
    raw : DataFrame
        RAW_COUNTS of one or more files; only ``file``, ``row``, ``station_id``, ``direction``,
        ``start``, ``minutes`` and ``count`` are needed.
    stations : DataFrame
        STATIONS.
    tz : str
        Zone of local times, and of the civil hours the periods are stored with.
    one_way : mapping or collection of str
        Stations on one-way roads; a mapping gives each its only sense, else it is ``with``.
    today : date, optional
        Periods after its end are refused; by default the machine's own day.

    Returns
    -------
    Intake
        Refused with their row: unknown stations; directions that are unknown or could be either
        sense; local times that clocks skip; days outside the station's validity; times before 1985
        or in the future; one period with two counts; overlapping periods; a total beside its lanes.

    Notes
    -----
    A local time that occurs twice because clocks go back is told by its order within its own
    series of its own file. Where it stands once it is read as the first pass, and noted. Rows that
    say the same thing twice are taken once, and noted.
    """
    rows = raw.reset_index(drop=True)
    for name in ("survey_id", "lane", "vehicle_class", "scheme", "quantity", "stamp", "column"):
        rows[name] = rows[name].astype("str") if name in rows else _nothing(rows)
    for name in ("speed_low_kmh", "speed_high_kmh"):
        rows[name] = rows[name].astype("float64") if name in rows else np.nan
    rows["quantity"] = rows["quantity"].fillna("vehicles")
    desk = _Desk(rows, np.ones(len(rows), dtype=bool))
    _to_senses(desk, stations, one_way)
    _to_utc(desk, tz)
    _in_window(desk, stations, tz, today or date.today())  # noqa: DTZ011  # the machine's civil day
    _once(desk)
    _apart(desk)
    _lanes_without_total(desk)
    return _finished(desk, tz)


def _nothing(rows: pd.DataFrame) -> pd.Series:
    return pd.Series([None] * len(rows), dtype="str", index=rows.index)


def _to_senses(
    desk: _Desk, stations: pd.DataFrame, one_way: Mapping[str, str] | Collection[str]
) -> None:
    rows = desk.rows
    only = dict(one_way) if isinstance(one_way, Mapping) else dict.fromkeys(one_way, "with")
    known = {str(s["station_id"]): s for s in stations.to_dict("records")}
    pairs = rows[["station_id", "direction"]].drop_duplicates()
    found = {}
    for station_id, word in pairs.itertuples(index=False):
        name, said = str(station_id), "" if pd.isna(word) else str(word)
        if name not in known:
            close = difflib.get_close_matches(name, list(known), 1)
            hint = f" (the nearest id is {close[0]})" if close else ""
            why = f"station {name!r} is unknown{hint}. Correct the id, or import the station first"
            found[station_id, word] = directions.Reading(why=why)
        else:
            found[station_id, word] = directions.read(said, known[name], only.get(name, ""))
    code, keys = _coded(rows, ["station_id", "direction"])
    readings = [found[key] for key in keys]
    sense = pd.array([r.sense or None for r in readings], dtype="str")
    why = pd.Series(pd.array([r.why or None for r in readings], dtype="str").take(code))
    rows["sense"] = sense.take(code)
    unknown = ~rows["station_id"].isin(known)
    desk.refuse(unknown, "station_id", rows["station_id"], why)
    desk.refuse(why.notna(), "direction", rows["direction"], why)
    desk.notes.extend(sorted({r.note for r in readings if r.note}))


def _coded(rows: pd.DataFrame, names: list[str]) -> tuple[NDArray[np.int64], list[Any]]:
    groups = rows.groupby(names, dropna=False, sort=False)
    code = groups.ngroup().to_numpy()
    first = rows[names].iloc[groups.head(1).index] if len(rows) else rows[names]
    return code, list(first.itertuples(index=False, name=None))


def _to_utc(desk: _Desk, tz: str) -> None:
    rows = desk.rows
    utc, local, wrong = _instants(rows["start"])
    if wrong.any():
        why = "the time " + rows["start"].astype("str") + " is not a time"
        desk.refuse(wrong, "start", rows["start"], why + ". Write it as 2025-03-04T07:15")
    at = local.notna().to_numpy()
    if at.any():
        names = [*SERIES, "minutes", "file"]
        groups = rows.groupby(names, dropna=False, sort=False).ngroup()
        located, _, impossible, single = clock.localize(local[at], tz, groups[at])
        utc = utc.where(~pd.Series(at), located.reindex(rows.index))
        _impossible(desk, np.flatnonzero(at)[impossible], local, tz)
        _single(desk, np.flatnonzero(at)[single], local)
    length = pd.to_timedelta(rows["minutes"].astype("int64"), unit="m")
    rows["start_utc"] = utc.where(rows["stamp"] != "end", utc - length).dt.as_unit("us")


def _instants(start: pd.Series) -> tuple[pd.Series, pd.Series, NDArray[np.bool_]]:
    nothing = np.zeros(len(start), dtype=bool)
    if isinstance(start.dtype, pd.DatetimeTZDtype):
        utc = start.dt.tz_convert("UTC").dt.as_unit("us")
        return utc, pd.Series(pd.NaT, index=start.index, dtype="datetime64[us]"), nothing
    if pd.api.types.is_datetime64_dtype(start.dtype):
        none = pd.Series(pd.NaT, index=start.index, dtype="datetime64[us, UTC]")
        return none, start.dt.as_unit("us"), nothing
    return clock.instants(start)


def _impossible(desk: _Desk, at: NDArray[np.int64], local: pd.Series, tz: str) -> None:
    if not len(at):
        return
    rows = desk.rows
    skipped = np.zeros(len(rows), dtype=bool)
    skipped[at] = True
    empty = skipped & rows["count"].isna().to_numpy()
    desk.good[empty] = False
    filler = skipped & (rows["count"] == 0).to_numpy() & rows["column"].notna().to_numpy()
    if (filler & desk.good).any():
        n = int((filler & desk.good).sum())
        zeros = f"{number_of(n, 'zero')} in the hour that clocks skip {_was(n)} left out"
        desk.notes.append(zeros + _first(rows[filler & desk.good]))
        desk.good[filler] = False
    why = "the local time " + _minute(local) + f" does not exist in {tz} (clocks go forward)"
    why = why + _at_station(rows) + ". Correct the row, or state the counter's zone in a layout"
    desk.refuse(skipped, "start", rows["start"], why)


def _single(desk: _Desk, at: NDArray[np.int64], local: pd.Series) -> None:
    at = at[desk.good[at]]
    if len(at):
        where = desk.rows.iloc[at]
        times = _minute(local.iloc[at])
        verbs = ("is", "stands", "was") if len(at) == 1 else ("are", "stand", "were")
        desk.notes.append(
            f"{number_of(len(at), 'time')} {verbs[0]} ambiguous because clocks go back and"
            f" {verbs[1]} only once, and {verbs[2]} read as the first pass"
            f" (first: {where['file'].iloc[0]}:{where['row'].iloc[0]},"
            f" station {where['station_id'].iloc[0]}, {times.iloc[0]})"
        )


def _was(number: int) -> str:
    return "was" if number == 1 else "were"


def _first(rows: pd.DataFrame) -> str:
    """Return where the first of some rows stands: `` (first: counts.csv:3)``."""
    first = rows.sort_values(["file", "row"], kind="stable").iloc[0]
    return f" (first: {first['file']}:{first['row']})"


def _minute(times: pd.Series) -> pd.Series:
    return times.dt.strftime("%Y-%m-%d %H:%M").astype("str")


def _at_station(rows: pd.DataFrame) -> pd.Series:
    return " (station " + rows["station_id"].astype("str") + ")"


def _where(rows: pd.DataFrame) -> pd.Series:
    """Return ``(station S012, 2025-03-04 07:15)`` for each row, the time as the file has it."""
    start = rows["start"]
    text = start.astype("str") if pd.api.types.is_string_dtype(start) else _minute(start)
    return " (station " + rows["station_id"].astype("str") + ", " + text.str.replace("T", " ") + ")"


def _in_window(desk: _Desk, stations: pd.DataFrame, tz: str, today: date) -> None:
    rows = desk.rows
    utc = rows["start_utc"]
    end = utc + pd.to_timedelta(rows["minutes"].astype("int64"), unit="m")
    tomorrow = (pd.Timestamp(today) + pd.Timedelta(days=1)).tz_localize(tz)
    early, late = (utc < EARLIEST).to_numpy(), (end > tomorrow).to_numpy()
    advice = ": the counter's clock was probably wrong. Correct the times"
    if early.any():
        why = "the time lies before 1985" + _where(rows) + advice
        desk.refuse(early, "start", rows["start"], why)
    if late.any():
        why = f"the time lies in the future, today is {today}" + _where(rows) + advice
        desk.refuse(late, "start", rows["start"], why)
    bounds = stations.set_index("station_id")
    day = utc.dt.tz_convert(tz).dt.tz_localize(None).dt.normalize()
    outside = np.zeros(len(rows), dtype=bool)
    for name in ("valid_from", "valid_to"):
        if name in bounds and bounds[name].notna().any():
            limit = rows["station_id"].map(bounds[name])
            beyond = day < limit if name == "valid_from" else day > limit
            outside |= beyond.to_numpy()
    if (outside & desk.good).any():
        span = {
            str(s): _validity(bounds.loc[s]) for s in set(rows["station_id"][outside & desk.good])
        }
        why = (
            "the day lies outside the validity of its station"
            + _where(rows)
            + ", "
            + rows["station_id"].map(span).astype("str")
            + ". Correct the row, or the station's dates"
        )
        desk.refuse(outside, "start", rows["start"], why)


def _validity(station: pd.Series) -> str:
    said = []
    for word, name in (("from", "valid_from"), ("to", "valid_to")):
        if pd.notna(station.get(name)):
            said.append(f"{word} {pd.Timestamp(station[name]).date()}")
    return "valid " + " ".join(said)


def _once(desk: _Desk) -> None:
    """Take what is said twice once; refuse a period with two different counts."""
    rows = desk.rows[desk.good]
    twice = rows.duplicated(KEY, keep=False)
    if not twice.any():
        return
    doubled = rows[twice]
    group = doubled.groupby(KEY, dropna=False, sort=False)
    count = doubled["count"].fillna(-1)
    number = group.ngroup()
    differs = count.groupby(number).transform("min") != count.groupby(number).transform("max")
    same_again = doubled[~differs & (group.cumcount() > 0)]
    if len(same_again):
        n = len(same_again)
        desk.notes.append(
            f"{number_of(n, 'row')} {'says' if n == 1 else 'say'} again what another row says;"
            f" one of each was taken{_first(same_again)}"
        )
        desk.good[same_again.index] = False
    apart = doubled[differs]
    if len(apart):
        _contradictions(desk, apart, number[differs])


def _contradictions(desk: _Desk, apart: pd.DataFrame, number: pd.Series) -> None:
    said = apart["count"].map(lambda c: "missing" if pd.isna(c) else f"{c:g}").astype("str")
    place = apart["file"] + ":" + apart["row"].astype("str")
    both = pd.DataFrame({"count": said, "place": place, "number": number})
    first = both.groupby("number").transform("first")
    last = both.groupby("number").transform("last")
    own_first = both["place"] == first["place"]
    other_count = last["count"].where(own_first, first["count"])
    other_place = last["place"].where(own_first, first["place"])
    why = "count " + said + " contradicts count " + other_count + " in " + other_place
    why = why + " for the same period" + _where(apart) + ". Keep one of them"
    at = np.zeros(len(desk.rows), dtype=bool)
    at[apart.index] = True
    desk.refuse(at, "count", desk.rows["count"], why.reindex(desk.rows.index))


def _apart(desk: _Desk) -> None:
    """Refuse a period that begins before an earlier one of its series has ended."""
    rows = desk.rows[desk.good]
    code = rows.groupby(SERIES, dropna=False, sort=False).ngroup().to_numpy()
    start = rows["start_utc"].astype("int64").to_numpy() // 60_000_000
    length = rows["minutes"].to_numpy().astype("int64")
    order = np.lexsort((-length, start, code))
    series, begin, end = code[order], start[order], (start + length)[order]
    # Series laid end to end on one axis, so that one running maximum serves all of them.
    span = int(end.max() - begin.min() + 1) if len(end) else 1
    shift = series * span - (begin.min() if len(begin) else 0)
    reach = np.maximum.accumulate(end + shift) if len(end) else end
    within = np.zeros(len(order), dtype=bool)
    within[1:] = (begin + shift)[1:] < reach[:-1]
    if not within.any():
        return
    # The earlier period: the one that set the running maximum.
    sets = np.concatenate([[True], (end + shift)[1:] > reach[:-1]])
    holder = np.maximum.accumulate(np.where(sets, np.arange(len(order)), 0))
    at = np.flatnonzero(within)
    late, earlier = rows.iloc[order[at]], rows.iloc[order[holder[at - 1]]]
    why = pd.Series(
        [
            f"the period of {m} min overlaps that of {n} min in {f}:{r}{w}. Keep one of them"
            for m, n, f, r, w in zip(
                late["minutes"],
                earlier["minutes"],
                earlier["file"],
                earlier["row"],
                _where(late),
                strict=True,
            )
        ],
        index=late.index,
    )
    mask = np.zeros(len(desk.rows), dtype=bool)
    mask[late.index] = True
    desk.refuse(mask, "start", desk.rows["start"], why.reindex(desk.rows.index))


def _lanes_without_total(desk: _Desk) -> None:
    """Refuse a total that stands beside its own lanes: lanes are summed, so it would count twice."""
    rows = desk.rows[desk.good]
    whole = rows["lane"].isna()
    if whole.all() or not whole.any():
        return
    period = ["station_id", "sense", "quantity", "start_utc"]
    parts = rows.loc[~whole, period].drop_duplicates()
    beside = rows[whole].reset_index().merge(parts, on=period)["index"]
    mask = np.zeros(len(desk.rows), dtype=bool)
    mask[beside.to_numpy(dtype=np.int64)] = True
    if mask.any():
        why = "the total stands beside its lanes and would count twice" + _where(desk.rows)
        desk.refuse(mask, "lane", desk.rows["count"], why + ". Leave one of them out")


def _finished(desk: _Desk, tz: str) -> Intake:
    rows = desk.rows[desk.good]
    periods = rows.assign(utc_offset_min=clock.offsets_min(rows["start_utc"], tz))
    periods = periods[list(tables.PERIODS.names)].astype(
        {"minutes": "int64", "count": "float64", "sense": "str", "station_id": "str"}
    )
    periods = periods.sort_values([*SERIES, "start_utc"], ignore_index=True)
    broken = rows[rows["count"] % 1 > 0]
    if n := len(broken):
        said = "count is not a whole number" if n == 1 else "counts are not whole numbers"
        desk.notes.append(f"{n:,} {said}{_first(broken)}. Check the decimal mark")
    return Intake(periods, _rejects(desk.said), tuple(desk.notes))


def _rejects(said: list[pd.DataFrame]) -> pd.DataFrame:
    empty = tables.empty(tables.REJECTS)
    frame = pd.concat([empty, *said], ignore_index=True) if said else empty
    frame = frame.sort_values(["file", "row"], kind="stable", ignore_index=True)
    return frame.astype({"row": "int64", "why": "str", "value": "str", "column": "str"})
