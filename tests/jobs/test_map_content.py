"""What the map's job hands to the drawing: the year's counts, what decisions exclude, the pairs."""

from __future__ import annotations

import datetime as dt

import pandas as pd
import pytest

from countmap.jobs import counts, publish
from countmap.jobs.common import open_workspace
from countmap.store import queries

DAYS = pd.to_datetime(["2025-03-03", "2025-03-04", "2025-03-05"]).as_unit("us")


def totals(*counts, sense="both"):
    return pd.DataFrame(
        {"station_id": "S1", "sense": sense, "date": DAYS[: len(counts)], "count": counts}
    )


@pytest.fixture(scope="module")
def content(worked):
    return publish.map_content(open_workspace(worked[0]), year=2025)


def test_a_day_that_only_a_decision_leaves_out_is_excluded_and_keeps_its_count():
    nan = float("nan")
    found = publish.day_series(totals(900.0, nan, nan), totals(900.0, 5.0, nan))["S1"]
    assert found == [
        (dt.date(2025, 3, 3), 900.0, False),
        (dt.date(2025, 3, 4), 5.0, True),
        (dt.date(2025, 3, 5), None, False),
    ]


def test_both_senses_are_shown_where_the_excluded_days_have_them():
    used = pd.concat([totals(900.0), totals(400.0, 2.0, sense="with")])
    counted = pd.concat([totals(900.0, 5.0), totals(400.0, 2.0, sense="with")])
    found = publish.day_series(used, counted)["S1"]
    assert [(count, out) for _, count, out in found] == [(900.0, False), (5.0, True)]


def test_the_excluded_days_of_the_demo_are_there_as_counted(worked, content):
    series = content.day_series["P05"]
    out = [day for day, _, excluded in series if excluded]
    assert (len(out), out[0], out[-1]) == (20, dt.date(2025, 10, 27), dt.date(2025, 11, 15))
    assert {count for _, count, excluded in series if excluded} == {0.0}
    used = queries.day_totals(open_workspace(worked[0]), "2025-10-27", "2025-11-15", ["P05"])
    assert used["count"].isna().all()


def test_the_pairs_of_the_balance_reach_the_map_with_their_sum(content):
    pairs = content.pairs.set_index("links")
    assert 20_000 < pairs.loc["L113 L114", "flow"] < 25_000
    one_way = content.flows[content.flows["link_id"].isin(["L113", "L114"])]
    assert pairs.loc["L113 L114", "flow"] == pytest.approx(
        one_way.loc[one_way["sense"] != "both", "flow"].sum()
    )


def test_only_the_year_of_the_map_is_shown(town, tmp_path, content):
    hours = pd.date_range("2024-03-01", "2024-04-10", freq="h", inclusive="left").tz_localize("UTC")
    rows = pd.DataFrame(
        {"station_id": "P01", "direction": "both", "start": hours.strftime("%Y-%m-%dT%H:%M:%SZ")}
    )
    path = tmp_path / "older.csv"
    rows.assign(minutes=60, count=9_999).to_csv(path, index=False)
    counts.import_(town, [path])
    assert (queries.day_totals(town, stations=["P01"])["date"].dt.year == 2024).any()
    drawn = publish.map_content(town, year=2025)
    assert drawn.day_series == content.day_series
    assert drawn.profiles == content.profiles
