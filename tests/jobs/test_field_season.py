"""From the plan to the kerb on the worked town: next, settle, seasons, rounds, and the sheets as pages."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pypdfium2
import pytest

from countmap.errors import InvalidInput, NotFound
from countmap.jobs import coverage, fieldsheets, plan, rounds

SEASON = {"first": "2026-05-04", "last": "2026-06-05"}
DEPOT = "6.90,54.40"


@pytest.fixture
def planned(town):
    plan.next_(town, year=2025, budget=4)
    rounds.rounds_(town, **SEASON, depot=DEPOT, crews=1, stock=4, names=("S06", "S21", "L277"))
    return town


def test_a_plan_is_a_run_and_grows_stale(town):
    found = plan.next_(town, year=2025, budget=3)
    runs = town.register.runs().set_index("kind")
    assert runs.loc["plan", "run_id"] == found["run_id"]
    assert not runs.loc["plan", "stale"]
    assert found["total"]["half_width_after"] < found["total"]["half_width_before"]
    for one in found["next"]:
        assert one["half_width_after"] < one["half_width_before"]
        assert one["why"]
    again = plan.next_(town, year=2025, budget=3, dry_run=True)
    assert [o["section_id"] for o in again["next"]] == [o["section_id"] for o in found["next"]]
    assert "run_id" not in again


def test_prices_must_and_exclusions_hold(town, tmp_path):
    free = plan.next_(town, year=2025, budget=3, dry_run=True)["next"]
    first = free[0]["section_id"]
    prices = tmp_path / "prices.csv"
    prices.write_text(f"id,cost\n{first},9\n")
    dear = plan.next_(town, year=2025, budget=3, cost=prices, dry_run=True)
    assert first not in [o["section_id"] for o in dear["next"]]
    held = plan.next_(town, year=2025, budget=3, must=("S06",), exclude=(first,), dry_run=True)[
        "next"
    ]
    assert held[0]["station_id"] in {"S06", "S05"} or held[0]["must"]
    assert first not in [o["section_id"] for o in held]
    prices.write_text("id,cost\nnowhere,2\n")
    with pytest.raises(
        InvalidInput, match=r"prices\.csv:2: there is no station, link or section 'no"
    ):
        plan.next_(town, year=2025, budget=3, cost=prices)
    with pytest.raises(InvalidInput, match="must be counted and is excluded; drop one"):
        plan.next_(town, year=2025, budget=3, must=(first,), exclude=(first,))
    with pytest.raises(InvalidInput, match="--weights 'heavy' is neither none, km, vehicle-km"):
        plan.next_(town, year=2025, budget=3, weights="heavy")


def test_a_dispute_of_the_balance_is_settled_on_its_own_road(town):
    found = plan.settle_(town, "S33", year=2025)
    assert found["suspects"] == ["S32", "S33"]
    assert found["counts"][0]["road"] == "Southern Ring"
    assert found["counts"][0]["odds"] > 20


def test_what_is_due_is_told_by_reach(town):
    found = coverage.due(town, on="2027-01-01")
    assert found["reaches"] < found["sections"]
    assert 0 < found["known_km"] < found["all_km"]
    assert found["vehicle_km_in_cycle"] <= found["vehicle_km"]


def test_an_unknown_setting_is_refused(town):
    from countmap.workspace import open_workspace

    file = town.path / "countmap.toml"
    file.write_text(file.read_text().replace("[plan]", "[plan]\nspread_of = 2"))
    with pytest.raises(
        InvalidInput, match=r"\[plan\] 'spread_of' is unknown; known are access_per_km"
    ):
        plan.next_(open_workspace(town.path), year=2025, budget=1)


def test_seasons_and_rounds_refuse_what_makes_no_season(town):
    with pytest.raises(NotFound, match="there is no plan; name stations or sections"):
        rounds.seasons_(town, **SEASON)
    with pytest.raises(InvalidInput, match="--from 2026-06-05 does not lie before --to 2026-05-04"):
        rounds.seasons_(town, first="2026-06-05", last="2026-05-04", names=("S06",))
    with pytest.raises(InvalidInput, match="--depot 'here' is no position; write lon,lat"):
        rounds.rounds_(town, **SEASON, depot="here", names=("S06",))
    found = rounds.rounds_(
        town, first="2026-05-04", last="2026-05-07", depot=DEPOT, names=("S06",), dry_run=True
    )
    assert found["missing"] == ["S06"]
    assert "lengthen the season" in found["breaks"][0]


def pages(path):
    return [page.render(scale=1, grayscale=True).to_numpy() for page in pypdfium2.PdfDocument(path)]


def test_a_stations_sheet_is_one_page_that_reads_in_grey(planned):
    for name in ("S06", "L277"):
        made = fieldsheets.fieldsheet(planned, name, pdf=True)
        html, pdf = made["files"]
        (grey,) = pages(pdf)
        grey = grey.squeeze()
        assert (grey < 100).mean() > 0.01  # ink
        assert (grey > 245).mean() > 0.8  # paper
        text = pypdfium2.PdfDocument(pdf)[0].get_textpage().get_text_bounded()
        for said in ("Tubes as laid", "The four checks", "Collected", "Beside traffic", "Kit:"):
            assert said in text
        page = Path(html).read_text(encoding="utf-8")
        assert "<script" not in page
        assert not re.search(r'(src|href)="(https?:)?//', page)


def test_the_limits_are_those_of_this_roads_speed(planned):
    # 1 % of the speed allows a lead difference of 15 cm at 80 km/h and 24 cm at 50 km/h.
    for name, said in (("S06", "± 15 cm at 80 km/h"), ("L277", "± 24 cm at 50 km/h")):
        made = fieldsheets.fieldsheet(planned, name, pdf=True)
        text = pypdfium2.PdfDocument(made["files"][1])[0].get_textpage().get_text_bounded()
        assert said in " ".join(text.split())
        assert ("nobody crosses" in text) == (name == "S06")


def test_a_round_has_its_stops_and_a_page_for_each_station(planned):
    run = rounds.last_rounds(planned)
    name = run["document"]["visits"][0]["round"]
    stops = [v for v in run["document"]["visits"] if v["round"] == name]
    made = fieldsheets.fieldsheet(planned, name, pdf=True)
    found = pages(made["files"][1])
    assert len(found) == 1 + len(stops)
    assert all(np.mean(page < 100) > 0.005 for page in found)
    with pytest.raises(NotFound, match="there is no round '2026-01-01/9'; the last plan has 2026"):
        fieldsheets.fieldsheet(planned, "2026-01-01/9")
    with pytest.raises(NotFound, match="'nowhere' is no placed station, link or section"):
        fieldsheets.fieldsheet(planned, "nowhere")


def test_the_map_shows_the_plan_first_and_when_somebody_comes(town):
    from countmap.jobs import publish
    from countmap.publish.answers import answers
    from countmap.publish.payload import link_rows

    chosen = [o["section_id"] for o in plan.next_(town, year=2025, budget=3)["next"]]
    rounds.rounds_(town, **SEASON, depot=DEPOT, crews=1, stock=4)
    content = publish.map_content(town, year=2025, audience="internal")
    due = content.due
    assert due["planned"].tolist()[:4] == [True, True, True, False]
    assert due["why"].iloc[0].startswith("planned: never counted, known within a factor of")
    assert due["visit"].iloc[0].startswith("set 2026-")
    assert "; collect 2026-" in due["visit"].iloc[0]
    assert due["visit"].iloc[3:].isna().all()
    assert not due["link_id"].duplicated().any()
    assert len(chosen) == 3
    said = answers(content, link_rows(content))[3]["answer"]
    assert said.startswith("3 counts planned, ")
    assert "places due; " in said
