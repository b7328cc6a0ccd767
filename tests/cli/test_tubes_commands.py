"""``countmap tubes``: the budget and the decoder at the command line."""

from __future__ import annotations

import json

import pandas as pd
import pytest
from made_tubes import World, simulate

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
    assert ended.out.count("\n! ") == 6


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
