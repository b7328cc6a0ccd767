"""The demo's own map in a real browser with the network off."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from countmap.jobs import publish
from countmap.jobs.common import open_workspace

HOSTILE = "<img src=x onerror=alert(1)>"


@pytest.fixture
def demo_map(worked):
    return Path(worked[1]["map"])


def test_the_demo_map_opens_a_station_by_key(sheet, demo_map):
    page = sheet(path=demo_map)
    page.locator('.stations button[data-station="S33"]').focus()
    page.keyboard.press("Enter")
    panel = page.locator("#panel")
    panel.wait_for(state="visible")
    words = panel.inner_text()
    assert "Estimated for 2025" in words
    assert "S32" in words, "the set the finding could mean"


def test_excluded_days_are_hatched_and_said(sheet, demo_map):
    page = sheet(path=demo_map, hash_="#station=P05")
    page.locator("#panel .figure").first.wait_for()
    assert page.locator("#panel .hatch").count() == 20
    chart = page.locator("#panel figure", has=page.locator(".hatch"))
    assert "20 excluded (hatched)" in chart.inner_text()
    assert "20 excluded" in chart.locator("svg").get_attribute("aria-label")
    boxes = page.locator("#panel .hatch").evaluate_all("all => all.map((r) => r.getBBox().height)")
    assert min(boxes) > 40, "a day of zeros is seen too"


def test_the_hourly_chart_names_the_year(sheet, demo_map):
    page = sheet(path=demo_map, hash_="#station=P05")
    page.locator("#panel .figure").first.wait_for()
    words = page.locator("#panel").inner_text()
    assert "The day by the hour, 2025" in words
    assert "Vehicles an hour, 2025" in words


PRINTED = """() => {
  window.dispatchEvent(new Event('beforeprint'));
  const words = [...document.querySelectorAll('#printed text')].filter((t) => t.getAttribute('fill') !== 'none');
  const said = words.map((t) => t.textContent);
  window.dispatchEvent(new Event('afterprint'));
  return said;
}"""


def test_carriageways_are_labelled_once_with_their_sum_and_one_way_roads_with_an_arrow(
    sheet, demo_map, worked
):
    flows = open_workspace(worked[0]).register.results("flows", 2025).dropna(subset=["flow"])
    half = flows[flows["link_id"].isin(["L111", "L112"]) & flows["sense"].ne("both")]
    page = sheet(path=demo_map)
    said = page.evaluate(PRINTED)
    assert f"{round(half['flow'].sum() / 500) * 500:,}" in said
    assert not {f"{round(one / 500) * 500:,}" for one in half["flow"]} & set(said)
    assert "one way only" in page.inner_text("#key-body")
    page = sheet(path=demo_map, hash_="#link=L113")
    assert "both ways together" in page.locator("#panel").inner_text()


BOXES = """(selector) => [...document.querySelectorAll(selector)].map((b) => {
  const r = b.getBoundingClientRect();
  return [(r.left + r.right) / 2, (r.top + r.bottom) / 2, r.left, r.top, r.right, r.bottom];
})"""


@pytest.mark.parametrize(("width", "height"), [(1400, 900), (390, 844)])
def test_the_words_of_a_screenline_cover_no_station_and_no_key(sheet, demo_map, width, height):
    page = sheet(path=demo_map, hash_="#view=disagree", width=width, height=height)
    words = page.evaluate(BOXES, ".lines button")
    assert len(words) == 2
    key = page.evaluate(BOXES, "#key, #corner")
    for _, _, left, top, right, bottom in words:
        for x, y, *_ in page.evaluate(BOXES, ".stations button"):
            assert not (left - 5 < x < right + 5 and top - 5 < y < bottom + 5)
        for _, _, west, north, east, south in key:
            assert right <= west or left >= east or bottom <= north or top >= south


def test_a_screenline_says_year_interval_and_verdict(sheet, demo_map):
    page = sheet(path=demo_map, hash_="#view=disagree")
    pattern = re.compile(
        r"^Screenline River Wennet: [\d,]+ a day, 2025, [\d,]+ to [\d,]+, untested$"
    )
    words = page.get_by_role("button", name=pattern)
    words.focus()
    assert "Untested: nothing else says what crosses it." in page.inner_text("#hover")
    page.click("#show-table")
    row = page.locator(".roll tr", has_text="River Wennet").inner_text()
    assert "untested" in row
    assert re.search(r"[\d,]+ a day in 2025 \([\d,]+ to [\d,]+\)", row)


@pytest.mark.parametrize(("width", "height"), [(1400, 900), (390, 844)])
@pytest.mark.parametrize("station", ["S23", "S17", "P07", "P05"])
def test_the_chosen_station_is_seen_beside_the_panel(sheet, demo_map, station, width, height):
    page = sheet(path=demo_map, hash_=f"#station={station}", width=width, height=height)
    page.locator("#panel .figure").first.wait_for()
    page.wait_for_function("document.getAnimations().length === 0")
    ((x, y, *_),) = page.evaluate(BOXES, f'.stations button[data-station="{station}"]')
    for _, _, left, top, right, bottom in page.evaluate(BOXES, "#panel, #margin"):
        assert not (left < x < right and top < y < bottom)
    assert 0 < x < width
    assert page.evaluate(BOXES, "#field")[0][3] < y < height


def test_on_a_phone_the_table_shows_figure_interval_and_status_without_scrolling(sheet, demo_map):
    page = sheet(path=demo_map, width=390, height=844)
    page.click("#show-table")
    heads = page.locator(".roll thead th").all_inner_texts()
    assert heads[:4] == ["Station", "Vehicles a day", "±", "Status"]
    for right in (box[4] for box in page.evaluate(BOXES, ".roll tbody tr:first-child > *")[:4]):
        assert right <= 390


def test_what_disagrees_names_the_places(sheet, demo_map):
    page = sheet(path=demo_map)
    page.get_by_text("What disagrees?").click()
    assert page.get_by_text("disagree").count() > 0


def test_a_hostile_name_from_a_workspace_stays_text(sheet, town, tmp_path):
    station = town.register.frame("stations", station_id="S33").assign(name=HOSTILE)
    with town.register.transaction() as tx:
        tx.put("stations", station)
    drawn = publish.map_(town, year=2025, title=HOSTILE, out=tmp_path / "hostile.html")
    page = sheet(path=Path(drawn["path"]))
    page.locator('.stations button[data-station="S33"]').click()
    page.locator("#panel").wait_for(state="visible")
    assert HOSTILE in page.locator("#panel").inner_text()
    assert page.locator("img").count() == 0
