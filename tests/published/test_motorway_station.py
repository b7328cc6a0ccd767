"""A real motorway station, westbound, 2017: plain mean, AASHTO and FHWA hourly averages.

Data: UCI "Metro Interstate Traffic Volume" as packed in ``autots==1.0.4``
(autots/datasets/data/traffic_hourly.zip): one row a clock hour, local time of America/Chicago,
one row for the hour that occurs twice on 5 November. The expected figures were computed for this
project from the file by the formulas of the Traffic Monitoring Guide.
"""

from __future__ import annotations

import io
import zipfile

import opendata
import pandas as pd
import pytest

from countmap import clock
from countmap.annual import continuous


@pytest.fixture(scope="module")
def hours():
    """Return HOUR_CELLS of 2017, by the contract: half of the repeated hour is missing."""
    outer = opendata.member("autots==1.0.4", "autots/datasets/data/traffic_hourly.zip")
    with zipfile.ZipFile(outer) as archive:
        text = archive.read(archive.namelist()[0])
    frame = pd.read_csv(io.BytesIO(text), parse_dates=["datetime"])
    assert not frame["datetime"].duplicated().any()
    frame = frame[frame["datetime"].dt.year == 2017]
    cells = pd.DataFrame(
        {
            "station_id": "M1",
            "sense": "with",
            "date": frame["datetime"].dt.normalize().dt.as_unit("us"),
            "hour": frame["datetime"].dt.hour.astype("int64"),
            "count": frame["traffic_volume"],
        }
    )
    there = clock.hour_minutes("America/Chicago", frame["datetime"].min(), frame["datetime"].max())
    cells = cells.merge(there, on=["date", "hour"])
    cells["minutes_expected"] = cells.pop("minutes").astype("float64")
    cells["raw"] = cells["count"]
    cells["count"] = cells["count"].where(cells["minutes_expected"] == 60)
    return cells


def totals(hours):
    grouped = hours.groupby(["station_id", "sense", "date"])
    total, present = grouped["count"].sum(), grouped["count"].count()
    return total.where(present == grouped.size()).rename("count").reset_index()


def test_the_days_of_the_clock_changes(hours):
    days = totals(hours).set_index("date")["count"]
    assert days["2017-03-12"] > 0  # 23 hours, all there
    assert pd.isna(days["2017-11-05"])  # 24 of 25 hours
    assert days.notna().sum() == 344


def test_plain_mean_of_the_complete_days(hours):
    assert continuous.plain_mean(totals(hours))["aadt"].item() == pytest.approx(80_905.9, abs=0.05)


def test_aashto(hours):
    assert continuous.aashto(totals(hours))["aadt"].item() == pytest.approx(81_118.6, abs=0.05)


def test_fhwa_hourly_with_the_file_s_row_for_the_repeated_hour(hours):
    as_filed = hours.assign(count=hours["raw"])
    assert continuous.fhwa_hourly(as_filed)["aadt"].item() == pytest.approx(81_025.7, abs=0.05)


def test_fhwa_hourly_by_the_contract_leaves_the_half_hour_out(hours):
    assert continuous.fhwa_hourly(hours)["aadt"].item() == pytest.approx(81_026.4, abs=0.05)


def test_gaps_are_never_summed_as_zero(hours):
    as_zero = hours.fillna({"count": 0.0})
    assert continuous.plain_mean(totals(as_zero))["aadt"].item() < 80_905.0
