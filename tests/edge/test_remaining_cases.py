"""Cases of the fifty that have no other home: epochs, leap years, year ends, wraps, ids, schemes."""

from __future__ import annotations

import made_store
import numpy as np
import pandas as pd
import pytest

from countmap.annual import continuous
from countmap.counts import checks
from countmap.errors import InvalidInput
from countmap.jobs import surveys, tubes
from countmap.jobs.common import open_workspace
from countmap.store import queries

SURVEYS = """survey_id,epoch,epoch_started,station_id,started,ended,spacing_entered_m,first_tube_with
V1,1,2025-05-05T11:00,S1,2025-05-05T11:00,2025-05-12T10:00,1.00,A
V1,2,2025-05-08T09:30,S1,2025-05-05T11:00,2025-05-12T10:00,1.20,A
"""


@pytest.fixture
def ws(tmp_path):
    return made_store.workspace(tmp_path / "w")


@pytest.fixture
def relaid(ws, tmp_path):
    (tmp_path / "surveys.csv").write_text(SURVEYS)
    surveys.import_(ws, tmp_path / "surveys.csv")
    return ws


def test_a_counter_moved_during_its_survey_has_an_epoch_a_place_of_the_tubes(relaid):
    kept = relaid.register.frame("surveys")
    assert kept[["survey_id", "epoch", "spacing_entered_m"]].to_numpy().tolist() == [
        ["V1", 1.0, 1.0],
        ["V1", 2.0, 1.2],
    ]


def test_tubes_laid_anew_are_never_decoded_as_one(relaid):
    """Each place of the tubes has its own spacing, from its own hour (70.5 h after the start)."""
    epochs = tubes.of_survey(relaid, "V1").epochs
    assert [one.since_us for one in epochs] == [0, int(70.5 * 3600e6)]
    assert [one.geometry.spacing_ab_m for one in epochs] == pytest.approx([1.0, 1.2])


def test_tubes_laid_anew_at_no_known_hour_are_refused(ws, tmp_path):
    (tmp_path / "surveys.csv").write_text(SURVEYS.replace("2025-05-08T09:30", ""))
    surveys.import_(ws, tmp_path / "surveys.csv")
    with pytest.raises(InvalidInput, match="survey V1, epoch 2: epoch_started is missing"):
        tubes.of_survey(ws, "V1")


def test_a_leap_year_has_366_days_and_each_counts():
    dates = pd.date_range("2024-01-01", "2024-12-31").as_unit("us")
    days = pd.DataFrame({"station_id": "S1", "sense": "with", "date": dates, "count": 1000.0})
    flat = continuous.aashto(days)
    assert flat["aadt"].item() == pytest.approx(1000)
    leap = days.assign(count=np.where(dates == pd.Timestamp("2024-02-29"), 2000.0, 1000.0))
    assert continuous.aashto(leap)["aadt"].item() > flat["aadt"].item()


def test_a_survey_over_new_year_lies_in_both_years(ws):
    made_store.add(ws, made_store.periods("2024-12-29T23:00", [10.0] * 24 * 5))
    days = queries.day_totals(ws)
    assert [f"{d:%Y-%m-%d}" for d in days["date"]] == [
        "2024-12-30", "2024-12-31", "2025-01-01", "2025-01-02", "2025-01-03",
    ]  # fmt: skip
    assert days["count"].tolist() == [240.0] * 5
    assert len(queries.day_totals(ws, "2025-01-01", "2025-12-31")) == 3


def test_a_counter_at_its_last_16_bit_number_is_flagged(ws):
    counts = [40.0] * 24 * 7
    counts[60] = 65_535.0  # 2 ** 16 - 1: a difference that wrapped by one
    made_store.add(ws, made_store.periods("2025-03-02T23:00", counts))
    hours, days = queries.hours_and_days(ws)
    links = ws.register.frame("links").assign(lanes=2.0, cul_de_sac=False)
    stations = ws.register.frame("stations").assign(link_id="l0", same_way=True, kind="short")
    found = checks.run(
        hours, days, queries.periods(ws), stations, links, ws.register.frame("days"), {},
        holidays={}, tz="Europe/Berlin", differing=queries.conflicts(ws),
    )  # fmt: skip
    said = found[found["why"].str.contains("65,535")]
    assert set(said["severity"]) & {"warn", "fail"}


def test_two_ids_in_one_place_stay_two_stations(ws):
    twin = made_store.stations().iloc[:1].assign(station_id="S1b")
    with ws.register.transaction() as writing:
        writing.put("stations", twin)
    made_store.add(ws, made_store.periods("2025-01-01", [1.0]), "a.csv")
    made_store.add(ws, made_store.periods("2025-01-01", [9.0], station="S1b"), "b.csv")
    kept = queries.periods(ws).set_index("station_id")["count"]
    assert kept.to_dict() == {"S1": 1.0, "S1b": 9.0}


def test_a_change_of_class_scheme_stays_with_the_records(ws):
    for year, scheme, classes in ((2024, "austroads12", ("1", "3")), (2025, "fhwa13", ("2", "5"))):
        parts = [
            made_store.periods(f"{year}-03-04T07:00", [n + 1.0], vehicle_class=c, scheme=scheme)
            for n, c in enumerate(classes)
        ]
        made_store.add(ws, pd.concat(parts), f"{scheme}.csv")
    kept = queries.periods(open_workspace(ws.path))
    by = kept.assign(year=kept["start_utc"].dt.year).groupby(["year", "scheme"])["vehicle_class"]
    assert by.agg(sorted).to_dict() == {
        (2024, "austroads12"): ["1", "3"],
        (2025, "fhwa13"): ["2", "5"],
    }
