"""Counts by civil hour and day: nothing missing becomes 0, nothing counts twice."""

from __future__ import annotations

import shutil

import made_store
import numpy as np
import pandas as pd
import pytest

from countmap import tables
from countmap.errors import NotFound
from countmap.store import queries
from countmap.workspace import open_workspace

NULL = None
WINTER_DAY = "2025-01-14T23:00"  # midnight of 15 January in Berlin


@pytest.fixture(scope="module")
def template(tmp_path_factory):
    return made_store.workspace(tmp_path_factory.mktemp("template") / "w", with_roads=False).path


@pytest.fixture
def ws(tmp_path, template):
    return open_workspace(shutil.copytree(template, tmp_path / "w"))


def plain(values):
    return [None if pd.isna(v) else v for v in values]


def hours(ws, sense="with", **more):
    frame = tables.require(queries.hour_cells(ws, **more), tables.HOUR_CELLS)
    return plain(frame.loc[frame["sense"] == sense, "count"])


def days(ws, sense="with", **more):
    frame = tables.require(queries.day_totals(ws, **more), tables.DAY_TOTALS)
    return plain(frame.loc[frame["sense"] == sense, "count"])


def test_a_whole_day_of_hours(ws):
    made_store.add(ws, made_store.periods(WINTER_DAY, range(24)))
    cells = queries.hour_cells(ws)
    assert cells["hour"].tolist() == list(range(24))
    assert cells["date"].unique().tolist() == [pd.Timestamp("2025-01-15")]
    assert hours(ws) == list(range(24))
    assert days(ws) == [276.0]


def test_empty_workspaces_give_empty_frames(ws):
    for found, table in (
        (queries.hour_cells(ws), tables.HOUR_CELLS),
        (queries.day_totals(ws), tables.DAY_TOTALS),
        (queries.periods(ws), tables.PERIODS),
    ):
        assert found.empty
        assert (
            found.dtypes.astype(str).to_dict() == tables.empty(table).dtypes.astype(str).to_dict()
        )
    assert queries.conflicts(ws).empty


@pytest.mark.parametrize("missing", [NULL, "absent"])
def test_a_missing_hour_is_null_and_so_is_its_day(ws, missing):
    frame = made_store.periods(WINTER_DAY, [*range(5), NULL, *range(6, 24)])
    made_store.add(ws, frame if missing is NULL else frame.drop(index=5))
    assert hours(ws)[4:7] == [4.0, None, 6.0]
    assert days(ws) == [None]
    totals = queries.day_totals(ws)
    assert totals[["minutes", "minutes_expected"]].to_numpy().tolist() == [[1380.0, 1440.0]]


def test_an_observed_zero_stays_zero(ws):
    made_store.add(ws, made_store.periods(WINTER_DAY, [0.0] * 24))
    assert hours(ws) == [0.0] * 24
    assert days(ws) == [0.0]


def test_quarter_hours_are_summed_when_all_four_are_there(ws):
    counts = [1.0] * 96
    counts[9] = NULL
    made_store.add(ws, made_store.periods(WINTER_DAY, counts, minutes=15))
    assert hours(ws) == [4.0, 4.0, None, *[4.0] * 21]
    assert queries.hour_cells(ws)["minutes"].tolist() == [60, 60, 45, *[60] * 21]


def test_the_day_has_23_or_25_hours_when_clocks_change(ws):
    """Berlin 2025: 30 March has no hour 2, 26 October has it twice (tz database)."""
    frame = made_store.periods("2025-03-29T23:00", [10.0] * 23)
    frame.loc[frame.index > 0, "utc_offset_min"] = 120
    made_store.add(ws, frame, "spring.csv")
    frame = made_store.periods("2025-10-25T22:00", [10.0] * 25)
    frame.loc[frame.index < 3, "utc_offset_min"] = 120
    made_store.add(ws, frame, "autumn.csv")
    cells = queries.hour_cells(ws)
    spring = cells[cells["date"] == pd.Timestamp("2025-03-30")]
    assert spring["hour"].tolist() == [0, 1, *range(3, 24)]
    autumn = cells[cells["date"] == pd.Timestamp("2025-10-26")].set_index("hour")
    assert autumn.loc[2, ["count", "minutes_expected"]].tolist() == [20.0, 120.0]
    assert autumn.loc[3, "count"] == 10.0
    assert days(ws) == [230.0, 250.0]
    assert queries.day_totals(ws)["minutes_expected"].tolist() == [1380.0, 1500.0]


def test_one_pass_of_the_repeated_hour_is_not_enough(ws):
    frame = made_store.periods("2025-10-25T22:00", [10.0] * 25)
    frame.loc[frame.index < 3, "utc_offset_min"] = 120
    made_store.add(ws, frame.drop(index=2))
    assert hours(ws)[2] is None
    assert days(ws) == [None]


def test_a_day_count_fills_the_day_and_no_hour(ws):
    made_store.add(ws, made_store.periods(WINTER_DAY, [500.0], minutes=1440))
    assert days(ws) == [500.0]
    assert hours(ws) == [None] * 24


def test_two_half_days_fill_the_day(ws):
    made_store.add(ws, made_store.periods(WINTER_DAY, [300.0, 200.0], minutes=720))
    assert days(ws) == [500.0]


def test_a_count_across_midnight_belongs_to_no_day(ws):
    made_store.add(ws, made_store.periods("2025-01-15T10:00", [500.0, 501.0], minutes=1440))
    assert days(ws) == [None, None]
    assert queries.day_totals(ws)["minutes"].tolist() == [0.0, 0.0]


def test_hours_that_begin_at_half_past_are_in_no_hour(ws):
    made_store.add(ws, made_store.periods("2025-01-14T23:30", [1.0] * 24))
    assert hours(ws) == [None] * 24
    assert days(ws) == [None]


def test_a_change_of_interval_at_noon_keeps_the_day(ws):
    made_store.add(ws, made_store.periods(WINTER_DAY, [4.0] * 12), "morning.csv")
    made_store.add(ws, made_store.periods("2025-01-15T11:00", [1.0] * 48, minutes=15), "noon.csv")
    assert hours(ws) == [4.0] * 24
    assert days(ws) == [96.0]


def test_hours_and_quarters_of_one_time_count_once(ws):
    made_store.add(ws, made_store.periods(WINTER_DAY, [4.0] * 24), "hours.csv")
    made_store.add(ws, made_store.periods(WINTER_DAY, [1.0] * 96, minutes=15), "quarters.csv")
    assert hours(ws) == [4.0] * 24
    assert days(ws) == [96.0]


def test_overlapping_periods_do_not_pass_for_a_whole_hour(ws):
    frame = made_store.periods(WINTER_DAY, [1.0] * 4, minutes=15)
    frame.loc[2, "start_utc"] -= pd.Timedelta(
        "5min"
    )  # 0, 15, 25 and 45: sixty minutes, not an hour
    made_store.add(ws, frame)
    assert hours(ws)[0] is None


def test_both_is_there_where_both_senses_are_complete(ws):
    made_store.add(ws, made_store.periods(WINTER_DAY, [5.0] * 24), "with.csv")
    against = made_store.periods(WINTER_DAY, [2.0] * 7 + [NULL] + [2.0] * 16, sense="against")
    made_store.add(ws, against, "against.csv")
    cells = queries.hour_cells(ws)
    both = cells[cells["sense"] == "both"]
    assert both["hour"].tolist() == [h for h in range(24) if h != 7]
    assert both["count"].eq(7.0).all()
    assert days(ws, "both") == []
    assert days(ws, "against") == [None]


def test_both_as_the_file_says_it(ws):
    made_store.add(ws, made_store.periods(WINTER_DAY, [9.0] * 24, sense="both"))
    assert hours(ws, "both") == [9.0] * 24
    assert days(ws, "both") == [216.0]
    assert set(queries.hour_cells(ws)["sense"]) == {"both"}


def test_the_sum_of_the_senses_goes_before_a_count_of_both(ws):
    for sense, count in (("with", 5.0), ("against", 2.0), ("both", 9.0)):
        made_store.add(ws, made_store.periods(WINTER_DAY, [count] * 24, sense=sense), sense)
    assert hours(ws, "both") == [7.0] * 24


def test_vehicles_and_axles_have_no_sum(ws):
    made_store.add(ws, made_store.periods(WINTER_DAY, [5.0] * 24), "with.csv")
    against = made_store.periods(WINTER_DAY, [9.0] * 24, sense="against").assign(quantity="axles")
    made_store.add(ws, against, "against.csv")
    assert hours(ws, "both") == []
    assert days(ws, "both") == []


def test_lanes_are_summed(ws):
    made_store.add(ws, made_store.periods(WINTER_DAY, [5.0] * 24, lane="1"), "one.csv")
    made_store.add(ws, made_store.periods(WINTER_DAY, [2.0] * 24, lane="2"), "two.csv")
    assert hours(ws) == [7.0] * 24


def test_a_lane_missing_in_one_period_makes_it_null(ws):
    two = made_store.periods(WINTER_DAY, [2.0] * 24, lane="2").drop(index=3)
    frame = pd.concat([made_store.periods(WINTER_DAY, [5.0] * 48, lane="1"), two])
    made_store.add(ws, frame)
    assert hours(ws)[:5] == [7.0, 7.0, 7.0, None, 7.0]
    assert days(ws) == [None, 120.0]  # the second day never had a second lane


def test_a_total_goes_before_lanes_and_classes(ws):
    total = made_store.periods(WINTER_DAY, [10.0] * 24)
    cars = made_store.periods(WINTER_DAY, [6.0] * 24, vehicle_class="car", scheme="s")
    lorries = made_store.periods(WINTER_DAY, [3.0] * 24, vehicle_class="lorry", scheme="s")
    made_store.add(ws, pd.concat([total, cars, lorries]))
    assert hours(ws) == [10.0] * 24


def test_classes_are_summed_without_a_total_and_null_when_one_is(ws):
    cars = made_store.periods(WINTER_DAY, [6.0] * 24, vehicle_class="car", scheme="s")
    lorries = made_store.periods(
        WINTER_DAY, [3.0, NULL] + [3.0] * 22, vehicle_class="lorry", scheme="s"
    )
    made_store.add(ws, pd.concat([cars, lorries]))
    assert hours(ws)[:3] == [9.0, None, 9.0]


def test_classes_and_speeds_of_one_period_do_not_add_up_to_twice(ws):
    classes = [
        made_store.periods(WINTER_DAY, [4.0] * 24, vehicle_class=c, scheme="s") for c in "ab"
    ]
    speeds = [
        made_store.periods(WINTER_DAY, [2.0] * 24, speed_low_kmh=v) for v in (0.0, 30.0, 50.0, 70.0)
    ]
    made_store.add(ws, pd.concat([*classes, *speeds]))
    assert hours(ws) == [8.0] * 24


def test_two_files_that_agree_count_once(ws):
    made_store.add(ws, made_store.periods(WINTER_DAY, [5.0] * 24), "a.csv")
    made_store.add(ws, made_store.periods(WINTER_DAY, [5.0] * 24), "b.csv")
    assert hours(ws) == [5.0] * 24
    assert len(queries.periods(ws)) == 24
    assert queries.conflicts(ws).empty


def test_where_two_files_differ_nothing_holds_and_the_conflict_is_told(ws):
    made_store.add(ws, made_store.periods(WINTER_DAY, [5.0] * 24), "b.csv")
    made_store.add(ws, made_store.periods(WINTER_DAY, [5.0] * 23 + [8.0]), "a.csv")
    assert hours(ws) == [*[5.0] * 23, None]
    assert days(ws) == [None]
    assert plain(queries.periods(ws)["count"]) == [*[5.0] * 23, None]
    found = queries.conflicts(ws)
    assert found[
        ["station_id", "sense", "count", "file", "other_count", "other_file"]
    ].to_numpy().tolist() == [["S1", "with", 8.0, "a.csv", 5.0, "b.csv"]]
    assert found["start_utc"].tolist() == [pd.Timestamp("2025-01-15T22:00Z")]


def test_a_third_file_settles_no_dispute_and_stands_in_it(ws):
    for name, count in (("a.csv", 5.0), ("b.csv", 6.0), ("c.csv", 5.0)):
        made_store.add(ws, made_store.periods(WINTER_DAY, [count] * 24), name)
    assert hours(ws) == [None] * 24
    pairs = queries.conflicts(ws)[["file", "other_file"]].drop_duplicates()
    assert pairs.to_numpy().tolist() == [["a.csv", "b.csv"], ["b.csv", "c.csv"]]


def test_a_file_that_contradicts_itself_is_not_settled_by_another(ws):
    frame = made_store.periods(WINTER_DAY, [5.0] * 24)
    made_store.add(ws, pd.concat([frame, frame.head(1).assign(count=6.0)]), "a.csv")
    made_store.add(ws, frame, "b.csv")
    assert hours(ws) == [None, *[5.0] * 23]


def test_the_order_of_import_changes_nothing(tmp_path):
    parts = [
        made_store.periods(WINTER_DAY, [5.0] * 23 + [NULL]),
        made_store.periods(WINTER_DAY, [5.0] * 22 + [8.0, 9.0]),
        made_store.periods(WINTER_DAY, [2.0] * 96, minutes=15),
        made_store.periods(WINTER_DAY, [5.0] * 24, vehicle_class="car", scheme="s"),
        made_store.periods(WINTER_DAY, [30.0] * 24, lane="1"),
        made_store.periods(WINTER_DAY, [12.0] * 24).assign(quantity="axles"),
    ]
    found = []
    for i in range(6):
        ws = made_store.workspace(tmp_path / f"w{i}")
        for k in np.random.default_rng(i).permutation(len(parts)):
            made_store.add(ws, parts[k], f"{k}.csv")
        found.append((*queries.hours_and_days(ws), queries.periods(ws), queries.conflicts(ws)))
    for other in found[1:]:
        for one, two in zip(found[0], other, strict=True):
            pd.testing.assert_frame_equal(one, two)


def test_a_later_file_fills_what_the_first_missed(ws):
    made_store.add(ws, made_store.periods(WINTER_DAY, [5.0, NULL] + [5.0] * 22), "a.csv")
    made_store.add(ws, made_store.periods(WINTER_DAY, [NULL, 6.0]), "b.csv")
    assert hours(ws)[:3] == [5.0, 6.0, 5.0]
    assert queries.conflicts(ws).empty


def test_a_file_that_contradicts_itself_is_missing_there(ws):
    frame = made_store.periods(WINTER_DAY, [5.0] * 24)
    made_store.add(ws, pd.concat([frame, frame.head(1).assign(count=6.0), frame.tail(1)]), "a.csv")
    assert hours(ws) == [None, *[5.0] * 23]
    assert queries.conflicts(ws)[
        ["count", "file", "other_count", "other_file"]
    ].to_numpy().tolist() == [[5.0, "a.csv", 6.0, "a.csv"]]


def test_vehicles_go_before_axles(ws):
    frame = made_store.periods(WINTER_DAY, [10.0] * 24)
    made_store.add(ws, frame.assign(quantity="axles"), "axles.csv")
    made_store.add(ws, frame.assign(count=4.0).drop(index=0), "vehicles.csv")
    cells = queries.hour_cells(ws)
    assert cells["quantity"].tolist() == ["axles", *["vehicles"] * 23]
    assert plain(cells["count"])[:2] == [10.0, 4.0]
    assert hours(ws, quantity="axles") == [10.0] * 24


def flag(first, last, **more):
    return pd.DataFrame(
        {
            "flag_id": ["f"], "rule": ["zeros"], "severity": ["fail"], "station_id": ["S1"],
            "first_utc": pd.to_datetime([first], utc=True).as_unit("us"),
            "last_utc": pd.to_datetime([last], utc=True).as_unit("us"),
            "why": ["zeros"], "state": ["excluded"], **more,
        }
    )  # fmt: skip


@pytest.mark.parametrize(
    ("sense", "out"), [("with", {"with"}), ("against", {"against"}), (None, {"with", "against"})]
)
def test_an_excluded_flag_makes_its_periods_missing(ws, sense, out):
    for each in ("with", "against"):
        made_store.add(ws, made_store.periods(WINTER_DAY, [5.0] * 24, sense=each), each)
        made_store.add(
            ws, made_store.periods(WINTER_DAY, [5.0] * 24, sense=each, station="S2"), each + "2"
        )
    more = {} if sense is None else {"sense": [sense]}
    with ws.register.transaction() as writing:
        writing.put("flags", flag("2025-01-15T01:30", "2025-01-15T03:00", **more))
    cells = queries.hour_cells(ws)
    null = cells[cells["count"].isna()]
    assert set(null["station_id"]) == {"S1"}
    assert set(null["sense"]) == out
    assert sorted(set(null["hour"])) == [2, 3]  # 01:00 to 03:00 UTC, the end exclusive
    assert len(queries.periods(ws).query("count.isna()")) == 2 * len(out)
    with ws.register.transaction() as writing:
        writing.put(
            "flags", flag("2025-01-15T01:30", "2025-01-15T03:00", **more).assign(state="accepted")
        )
    assert not queries.hour_cells(ws)["count"].isna().any()


def test_a_flag_of_one_sense_excludes_a_count_of_both(ws):
    made_store.add(ws, made_store.periods(WINTER_DAY, [5.0] * 24, sense="both"))
    with ws.register.transaction() as writing:
        writing.put("flags", flag("2025-01-15T01:00", "2025-01-15T02:00", sense=["with"]))
    assert hours(ws, "both")[2] is None


def test_days_and_stations_can_be_asked_for(ws):
    for station in ("S1", "S2"):
        made_store.add(ws, made_store.periods(WINTER_DAY, [1.0] * 72, station=station), station)
    found = queries.day_totals(ws, first="2025-01-16", last="2025-01-16", stations=["S2"])
    assert found[["station_id", "count"]].to_numpy().tolist() == [["S2", 24.0]]
    assert found["date"].tolist() == [pd.Timestamp("2025-01-16")]
    assert queries.day_totals(ws, stations=["none"]).empty
    assert len(queries.periods(ws, last="2025-01-15")) == 48


def test_halves_are_summed_exactly_in_any_order(ws):
    made_store.add(
        ws, made_store.periods(WINTER_DAY, [0.1] * 96, minutes=15).assign(quantity="axle_pairs")
    )
    assert days(ws) == [9.6]  # as floats 96 × 0.1 is 9.599999999999998


def test_counts_before_1970_have_their_civil_day(ws):
    made_store.add(ws, made_store.periods("1965-06-30T23:00", range(24)))
    assert queries.day_totals(ws)["date"].tolist() == [pd.Timestamp("1965-07-01")]
    assert hours(ws) == list(range(24))


def test_periods_keep_lanes_classes_and_speeds(ws):
    frame = made_store.periods(
        WINTER_DAY, [1.0, NULL], lane="2", vehicle_class="car", scheme="s", speed_low_kmh=30.0,
        speed_high_kmh=48.28032, survey_id="V1",
    )  # fmt: skip
    made_store.add(ws, frame)
    found = tables.require(queries.periods(ws), tables.PERIODS)
    pd.testing.assert_frame_equal(
        found, frame[list(tables.PERIODS.names)], check_dtype=False, check_like=False
    )


def test_hours_and_days_are_the_two_frames(ws):
    made_store.add(ws, made_store.periods(WINTER_DAY, range(24)))
    cells, totals = queries.hours_and_days(ws)
    pd.testing.assert_frame_equal(cells, queries.hour_cells(ws))
    pd.testing.assert_frame_equal(totals, queries.day_totals(ws))


def test_a_lost_block_is_named(ws):
    made_store.add(ws, made_store.periods(WINTER_DAY, range(24)), "week 1.csv")
    block = ws.register.frame("files")["block"].iloc[0]
    (ws.path / block).unlink()
    with pytest.raises(NotFound) as caught:
        queries.day_totals(ws)
    assert str(caught.value) == (
        f"{block} is not there, the counts of week 1.csv; restore it, countmap check lists all"
    )


def test_the_order_of_rows_does_not_matter(tmp_path):
    rng = np.random.default_rng(3)
    frame = pd.concat(
        [
            made_store.periods(WINTER_DAY, rng.poisson(9, 96).astype(float), minutes=15, station=s)
            for s in ("S1", "S2")
        ]
    )
    found = []
    for i in range(2):
        ws = made_store.workspace(tmp_path / f"w{i}")
        made_store.add(ws, frame.sample(frac=1, random_state=i))
        found.append(queries.hour_cells(ws))
    pd.testing.assert_frame_equal(*found)


def test_a_file_left_out_by_decision_settles_a_conflict_and_comes_back(ws):
    made_store.add(ws, made_store.periods(WINTER_DAY, [5.0] * 24), "a.csv")
    wrong = made_store.add(ws, made_store.periods(WINTER_DAY, [6.0] * 24), "b.csv")
    with ws.register.transaction() as writing:
        decision = writing.decide("leave out", "b.csv", "wrong loop", delete={"files": [wrong]})
    assert days(ws) == [120.0]
    assert queries.conflicts(ws).empty
    ws.register.undo(decision)
    assert days(ws) == [None]
