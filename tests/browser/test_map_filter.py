"""The filter: by status, class, kind and year; by key and address; map, table and words agree."""

from __future__ import annotations

import re

from made_town import town


def rows(page):
    page.click("#show-table")
    count = page.locator(".roll tbody tr").count()
    page.click("#show-table")
    return count


def test_a_filter_by_key_leaves_the_stations_that_match_in_map_table_and_words(sheet):
    page = sheet()
    permanent = int(town().stations["kind"].eq("permanent").sum())
    page.focus("#show-filter")
    page.keyboard.press("Enter")
    page.get_by_role("checkbox", name="permanent").focus()
    page.keyboard.press("Space")
    said = page.inner_text("#filter-said")
    assert f", {permanent} of 52 stations." in said
    assert page.inner_text("#answer").startswith(said)
    assert page.locator(".stations button").count() <= permanent
    assert page.evaluate("location.hash") == "#kind=permanent"
    page.keyboard.press("Escape")
    assert page.evaluate("document.activeElement.id") == "show-filter"
    assert rows(page) == permanent
    page.click("#show-filter")
    page.click("#filter-clear")
    assert page.evaluate("location.hash") == ""
    assert rows(page) == 52


def test_an_address_carries_the_filter_and_the_years(sheet):
    content = town()
    earlier = content.annual[content.annual["year"].eq(2023)]["station_id"].nunique()
    page = sheet(hash_="#year=2023")
    assert f", {earlier} of 52 stations." in page.inner_text("#answer")
    assert rows(page) == earlier


def test_a_filter_by_status_and_class_says_the_length_it_shows(sheet):
    page = sheet(hash_="#status=measured&class=primary")
    part, whole = re.search(r"Shown: ([\d,]+) of ([\d,]+) km", page.inner_text("#answer")).groups()
    content = town()
    main = content.flows[content.flows["sense"].eq("both") & content.flows["status"].eq("measured")]
    metric = content.links.to_crs(32632).set_index("link_id").length
    primary = content.links.set_index("link_id")["road_class"].eq("primary")
    one_way = content.flows[content.flows["status"].eq("measured")]["link_id"]
    wanted = {*main["link_id"], *one_way} & set(primary.index[primary])
    assert abs(int(part) - metric[sorted(wanted)].sum() / 1000) <= 1
    assert abs(int(whole) - metric.sum() / 1000) <= 1


def test_an_unknown_value_in_the_address_filters_nothing(sheet):
    page = sheet(hash_="#status=nonsense&year=1066")
    assert not page.inner_text("#answer").startswith("Shown")
