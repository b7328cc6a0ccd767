"""The checks: silent on clean towns, each planted fault found where it is."""

from __future__ import annotations

import time
from datetime import date

import clean_towns as towns
import numpy as np
import pandas as pd
import pytest

from countmap import tables
from countmap.counts import checks
from countmap.counts.rules import RULES, rule
from countmap.errors import InvalidInput

NONE = tables.empty(tables.LINKS), tables.empty(tables.DAYS)
HOLIDAYS = {date.fromisoformat(d): "a holiday" for d in towns.HOLIDAYS}


@pytest.fixture(scope="module")
def clean():
    return towns.town(11, permanent=5, short=12)


def run(town, settings=None, *, links=NONE[0], days=NONE[1], **options):
    flags = checks.run(
        town.hours, town.days, town.periods, town.stations, links, days, settings, **options
    )
    assert tables.offences(flags, tables.FLAGS).empty
    return flags


def only(*rules):
    """Return settings that leave out every other rule."""
    return {name: {"off": True} for name in RULES if name not in rules}


def busiest(town, kind):
    """Return the station of a kind with the most traffic a day."""
    names = town.stations.loc[town.stations["kind"] == kind, "station_id"]
    mean = town.hours[town.hours["station_id"].isin(names)].groupby("station_id")["count"].mean()
    return mean.idxmax()


def bent(town, station, change):
    """Return the town with ``change(block)`` made to both senses of a station."""
    return towns.with_counts(town, lambda b, s, _: change(b) if s == station else None)


def found(flags, rule_id):
    return flags[flags["rule"] == rule_id].reset_index(drop=True)


@pytest.mark.parametrize(
    ("seed", "known"), [(1, False), (7, True)], ids=["holidays unknown", "holidays known"]
)
def test_clean_towns_raise_at_most_a_handful(seed, known):
    """50 stations, 25 to 20,000 vehicles a day: at most two warnings, and no failure."""
    flags = run(towns.town(seed), holidays=HOLIDAYS if known else None)
    loud = flags[flags["severity"] != "note"]
    assert len(loud) <= 2, loud["why"].tolist()
    assert (flags["severity"] != "fail").all()


def test_an_outage_of_zeros(clean):
    station = busiest(clean, "short")

    def outage(block):
        block[3, 9:16] = 0

    flags = run(bent(clean, station, outage), only("zero_run"))
    flags = flags[flags["severity"] != "note"].reset_index(drop=True)
    assert flags["station_id"].tolist() == [station] * 2
    assert flags["severity"].tolist() == ["fail"] * 2
    assert flags["why"][0].startswith("7 hours of zeros from 2025-")
    assert ((flags["last_utc"] - flags["first_utc"]) == pd.Timedelta(hours=7)).all()


def test_a_long_outage_of_a_permanent_station_is_one_finding_a_sense(clean):
    station = busiest(clean, "permanent")

    def outage(block):
        block[100, 20:] = 0
        block[101:104] = 0
        block[104, :3] = 0

    flags = run(bent(clean, station, outage), only("zero_run"))
    flags = flags[flags["station_id"] == station]
    assert flags["severity"].tolist() == ["fail"] * 2
    assert flags["why"].str.startswith("79 hours of zeros").all()


def dead(*senses, station="S1"):
    week = [f"2025-03-{d:02d}" for d in range(3, 10)]
    zero = [(station, sense, day, [0] * 24) for sense in senses for day in week]
    rest = [s for s in ("with", "against") if s not in senses]
    return small([*zero, *((station, sense, day, [3] * 24) for sense in rest for day in week)])


def zeros(cells, links=NONE[0], days=NONE[1]):
    stations = pd.DataFrame({"station_id": ["S1"], "kind": ["short"], "link_id": ["l1"]})
    periods = tables.empty(tables.PERIODS)
    flags = checks.run(cells, cells, periods, stations, links, days, only("all_zero"))
    assert tables.offences(flags, tables.FLAGS).empty
    return flags


def test_a_station_that_counts_nothing_but_zeros_is_told_once():
    flags = zeros(dead("with", "against"))
    assert flags["severity"].tolist() == ["warn"]
    assert flags["sense"].isna().all()
    assert flags["why"].tolist() == [
        "every hour is zero: not one vehicle in 7 days; is the counter dead?"
    ]
    assert flags["last_utc"][0] - flags["first_utc"][0] == pd.Timedelta(days=7)
    one = dead("with", "against")
    one.loc[one.index[40], "count"] = 1.0
    assert zeros(one)["sense"].tolist() == ["against" if one["sense"][40] == "with" else "with"]


def test_one_sense_of_zeros_is_told_beside_the_other():
    flags = zeros(dead("against"))
    assert flags["sense"].tolist() == ["against"]
    assert flags["why"].tolist() == [
        (
            "every hour is zero against, while the other sense counts: not one vehicle in 7 days;"
            " is the counter dead?"
        )
    ]


def test_zeros_that_have_a_reason_are_not_told():
    cells = dead("with", "against")
    links = pd.DataFrame({"link_id": ["l1"], "allowed": ["both"], "cul_de_sac": [True]})
    assert zeros(cells, links).empty
    assert len(zeros(cells, links.assign(cul_de_sac=False))) == 1
    closed = pd.DataFrame(
        {
            "first": pd.to_datetime(["2025-03-03"]),
            "last": pd.to_datetime(["2025-03-09"]),
            "kind": ["closure"],
            "name": ["bridge works"],
            "links": ["l1"],
        }
    )
    assert zeros(cells, days=closed).empty
    assert len(zeros(cells, days=closed.assign(links="l2"))) == 1
    assert zeros(cells[(cells["date"] == cells["date"][0]) & (cells["hour"] < 6)]).empty


def test_the_hour_that_clocks_skip_is_no_zero():
    """The hour from 02:00 on 30 March does not exist in Berlin; usual traffic there is 40."""
    days = [f"2025-03-{d:02d}" for d in (9, 16, 23, 30)]
    hours = small([("S1", "with", day, [40] * 24) for day in days])
    skipped = (hours["date"] == "2025-03-30") & (hours["hour"] == 2)
    stations = pd.DataFrame({"station_id": ["S1"], "kind": ["permanent"]})

    def zeros(cells):
        return checks.run(
            cells,
            cells,
            tables.empty(tables.PERIODS),
            stations,
            *NONE,
            only("zero_run", "short_day"),
        )

    assert zeros(hours[~skipped]).empty
    outage = hours[~skipped].copy()
    outage.loc[(outage["date"] == "2025-03-30") & (outage["hour"].isin([1, 3])), "count"] = 0.0
    flags = zeros(outage)
    assert flags["why"].tolist() == [
        (
            "2 hours of zeros from 2025-03-30 01:00, where 80 vehicles are usual at those hours;"
            " chance of that 10^-35"
        )
    ]


def test_a_holiday_that_moves_stations_by_different_measures_is_a_note(clean):
    """All stations fall on that day, one of them a little more than the others."""
    station = busiest(clean, "permanent")

    def holiday(block, name, _sense):
        if len(block) == 365:
            block[162] = np.floor(block[162] * (0.42 if name == station else 0.55))

    flags = run(towns.with_counts(clean, holiday), only("day_off"))
    assert set(flags["severity"]) == {"note"}


def test_quiet_nights_are_notes_at_most(clean):
    flags = run(clean, only("zero_run"))
    assert set(flags["severity"]) <= {"note"}


def test_a_copied_day(clean):
    station = busiest(clean, "short")

    def copy(block):
        block[4] = block[3]

    flags = run(bent(clean, station, copy), only("copied"))
    assert flags["station_id"].tolist() == [station] * 2
    assert set(flags["sense"]) == {"with", "against"}
    assert flags["why"].str.startswith("24 hours from 2025-").all()
    assert flags["severity"].tolist() == ["fail"] * 2


def test_copied_days_in_a_row_are_one_finding(clean):
    station = busiest(clean, "permanent")

    def copy(block):
        block[57:64] = block[50:57]

    flags = run(bent(clean, station, copy), only("copied"))
    assert (
        flags["why"]
        .str.startswith("168 hours from 2025-02-27 00:00 equal those from 2025-02-20")
        .all()
    )
    assert len(flags) == 2


def test_six_hours_from_another_station(clean):
    """Six busy hours suffice across all stations of a town if the figures are large enough."""
    one, other = (f"S{n:03d}" for n in (0, 1))
    kept = {}

    def keep(block, station, sense):
        if (station, sense) == (one, "with"):
            block[200, 10:16] = [412, 530, 611, 702, 655, 498]
            kept["block"] = block[200, 10:16].copy()

    def copy(block, station, sense):
        if (station, sense) == (other, "against"):
            block[201, 10:16] = kept["block"]

    flags = run(towns.with_counts(towns.with_counts(clean, keep), copy), only("copied"))
    assert flags["station_id"].tolist() == [other]
    assert (
        f"6 hours from 2025-07-21 10:00 equal those from 2025-07-20 at station {one} (with)"
        in flags["why"][0]
    )


def test_a_clock_twelve_hours_off(clean):
    station = busiest(clean, "short")

    def slip(block):
        block[:] = np.roll(block.ravel(), 12).reshape(block.shape)

    flags = run(bent(clean, station, slip), only("night_share"))
    assert set(flags["station_id"]) == {station}
    assert set(flags["sense"]) == {"with", "against"}
    assert flags["why"].str.contains("the clock may be 12 hours off").all()


def test_a_clock_an_hour_off_for_three_weeks(clean):
    station = busiest(clean, "permanent")

    def slip(block):
        block[126:147] = np.roll(block[126:147].ravel(), 1).reshape(21, 24)

    flags = run(bent(clean, station, slip), only("profile"))
    assert flags["station_id"].tolist() == [station] * 2
    assert flags["severity"].tolist() == ["fail"] * 2
    assert flags["why"].str.contains("if it is an hour late: the clock may be off").all()
    assert (flags["first_utc"].dt.strftime("%Y-%m-%d") == "2025-05-06").sum() == 0
    assert flags["first_utc"].min() >= pd.Timestamp("2025-05-04", tz="UTC")


def test_identical_values(clean):
    station = busiest(clean, "short")

    def freeze(block):
        block[2, 8:17] = block[2, 8]

    flags = run(bent(clean, station, freeze), only("identical"))
    assert flags["station_id"].tolist() == [station] * 2
    assert flags["severity"].tolist() == ["fail"] * 2
    assert flags["why"].str.startswith("9 counts in a row are ").all()


@pytest.mark.parametrize("cap", [255, 999])
def test_a_plateau(clean, cap):
    station = busiest(clean, "permanent")

    def cut(block):
        block[:] = np.minimum(block, cap)

    flags = run(bent(clean, station, cut), only("plateau"))
    assert flags["station_id"].tolist() == [station] * 2
    assert flags["why"].str.contains(f"counts are exactly {cap} and none is above it").all()


def test_a_day_that_lost_half(clean):
    station = busiest(clean, "permanent")

    def lose(block):
        block[162] = np.floor(block[162] / 2)

    flags = run(bent(clean, station, lose), only("day_off"))
    loud = flags[flags["severity"] == "warn"]
    assert loud["station_id"].tolist() == [station] * 2
    assert loud["first_utc"].tolist() == [pd.Timestamp("2025-06-11T23:00Z")] * 2


def test_weather_that_moves_every_station_is_a_note(clean):
    def storm(block, _station, _sense):
        if len(block) == 365:
            block[162] = np.floor(block[162] * 0.6)

    flags = run(towns.with_counts(clean, storm), only("day_off"))
    assert set(flags["severity"]) == {"note"}


def test_gaps_of_a_permanent_station(clean):
    station = busiest(clean, "permanent")

    def gap(block):
        block[40, 5:9] = np.nan
        block[[0 + 59 + 1, 7 + 60, 14 + 60, 21 + 60, 28 + 60]] = np.nan  # the Sundays of March

    flags = run(bent(clean, station, gap), only("short_day", "weekday_missing"))
    assert set(flags["station_id"]) == {station}
    assert found(flags, "short_day")["why"].tolist() == ["the day has 20 of 24 hours"] * 2
    assert found(flags, "weekday_missing")["why"].tolist() == ["March 2025 has no full Sunday"] * 2


def test_first_and_last_days_of_a_short_count_are_no_fault_but_inner_ones_are(clean):
    assert run(clean, only("short_day")).empty
    station = busiest(clean, "short")

    def gap(block):
        block[3, 5] = np.nan

    assert len(run(bent(clean, station, gap), only("short_day"))) == 2


def test_a_split_outside_forty_to_sixty(clean):
    station = busiest(clean, "short")
    town = towns.with_counts(
        clean,
        lambda b, s, sense: b.__imul__(0.5) if (s, sense) == (station, "with") else None,
    )
    flags = run(town, only("split"))
    assert flags["station_id"].tolist() == [station]
    assert "33% of the traffic went with and 67% against on " in flags["why"][0]
    links = pd.DataFrame({"link_id": ["L"], "allowed": ["with"], "lanes": [2.0]})
    stations = town.stations.assign(
        link_id=np.where(town.stations["station_id"] == station, "L", None)
    )
    one_way = towns.Town(town.hours, town.days, town.periods, stations)
    assert run(one_way, only("split"), links=links).empty


def test_more_than_the_lanes_can_carry():
    hours = small([("S1", "with", "2025-03-04", [1900] + [100] * 23)])
    stations = pd.DataFrame({"station_id": ["S1"], "kind": ["short"], "link_id": ["L"]})
    links = pd.DataFrame({"link_id": ["L"], "allowed": ["both"], "lanes": [2.0]})
    flags = checks.run(
        hours, hours, tables.empty(tables.PERIODS), stations, links, NONE[1], only("lane_maximum")
    )
    assert flags[["rule", "severity", "why"]].to_numpy().tolist() == [
        [
            "lane_maximum",
            "warn",
            "up to 1,900 vehicles an hour a lane (2025-03-04 00:00, 1 lane), over 1,800 on 1 day",
        ]
    ]


def small(days):
    """Return hour cells from (station, sense, date, 24 counts)."""
    frames = [
        pd.DataFrame(
            {
                "station_id": station,
                "sense": sense,
                "date": pd.Series([pd.Timestamp(day)] * 24).dt.as_unit("us"),
                "hour": np.arange(24),
                "count": np.array(counts, dtype=float),
                "minutes": 60.0,
                "minutes_expected": 60.0,
                "quantity": "vehicles",
            }
        )
        for station, sense, day, counts in days
    ]
    return pd.concat(frames, ignore_index=True)


def test_a_month_against_the_same_month_last_year():
    rows = [
        ("S1", "with", day, [level] * 24)
        for year, march in ((2024, 100), (2025, 130))
        for month in ("03", "04")
        for level in [march if month == "03" else 100]
        for day in pd.date_range(f"{year}-{month}-01", f"{year}-{month}-30")
    ]
    hours = small(rows)
    stations = pd.DataFrame({"station_id": ["S1"], "kind": ["permanent"]})
    flags = checks.run(
        hours, hours, tables.empty(tables.PERIODS), stations, *NONE, only("month_last_year")
    )
    assert flags["why"].tolist() == [
        "March 2025 has 3,120 vehicles a day, +30% against 2,400 in the same month a year before"
    ]


def test_a_new_count_against_the_last_takes_the_season_off():
    """The permanents fell by a quarter between the weeks: a like fall is no finding."""
    rows = []
    for day, season in [(f"2024-06-{d:02d}", 1.0) for d in (3, 4, 5)] + [
        (f"2024-11-{d:02d}", 0.75) for d in (4, 5, 6)
    ]:
        rows.extend((f"P{n}", "with", day, [100 * season] * 24) for n in range(3))
        rows.extend(
            (("A", "with", day, [80 * season] * 24), ("B", "with", day, [80 * season**3] * 24))
        )
    hours = small(rows)
    stations = pd.DataFrame(
        {"station_id": ["A", "B", "P0", "P1", "P2"], "kind": ["short"] * 2 + ["permanent"] * 3}
    )
    flags = checks.run(
        hours, hours, tables.empty(tables.PERIODS), stations, *NONE, only("new_against_last")
    )
    assert flags["station_id"].tolist() == ["B"]
    assert flags["why"][0] == (
        "810 vehicles a weekday from 2024-11-04, -44% against the last count (1,920 from 2024-06-03,"
        " 1,440 with the change at 3 permanent stations)"
    )


def test_the_single_pass_of_the_repeated_hour_is_a_note():
    hours = small([("S1", "with", "2025-10-26", range(100, 124))])
    hours.loc[hours["hour"] == 2, ["minutes_expected", "count"]] = [120.0, np.nan]
    stations = pd.DataFrame({"station_id": ["S1"], "kind": ["short"]})
    flags = checks.run(
        hours,
        hours,
        tables.empty(tables.PERIODS),
        stations,
        *NONE,
        only("single_pass"),
        tz="Europe/Berlin",
    )
    assert flags["severity"].tolist() == ["note"]
    assert str(flags["first_utc"][0]) == "2025-10-26 00:00:00+00:00"


@pytest.mark.parametrize("links", [None, " "])
def test_a_closure_that_names_no_link_closes_every_road_and_says_so(clean, links):
    short, permanent = busiest(clean, "short"), busiest(clean, "permanent")
    met = clean.hours.loc[clean.hours["station_id"] == short, "date"].min()
    days = pd.DataFrame(
        {"first": [met], "last": [met], "kind": ["closure"], "name": ["flood"], "links": [links]}
    ).astype({"links": "str"})
    flags = run(clean, only("context"), days=days)
    why = f"{met.date()} with a closure everywhere (flood)"
    told = flags.set_index("station_id")["why"]
    assert (told[short], told[permanent]) == (why, why)
    assert run(clean, only("context"), days=days.assign(kind="event", links="l9")).empty


def test_context_is_told_for_short_counts_and_for_a_permanents_own_link(clean):
    short, permanent = busiest(clean, "short"), busiest(clean, "permanent")
    first = clean.hours.loc[clean.hours["station_id"] == short, "date"].min() + pd.Timedelta(days=2)
    days = pd.DataFrame(
        {
            "first": [first, first],
            "last": [first + pd.Timedelta(days=1), first],
            "kind": ["school_holiday", "closure"],
            "name": ["Spring", None],
            "links": pd.array([None, "L1 L2"], dtype="str"),
        }
    )
    stations = clean.stations.assign(
        link_id=np.where(clean.stations["station_id"] == permanent, "L2", "L9")
    )
    town = towns.Town(clean.hours, clean.days, clean.periods, stations)
    flags = run(town, only("context"), days=days)
    assert set(flags["severity"]) == {"note"}
    own = flags[flags["station_id"] == permanent]
    assert own["why"].tolist() == [f"{first.date()} with a closure"]
    told = flags[flags["station_id"] == short]["why"].tolist()
    assert told[0].startswith("2 of ")
    assert told[0].endswith("days with school holidays (Spring)")


def test_row_order_and_repetition_do_not_matter(clean):
    station = busiest(clean, "short")

    def copy(block):
        block[4] = block[3]

    town = bent(clean, station, copy)
    mixed = towns.Town(
        town.hours.sample(frac=1, random_state=1),
        town.days,
        town.periods.sample(frac=1, random_state=2),
        town.stations.sample(frac=1, random_state=3),
    )
    pd.testing.assert_frame_equal(run(town), run(mixed))


def test_settings_replace_numbers_and_leave_rules_out(clean):
    assert run(clean, only()).empty
    stricter = run(clean, {"split": {"low": 0.499, "high": 0.501, "z": 0}})
    assert len(found(stricter, "split")) > 20
    with pytest.raises(
        InvalidInput, match=r"^checks: the rule 'zero_rnu' is unknown\. Use one of all_zero"
    ):
        run(clean, {"zero_rnu": {}})
    with pytest.raises(InvalidInput) as refused:
        run(clean, {"split": {"lwo": 1}})
    assert str(refused.value) == (
        "checks: the rule 'split' has no number 'lwo'. Use one of off, low, high, z"
    )


def test_each_rule_names_its_source_and_no_id_is_taken_twice():
    table = checks.described()
    assert table["source"].str.match(r"\[(O|S|M|D|CP)\] ").all()
    assert (table["looks_for"].str.len() > 20).all()
    with pytest.raises(ValueError, match="rule 'split' is registered twice"):
        rule("split", "[D]", {})(lambda _bench, _numbers: [])


def test_no_counts_no_flags():
    flags = checks.run(
        tables.empty(tables.HOUR_CELLS),
        tables.empty(tables.DAY_TOTALS),
        tables.empty(tables.PERIODS),
        tables.empty(tables.STATIONS),
        *NONE,
    )
    assert flags.empty
    assert list(flags.columns) == list(tables.FLAGS.names)


def test_a_year_of_many_stations_in_seconds():
    """Guards the vectorised path: a third of 60 stations; a loop over hours takes half a minute."""
    town = towns.town(5, permanent=20, short=0)
    begun = time.process_time()
    run(town)
    assert time.process_time() - begun < 3
