"""Map, panel, table, strip and data hold the same numbers: each is read out and held against the frames."""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd
import pytest

from countmap.jobs import releases
from countmap.jobs.common import open_workspace
from countmap.rounding import rounded


@pytest.fixture
def demo_map(worked):
    return Path(worked[1]["map"])


def whole(text):
    """Return the numbers of a text without their separators."""
    return [int(n.replace(",", "")) for n in re.findall(r"\d[\d,]*", text)]


@pytest.fixture(scope="module")
def released(worked, tmp_path_factory):
    """Write the data release of the demo and read its annual averages and flows back."""
    folder = tmp_path_factory.mktemp("release")
    releases.data(open_workspace(worked[0]), year=2025, out=folder)
    found = {}
    for name, key in (("annual", "station_id"), ("flows", "link_id")):
        path = next(folder.rglob(f"{name}.csv"))
        found[name] = pd.read_csv(path, dtype={key: "str"}).query("year == 2025")
    return found


def expected(rows, figure):
    """Return the figure and its bounds as shown: rounded by the chart, once, from the data."""
    return [int(rounded(float(rows[name]), "stepped")) for name in (figure, "lower", "upper")]


def test_the_stations_table_and_panel_hold_the_figures_of_the_data(sheet, demo_map, released):
    page = sheet(path=demo_map)
    page.click("#show-table")
    table = page.locator(".roll tbody tr").evaluate_all(
        "rows => rows.map((r) => [...r.children].map((c) => c.textContent))"
    )
    both = released["annual"].query("sense == 'both'").dropna(subset=["aadt", "lower"])
    both = both.set_index("station_id")
    told = {row[7]: [*whole(row[1]), *whole(row[4])] for row in table}
    assert len(both) > 40
    for station, row in both.iterrows():
        assert told[station] == expected(row, "aadt"), station
    for station in both.index[:6]:
        page.evaluate(f"location.hash = 'station={station}'")
        page.locator(f"#panel .place:has-text('{station}')").wait_for()
        block = (
            page.inner_text("#panel .figure strong"),
            page.inner_text("#panel .interval >> nth=0"),
        )
        assert [*whole(block[0]), *whole(block[1])[:2]] == expected(both.loc[station], "aadt")


def test_the_corridor_and_the_road_panel_hold_the_flows_of_the_data(sheet, demo_map, released):
    flows = released["flows"].dropna(subset=["flow", "lower"]).set_index(["link_id", "sense"])
    links = [link for link, sense in flows.index if sense == "both"][:6]
    page = sheet(path=demo_map)
    for link in links:
        page.evaluate(f"location.hash = 'link={link}'")
        page.locator(f"#panel .place:has-text('{link} ')").wait_for()
        block = (
            page.inner_text("#panel .figure strong"),
            page.inner_text("#panel .figure .interval"),
        )
        wanted = expected(flows.loc[(link, "both")], "flow")
        assert [*whole(block[0]), *whole(block[1])[:2]] == wanted, link
    page = sheet(path=demo_map, hash_="#from=S10&to=S13")
    page.click(".strip-table summary")
    told = page.locator(".strip-table tbody tr").evaluate_all(
        "rows => rows.filter((r) => r.lastChild.textContent.startsWith('road')).map((r) => r.children[2].textContent)"
    )
    every = {tuple(expected(row, "flow")) for _, row in flows.iterrows()}
    assert len(told) > 3
    for cell in filter(None, told):
        assert tuple(whole(cell)) in every


def test_the_figures_written_on_the_map_are_those_of_the_data(sheet, demo_map, released):
    page = sheet(path=demo_map)
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    said = page.locator("#printed text:not([fill=none])").all_text_contents()
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    known = released["flows"].dropna(subset=["flow"])
    shown = {int(rounded(value, "stepped")) for value in known["flow"]}
    written = {n for text in said for n in whole(text)}
    assert len(written) > 5
    single = known.groupby("link_id").filter(lambda rows: len(rows) == 1)["flow"]  # one-way links
    sums = {int(rounded(a + b, "stepped")) for a in single for b in single if a >= b > 0.8 * a}
    assert {n for n in written if n > 100} <= shown | sums
