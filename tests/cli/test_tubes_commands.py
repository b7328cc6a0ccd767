"""``countmap tubes``: the budget and the decoder at the command line."""

from __future__ import annotations

import json

import pandas as pd
import pytest
from made_tubes import World, simulate

from countmap.tubes.budget import CAUTIONS

GIVEN = ("--started", "2025-03-04T06:00+01:00", "--spacing-m", "1", "--first-tube-with", "B")


@pytest.fixture
def pulses(tmp_path):
    times, tubes, truth = simulate(World(hours=1), 77)
    path = tmp_path / "pulses.csv"
    pd.DataFrame({"time_us": times, "tube": ["AB"[k] for k in tubes]}).to_csv(path, index=False)
    return path, truth


def test_budget_says_parts_checks_and_cautions(countmap):
    ended = countmap(
        "tubes", "budget", "--spacing-m", "1", "--near", "1.05", "--far", "1.05",
        "--check", "parallel=yes",
    )  # fmt: skip
    assert ended.code == 0
    assert "Redo: enter 1.050 m in the counter" in ended.out
    assert "middle? good" in ended.out
    assert ended.out.count("unanswered") == 3
    assert all(f"\n! {caution}" in ended.out for caution in CAUTIONS)


def test_decode_writes_vehicles_and_counts(countmap, pulses, tmp_path):
    path, truth = pulses
    out, counts = tmp_path / "v.parquet", tmp_path / "c.csv"
    ended = countmap(
        "tubes", "decode", path, *GIVEN, "--length-difference-m", "0.05",
        "--timezone", "Europe/Berlin", "--out", out, "--counts", counts, "--json",
    )  # fmt: skip
    assert ended.code == 0
    said = json.loads(ended.out)
    assert said["vehicles"] == pytest.approx(len(truth.time), rel=0.01)
    vehicles, found = pd.read_parquet(out), pd.read_csv(counts)
    assert len(vehicles) == said["vehicles"]
    assert (vehicles["spacings_m"].map(len) == vehicles["axles"] - 1).all()
    with_ = next(s for s in said["senses"] if s["sense"] == "with")
    assert with_["vehicles"] == pytest.approx(truth.b_first.sum(), rel=0.02)
    assert found["start"].iloc[0] == "2025-03-04T06:15:00+01:00"
    assert found["count"].sum() <= said["vehicles"]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((), "decoding needs --survey ID, or --started T --spacing-m S --first-tube-with A"),
        ((*GIVEN[:2], "--spacing-m", "1", "--first-tube-with", "C"), "'C' is no tube. Write A or"),
        (("--started", "noon", *GIVEN[2:]), "started 'noon' is no time"),
        ((*GIVEN, "--timezone", "Mars/Base"), "Mars/Base"),
        ((*GIVEN, "--scheme", "nosuch"), "there is no class scheme 'nosuch'"),
        ((*GIVEN, "--minutes", "7", "--counts", "c.csv"), "7 minutes do not divide the hour"),
    ],
)
def test_refusals_are_one_line(countmap, pulses, arguments, said):
    ended = countmap("tubes", "decode", pulses[0], *arguments)
    assert ended.code == 1
    assert said in ended.err
    assert len(ended.err.strip().splitlines()) == 1


def test_verify_proposes_applies_on_request_and_undo_takes_it_back(countmap, ws, tmp_path):
    times, tubes, _ = simulate(World(hours=5, flow=900, longer_b=0.6), 78)
    path = tmp_path / "p.parquet"
    pd.DataFrame({"time_us": times, "tube": ["AB"[k] for k in tubes]}).to_parquet(path)
    surveys = tmp_path / "surveys.csv"
    surveys.write_text(
        "survey_id,station_id,started,spacing_entered_m,lead_a_m,lead_b_m,first_tube_with\n"
        "V1,B,2025-03-04T06:00,1,5,5,A\n"
    )
    assert countmap("surveys", "import", surveys, "-w", ws).code == 0
    said = countmap("tubes", "verify", "V1", path, "-w", ws)
    assert said.code == 0, said.err
    assert "Nothing was changed; --apply uses it from here on" in said.out
    done = json.loads(countmap("tubes", "verify", "V1", path, "-w", ws, "--apply", "--json").out)
    assert done["proposal"]["geometry"]["length_difference_m"] == pytest.approx(0.6, abs=0.2)
    again = json.loads(countmap("tubes", "verify", "V1", path, "-w", ws, "--json").out)
    assert again["used"] == done["proposal"]["geometry"]
    assert countmap("undo", str(done["applied"]), "-w", ws).code == 0
    before = json.loads(countmap("tubes", "verify", "V1", path, "-w", ws, "--json").out)
    assert before["used"] == done["used"]
    decoded = countmap("tubes", "decode", path, "--survey", "V1", "-w", ws, "--json")
    assert json.loads(decoded.out)["vehicles"] > 4000


def test_a_survey_without_its_record_cannot_be_decoded(countmap, ws, pulses, tmp_path):
    surveys = tmp_path / "surveys.csv"
    surveys.write_text("survey_id,station_id,started\nV2,B,2025-03-04T06:00\n")
    countmap("surveys", "import", surveys, "-w", ws)
    ended = countmap("tubes", "decode", pulses[0], "--survey", "V2", "-w", ws)
    assert ended.code == 1
    assert "survey V2 has no first_tube_with. Add it to surveys.csv" in ended.err
    ended = countmap("tubes", "verify", "none", pulses[0], "-w", ws)
    assert "there is no survey 'none'" in ended.err


def test_a_clock_that_drifted_is_set_right_evenly(countmap, ws, pulses, tmp_path):
    path, _ = pulses
    out, surveys = tmp_path / "v.parquet", tmp_path / "surveys.csv"
    head = "survey_id,station_id,started,spacing_entered_m,first_tube_with"
    surveys.write_text(
        f"{head},clock_offset_start_s,clock_offset_end_s\n"
        "V1,B,2025-03-04T06:00,1,A,,\nV2,B,2025-03-04T06:00,1,A,0,60\n"
    )
    assert countmap("surveys", "import", surveys, "-w", ws).code == 0
    tables = []
    for survey in ("V1", "V2"):
        ended = countmap("tubes", "decode", path, "--survey", survey, "-w", ws, "--out", out)
        assert ended.code == 0, ended.err
        tables.append(pd.read_parquet(out))
    ahead = (tables[0]["time_us"] - tables[1]["time_us"]) * 1e-6
    stamps = pd.read_csv(path)["time_us"]
    part = (tables[0]["time_us"] - stamps.min()) / (stamps.max() - stamps.min())
    assert ahead.to_numpy() == pytest.approx(60 * part.to_numpy(), abs=1e-5)
    assert tables[0]["speed_kmh"].equals(tables[1]["speed_kmh"])
