"""One browser for all tests, and pages that may not reach the network."""

from __future__ import annotations

import dataclasses
import os

import pytest
from made_town import town
from playwright.sync_api import sync_playwright

from countmap.publish.map import write_map

ARGUMENTS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip


@pytest.fixture(scope="session")
def browser():
    """Start Chromium; where it is missing the tests fail, they are not skipped."""
    path = os.environ.get("CHROMIUM", "/usr/bin/chromium")
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=path, args=ARGUMENTS)
        yield started
        started.close()


@dataclasses.dataclass
class Watch:
    """What a page did that it must not do."""

    requests: list = dataclasses.field(default_factory=list)
    errors: list = dataclasses.field(default_factory=list)


@pytest.fixture(scope="session")
def town_map(tmp_path_factory):
    """Write the invented town's internal map once."""
    return write_map(tmp_path_factory.mktemp("map") / "town.html", town())


@pytest.fixture(scope="session")
def public_map(tmp_path_factory):
    """Write the invented town's public map once."""
    return write_map(tmp_path_factory.mktemp("map") / "public.html", town(audience="public"))


@pytest.fixture
def sheet(browser, town_map):
    """Return a function that opens a map and gives the page; whatever goes wrong fails the test."""
    opened = []

    def open_(*, path=town_map, hash_="", width=1280, height=800, **options):
        context = browser.new_context(
            viewport={"width": width, "height": height},
            offline=True,
            reduced_motion="reduce",
            **options,
        )
        page = context.new_page()
        watch = Watch()
        page.on("request", lambda r: watch.requests.append(r.url))
        page.on(
            "console",
            lambda m: watch.errors.append(m.text) if m.type in ("error", "warning") else None,
        )
        page.on("pageerror", lambda e: watch.errors.append(str(e)))
        page.on("dialog", lambda d: (watch.errors.append(f"dialog {d.message}"), d.dismiss()))
        page.goto(f"{path.as_uri()}{hash_}")
        page.wait_for_selector('#sheet[data-ready="true"]')
        page.watch = watch
        opened.append((context, watch, path))
        return page

    yield open_
    for context, watch, path in opened:
        assert [
            url for url in watch.requests if not url.startswith((path.as_uri(), "data:", "blob:"))
        ] == []
        assert watch.errors == []
        context.close()
