"""A corpus of hostile names on every face of the map: stations, roads, places, words, ids."""

from __future__ import annotations

import dataclasses

import pytest
from made_hostile import NAMES
from made_town import town

from countmap.publish.map import write_map

ALIEN = "#sheet img, #sheet b:not(#key b), #sheet script, #sheet [onload], #sheet [onerror]"


@pytest.fixture(scope="module")
def hostile_map(tmp_path_factory):
    """Write a map whose every text is hostile: one name of the corpus a row, in turn."""
    made = town(hostile=False)
    names = list(NAMES.values())

    def turn(frame, *columns, start=0):
        new = {c: [names[(k + start) % len(names)] for k in range(len(frame))] for c in columns}
        return frame.assign(**new)

    stations = turn(made.stations, "name", "road", "name_with", "name_against")
    content = dataclasses.replace(
        made,
        title=NAMES["script"],
        release=NAMES["svg"],
        links=turn(made.links, "name", "road_class"),
        stations=stations,
        annual=turn(made.annual, "method", "group"),
        flags=turn(made.flags, "why", "rule", "reason"),
        findings=turn(made.findings, "evidence"),
        junctions=turn(made.junctions, "name", start=1),
        screenlines=turn(made.screenlines, "name", "missing", start=2),
        due=turn(made.due, "why"),
        explanations={
            s: {f"{k} {n}": n for k, n in NAMES.items()} for s in made.stations["station_id"]
        },
        credits=tuple(names),
        notes=tuple(names[:2]),
    )
    return write_map(tmp_path_factory.mktemp("map") / "hostile.html", content)


def shown(page):
    assert page.title().startswith("</script><script>"), "the title was changed by a name"
    assert page.locator(ALIEN).count() == 0


def same(text):
    """Return the text as a browser lays it out: runs of blanks are one."""
    return " ".join(text.replace("\u2028", "\n").replace("\u2029", "\n").split())


def test_every_face_shows_hostile_names_as_text(sheet, hostile_map):
    page = sheet(path=hostile_map)
    shown(page)
    for view in ("sure", "disagree", "next", "traffic"):
        page.click(f'button[data-view="{view}"]')
        shown(page)
    page.click("#show-filter")
    for name in NAMES.values():
        assert page.locator("#filter label", has_text=name.strip()[:40]).count() >= 1
    page.keyboard.press("Escape")
    page.click("#show-filter")
    page.click("#show-table")
    every = page.locator(".roll .go").all_text_contents()
    for name in NAMES.values():
        assert name in every
    shown(page)
    page.click("#foot summary")
    shown(page)


@pytest.mark.parametrize("what", NAMES)
def test_a_hostile_name_stays_text_in_hover_search_panel_and_strip(sheet, hostile_map, what):
    name = NAMES[what]
    place = list(NAMES).index(what)
    page = sheet(path=hostile_map, hash_=f"#station=S{place:04d}&from=S{place:04d}&to=S0030")
    page.locator("#panel .figure").first.wait_for()
    assert page.evaluate("document.getElementById('panel-title').textContent") == name
    assert page.input_value("#strip-from") == name
    assert same(name)[:60] in same(page.inner_text("#panel"))
    told = page.evaluate("document.getElementById('strip-body').textContent")
    assert name[:24] in told
    shown(page)
    page.keyboard.press("Escape")
    page.keyboard.press("Escape")
    page.fill("#search-input", name[:30])
    assert name in page.evaluate("document.getElementById('search-list').textContent")
    page.keyboard.press("Escape")
    page.locator(f'.stations button[data-station="S{place:04d}"]').focus()
    assert name in page.evaluate("document.getElementById('hover').textContent")
    shown(page)
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0


def test_hostile_names_print_as_text(sheet, hostile_map):
    page = sheet(path=hostile_map, hash_="#station=S0000&from=S0000&to=S0001")
    page.locator("#panel .figure").first.wait_for()
    assert page.pdf(format="A4").startswith(b"%PDF")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    shown(page)
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
