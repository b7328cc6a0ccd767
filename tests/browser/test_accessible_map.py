"""axe-core finds no violation on any face of the sheet: in light, dark, on a phone, at 200 %.

axe-core is Deque's open rule engine for WCAG 2.2 (MPL 2.0); its script travels in the wheel of
axe-playwright-python and is evaluated as text, for the page's own policy forbids loading it.
"""

from __future__ import annotations

from importlib.resources import files

import pytest

AXE = (files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8")
FOUND = """async () => {
  const { violations } = await axe.run(document, { resultTypes: ['violations'] });
  return violations.map((v) => `${v.id}: ${v.help}: ${v.nodes.slice(0, 3).map((n) => n.target.join(' ')).join(', ')}`);
}"""
FACES = {
    "light": {},
    "dark": {"color_scheme": "dark"},
    "phone": {"width": 360, "height": 740, "has_touch": True},
    "twice": {"width": 640, "height": 400, "device_scale_factor": 2},
}
WHOLE = ("light", "phone")


def found(page):
    return page.evaluate(FOUND)


@pytest.mark.parametrize("face", FACES)
def test_axe_finds_no_violation(sheet, face):
    page = sheet(**FACES[face])
    page.evaluate(AXE)
    for view in ("sure", "disagree", "next", "traffic"):
        page.click(f'button[data-view="{view}"]')
        assert found(page) == [], view
    if face in WHOLE:
        walk(page)
    page.evaluate("location.hash = 'from=S0012&to=S0030'")
    page.click(".strip-table summary")
    assert found(page) == [], "corridor strip"
    page.click("#strip-close")
    page.evaluate("location.hash = 'station=S0000'")
    page.locator("#panel .figure").wait_for()
    page.locator("#panel summary").first.click()
    assert found(page) == [], "panel of a station"


def walk(page):
    """Open everything else there is, one after the other."""
    page.fill("#search-input", "harbour")
    assert found(page) == [], "search"
    page.keyboard.press("Escape")
    page.click("#show-filter")
    assert found(page) == [], "filter"
    page.click("#show-filter")
    page.click("#foot summary")
    assert found(page) == [], "licences"
    page.click("#foot summary")
    page.click("#show-table")
    assert found(page) == [], "stations' table"
    page.click('button[data-view="disagree"]')
    assert found(page) == [], "table of what disagrees"
    page.get_by_role("button", name="Mill Street and Castle Hill").click()
    page.locator("#panel").wait_for(state="visible")
    assert found(page) == [], "panel of a junction"
    page.keyboard.press("Escape")
    page.click("#show-table")
    page.evaluate("location.hash = 'link=L00010'")
    page.get_by_text("Link L00010").wait_for()
    assert found(page) == [], "panel of a link"
    page.keyboard.press("Escape")


def test_axe_sees_what_is_wrong(sheet):
    page = sheet()
    page.evaluate(AXE)
    page.evaluate("document.getElementById('show-table').textContent = ''")
    assert found(page)[0].startswith("button-name: ")
