"""The map in a real browser with the network off: it draws, opens by hand and key, and keeps text text."""

from __future__ import annotations

import dataclasses
import re
from datetime import date

import geopandas as gpd
import pandas as pd
import pytest
from made_town import HOSTILE, town
from shapely.geometry import box

from countmap.publish.content import Summary
from countmap.publish.map import write_map

SCALED = "document.documentElement.scrollWidth - window.innerWidth"
INKED = """(pane) => {
  const canvas = document.querySelector(`.leaflet-${pane}-pane canvas`);
  const copy = document.createElement('canvas');
  [copy.width, copy.height] = [canvas.width, canvas.height];
  const context = copy.getContext('2d', { willReadFrequently: true });
  context.drawImage(canvas, 0, 0);
  const data = context.getImageData(0, 0, copy.width, copy.height).data;
  let inked = 0;
  for (let k = 3; k < data.length; k += 4) inked += data[k] > 0;
  return inked / (canvas.width * canvas.height);
}"""


def focused(page):
    return page.evaluate(
        "document.activeElement.id || document.activeElement.dataset.station || ''"
    )


def press_until(page, key, wanted, most=40):
    for _ in range(most):
        page.keyboard.press(key)
        if wanted(page):
            return
    raise AssertionError(f"{most} × {key} did not get there; focus is on {focused(page)!r}")


def on_station(page):
    return page.evaluate("Boolean(document.activeElement.closest('.stations'))")


def test_the_map_draws_its_roads_and_stations(sheet):
    page = sheet()
    assert page.title() == "Wieselbruck on the Aune: traffic 2025"
    assert page.evaluate(INKED, "roads") > 0.03
    assert page.evaluate(INKED, "marks") > 0.002
    assert page.locator(".stations button").count() > 40
    assert page.locator("#key-body li").count() > 10


def test_the_page_makes_no_request_and_its_policy_forbids_any(sheet):
    page = sheet()
    page.locator('.stations button[data-station="S0003"]').click()
    page.locator("#panel").wait_for(state="visible")
    assert page.watch.requests == [page.url.partition("#")[0]]
    assert page.evaluate("performance.getEntriesByType('resource').length") == 0
    forbidden = page.evaluate(
        """() => new Promise((done) => {
          document.addEventListener('securitypolicyviolation', (e) => done(e.effectiveDirective));
          const policy = document.querySelector('meta[http-equiv]').content;
          if (!policy.startsWith("default-src 'none';")) done('no policy');
          document.createElement('img').src = 'https://example.invalid/a.png';
        })"""
    )
    assert forbidden == "img-src"
    # The attempt itself is reported: as a request that the policy stopped, and as an error.
    page.watch.requests.clear()
    page.watch.errors.clear()


def test_a_station_opens_by_mouse_and_says_how_sure_first(sheet):
    page = sheet()
    page.locator('.stations button[data-station="S0020"]').click()
    panel = page.locator("#panel")
    panel.wait_for(state="visible")
    words = panel.inner_text()
    assert words.index("Sure to ± ") < words.index("vehicles a day")
    assert "estimated for 2025 from 7 days" in words
    for part in ("average day of 2025", "both senses", "method matched", "7 days", "95 % interval"):
        assert part in words, part
    assert panel.locator("svg[role=img]").count() == 2
    page.get_by_role("button", name="Close").click()
    assert panel.is_hidden()


@pytest.mark.parametrize(
    ("station", "first"),
    [
        ("S0003", "In doubt: counts too little or too much in both senses;"),
        ("S0007", "In doubt: senses swapped;"),
        ("S0009", "May be meant by: counts too little or too much in both senses, here or at "),
    ],
)
def test_a_doubtful_count_is_given_no_assurance_before_the_doubt(sheet, station, first):
    page = sheet(hash_=f"#station={station}")
    page.locator("#panel .figure").wait_for()
    line = page.locator("#panel .sure").first.inner_text()
    assert line.startswith(first)
    assert re.search(r"; ± \d+ % only if the count is right\. Estimated for 2025", line)
    assert "Sure to" not in page.locator("#panel").inner_text()
    page.keyboard.press("Escape")
    page.locator(f'.stations button[data-station="{station}"]').focus()
    hover = page.locator("#hover span").all_inner_texts()
    assert hover[0].startswith(first.rstrip(";"))
    assert "only if the count is right" in hover[1]


def test_a_failed_check_casts_doubt_as_well(sheet):
    page = sheet(hash_="#station=S0000")
    page.locator("#panel .figure").wait_for()
    words = page.locator("#panel").inner_text()
    assert "In doubt: level shift; ± 3 % only if the count is right" in words
    assert "2 findings below" in words
    assert words.index("Findings") < words.index("Noted") < words.index("spring fair")


def test_names_that_repeat_carry_their_ids(sheet):
    page = sheet(hash_="#station=S0003")
    page.locator("#panel .figure").wait_for()
    words = page.locator("#panel .findings").first.inner_text()
    assert "28 % less than the junctions at both ends say" in words
    assert re.search(r"It could as well be .+ \(S0009\)\.", words)
    label = page.locator('.stations button[data-station="S0012"]').get_attribute("aria-label")
    assert label.startswith("Harbour Road 13 (S0012), permanent station")


def test_a_station_opens_by_keyboard_and_closes_to_where_it_was(sheet):
    page = sheet()
    press_until(page, "Tab", on_station)
    page.keyboard.press("ArrowRight")
    station = focused(page)
    assert station.startswith("S")
    assert page.locator("#hover").is_visible()
    page.keyboard.press("Enter")
    page.locator("#panel").wait_for(state="visible")
    assert focused(page) == "panel-title"
    page.keyboard.press("Escape")
    assert page.locator("#panel").is_hidden()
    assert focused(page) == station


def test_hostile_names_stay_text_everywhere(sheet):
    page = sheet()
    page.locator('.stations button[data-station="S0004"]').click()
    assert page.locator("#panel h2").inner_text() == HOSTILE
    page.fill("#search-input", "<img")
    assert page.locator("#search-list li").first.inner_text().startswith(HOSTILE)
    page.keyboard.press("Escape")
    page.hover('.stations button[data-station="S0004"]')
    assert page.locator("#hover strong").inner_text() == f"{HOSTILE} (S0004)"
    page.click("#show-table")
    assert page.get_by_role("button", name=HOSTILE, exact=True).count() == 1
    assert page.locator("#sheet img, #sheet svg[onload]").count() == 0
    page.locator('button.go[data-station="S0006"]').click()
    assert "${alert(3)} {{7*7}} \\" in page.locator("#panel").inner_text()


@pytest.mark.parametrize(
    ("view", "answer", "mark"),
    [
        ("sure", "known within ± 10 %", "a figure, no interval"),
        ("disagree", "2 of 3 places", "place: in and out differ"),
        ("next", "3 places due", "due, the first in order"),
        ("traffic", "a figure on 58 km of 70 km", "measured"),
    ],
)
def test_each_question_has_its_answer_its_drawing_and_its_key(sheet, view, answer, mark):
    page = sheet()
    before = page.evaluate(INKED, "roads")
    page.click(f'button[data-view="{view}"]')
    assert answer in page.inner_text("#answer")
    assert mark in page.inner_text("#key-body")
    assert page.locator('#questions [aria-pressed="true"]').get_attribute("data-view") == view
    same = page.evaluate(INKED, "roads") == pytest.approx(before, rel=0.005)
    assert same == (view == "traffic")


def test_a_junction_that_disagrees_opens_and_leads_to_its_stations(sheet):
    page = sheet(hash_="#view=disagree")
    page.click("#show-table")
    page.get_by_role("button", name="Mill Street and Castle Hill").click()
    words = page.locator("#panel").inner_text()
    assert "1,240 ± 476 a day more in than out: 5.1 standard errors" in words
    page.locator("#panel .go").first.click()
    page.locator("#panel .figure").wait_for()
    assert "S0003" in page.evaluate("location.hash")


def test_the_table_holds_the_same_figures_sorts_and_opens(sheet):
    page = sheet()
    page.click("#show-table")
    body = page.locator(".roll tbody tr")
    assert body.count() == 52
    head = page.get_by_role("columnheader", name="Vehicles a day")
    head.get_by_role("button").click()
    assert head.get_attribute("aria-sort") == "ascending"
    head.get_by_role("button").click()
    assert head.get_attribute("aria-sort") == "descending"
    figures = [
        int(t.replace(",", ""))
        for t in page.locator(".roll tbody td:nth-child(2)").all_inner_texts()
    ]
    assert figures == sorted(figures, reverse=True)
    first = body.first.locator("button")
    first.focus()
    page.keyboard.press("Enter")
    page.locator("#panel").wait_for(state="visible")
    assert page.locator("#panel .figure strong").inner_text() == f"{figures[0]:,}"
    page.keyboard.press("Escape")
    assert page.evaluate("document.activeElement.className") == "go"


def test_search_finds_by_name_id_and_without_accents(sheet):
    page = sheet()
    for words, title in (
        ("s0012", "Harbour Road 13"),
        ("harbour road 13", "Harbour Road 13"),
        ("Häŕbour Road 13", "Harbour Road 13"),
    ):
        page.fill("#search-input", words)
        page.keyboard.press("Enter")
        page.locator("#panel").wait_for(state="visible")
        assert page.locator("#panel-title").inner_text() == title
        page.keyboard.press("Escape")
    page.fill("#search-input", "weir lane")
    page.keyboard.press("Enter")
    assert page.locator("#panel-title").inner_text().startswith("Weir Lane")
    page.fill("#search-input", "no such place")
    assert page.inner_text("#search-list") == "Nothing by that name or id"


def test_an_address_leads_back_to_view_and_station(sheet):
    page = sheet(hash_="#view=sure&station=S0009")
    page.locator("#panel").wait_for(state="visible")
    assert page.locator(".place").inner_text().startswith("Station S0009")
    assert "known within" in page.inner_text("#answer")


def test_a_road_under_the_pointer_is_named_and_opens(sheet):
    page = sheet()
    at = page.evaluate(
        """() => {
          const map = document.getElementById('map_countmap').getBoundingClientRect();
          const canvas = document.querySelector('.leaflet-roads-pane canvas');
          const box = canvas.getBoundingClientRect();
          const fine = canvas.width / box.width;
          const copy = document.createElement('canvas');
          [copy.width, copy.height] = [canvas.width, canvas.height];
          const context = copy.getContext('2d', { willReadFrequently: true });
          context.drawImage(canvas, 0, 0);
          for (let y = map.top + 60; y < map.bottom - 60; y += 3) {
            for (let x = map.left + 400; x < map.right - 100; x += 3) {
              if (document.elementFromPoint(x, y).closest('button')) continue;
              const pixel = context.getImageData((x - box.left) * fine, (y - box.top) * fine, 1, 1).data;
              if (pixel[3] === 255 && pixel[0] < 60) return [x, y];
            }
          }
        }"""
    )
    page.mouse.move(*at)
    assert "a day" in page.inner_text("#hover")
    assert page.evaluate(INKED, "hover") > 0
    page.mouse.click(*at)
    page.locator("#panel").wait_for(state="visible")
    assert "Link L" in page.locator(".place").inner_text()


@pytest.mark.parametrize("width", [360, 390])
def test_a_phone_shows_map_panel_and_table_without_sideways_scrolling(sheet, width):
    page = sheet(width=width, height=740, has_touch=True)
    assert page.evaluate(SCALED) <= 0
    assert page.locator("#field").bounding_box()["height"] > 300
    corner = page.locator("#zoom-all").bounding_box()
    assert corner["x"] + corner["width"] <= width - 8
    for button in page.locator("#questions button").all():
        assert button.bounding_box()["height"] >= 32
    page.locator('.stations button[data-station="S0003"]').tap()
    panel = page.locator("#panel")
    panel.wait_for(state="visible")
    box = panel.bounding_box()
    assert box["width"] == width
    assert box["y"] > 300
    page.get_by_role("button", name="Close").tap()
    page.click("#show-table")
    assert page.locator(".roll").is_visible()
    assert page.evaluate(SCALED) <= 0


def test_twice_the_text_still_fits(sheet):
    # A window of 1280 px zoomed to 200 % lays out as 640 px (WCAG 2.2, 1.4.4 and 1.4.10).
    page = sheet(width=640, height=400, device_scale_factor=2)
    assert page.evaluate(SCALED) <= 0
    page.click("#show-table")
    assert page.locator(".roll tbody tr").first.is_visible()


def test_dark_mode_follows_the_reader_and_the_button(sheet):
    ground = "getComputedStyle(document.getElementById('sheet')).backgroundColor"
    page = sheet(color_scheme="dark")
    assert page.evaluate(ground) == "rgb(26, 24, 21)"
    page.click("#show-dark")
    assert page.evaluate(ground) == "rgb(247, 243, 233)"


def test_print_is_one_page_in_grey_and_leaves_the_screen_as_it_was(sheet):
    page = sheet(color_scheme="dark")
    before = page.evaluate(INKED, "roads")
    pdf = page.pdf(format="A4")
    assert pdf.count(b"/Type /Page\n") == 1
    assert page.locator("#printed").count() == 0
    assert page.evaluate(INKED, "roads") == pytest.approx(before, rel=0.02)
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    strokes = page.evaluate(
        "[...new Set([...document.querySelectorAll('#printed path')].map((p) => p.getAttribute('stroke')))]"
    )
    assert page.locator("#printed path").count() > 20
    for stroke in filter(None, strokes):
        numbers = (
            [int(stroke[k : k + 2], 16) for k in (1, 3, 5)]
            if stroke.startswith("#")
            else [int(n) for n in stroke[4:-1].split(",")]
        )
        assert max(numbers) - min(numbers) <= 2, stroke
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")


def test_a_public_map_shows_no_place_due(sheet, public_map):
    page = sheet(path=public_map, hash_="#view=next")
    assert page.inner_text("#block-audience") == "public"
    assert "due" not in page.inner_text("#answer")
    page.click("#show-table")
    assert "never counted" not in page.inner_text("#roll")


def test_the_panel_tells_class_speed_and_installation(sheet, tmp_path):
    one = Summary(
        first=date(2025, 5, 6), last=date(2025, 5, 12), heavy=0.0624, classified=41_200.0,
        scheme="axles", classes=(("car", 38_000.0), (HOSTILE, 3_200.0)), speed85_kmh=57.6, timed=40_950.0,
    )  # fmt: skip
    survey = {"survey_id": "V1", "sensor": "tube", "counter_id": "T1", "budget": None}
    hour = "The 30th highest hour of 2025 carried 900 vehicles, 9.8% of the average day (K)."
    content = dataclasses.replace(
        town(), summaries={"S0001": one}, surveys={"S0001": [survey]}, design_hours={"S0001": hour}
    )
    page = sheet(path=write_map(tmp_path / "rich.html", content), hash_="#station=S0001")
    page.locator("#panel .figure").wait_for()
    words = page.inner_text("#panel")
    assert (
        "Heavy vehicles 6.2 % of 41,200 classified; 6 May 2025 to 12 May 2025, both senses."
        in words
    )
    assert "85 of 100 drive no faster than 58 km/h, of 40,950" in words
    assert "Shares by class, scheme axles" in words
    assert hour in words
    label = page.get_attribute("#panel svg[aria-label^='Shares']", "aria-label")
    assert f"car 92 %, {HOSTILE} 7.8 %" in label
    page.get_by_text("Installation record, survey V1").click()
    assert "none: the geometry was not recorded" in page.inner_text("#panel")


def test_the_years_are_joined_where_the_figure_is_of_one_kind(sheet, tmp_path):
    content = town()
    annual = content.annual.copy()
    odd = annual["station_id"].eq("S0000") & annual["year"].eq(2023)
    annual.loc[odd, "status"] = "estimated"
    changed = dataclasses.replace(content, annual=annual)
    page = sheet(path=write_map(tmp_path / "years.html", changed), hash_="#station=S0000")
    page.locator("#panel .figure").wait_for()
    assert page.locator("#panel .joined").count() == 1
    assert page.locator("#panel .break").count() == 2
    assert "The line breaks 2 times: another kind of figure" in page.inner_text("#panel")


def test_a_planned_visit_stands_in_the_table_of_an_internal_map_alone(sheet, tmp_path):
    for audience, seen in (("internal", True), ("public", False)):
        content = town(audience=audience)
        due = content.due.assign(visit=["Monday 4 May, round 2", None, None])
        path = write_map(tmp_path / f"{audience}.html", dataclasses.replace(content, due=due))
        page = sheet(path=path, hash_="#view=next")
        page.click("#show-table")
        assert ("Monday 4 May, round 2" in page.inner_text("#roll")) == seen
        assert ("round 2" in page.content()) == seen


def test_place_names_and_water_lie_under_the_roads(sheet, tmp_path):
    content = town()
    west, south, east, north = content.links.total_bounds
    middle = ((west + east) / 2, (south + north) / 2)
    free = (east, north + 0.03 * (north - south))  # no station stands there
    places = pd.DataFrame([(HOSTILE, "town", *free)], columns=["name", "kind", "lon", "lat"])
    lake = gpd.GeoDataFrame(geometry=[box(west, south, *middle)], crs=4326)
    page = sheet(path=write_map(tmp_path / "dry.html", content))
    dry = page.evaluate(INKED, "roads")
    wet = dataclasses.replace(content, places=places, water=lake)
    page = sheet(path=write_map(tmp_path / "wet.html", wet))
    assert page.evaluate(INKED, "roads") > dry + 0.02
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    said = page.locator("#printed text:not([fill=none])").all_text_contents()
    assert HOSTILE.upper() in [text.replace("\u200a", "") for text in said]
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
