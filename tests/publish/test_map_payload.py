"""What the page carries: the right figures, nothing of the wrong audience, text that cannot act."""

from __future__ import annotations

import base64
import dataclasses
import gzip
import json
import re

import numpy as np
import pandas as pd
import pytest
from made_town import HOSTILE, town
from shapely.geometry import MultiLineString

from countmap.errors import InvalidInput
from countmap.publish.content import PAIR_COLUMNS
from countmap.publish.map import render_map, write_map
from countmap.publish.packed import unpack
from countmap.publish.payload import script_json


def block(page: str, name: str) -> str:
    return re.search(rf'<script type="[^"]*" id="{name}">(.*?)</script>', page, re.DOTALL)[1]


def tables(page: str, name: str) -> dict:
    return unpack(gzip.decompress(base64.b64decode(block(page, name))))


@pytest.fixture(scope="module")
def internal():
    content = town()
    return content, render_map(content)


def test_the_figures_are_those_of_the_tables_rounded(internal):
    content, page = internal
    links = tables(page, "countmap-network")["links"]
    given = content.flows[content.flows["sense"] == "both"].set_index("link_id")["flow"]
    for link, figure in zip(links["link_id"], links["figure"], strict=True):
        flow = given.get(link, np.nan)
        if figure is None:
            assert np.isnan(flow)
        elif not np.isnan(flow):
            assert abs(figure - flow) <= (250 if flow >= 10_000 else 50)
    assert sorted(links["link_id"]) == sorted(content.links["link_id"])


def test_the_head_holds_four_questions_with_answers(internal):
    head = json.loads(block(internal[1], "countmap-head"))
    assert [q["question"] for q in head["questions"]] == [
        "What is the traffic?", "How sure are we?", "What disagrees?", "Where next?",
    ]  # fmt: skip
    answers = {q["key"]: q["answer"] for q in head["questions"]}
    assert answers["traffic"].startswith("2025: a figure on 58 km of 70 km; most on Mill Street, ")
    assert (
        answers["disagree"]
        == "2 of 3 places and 0 of 1 screenline disagree; 5 stations need a look."
    )
    assert answers["next"].startswith("3 places due; ")


def test_the_carriageways_of_a_pair_carry_the_sum_of_both(internal):
    content = internal[0]
    a, b = sorted(content.links["link_id"])[:2]
    pairs = pd.DataFrame(
        [("B", f"{b} X9", None, None, None), (a, f"{a} L00050", 64_120.0, 62_000.0, 67_300.0)],
        columns=list(PAIR_COLUMNS),
    )
    page = render_map(dataclasses.replace(content, pairs=pairs))
    network = tables(page, "countmap-network")
    assert network["pairs"]["figure"] == [None, 64_000.0]
    assert network["pairs"]["rel"] == [None, pytest.approx(0.05, abs=0.001)]
    pair_of = dict(zip(network["links"]["link_id"], network["links"]["pair"], strict=True))
    assert (pair_of[a], pair_of["L00050"], pair_of[b], pair_of["L00051"]) == (1, 1, 0, None)
    answer = json.loads(block(page, "countmap-head"))["questions"][0]["answer"]
    assert "64,000 vehicles a day (62,000 to 67,500)" in answer, "the pair is one road"
    assert page == render_map(dataclasses.replace(content, pairs=pairs.iloc[::-1]))


def test_where_next_names_the_longest_roads_without_a_figure(internal):
    public = render_map(dataclasses.replace(internal[0], audience="public"))
    rows = pd.DataFrame(
        {k: tables(public, "countmap-network")["links"][k] for k in ("name", "length_m", "figure")}
    )
    bare = rows[rows["figure"].isna()].groupby("name")["length_m"].sum()
    first = bare.sort_values(ascending=False).index[:3]
    answer = json.loads(block(public, "countmap-head"))["questions"][3]["answer"]
    assert answer.endswith(f"; longest without a figure first: {', '.join(first)}.")


def test_details_hold_profiles_series_and_gaps(internal):
    content, page = internal
    details = tables(page, "countmap-details")
    stations = tables(page, "countmap-network")["stations"]["station_id"]
    assert len(details["profile_values"]["value"]) == 24 * len(details["profiles"]["station"])
    days = {
        stations[int(s)]: n
        for s, n in zip(details["series"]["station"], details["series"]["days"], strict=True)
    }
    assert days["S0000"] == 365
    counts = details["series_values"]["count"][:365]
    assert counts == [None if c is None else float(c) for _, c, _ in content.day_series["S0000"]]
    assert sum(details["series_values"]["excluded"][:365]) == 7


def test_a_public_page_names_nobody_and_shows_no_plan(internal):
    public = render_map(dataclasses.replace(internal[0], audience="public"))
    text = gzip.decompress(base64.b64decode(block(public, "countmap-details"))).decode(
        "utf-8", "replace"
    )
    network = tables(public, "countmap-network")
    assert "A. Person" not in text
    assert "set by" not in text
    assert network["due"]["why"] == []
    inside = gzip.decompress(base64.b64decode(block(internal[1], "countmap-details"))).decode(
        "utf-8", "replace"
    )
    assert "A. Person" in inside


def test_hostile_text_is_nowhere_in_the_markup(internal):
    page = internal[1]
    for text in (HOSTILE, "alert(2)", "${alert(3)}", "svg onload"):
        assert text not in page
    titled = render_map(
        dataclasses.replace(internal[0], title=HOSTILE, notes=("</script>\u2028<b>",))
    )
    assert HOSTILE not in titled
    assert json.loads(block(titled, "countmap-head"))["notes"] == ["</script>\u2028<b>"]


def test_script_json_escapes_what_a_script_could_read():
    text = script_json({"a": "</script><!--&\u2028\u2029"})
    assert not set("<>&\u2028\u2029") & set(text)
    assert json.loads(text) == {"a": "</script><!--&\u2028\u2029"}


def test_equal_content_makes_equal_bytes_whatever_the_row_order(internal):
    content, page = internal
    turned = dataclasses.replace(
        content,
        links=content.links.iloc[::-1], flows=content.flows.sample(frac=1, random_state=1),
        stations=content.stations.iloc[::-1], annual=content.annual.sample(frac=1, random_state=2),
        flags=content.flags.iloc[::-1], findings=content.findings.iloc[::-1],
    )  # fmt: skip
    assert render_map(turned) == page


def test_an_empty_workspace_still_makes_a_map():
    content = town()
    bare = dataclasses.replace(
        content, flows=content.flows.iloc[:0], annual=content.annual.iloc[:0],
        stations=content.stations.iloc[:0], flags=content.flags.iloc[:0],
        findings=content.findings.iloc[:0], junctions=content.junctions.iloc[:0],
        screenlines=content.screenlines.iloc[:0], due=content.due.iloc[:0],
    )  # fmt: skip
    head = json.loads(block(render_map(bare), "countmap-head"))
    answers = [q["answer"] for q in head["questions"]]
    assert answers[0] == "No road has a figure for 2025."
    assert answers[2] == "No place or screenline could be tested; no station needs a look."


def test_the_file_is_written_whole_or_not_at_all(tmp_path):
    path = tmp_path / "maps" / "town.html"
    assert write_map(path, town()) == path
    kept = path.read_bytes()
    wrong = dataclasses.replace(town(), links=town().links.to_crs(3857))
    with pytest.raises(
        InvalidInput, match=r"the map's links must be in WGS84 \(EPSG:4326\), got EPSG:3857"
    ):
        write_map(path, wrong)
    assert path.read_bytes() == kept
    assert [p.name for p in path.parent.iterdir()] == ["town.html"]


def test_content_that_cannot_be_drawn_is_refused():
    content = town()
    links = content.links.copy()
    links.loc[0, "geometry"] = MultiLineString([[(0, 0), (1, 1)], [(2, 2), (3, 3)]])
    with pytest.raises(InvalidInput, match="link L00000 has a MultiLineString geometry"):
        render_map(dataclasses.replace(content, links=links))
    with pytest.raises(InvalidInput, match="the map's due need the column 'why'"):
        render_map(
            dataclasses.replace(content, due=pd.DataFrame({"station_id": [], "link_id": []}))
        )
    with pytest.raises(InvalidInput, match="audience must be public or internal, got 'friends'"):
        render_map(dataclasses.replace(content, audience="friends"))
    with pytest.raises(InvalidInput, match="profile of station S0001, sense with, has 3 values"):
        render_map(
            dataclasses.replace(content, profiles={"S0001": {"weekday": {"with": [1, 2, 3]}}})
        )


def test_flags_are_told_in_civil_time_whole_days_without_a_clock():
    content = town()
    spans = [
        ("2025-03-29T23:00", "2025-03-30T22:00", "2025-03-30"),  # the day clocks go forward
        ("2025-07-01T22:00", "2025-07-04T22:00", "2025-07-02 to 2025-07-04"),
        ("2025-07-01T05:00", "2025-07-01T09:30", "2025-07-01 07:00 to 11:30"),
    ]
    flags = content.flags.assign(
        first_utc=pd.to_datetime([first for first, _, _ in spans], utc=True).as_unit("us"),
        last_utc=pd.to_datetime([last for _, last, _ in spans], utc=True).as_unit("us"),
        flag_id=["a", "b", "c"], station_id="S0000",
    )  # fmt: skip
    page = render_map(dataclasses.replace(content, flags=flags, timezone="Europe/Berlin"))
    told = tables(page, "countmap-network")["flags"]
    assert set(told["when"]) == {words for _, _, words in spans}
    assert told["day"] == ["2025-03-30", "2025-07-02", "2025-07-01"], "a note comes last"


def test_screenline_totals_are_rounded_like_all_figures():
    content = town()
    lines = content.screenlines.assign(total=41_237.0)
    page = render_map(dataclasses.replace(content, screenlines=lines))
    assert tables(page, "countmap-network")["screenlines"]["total"] == [41_000.0]
