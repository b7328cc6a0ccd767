"""Sheet, report and comparison in a real browser with the network off: whole, accessible, printable."""

from __future__ import annotations

import io
from datetime import timedelta
from pathlib import Path

import axe_playwright_python
import pypdfium2
import pytest
from made_hostile import NAMES

from countmap.jobs import releases, reports, sheets
from countmap.jobs.common import open_workspace
from countmap.publish import paper
from countmap.publish.paper import page as pages

# axe-core, the rules of WCAG as code, travels in this package; its text is put into the page.
AXE = (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text("utf-8")
HOSTILE = (
    "<script>alert(1)</script>", "<img src=x onerror=alert(1)>", "${alert(1)} {{7*7}}", "C:\\new \\0",
    "\u202egnp.exe", "\u05e8\u05d7\u05d5\u05d1 \u0634\u0627\u0631\u0639", "\U0001f6a6 crossing",
    "=1+1", "x" * 10_240, "</title><svg onload=alert(1)>",
    *NAMES.values(),
)  # fmt: skip


TITLE = "</title><svg onload=alert(1)>"


@pytest.fixture(scope="session")
def papers(worked, tmp_path_factory):
    """Write every paper of the demo town once."""
    ws, folder = open_workspace(worked[0]), tmp_path_factory.mktemp("papers")
    release = releases.record(ws, 2025)
    zeros = ws.register.frame("flags", state="excluded", station_id="P05")["first_utc"].min()
    begun = zeros.tz_convert("Europe/Berlin").date() - timedelta(days=3)
    days = {"first": f"{begun}", "last": f"{begun + timedelta(days=20)}"}
    made = {
        "sheet": sheets.sheet(ws, "S33", out=folder / "sheet.html"),
        "excluded": sheets.sheet(ws, "P05", **days, out=folder / "excluded.html"),
        "report": reports.report(ws, year=2025, out=folder / "report.html"),
        "compare": releases.compare(ws, release, release, out=folder / "compare.html"),
    }  # fmt: skip
    return {name: Path(one["files"][0]) for name, one in made.items()}


@pytest.fixture
def leaf(browser):
    """Return a function that opens a page; a request or an error of it fails the test."""
    opened = []

    def open_(path, *, width=1000, height=900, **options):
        context = browser.new_context(
            viewport={"width": width, "height": height}, offline=True, **options
        )
        one = context.new_page()
        requests, errors = [], []
        one.on("request", lambda r: requests.append(r.url))
        one.on("console", lambda m: errors.append(m.text))
        one.on("pageerror", lambda e: errors.append(str(e)))
        one.on("dialog", lambda d: (errors.append(d.message), d.dismiss()))
        one.goto(path.as_uri())
        opened.append((context, requests, errors, path))
        return one

    yield open_
    for context, requests, errors, path in opened:
        assert requests == [path.as_uri()]
        assert errors == []
        context.close()


NAMES = ("sheet", "excluded", "report", "compare")


def violations(one):
    """Return what axe-core finds; the devtools protocol runs it past the page's policy."""
    found = one.evaluate(f"(async () => {{ {AXE}; return await axe.run(); }})()")
    return [(v["id"], v["nodes"][0]["html"][:200]) for v in found["violations"]]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", NAMES)
def test_axe_finds_nothing(leaf, papers, name, scheme):
    one = leaf(papers[name], color_scheme=scheme)
    assert violations(one) == []


@pytest.mark.parametrize("name", NAMES)
def test_a_phone_shows_it_without_scrolling_sideways(leaf, papers, name):
    one = leaf(papers[name], width=360, height=740)
    assert one.evaluate("document.documentElement.scrollWidth") == 360
    assert violations(one) == []


@pytest.mark.parametrize("name", NAMES)
def test_its_own_policy_forbids_any_request(leaf, papers, name):
    one = leaf(papers[name])
    assert one.evaluate("performance.getEntriesByType('resource').length") == 0
    assert one.locator("script, img, iframe, link, object, form").count() == 0
    policy = one.locator("meta[http-equiv]").get_attribute("content")
    assert policy.startswith("default-src 'none'; style-src 'sha256-")
    # The style that the policy names by hash is applied: the page is a leaf on its ground.
    assert one.evaluate("getComputedStyle(document.querySelector('.leaf')).maxWidth") != "none"


@pytest.mark.parametrize(("name", "most"), [("sheet", 3), ("excluded", 9), ("report", 8)])
def test_it_prints_on_a4_with_numbered_pages_and_nothing_cut_off(leaf, papers, name, most):
    one = leaf(papers[name])
    opened = pypdfium2.PdfDocument(io.BytesIO(one.pdf(prefer_css_page_size=True)))
    assert 1 < len(opened) <= most
    for number, sheet in enumerate(opened, 1):
        # ISO 216: A4 is 210 × 297 mm.
        assert [round(points / 72 * 25.4) for points in sheet.get_size()] == [210, 297]
        text = sheet.get_textpage().get_text_bounded()
        assert f"{number} / {len(opened)}" in text
        assert "Release r-" in text
        right = max(o.get_bounds()[2] for o in sheet.get_objects(max_depth=3))
        assert right <= sheet.get_width()


def test_the_sheet_reads_like_one(leaf, papers):
    one = leaf(papers["sheet"])
    words = one.inner_text("body")
    for part in ("5-day average", "Peak a.m.", "Both ways: vehicles an hour", "Installation",
                 "Heavy vehicles: blank, vehicle classes were not counted."):  # fmt: skip
        assert part in words, part
    assert one.locator("table caption").count() >= 5
    assert one.get_by_role("img").count() == 1


def test_what_is_left_out_is_struck_out_and_said(leaf, papers):
    one = leaf(papers["excluded"])
    out = one.locator("td.out")
    assert out.count() > 24
    assert set(
        out.evaluate_all("all => all.map((c) => getComputedStyle(c).textDecorationLine)")
    ) == {"line-through"}
    assert "Left out by a decision" in one.inner_text("body")
    assert "Struck out: counted, but left out of all averages" in one.inner_text("body")


def test_hostile_names_stay_text(leaf, tmp_path):
    blocks = [
        b for name in HOSTILE
        for b in (paper.Heading(name), paper.Text(name), paper.Box(name, (paper.Bullets((name,)),)))
    ]  # fmt: skip
    columns = (paper.Column("Name"), paper.Column(HOSTILE[1], "right"))
    blocks.append(paper.Grid(HOSTILE[0], columns, tuple((name, 1) for name in HOSTILE)))
    path = tmp_path / "hostile.html"
    path.write_text(pages.render(paper.Paper(TITLE, tuple(blocks), release=HOSTILE[0])), "utf-8")
    one = leaf(path, width=360)
    assert one.title() == TITLE
    shown = one.locator("tbody th").all_text_contents()
    assert shown == [paper.clean(name) for name in HOSTILE]
    assert one.locator("script, img").count() == 0
    assert one.locator("svg:not(.defs)").count() == 0
    assert one.evaluate("document.documentElement.scrollWidth") == 360
