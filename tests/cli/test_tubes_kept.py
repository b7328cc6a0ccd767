"""``countmap tubes decode --survey``: vehicles and counts that the workspace keeps, by epochs."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
from made_tubes import World, simulate

import countmap as api
from countmap.store import queries

HEAD = "survey_id,epoch,epoch_started,station_id,started,spacing_entered_m,first_tube_with"


def written(path, times, tubes):
    pd.DataFrame({"time_us": times, "tube": np.array(["A", "B"])[tubes]}).to_parquet(path)
    return path


@pytest.fixture
def surveyed(countmap, ws, tmp_path):
    def take(rows, more=""):
        file = tmp_path / "surveys.csv"
        file.write_text("\n".join([HEAD + more, *rows]) + "\n")
        ended = countmap("surveys", "import", file, "-w", ws)
        assert ended.code == 0, ended.err

    return take


def test_a_survey_keeps_vehicles_and_counts_and_a_second_decoding_takes_their_place(
    countmap, ws, surveyed, tmp_path
):
    times, tubes, _ = simulate(World(hours=3), 81)
    pulses = written(tmp_path / "p.parquet", times, tubes)
    surveyed(["V1,,,B,2025-03-04T06:00,1,A"])
    command = ("tubes", "decode", pulses, "--survey", "V1", "-w", ws, "--json")
    dry = json.loads(countmap(*command, "--dry-run").out)
    assert dry["kept"] is None
    assert not list(ws.rglob("vehicles*"))

    first = json.loads(countmap(*command).out)
    vehicles = pd.read_parquet(ws / first["kept"]["vehicles"])
    assert len(vehicles) == first["vehicles"]
    cells = queries.hour_cells(api.open_workspace(ws))
    whole = cells[cells["sense"] != "both"].dropna(subset=["count"])
    civil = pd.Timestamp("2025-03-04T06:00") + pd.to_timedelta(vehicles["time_us"], unit="us")
    for row in whole.itertuples():
        there = (civil.dt.hour == row.hour) & (vehicles["sense"] == row.sense)
        assert row.count == there.sum()
    assert len(whole) == 4  # two whole hours, two senses

    again = json.loads(countmap(*command).out)["kept"]
    assert again["already"]
    surveyed(["V1,,,B,2025-03-04T06:00,1.02,A"])
    other = json.loads(countmap(*command).out)
    assert other["kept"]["replaced"] == [first["kept"]["vehicles"]]
    assert (ws / first["kept"]["vehicles"]).exists()
    files = api.open_workspace(ws).register.frame("files")["name"].tolist()
    assert files == [other["kept"]["vehicles"]]
    assert countmap("undo", str(other["kept"]["decision"]), "-w", ws).code == 0
    assert countmap("check", "-w", ws).code == 0


def test_the_survey_s_own_quality_is_its_count_error_unless_one_was_given(
    countmap, ws, surveyed, tmp_path
):
    times, tubes, _ = simulate(World(hours=2, miss=0.1), 82)
    pulses = written(tmp_path / "p.parquet", times, tubes)
    surveyed(["V1,,,B,2025-03-04T06:00,1,A,", "V2,,,C,2025-03-04T06:00,1,A,0.04"], ",count_error")
    for survey in ("V1", "V2"):
        ended = countmap("tubes", "decode", pulses, "--survey", survey, "-w", ws, "--json")
        found = json.loads(ended.out)["count_error"]
        assert 0.005 < found < 0.03
    surveys = api.open_workspace(ws).register.frame("surveys").set_index("survey_id")
    assert surveys["count_error"].to_dict() == {"V1": pytest.approx(found, abs=1e-4), "V2": 0.04}


def test_epochs_have_their_own_geometry_and_a_spacing_that_moved_is_followed(
    countmap, ws, surveyed, tmp_path
):
    """Re-laid after an hour, 1.00 m before; 1.10 m then, 1.14 m when it was taken up."""
    one = simulate(World(hours=1, longer_b=0), 83)
    later = simulate(World(hours=1, longer_b=0, spacing=1.12), 84)
    times = np.concatenate([one[0], later[0] + 4_200_000_000])
    pulses = written(tmp_path / "p.parquet", times, np.concatenate([one[1], later[1]]))
    row = "B,2025-03-04T06:00,1,A,0,0"
    more = ",lead_a_m,lead_b_m,spacing_middle_m,spacing_end_middle_m"
    surveyed([f"V1,1,,{row},1,1", f"V1,2,2025-03-04T07:10,{row},1.10,1.14"], more)
    ended = countmap("tubes", "decode", pulses, "--survey", "V1", "-w", ws, "--json")
    assert ended.code == 0, ended.err
    said = json.loads(ended.out)
    assert said["epochs"] == 2
    found = pd.read_parquet(ws / said["kept"]["vehicles"])
    second = found["time_us"] > 4_200_000_000
    for truth, here in ((one[2], ~second), (later[2], second)):
        assert found["speed_kmh"][here].mean() == pytest.approx(truth.speed.mean(), rel=0.01)
    # the spacing widens by 3.6 % from one end to the other: what is read early is read too fast
    part = (found["time_us"][second] - 4_300_000_000) / 3_600_000_000
    early, late = (found["speed_kmh"][second][part < 0.3], found["speed_kmh"][second][part > 0.7])
    speeds = later[2].speed, later[2].time / 3600
    true_early, true_late = speeds[0][speeds[1] < 0.3].mean(), speeds[0][speeds[1] > 0.7].mean()
    assert early.mean() / true_early < late.mean() / true_late - 0.01

    ended = countmap("tubes", "verify", "V1", pulses, "-w", ws)
    assert "survey V1 has 2 epochs, each with its geometry. Name one: --epoch 1 to 2" in ended.err
    ended = countmap("tubes", "verify", "V1", pulses, "-w", ws, "--epoch", "2", "--json")
    assert json.loads(ended.out)["used"]["spacing_ab_m"] == pytest.approx(1.12)

    surveyed([f"V1,1,,{row},1,1", f"V1,2,,{row},1.10,1.14"], more)
    ended = countmap("tubes", "decode", pulses, "--survey", "V1", "-w", ws)
    assert ended.code == 1
    assert "survey V1, epoch 2: epoch_started is missing. Correct surveys.csv" in ended.err


def test_swapped_tubes_on_a_one_way_road_are_proposed_and_set_right_on_request(
    countmap, ws, surveyed, tmp_path
):
    """Station D lies on a one-way road; its vehicles strike B first, the record says A."""
    times, tubes, _ = simulate(World(hours=2, share_ab=0.0), 85)
    pulses = written(tmp_path / "p.parquet", times, tubes)
    surveyed(["V1,,,D,2025-03-04T06:00,1,A"])
    command = ("tubes", "verify", "V1", pulses, "-w", ws)
    said = countmap(*command).out
    assert "A and B are swapped, or first_tube_with is wrong" in said
    assert "Proposed: the other tube is struck first by `with`" in said
    done = json.loads(countmap(*command, "--apply", "--json").out)
    surveys = api.open_workspace(ws).register.frame("surveys")
    assert surveys["first_tube_with"].tolist() == ["B"]
    assert "swapped" not in countmap(*command).out
    assert countmap("undo", str(done["applied"]), "-w", ws).code == 0
    assert api.open_workspace(ws).register.frame("surveys")["first_tube_with"].tolist() == ["A"]


def test_a_tube_that_slackens_shows_in_its_day(countmap, ws, surveyed, tmp_path):
    times, tubes, _ = simulate(World(hours=40, flow=100, miss=0), 86)
    day = (times + 6 * 3_600_000_000) // 86_400_000_000
    lost = (day == 1) & (tubes == 1) & (np.arange(len(times)) % 5 == 0)
    pulses = written(tmp_path / "p.parquet", times[~lost], tubes[~lost])
    surveyed(["V1,,,B,2025-03-04T06:00,1,A"])
    said = json.loads(countmap("tubes", "verify", "V1", pulses, "-w", ws, "--json").out)
    finding = next(f for f in said["findings"] if f["name"] == "tubes by day")
    assert finding["verdict"] == "bad"
    assert "on day 2, the worst of 2" in finding["why"]
    assert [d["day"] for d in said["tubes_by_day"]] == ["2025-03-04", "2025-03-05"]
