"""Intake keeps every vehicle, whatever the order of the rows and however time is written."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from countmap.counts import intake

STATIONS = pd.DataFrame({"station_id": ["S1"], "bearing_deg": [0.0]})
ZONES = ["Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "UTC", "Asia/Kathmandu"]
# Days on which clocks change in one of the zones, and the days before (tz database).
CHANGES = [
    date(2025, m, d) for m, d in ((3, 9), (3, 29), (3, 30), (4, 5), (4, 6), (10, 4), (10, 5))
]
CHANGES += [date(2025, m, d) for m, d in ((10, 25), (10, 26), (11, 1), (11, 2))]


def raw(starts, minutes, counts, order):
    frame = pd.DataFrame(
        {
            "file": "c.csv",
            "row": np.arange(len(counts)) + 2,
            "station_id": "S1",
            "direction": "N",
            "start": starts,
            "minutes": minutes,
            "count": np.array(counts, dtype=float),
        }
    )
    return frame.iloc[order].reset_index(drop=True)


@given(
    st.sampled_from(ZONES),
    st.sampled_from(CHANGES) | st.dates(date(2023, 1, 2), date(2025, 12, 20)),
    st.sampled_from([15, 30, 60]),
    st.lists(st.integers(0, 500), min_size=1, max_size=120),
    st.randoms(use_true_random=False),
)
@settings(max_examples=15, deadline=None)
def test_offset_local_and_end_stamps_agree(zone, day, minutes, counts, random):
    """The same periods written with offsets in any order, or locally in order, start or end."""
    first = pd.Timestamp(day, tz=zone)
    utc = first.tz_convert("UTC") + pd.to_timedelta(np.arange(len(counts)) * minutes, unit="m")
    here = utc.tz_convert(zone)
    order = list(range(len(counts)))
    mixed = order.copy()
    random.shuffle(mixed)
    ends = (utc + pd.Timedelta(minutes=minutes)).tz_convert(zone)
    takes = [
        raw([t.isoformat() for t in here], minutes, counts, mixed),
        raw(here.tz_localize(None), minutes, counts, order),
        raw(ends.tz_localize(None), minutes, counts, order).assign(stamp="end"),
    ]
    taken = [intake.to_periods(t, STATIONS, zone, today=date(2026, 1, 1)) for t in takes]
    # A stay that begins or ends inside the repeated hour cannot be told locally; it is noted.
    told = [t for t in taken if not t.notes]
    assert taken[0] in told
    for one in told:
        assert one.rejects.empty
        assert one.periods["start_utc"].tolist() == utc.tolist()
        assert one.periods["count"].tolist() == counts
        local = one.periods["start_utc"] + pd.to_timedelta(one.periods["utc_offset_min"], unit="m")
        assert local.dt.tz_localize(None).tolist() == here.tz_localize(None).tolist()


@given(
    st.lists(st.integers(0, 99), min_size=2, max_size=40), st.integers(0, 39), st.integers(1, 40)
)
@settings(max_examples=20, deadline=None)
def test_what_is_there_and_what_is_fresh_make_the_whole(counts, begin, length):
    """Importing any part again, then the whole, leaves the whole: no row twice, none lost."""
    starts = pd.date_range("2025-03-04", periods=len(counts), freq="h", tz="UTC")
    whole = intake.to_periods(
        raw(starts, 60, counts, list(range(len(counts)))), STATIONS, "UTC", today=date(2026, 1, 1)
    ).periods
    part = whole.iloc[begin : begin + length]
    assert intake.fresh(part, whole).empty
    both = pd.concat([part, intake.fresh(whole, part)], ignore_index=True)
    both = both.sort_values("start_utc", ignore_index=True)
    pd.testing.assert_frame_equal(both, whole)
    met = intake.overlaps(whole, part)
    assert met[["rows", "same"]].to_numpy().tolist() == ([[len(part)] * 2] if len(part) else [])
