"""The annual estimate as a whole: simulated towns of known truth, broken permanents, refusals."""

from __future__ import annotations

import json
from dataclasses import replace

import made_town_counts
import numpy as np
import pandas as pd
import pytest

from countmap import tables
from countmap.annual.estimate import AnnualInputs, AnnualSettings, estimate


@pytest.fixture(scope="module")
def made():
    return made_town_counts.town(4, permanents=8, shorts=4)


@pytest.fixture(scope="module")
def result(made):
    return estimate(made.inputs)


def rows(result, sense="both"):
    annual = result.annual
    return annual[annual["sense"] == sense].set_index("station_id")


def with_counts(inputs, change):
    """Return the inputs with ``change(frame)`` applied to both frames of counts."""
    return replace(
        inputs, hour_cells=change(inputs.hour_cells), day_totals=change(inputs.day_totals)
    )


def scaled(station, first, factor):
    def change(frame):
        hit = (frame["station_id"] == station) & (frame["date"] >= first)
        return frame.assign(count=frame["count"].where(~hit, frame["count"] * factor))

    return change


def settings(made, **more):
    return replace(made.inputs, settings=replace(made.inputs.settings, **more))


def test_intervals_cover_and_errors_are_smaller_than_the_textbook_s():
    """Known truth, 2 × 40 week-long counts; tests/bench/bench_annual_town.py runs more."""
    inside, matched, textbook = [], [], []
    for seed in range(2):
        made = made_town_counts.town(seed)
        both = rows(estimate(made.inputs)).loc[lambda r: r["status"] == "estimated"]
        truth = made.truth[both.index]
        inside.append((both["lower"] <= truth) & (truth <= both["upper"]))
        matched.append(np.abs(np.log(both["aadt"] / truth)))
        book = rows(estimate(settings(made, method="textbook"))).loc[both.index]
        textbook.append(np.abs(np.log(book["aadt"] / truth)))
    cover = pd.concat(inside).mean()
    error, baseline = pd.concat(matched).mean(), pd.concat(textbook).mean()
    print(f"cover {cover:.3f}, error {error:.3f}, textbook {baseline:.3f}")
    assert 0.89 <= cover <= 0.995
    assert error < 0.9 * baseline


def test_the_table_honours_its_contract(result):
    tables.require(result.annual, tables.ANNUAL)
    assert set(result.annual["status"]) == {"measured", "estimated"}
    json.dumps({" ".join(key): note for key, note in result.explanations.items()}, allow_nan=False)


def test_permanents_have_their_group_and_a_given_one_holds(made, result):
    assert rows(result)["group"].filter(like="P").str.startswith("group ").all()
    assert rows(result)["group"].filter(like="S").isna().all()
    stations = made.inputs.stations.assign(group=None)
    stations.loc[stations["station_id"].isin(["P00", "S10"]), "group"] = "ring road"
    named = rows(estimate(replace(made.inputs, stations=stations)))["group"]
    assert named[["P00", "S10"]].tolist() == ["ring road"] * 2
    assert named["P01"].startswith("group ")


def test_a_complete_permanent_year_is_measured_with_its_count_error(made, result):
    row = rows(result).loc["P00"]
    assert row["aadt"] == pytest.approx(made.truth["P00"], rel=1e-12)
    assert row["log_se"] == pytest.approx(0.02)
    assert row["days"] == 365
    assert row["lower"] == pytest.approx(row["aadt"] * np.exp(-0.0391993), rel=1e-6)


def test_missing_days_widen_a_permanent_s_interval(made, result):
    gone = pd.date_range("2025-05-06", "2025-05-20")
    some = with_counts(
        made.inputs,
        lambda f: f[~((f["station_id"] == "P00") & f["date"].isin(gone))],
    )
    row = rows(estimate(some)).loc["P00"]
    assert row["status"] == "measured"
    assert row["days"] == pytest.approx(350)
    assert 0.02 < row["log_se"] < 0.025


def test_a_permanent_with_a_month_missing_is_estimated_from_all_its_days(made):
    gone = with_counts(
        made.inputs,
        lambda f: f[~((f["station_id"] == "P01") & (f["date"].dt.month == 7))],
    )
    result = estimate(gone)
    row = rows(result).loc["P01"]
    assert (row["status"], row["method"], row["days"]) == ("estimated", "matched", 334)
    assert row["aadt"] == pytest.approx(made.truth["P01"], rel=0.01)
    assert row["reason"].startswith("not measured: no usable day in month 7")
    names = {p["station_id"] for p in result.explanations["P01", "both"]["permanents"]}
    others = {p["station_id"] for p in result.explanations["S10", "both"]["permanents"]}
    assert "P01" in others
    weight = {
        p["station_id"]: p["weight"]
        for p in result.explanations["P01", "both"]["permanents"]
        if p["station_id"] in names
    }
    assert weight["P01"] == 0


def test_senses_add_up_to_both(result):
    table = result.annual.pivot_table(index="station_id", columns="sense", values="aadt")
    assert (table["with"] + table["against"]).to_numpy() == pytest.approx(table["both"].to_numpy())
    assert result.explanations["S10", "with"]["scaled_to_both"] == pytest.approx(1, abs=0.03)


def test_the_explanation_is_the_whole_chain(result):
    """ln AADT = Σ ω ln v + Σ h ln ρ, from the printed numbers alone when days weigh alike."""
    note = result.explanations["S10", "both"]
    row = rows(result).loc["S10"]
    assert len(note["dates"]) == 7
    weights = [p["weight"] for p in note["permanents"]]
    assert sum(weights) == pytest.approx(1)
    ratio = np.exp(sum(p["weight"] * np.log(p["ratio"]) for p in note["permanents"]))
    counts = np.exp(np.mean([np.log(d["count"]) for d in note["dates"]]))
    assert counts * ratio == pytest.approx(row["aadt"], rel=0.02)
    assert note["factor"] * note["mean_of_counts"] == pytest.approx(row["aadt"])
    half = np.sqrt(sum(part**2 for part in note["interval"].values()))
    assert row["upper"] == pytest.approx(row["aadt"] * np.exp(half))
    assert note["rule"] == "student"


def test_a_level_shift_is_named_and_does_not_poison_the_others(made, result):
    broken = estimate(with_counts(made.inputs, scaled("P03", "2025-07-01", 0.7)))
    row = rows(broken).loc["P03"]
    assert row["reason"].startswith("level shift of -")
    assert "from 2025-07-01" in row["reason"]
    assert row["lower"] < 0.75 * made.truth["P03"]
    assert row["upper"] > made.truth["P03"]
    change = np.log(rows(broken)["aadt"] / rows(result)["aadt"]).drop("P03").abs()
    assert change.mean() < 0.01
    note = broken.explanations["S10", "both"]["permanents"]
    assert [p["finding"] for p in note if p["station_id"] == "P03"] == [row["reason"].split(":")[0]]


def test_outage_zeros_are_named_and_do_not_poison_the_others(made, result):
    def zeros(frame):
        hit = (frame["station_id"] == "P02") & frame["date"].between("2025-03-03", "2025-03-22")
        return frame.assign(count=frame["count"].where(~hit, 0.0))

    broken = estimate(with_counts(made.inputs, zeros))
    row = rows(broken).loc["P02"]
    assert row["reason"] == (
        "zeros on 20 days from 2025-03-03 to 2025-03-22: counted as they stand"
    )
    assert row["aadt"] == pytest.approx(made.truth["P02"] * 345 / 365, rel=0.02)
    assert row["upper"] > made.truth["P02"]
    change = np.log(rows(broken)["aadt"] / rows(result)["aadt"]).drop("P02").abs()
    assert change.max() < 0.02


def test_a_copy_of_a_permanent_changes_nothing(made, result):
    def doubled(frame):
        copy = frame[frame["station_id"] == "P05"].assign(station_id="P99")
        return pd.concat([frame, copy], ignore_index=True)

    stations = pd.concat(
        [made.inputs.stations, pd.DataFrame({"station_id": ["P99"], "kind": ["permanent"]})],
        ignore_index=True,
    )
    again = estimate(replace(with_counts(made.inputs, doubled), stations=stations))
    both, before = rows(again), rows(result)
    assert both.loc["P99", "reason"] == "a copy of P05 both"
    for name in ("aadt", "lower", "upper"):
        assert both.loc[before.index, name].to_numpy() == pytest.approx(
            before[name].to_numpy(), rel=1e-9
        )


def test_a_pattern_no_permanent_has_is_said_and_widens(made, result):
    days = made.inputs.day_totals
    dates = days.loc[(days["station_id"] == "S10") & (days["sense"] == "both"), "date"]
    factor = dict(zip(sorted(dates), [0.3, 2.5, 0.4, 2.0, 0.3, 2.2, 1.0], strict=True))

    def odd(frame):
        hit = frame["station_id"] == "S10"
        return frame.assign(
            count=frame["count"].where(~hit, frame["count"] * frame["date"].map(factor))
        )

    row = rows(estimate(with_counts(made.inputs, odd))).loc["S10"]
    assert row["reason"].startswith("its days follow no permanent station's pattern (misfit ")
    assert row["reason"].endswith(" times")
    assert row["log_se"] > 2 * rows(result).loc["S10", "log_se"]


def test_too_few_permanents_leave_the_count_unadjusted(made):
    few = with_counts(made.inputs, lambda f: f[~f["station_id"].between("P02", "P99")])
    row = rows(estimate(few)).loc["S10"]
    assert row["status"] == "unadjusted"
    assert row["reason"] == "only 2 sound permanent stations"
    mean = made.inputs.day_totals.query("station_id == 'S10' and sense == 'both'")["count"].mean()
    assert row["aadt"] == pytest.approx(mean)
    assert pd.isna(row["lower"])
    assert pd.isna(row["log_se"])


def test_too_few_hours_leave_the_count_unadjusted(made):
    def morning(frame):
        keep = frame["station_id"] != "S10"
        if "hour" in frame:
            first = frame.loc[~keep, "date"].min()
            keep |= (frame["date"] == first) & frame["hour"].between(6, 12)
        return frame[keep]

    row = rows(estimate(with_counts(made.inputs, morning))).loc["S10"]
    assert row["reason"] == "only 7 usable hours, 12 are needed"
    assert pd.isna(row["aadt"])


def test_twelve_hours_are_expanded_from_stations_with_all_hours(made, result):
    def daytime(frame):
        keep = frame["station_id"] != "S10"
        if "hour" in frame:
            keep |= frame["hour"].between(7, 18)
        return frame[keep]

    twelve = estimate(with_counts(made.inputs, daytime))
    row, full = rows(twelve).loc["S10"], rows(result).loc["S10"]
    assert row["days"] == 3.5
    assert {d["kind"] for d in twelve.explanations["S10", "both"]["dates"]} == {"part"}
    assert row["aadt"] == pytest.approx(full["aadt"], rel=0.08)


def test_first_and_last_day_make_one_composite_day(made):
    counts = made.inputs.hour_cells
    start = counts.loc[counts["station_id"] == "S10", "date"].min()
    monday = start - pd.Timedelta(days=start.day_of_week)
    donor = counts[
        (counts["station_id"] == "P07")
        & counts["date"].between(monday, monday + pd.Timedelta(days=7))
    ]
    stay = donor[
        ((donor["date"] > monday) | (donor["hour"] >= 11))
        & ((donor["date"] < monday + pd.Timedelta(days=7)) | (donor["hour"] < 11))
    ].assign(station_id="S10")
    hours = pd.concat([counts[~counts["station_id"].isin(["S10", "P07"])], stay])
    days = made.inputs.day_totals
    days = days[~days["station_id"].isin(["S10", "P07"])]
    result = estimate(replace(made.inputs, hour_cells=hours, day_totals=days))
    row = rows(result).loc["S10"]
    assert row["reason"] == "1 composite day"
    assert row["days"] == 7
    kinds = [d["kind"] for d in result.explanations["S10", "both"]["dates"]]
    assert sorted(kinds) == ["composite"] + ["day"] * 6
    assert row["aadt"] == pytest.approx(made.truth["P07"], rel=0.15)


def test_axles_without_axles_per_vehicle_are_refused(made):
    def axles(frame):
        return frame.assign(
            quantity=np.where(frame["station_id"] == "S10", "axles", "vehicles"),
            count=frame["count"].where(frame["station_id"] != "S10", frame["count"] * 2.2),
        )

    changed = with_counts(made.inputs, axles)
    row = rows(estimate(changed)).loc["S10"]
    assert row["status"] == "unadjusted"
    assert row["reason"] == (
        "axles were counted and the axles per vehicle are not known; give axles_per_vehicle for S10"
    )
    assert pd.isna(row["aadt"])
    known = replace(changed, settings=AnnualSettings(axles_per_vehicle={"S10": 2.2}))
    assert rows(estimate(known)).loc["S10", "aadt"] == pytest.approx(
        rows(estimate(made.inputs)).loc["S10", "aadt"], rel=1e-9
    )


def test_a_closed_day_is_left_out_with_its_reason(made):
    stations = made.inputs.stations.assign(link_id=made.inputs.stations["station_id"] + "-link")
    days = made.inputs.day_totals
    day = days.loc[days["station_id"] == "S10", "date"].min()
    closed = pd.DataFrame(
        {
            "first": [day],
            "last": [day],
            "kind": ["closure"],
            "name": ["gas main"],
            "links": ["S10-link"],
        }
    )
    result = estimate(replace(made.inputs, stations=stations, days=closed))
    assert result.explanations["S10", "both"]["dropped"] == [
        {"date": str(day.date()), "reason": "closure: gas main"}
    ]
    assert rows(result).loc["S10", "days"] == 6
    assert rows(result).loc["S11", "days"] == 7


@pytest.mark.parametrize("links", [None, " "])
def test_a_closure_that_names_no_link_closes_every_road_and_says_so(made, links):
    days = made.inputs.day_totals
    day = days.loc[days["station_id"] == "S10", "date"].min()
    closed = pd.DataFrame(
        {"first": [day], "last": [day], "kind": ["closure"], "name": ["flood"], "links": [links]}
    )
    result = estimate(replace(made.inputs, days=closed))
    assert result.explanations["S10", "both"]["dropped"] == [
        {"date": str(day.date()), "reason": "closure everywhere: flood"}
    ]


def test_one_way_station_has_one_sense(made, result):
    only = with_counts(
        made.inputs,
        lambda f: f[(f["station_id"] != "S10") | (f["sense"] == "with")],
    )
    only = replace(only, settings=AnnualSettings(one_way={"S10": "with", "S11": "with"}))
    annual = estimate(only).annual.set_index(["station_id", "sense"])
    assert list(annual.loc["S10"].index) == ["with"]
    assert annual.loc[("S11", "against"), "reason"] == (
        "one-way station: traffic runs 'with' only, but this was counted 'against'"
    )


def next_year(frame, factor):
    """Return the same counts 52 weeks later, times ``factor``."""
    return frame.assign(date=frame["date"] + pd.Timedelta(days=364), count=frame["count"] * factor)


def test_last_year_s_count_grows_with_the_permanents(made, result):
    def two_years(frame):
        late = next_year(frame[frame["station_id"].str.startswith("P")], 1.05)
        return pd.concat([frame, late], ignore_index=True).drop_duplicates(
            [c for c in ("station_id", "sense", "date", "hour") if c in frame]
        )

    changed = with_counts(made.inputs, two_years)
    # The moved year ends on 30 December: one Thursday of December lacks, no month is without it.
    grown = estimate(replace(changed, year=2026))
    row = rows(grown).loc["S10"]
    note = grown.explanations["S10", "both"]
    assert note["growth"]["factor"] == pytest.approx(1.05, abs=0.002)
    assert row["aadt"] == pytest.approx(rows(result).loc["S10", "aadt"] * 1.05, rel=0.005)
    assert (row["year"], row["status"]) == (2026, "estimated")


def test_without_growth_an_old_count_stays_unadjusted(made):
    row = rows(estimate(replace(made.inputs, year=2027))).loc["S10"]
    assert row["status"] == "unadjusted"
    assert row["reason"] == (
        "counted in 2025; no two permanent stations have both 2025 and 2027 to give its growth"
    )


def test_imported_averages_of_other_years_give_the_growth(made, result):
    known = rows(result).filter(like="P", axis=0).reset_index()
    other = known.assign(year=2027, sense="both", aadt=known["aadt"] * 1.08)
    grown = estimate(replace(made.inputs, year=2027, other_years=other))
    assert rows(grown).loc["S10", "aadt"] == pytest.approx(
        rows(result).loc["S10", "aadt"] * 1.08, rel=1e-6
    )


def test_without_permanents_on_the_dates_the_textbook_is_used_and_said(made):
    days = made.inputs.day_totals
    span = days.loc[days["station_id"] == "S10", "date"]

    def silent(frame):
        hit = frame["station_id"].str.startswith("P") & frame["date"].isin(span)
        return frame[~hit]

    result = estimate(with_counts(made.inputs, silent))
    row = rows(result).loc["S10"]
    assert (row["status"], row["method"]) == ("estimated", "textbook")
    assert row["reason"] == (
        "too few permanent stations were counted on its dates: week and weekday shares of 2025 "
        "instead"
    )
    note = result.explanations["S10", "both"]
    assert row["aadt"] == pytest.approx(
        sum(d["count"] for d in note["shares"]) / sum(d["share"] for d in note["shares"])
    )


def test_public_holidays_are_matched_by_date_but_have_no_textbook_share(made):
    days = made.inputs.day_totals
    day = days.loc[days["station_id"] == "S10", "date"].min()
    holiday = {day.date(): "Founders' Day"}
    matched = estimate(replace(made.inputs, holidays=holiday))
    assert rows(matched).loc["S10", "days"] == 7
    assert matched.explanations["S10", "both"]["dates"][0]["holiday"] == "Founders' Day"
    book = estimate(replace(settings(made, method="textbook"), holidays=holiday))
    assert rows(book).loc["S10", "days"] == 6
    assert book.explanations["S10", "both"]["holidays_left_out"] == [str(day.date())]


def test_permanents_with_day_totals_alone_have_the_aashto_average(made, result):
    days_only = replace(made.inputs, hour_cells=made.inputs.hour_cells.iloc[:0])
    both = rows(estimate(days_only))
    assert both.loc["P00", "method"] == "aashto"
    assert both.loc["P00", "aadt"] == pytest.approx(made.truth["P00"], rel=0.005)
    assert both.loc["S10", "aadt"] == pytest.approx(rows(result).loc["S10", "aadt"], rel=1e-9)


def test_permanents_with_totals_alone_still_serve_the_senses(made, result):
    totals = with_counts(
        made.inputs,
        lambda f: f[f["station_id"].str.startswith("S") | (f["sense"] == "both")],
    )
    row = rows(estimate(totals), "with").loc["S10"]
    assert row["reason"].startswith("the permanent stations give totals only")
    assert row["aadt"] == pytest.approx(rows(result, "with").loc["S10", "aadt"], rel=0.03)


def test_nothing_in_nothing_out():
    empty = AnnualInputs(
        tables.empty(tables.HOUR_CELLS),
        tables.empty(tables.DAY_TOTALS),
        tables.empty(tables.STATIONS),
        2025,
    )
    assert estimate(empty).annual.empty
