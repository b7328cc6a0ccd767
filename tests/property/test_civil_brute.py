"""Cells against their definition, minute by minute, with the standard library's own time zones."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import made_store
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from countmap.store import queries
from countmap.workspace import open_workspace

MINUTE = timedelta(minutes=1)
# Plain days, both clock changes, half-hour changes and an offset of 45 minutes (tz database).
STARTS = st.sampled_from(
    [
        ("Europe/Berlin", datetime(2025, 3, 29, 22, tzinfo=UTC)),
        ("Europe/Berlin", datetime(2025, 10, 25, 21, tzinfo=UTC)),
        ("Australia/Lord_Howe", datetime(2025, 4, 5, 12, tzinfo=UTC)),
        ("Asia/Kathmandu", datetime(2025, 6, 1, 18, 15, tzinfo=UTC)),
        ("America/St_Johns", datetime(1966, 6, 1, 2, 30, tzinfo=UTC)),
    ]
)
COUNTS = st.one_of(st.none(), st.integers(0, 50))
RUNS = st.lists(
    st.tuples(
        st.sampled_from([15, 30, 60, 120, 720, 1440]),  # minutes
        st.integers(0, 60),  # begins so many half hours after the start
        st.integers(1, 110),  # periods
        st.sets(st.integers(0, 109), max_size=2),  # left out
        st.sets(st.integers(0, 109), max_size=1),  # null
        st.booleans(),  # 5 minutes late
    ),
    min_size=1,
    max_size=3,
)


@pytest.fixture(scope="module")
def templates(tmp_path_factory):
    zones = ("Europe/Berlin", "Australia/Lord_Howe", "Asia/Kathmandu", "America/St_Johns")
    folder = tmp_path_factory.mktemp("templates")
    return {
        z: made_store.workspace(folder / z.replace("/", "-"), z, with_roads=False).path
        for z in zones
    }


def told(runs, start):
    """Return distinct periods as (start, minutes) → count."""
    periods = {}
    for minutes, late, number, out, null, shifted in runs:
        for i in range(min(number, 3 * 1440 // minutes)):
            begin = start + timedelta(minutes=30 * late + minutes * i + 5 * shifted)
            if i not in out and (begin, minutes) not in periods:
                periods[(begin, minutes)] = None if i in null else (i * 7 + minutes) % 50
    return periods


def whole(periods, span, longest=1440):
    """Return the sum of the shortest length that covers every minute of ``span`` exactly once."""
    first, last, every = span
    for minutes in sorted({m for _, m in periods if m <= longest}):
        inside = [
            (begin, count)
            for (begin, m), count in periods.items()
            if m == minutes and first <= begin and begin + m * MINUTE <= last + MINUTE
        ]
        covered = sorted(begin + k * MINUTE for begin, _ in inside for k in range(minutes))
        if covered == every and all(count is not None for _, count in inside):
            return float(sum(count for _, count in inside))
    return None


def spans(periods, zone, length):
    """Return the UTC minutes of every civil hour (or day) from the first period's day on."""
    here = ZoneInfo(zone)
    first = min(b for b, _ in periods).astimezone(here).date()
    last = max(b for b, _ in periods).astimezone(here).date()
    minute = datetime(first.year, first.month, first.day, tzinfo=here).astimezone(UTC)
    found = {}
    while (local := minute.astimezone(here)).date() <= last:
        key = (local.date(), local.hour) if length == "hour" else (local.date(),)
        found.setdefault(key, []).append(minute)
        minute += MINUTE
    return {key: (m[0], m[-1], m) for key, m in found.items()}


@settings(
    max_examples=20,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(where=STARTS, runs=RUNS)
def test_hours_and_days_are_what_their_minutes_say(templates, tmp_path_factory, where, runs):
    zone, start = where
    periods = told(runs, start)
    if not periods:
        return
    here = ZoneInfo(zone)
    frame = pd.DataFrame(
        [
            ("S1", "with", b, int(b.astimezone(here).utcoffset() / MINUTE), m, c, "vehicles")
            for (b, m), c in periods.items()
        ],
        columns=[
            "station_id",
            "sense",
            "start_utc",
            "utc_offset_min",
            "minutes",
            "count",
            "quantity",
        ],
    ).astype({"start_utc": "datetime64[us, UTC]", "count": "float64"})
    ws = open_workspace(shutil.copytree(templates[zone], tmp_path_factory.mktemp("run") / "w"))
    made_store.add(ws, frame)
    cells, totals = queries.hours_and_days(ws)
    dates = {b.astimezone(here).date() for b, _ in periods}

    hours = {
        key: whole(periods, span, longest=60)
        for key, span in spans(periods, zone, "hour").items()
        if key[0] in dates
    }
    found = {
        (d.date(), h): None if pd.isna(c) else c
        for d, h, c in zip(cells["date"], cells["hour"], cells["count"], strict=True)
    }
    assert found == hours

    days = {}
    for (day,), span in spans(periods, zone, "day").items():
        if day in dates:
            of_hours = [c for (d, _), c in hours.items() if d == day]
            days[day] = whole(periods, span)
            if days[day] is None and None not in of_hours:
                days[day] = sum(of_hours)
    assert {
        d.date(): None if pd.isna(c) else c
        for d, c in zip(totals["date"], totals["count"], strict=True)
    } == days
