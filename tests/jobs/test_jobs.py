"""The jobs on the worked town: staleness, decisions and undo, what the documents hold."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

from countmap import tables
from countmap.errors import Conflict
from countmap.jobs import (
    annual,
    balance,
    counts,
    coverage,
    flags,
    plan,
    register,
    releases,
    roads,
    stations,
)

DATA = Path(__file__).parent.parent.parent / "data"


def stale(ws):
    return {run["kind"]: run["because"] for run in register.status(ws)["runs"] if run["stale"]}


def test_a_fresh_result_is_current_and_a_decision_makes_it_stale(town):
    assert stale(town) == {}
    flag = town.register.frame("flags", state="excluded").iloc[0]["flag_id"]
    flags.decide(town, flag, "accepted", reason="it was a quiet week")
    assert "flags" in stale(town)["annual"]
    decision = register.log(town, last=1)["decisions"][0]["decision_id"]
    register.undo(town, decision)
    assert stale(town) == {}
    with pytest.raises(Conflict):
        register.undo(town, decision)


def test_a_second_estimate_is_the_same(town):
    before = town.register.results("annual", 2025).drop(columns="run_id")
    annual.estimate(town, year=2025)
    after = town.register.results("annual", 2025).drop(columns="run_id")
    pd.testing.assert_frame_equal(before, after)


def test_a_new_estimate_makes_the_balance_stale(town):
    annual.estimate(town, year=2025, method="textbook")
    assert stale(town)["balance"] == ["annual"]


def test_published_figures_carry_all_they_must(town):
    averages = town.register.results("annual", 2025)
    known = averages[averages["lower"].notna()]
    tables.require(averages, tables.ANNUAL)
    assert known[["year", "sense", "status", "method", "days", "level"]].notna().all().all()
    assert (known["lower"] <= known["aadt"]).all()
    assert (known["aadt"] <= known["upper"]).all()
    assert averages.loc[averages["lower"].isna(), "reason"].notna().all()
    flows = town.register.results("flows", 2025)
    tables.require(flows, tables.FLOWS)
    assert set(flows["status"]) >= {"measured", "estimated", "inferred", "modelled"}


def test_a_count_is_never_overwritten(town):
    flows = town.register.results("flows", 2025)
    counted = flows[flows["counted"].notna()]
    assert len(counted) > 50
    assert (counted["flow"] == counted["counted"]).all()


def test_explanations_lead_from_counts_to_the_figure(town):
    found = annual.explain(town, "S03", year=2025)
    assert [part["figure"]["sense"] for part in found["senses"]] == ["both", "with", "against"]
    both = found["senses"][0]
    assert both["chain"]["mean_of_counts"] * both["chain"]["factor"] == pytest.approx(
        both["figure"]["aadt"], rel=0.02
    )
    about = balance.explain(town, "S33", year=2025)
    assert about["places"]
    assert "S33" in about["suspects"][0]["set"]


def test_counts_show_civil_days(town):
    found = counts.show(town, "S03")
    assert {"date", "weekday", "counts", "note"} <= set(found["days"][0])
    assert found["days"][0]["counts"]["with"] is None, "the first day is a part day: no total"


def test_a_station_moves_along_its_section_only(town):
    row = town.register.frame("stations", station_id="S03").iloc[0]
    moved = stations.move(
        town, "S03", lon=row["lon"] + 0.0002, lat=row["lat"], reason="pole removed"
    )
    assert moved["link_id"]
    far = town.register.frame("stations", station_id="S24").iloc[0]
    with pytest.raises(Conflict, match="carries other traffic"):
        stations.move(town, "S03", lon=far["lon"], lat=far["lat"])
    register.undo(town, moved["decision"])
    again = town.register.frame("stations", station_id="S03").iloc[0]
    assert (again["lon"], again["offset_m"]) == (row["lon"], row["offset_m"])


def test_retiring_keeps_the_counts(town):
    stations.retire(town, "S03", on="2025-12-31", reason="road closed for good")
    assert counts.show(town, "S03")["days"]


def test_replacing_the_network_by_itself_reversed_keeps_the_meaning(town, tmp_path):
    """Every link drawn the other way round: the same stations, senses and figures in the world."""
    before = town.register.results("flows", 2025)
    raw = json.loads((DATA / "roads.geojson").read_text())
    for feature in raw["features"]:
        feature["geometry"]["coordinates"].reverse()
        own = feature["properties"]
        own["from_node"], own["to_node"] = own["to_node"], own["from_node"]
        own["link_id"] = "r" + own["link_id"]
        own["allowed"] = {"with": "against", "against": "with"}.get(own["allowed"], own["allowed"])
    (tmp_path / "next.geojson").write_text(json.dumps(raw))
    document = roads.import_(town, tmp_path / "next.geojson", replace=True)
    assert document["crosswalk"]["lost"] == []
    assert document["crosswalk"]["matched"] == len(before["link_id"].unique())
    placed = town.register.frame("stations")
    assert placed["link_id"].str.startswith("r").all()
    annual.estimate(town, year=2025)
    balance.run(town, year=2025)
    after = town.register.results("flows", 2025)
    flip = {"with": "against", "against": "with", "both": "both"}
    counted = after[after["counted"].notna()].assign(
        link_id=lambda f: f["link_id"].str[1:], sense=lambda f: f["sense"].map(flip)
    )
    joined = counted.merge(before, on=["link_id", "sense"], suffixes=("_after", "_before"))
    assert len(joined) == len(counted)
    assert (joined["sources_after"] == joined["sources_before"]).all()


def test_due_and_next_have_reasons(town):
    due = coverage.due(town, on="2029-01-01")
    assert due["due"]
    assert all(row["why"] for row in due["due"])
    found = plan.next_(town, year=2025, budget=5)
    assert len(found["next"]) == 5
    assert all(row["why"] for row in found["next"])


def test_another_process_reads_while_one_writes(town):
    code = (
        "import sys; from countmap.jobs.common import open_workspace\n"
        "print(len(open_workspace(sys.argv[1]).register.frame('stations')))"
    )
    with town.register.transaction() as tx:
        tx.delete("flags", list(town.register.frame("flags")["flag_id"]))
        seen = subprocess.run(
            [sys.executable, "-c", code, town.path], capture_output=True, text=True, check=True
        )
    assert int(seen.stdout) == len(town.register.frame("stations"))


def test_published_data_say_the_same(town, tmp_path):
    releases.data(town, year=2025, out=tmp_path / "out")
    written = pd.read_csv(tmp_path / "out" / "annual.csv")
    known = town.register.results("annual", 2025)
    assert written["aadt"].to_numpy() == pytest.approx(known["aadt"].to_numpy(), nan_ok=True)


def test_what_was_counted_after_a_station_s_end_is_not_used(town):
    before = annual.explain(town, "S33", year=2025)["senses"][0]["chain"]["dates"]
    last = before[3]["dates"][0]
    retired = stations.retire(town, "S33", on=last, reason="closed")
    assert retired["counted_after"] is not None
    annual.estimate(town, year=2025)
    chain = annual.explain(town, "S33", year=2025)["senses"][0]["chain"]
    assert max(d for part in chain["dates"] for d in part["dates"]) <= last
    assert f"after {last}, the last day of the station" in chain["not_used"]
