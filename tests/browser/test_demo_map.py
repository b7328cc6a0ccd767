"""The demo's own map in a real browser with the network off."""

from __future__ import annotations

from pathlib import Path

import pytest

from countmap.jobs import publish

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
    assert "estimated for 2025" in words
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
