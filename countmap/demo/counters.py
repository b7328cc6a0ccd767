"""What the counters write down: noise, stays, gaps and the planted faults that lie in counts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from countmap.demo import faults as planted
from countmap.demo import seasons
from countmap.demo.faults import Faults
from countmap.demo.sites import Site

Ints = NDArray[np.int64]
SENSES = ("with", "against")

TUBE_MISS = (0.010, 0.020)
TUBE_SCALE_SD = 0.010
LOOP_SCALE_SD = 0.003
ROUNDS = 15
HOLIDAY_ROUNDS = 2
FIRST_ROUND, LAST_ROUND = "2025-03-03", "2025-11-24"
LONGEST_STAY_DAYS = 9
TWO_DAY_STAYS = 2
CLOCK_CHANGES = ("2025-03-30", "2025-10-26")
GAPS_H = (6, 31, 74, 3)


@dataclass(frozen=True, slots=True)
class Stay:
    """One stay of a tube counter: set and collected in the middle of a day, in local time."""

    station_id: str
    survey_id: str
    counter_id: str
    started: pd.Timestamp
    ended: pd.Timestamp
    minutes: int


def stays(
    rng: np.random.Generator,
    places: tuple[Site, ...],
    faulty: frozenset[str],
    disturbed: frozenset[str],
) -> tuple[Stay, ...]:
    """Return when each short station is counted.

    Parameters
    ----------
    rng : numpy.random.Generator
    places : tuple of Site
    faulty : frozenset of str
        Stations that carry a fault keep a whole week of hours, none in which the clocks change.
    disturbed : frozenset of str
        Stations whose traffic changes while a street is closed are not counted then.
    """
    mondays = pd.date_range(FIRST_ROUND, LAST_ROUND, freq="7D", unit="us")
    weeks = _rounds(rng, mondays)
    short = [s.station_id for s in places if s.kind == "short"]
    order = [short[i] for i in rng.permutation(len(short))]
    plain = [s for s in sorted(short) if s not in faulty]
    special = [plain[i] for i in rng.permutation(len(plain))]
    brief, fine = special[:TWO_DAY_STAYS], special[TWO_DAY_STAYS]
    found = []
    for i, station in enumerate(order):
        monday = weeks[i % len(weeks)]
        days = int(rng.integers(7, LONGEST_STAY_DAYS + 1))
        begin, end = rng.integers(9 * 12 + 6, 13 * 12, 2) * 5
        weekday = int(rng.integers(0, 3))
        if station in brief:
            days, weekday = 2, 1
        avoid = [seasons.CLOSURE[:2]] if station in disturbed else []
        avoid += [(day, day) for day in CLOCK_CHANGES] if station in faulty else []
        monday = _free_week(monday, weeks, avoid)
        day = monday + pd.Timedelta(days=weekday)
        started = day + pd.Timedelta(minutes=int(begin))
        ended = day + pd.Timedelta(
            days=days, minutes=int(max(begin + 70, end) if days == 2 else end)
        )
        found.append(
            Stay(
                station,
                f"{station}-25",
                f"T{i % 4 + 1}",
                started,
                ended,
                15 if station == fine else 60,
            )
        )
    return tuple(sorted(found, key=lambda stay: stay.station_id))


def counted(rng: np.random.Generator, site: Site, true: tuple[Ints, Ints]) -> dict[str, Ints]:
    """Return what a counter makes of the true hourly flows of ``with`` and ``against``.

    Notes
    -----
    A tube misses one or two vehicles in a hundred and counts about as many twice, so its error is a
    scale of its own around 1 (1 % for a tube, 0.3 % for a loop) and luck.
    """
    tube = site.kind == "short"
    scale = 1 + float(rng.normal(0, TUBE_SCALE_SD if tube else LOOP_SCALE_SD))
    miss = float(rng.uniform(*TUBE_MISS)) if tube else 0.002
    miss = max(miss, 1 - scale)
    extra = scale - (1 - miss)
    senses = SENSES[:1] if site.one_way else SENSES
    return {
        sense: planted.kept(rng, flow, 1 - miss) + rng.poisson(flow * extra)
        for sense, flow in zip(senses, true, strict=False)
    }


def permanent_table(
    rng: np.random.Generator,
    cal: seasons.Calendar,
    readings: dict[str, dict[str, Ints]],
    found: Faults,
) -> tuple[pd.DataFrame, Faults]:
    """Return the permanent stations' year, a line a day and sense, and the faults with their dates.

    Returns
    -------
    DataFrame
        ``station_id, date, sense`` and ``h00 … h23``; the counter's clock keeps standard time
        (UTC+1) all year, so every day has 24 hours. A gap is null.
    faults
    """
    standard = (cal.hours["start_utc"] + pd.Timedelta(hours=1)).dt.tz_localize(None)
    days = standard.dt.normalize().drop_duplicates().to_numpy()
    zeros, shift = found["outage_zeros"], found["level_shift"]
    first_zero = int(rng.integers(40, 300))
    first_low = int(rng.integers(120, 250))
    dates = [str(np.datetime_as_string(day, "D")) for day in days]
    found = {
        **found,
        "outage_zeros": zeros.with_details(
            first=dates[first_zero], last=dates[first_zero + planted.OUTAGE_DAYS - 1]
        ),
        "level_shift": shift.with_details(first=dates[first_low]),
    }
    gaps = _gaps(rng, [s for s in readings if s not in (*zeros.stations, *shift.stations)])
    blocks = []
    for station, senses in readings.items():
        for sense, counts in senses.items():
            grid = counts.reshape(len(days), 24).astype(np.float64)
            if station in zeros.stations:
                grid[first_zero : first_zero + planted.OUTAGE_DAYS] = 0
            if station in shift.stations:
                low = counts[first_low * 24 :]
                grid[first_low:] = planted.kept(rng, low, 1 - planted.LEVEL_SHIFT_SHARE).reshape(
                    -1, 24
                )
            for start, hours in gaps.get(station, ()):
                grid.reshape(-1)[start : start + hours] = np.nan
            block = pd.DataFrame(grid, columns=[f"h{hour:02d}" for hour in range(24)])
            block.insert(0, "station_id", station)
            block.insert(1, "date", dates)
            block.insert(2, "sense", sense)
            blocks.append(block)
    return pd.concat(blocks, ignore_index=True), found


def short_table(
    rng: np.random.Generator,
    cal: seasons.Calendar,
    readings: dict[str, dict[str, Ints]],
    kept_stays: tuple[Stay, ...],
    found: Faults,
) -> tuple[pd.DataFrame, Faults]:
    """Return the short stations' period counts, and the faults with their dates.

    Returns
    -------
    DataFrame
        ``station_id, sense, start`` (naive local), ``minutes, count, survey_id``, by station, sense
        and time.
    faults
    """
    local = cal.hours["local"].to_numpy()
    blocks = []
    for stay in kept_stays:
        senses = _faulty(rng, stay.station_id, readings[stay.station_id], found)
        begin, end = stay.started.ceil("h"), stay.ended.floor("h")
        at = np.flatnonzero((local >= begin.to_datetime64()) & (local < end.to_datetime64()))
        if stay.station_id in found["copied_day"].stations:
            source, copy = _two_working_days(rng, cal, at)
            for counts in senses.values():
                counts[copy] = counts[source]
            found = {
                **found,
                "copied_day": found["copied_day"].with_details(
                    original=str(local[source[0]])[:10], copy=str(local[copy[0]])[:10]
                ),
            }
        shift = _clock_shift(rng, stay, found)
        if shift:
            found = {**found, "clock": found["clock"].with_details(stamps_late_min=shift)}
        for sense, counts in senses.items():
            stamps = local[at] + np.timedelta64(shift, "m")
            blocks.append(_periods(rng, stay, sense, stamps, counts[at]))
    return pd.concat(blocks, ignore_index=True), found


def _rounds(rng: np.random.Generator, mondays: pd.DatetimeIndex) -> list[pd.Timestamp]:
    """Return the Mondays of the counting rounds, spread over the season, two in holiday weeks."""
    days = seasons.calendar().days
    closed = days.loc[days["public_holiday"], "date"]
    festive = np.array(
        [((closed >= m) & (closed < m + pd.Timedelta(days=7))).any() for m in mondays]
    )
    spread = np.array_split(np.flatnonzero(~festive), ROUNDS - HOLIDAY_ROUNDS)
    chosen = [
        *rng.choice(np.flatnonzero(festive), HOLIDAY_ROUNDS, replace=False),
        *(weeks[int(rng.integers(len(weeks)))] for weeks in spread),
    ]
    return [mondays[i] for i in sorted(int(i) for i in chosen)]


def _free_week(
    monday: pd.Timestamp, weeks: list[pd.Timestamp], avoid: list[tuple[str, str]]
) -> pd.Timestamp:
    """Return ``monday``, or the next round whose stays touch no span to avoid."""
    at = weeks.index(monday)
    longest = pd.Timedelta(days=LONGEST_STAY_DAYS + 3)
    for week in [*weeks[at:], *weeks[:at]]:
        if all(
            week > pd.Timestamp(last) or week + longest < pd.Timestamp(first)
            for first, last in avoid
        ):
            return week
    raise AssertionError(f"no round is free of {avoid}")


def _gaps(rng: np.random.Generator, stations: list[str]) -> dict[str, list[tuple[int, int]]]:
    """Return ordinary gaps, a start hour and a length each, at stations without another fault."""
    chosen = rng.permutation(len(stations))[: len(GAPS_H)]
    return {
        stations[int(i)]: [(int(rng.integers(200, 8300)), hours)]
        for i, hours in zip(chosen, GAPS_H, strict=True)
    }


def _faulty(
    rng: np.random.Generator, station: str, senses: dict[str, Ints], found: Faults
) -> dict[str, Ints]:
    """Return the readings with the under-count or the swap, where the station carries one."""
    if station in found["under_count"].stations:
        share = 1 - planted.UNDER_COUNT_SHARE
        return {sense: planted.kept(rng, counts, share) for sense, counts in senses.items()}
    if station in found["swapped_directions"].stations:
        return {"with": senses["against"], "against": senses["with"]}
    return {sense: counts.copy() for sense, counts in senses.items()}


def _two_working_days(
    rng: np.random.Generator, cal: seasons.Calendar, at: Ints
) -> tuple[Ints, Ints]:
    """Return the hours of two whole working days of a stay, the earlier first."""
    day = cal.hours["day"].to_numpy()[at]
    off = cal.days["off"].to_numpy()
    whole = [int(d) for d in np.unique(day) if (day == d).sum() == 24 and not off[d]]
    first, second = sorted(whole[int(i)] for i in rng.choice(len(whole), 2, replace=False))
    return at[day == first], at[day == second]


def _clock_shift(rng: np.random.Generator, stay: Stay, found: Faults) -> int:
    if stay.station_id not in found["clock"].stations:
        return 0
    return 60 if rng.random() < 0.5 else -60


def _periods(
    rng: np.random.Generator,
    stay: Stay,
    sense: str,
    local: NDArray[np.datetime64],
    counts: Ints,
) -> pd.DataFrame:
    """Return one sense of one stay in rows, whole hours or their quarters."""
    parts = 60 // stay.minutes
    start = np.repeat(local, parts) + np.tile(
        np.arange(parts) * np.timedelta64(stay.minutes, "m"), len(local)
    )
    if parts > 1:
        counts = rng.multinomial(counts, np.full(parts, 1 / parts)).reshape(-1)
    return pd.DataFrame(
        {
            "station_id": stay.station_id,
            "sense": sense,
            "start": start,
            "minutes": stay.minutes,
            "count": counts,
            "survey_id": stay.survey_id,
        }
    )
