"""The corridor strip in the browser: picked by hand or key, the same verdicts as the command's, on paper too."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from countmap.jobs import balance
from countmap.jobs.common import open_workspace

ROUTES = [("S32", "S33"), ("P04", "S33"), ("S10", "S27"), ("S36", "S44"), ("S25", "S04"), ("S26", "S12")]  # fmt: skip


@pytest.fixture
def demo_map(worked):
    return Path(worked[1]["map"])


def judged(page):
    """Return the steps the strip tells: (first and last station, verdict), in both senses."""
    found = set()
    for words in page.locator(".strip-table li").all_inner_texts():
        first, last = re.findall(r"\((\w+)\)", words)[:2]
        verdict = (
            "unexplained" if "nothing explains" in words
            else "cannot tell" if "cannot tell" in words else "explained"
        )  # fmt: skip
        found.add((first, last, verdict))
    return found


@pytest.mark.parametrize(("start", "end"), ROUTES)
def test_the_strip_judges_each_step_as_the_command_does(sheet, demo_map, worked, start, end):
    document = balance.corridor(open_workspace(worked[0]), start, end, year=2025)
    page = sheet(path=demo_map, hash_=f"#from={start}&to={end}")
    page.click(".strip-table summary")
    length = float(re.search(r"([\d.]+) km", page.inner_text(".strip-answer"))[1])
    assert length * 1000 == pytest.approx(document["length_m"], rel=0.01, abs=10)
    rows = page.locator(".strip-table tbody tr").evaluate_all(
        "rows => rows.filter((r) => r.lastChild.textContent === 'station').map((r) => r.children[1].textContent)"
    )
    stations = [re.search(r"\((\w+)\)", row)[1] for row in rows]
    assert sorted(stations) == sorted(one["station_id"] for one in document["stations"])
    told, close = set(), set()
    for step in document["steps"]:
        for sense in step["senses"]:
            ends = (step["from_station"], step["to_station"])
            ends = ends if sense["travel"] != "back" else ends[::-1]
            verdict = sense["verdict"].partition(":")[0]
            if 1.5 < abs(sense["z"]) < 3.5:  # the strip takes off what rounding may have made
                close.add(ends)
            elif verdict in ("unexplained", "cannot tell", "explained"):
                told.add((*ends, verdict))
    assert {one for one in judged(page) if one[:2] not in close} == told
    wrong = sum(verdict == "unexplained" for *_, verdict in told)
    assert page.locator(".strip-chart path.wrong").count() == wrong


def test_a_corridor_is_picked_by_keyboard_alone_and_closed_again(sheet):
    page = sheet()
    page.focus("#show-strip")
    page.keyboard.press("Enter")
    for words in ("s0012", "s0030"):
        page.keyboard.type(words)
        page.keyboard.press("Enter")
    label = page.get_attribute(".strip-chart svg", "aria-label")
    assert label.startswith("Flow from Harbour Road 13 to ")
    assert "from=S0012&to=S0030" in page.evaluate("location.hash")
    page.focus("#strip-swap")
    page.keyboard.press("Enter")
    assert "from=S0030&to=S0012" in page.evaluate("location.hash")
    page.focus(".strip-table summary")
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    page.locator("#panel .figure").wait_for()
    page.keyboard.press("Escape")
    assert page.locator("#strip").is_visible()
    page.keyboard.press("Escape")
    assert page.locator("#strip").is_hidden()
    assert page.evaluate("document.activeElement.id") == "show-strip"
    assert page.evaluate("location.hash") == ""
    page.keyboard.press("Enter")
    assert "from=S0030&to=S0012" in page.evaluate("location.hash"), "opened again it is in the link"


def test_a_corridor_is_picked_on_the_map(sheet):
    page = sheet()
    page.click("#show-strip")
    assert "Pick two stations" in page.inner_text("#strip-body")
    first, last = page.locator(".stations button").all()[:2]
    ids = [button.get_attribute("data-station") for button in (first, last)]
    first.click()
    assert "Pick where the corridor ends" in page.inner_text("#strip-body")
    page.locator(f'.stations button[data-station="{ids[1]}"]').click()
    assert page.locator(".strip-chart svg").count() == 1
    assert page.locator("#panel").is_hidden()
    assert f"from={ids[0]}&to={ids[1]}" in page.evaluate("location.hash")


def test_a_station_begins_a_corridor_and_bad_ends_are_told(sheet):
    page = sheet(hash_="#station=S0012")
    page.get_by_role("button", name="Corridor from here").click()
    assert "From Harbour Road 13. Pick where the corridor ends." in page.inner_text("#strip-body")
    page = sheet(hash_="#from=S0012&to=nobody")
    assert "Pick where the corridor ends" in page.inner_text("#strip-body")


def test_gaps_intervals_and_side_roads_are_drawn_from_the_figures(sheet):
    page = sheet(hash_="#from=S0012&to=S0030")
    roads = page.locator(".strip-table tbody tr").evaluate_all(
        "rows => rows.map((r) => [...r.children].map((c) => c.textContent))"
    )
    legs = [row for row in roads if row[4].startswith("road")]
    known = sum(bool(cell) for row in legs for cell in row[2:4])
    assert page.locator(".strip-chart .edge").count() == known > 2
    intervals = sum(" to " in cell for row in legs for cell in row[2:4])
    assert page.locator(".strip-chart .fringe").count() == intervals > 2
    sides = [row for row in roads if row[4] == "side road"]
    assert page.locator(".strip-chart .join").count() == len(sides) > 2


@pytest.mark.parametrize("width", [360, 1280])
def test_the_strip_fits_and_prints(sheet, width):
    page = sheet(width=width, height=740, hash_="#from=S0012&to=S0030")
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
    pdf = page.pdf(format="A4")
    assert pdf.count(b"/Type /Page\n") >= 2
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert page.locator(".strip-table").get_attribute("open") is not None
    assert page.locator(".strip-chart svg").bounding_box()["width"] <= 700
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
