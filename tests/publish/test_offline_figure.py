"""The page is whole: resources by name, nothing that reaches for a host, vendored files as listed."""

from __future__ import annotations

import hashlib
from importlib.resources import files

import folium
import pytest
from branca.element import Element, JavascriptLink

from countmap.publish.figure import (
    POLICY,
    NetworkReference,
    OfflineFigure,
    UnknownResource,
    libraries,
    scan,
    script,
    style,
    vendor_text,
)
from countmap.publish.layer import SCRIPTS, STYLES


def page(figure: OfflineFigure) -> str:
    figure.add_child(folium.Map([48, 11], tiles=None))
    return figure.render()


def test_a_folium_map_comes_out_whole_and_under_the_policy():
    text = page(OfflineFigure("a < b"))
    assert f'content="{POLICY}"' in text
    assert "<title>a &lt; b</title>" in text
    assert "Leaflet 1.9.4" in text
    assert "L.map(" in text
    for gone in (
        "jquery",
        "bootstrap",
        "fontawesome",
        "user-scalable",
        "sourceMappingURL",
        "images/",
    ):
        assert gone not in text.lower(), gone


def test_an_unknown_resource_raises():
    figure = OfflineFigure("t")
    figure.header.add_child(JavascriptLink("https://example.org/x.js"), name="heatmap")
    with pytest.raises(
        UnknownResource, match=r"the page asks for 'heatmap' from https://example\.org/x\.js"
    ):
        page(figure)


@pytest.mark.parametrize(
    "markup",
    [
        '<img src="https://example.org/a.png">', "<img srcset='//example.org/a 2x'>",
        '<a href="http://example.org">x</a>', '<link rel="icon" href="icon.png">',
        "<style>p{background:url(https://example.org/a)}</style>", "<style>@import 'a.css'</style>",
        '<p style="background:url(a.png)">', '<form action="/send">', '<object data="x.swf">',
    ],
)  # fmt: skip
def test_a_reference_to_a_host_or_file_raises(markup):
    figure = OfflineFigure("t")
    element = Element("")
    element.render = lambda **_: markup
    figure.html.add_child(element)
    with pytest.raises(NetworkReference, match="the page reaches for"):
        page(figure)


def test_what_stays_inside_the_page_passes():
    scan('<a href="#a">a</a><img src="data:image/png;base64,AA"><script>"<img src=x>"</script>')


def test_nothing_in_a_script_or_style_can_end_it():
    assert "</script" not in script("a='</ScRiPt>'")[:-9].lower()
    assert "</style" not in style("a::after{content:'</STYLE>'}")[:-8].lower()


def test_one_map_leaves_the_next_alone():
    before = list(folium.Map.default_js), list(folium.Map.default_css)
    page(OfflineFigure("t"))
    assert (list(folium.Map.default_js), list(folium.Map.default_css)) == before


def test_vendored_files_are_those_of_the_lock():
    root = files("countmap.publish") / "vendor"
    listed = {
        path: digest
        for library in [*libraries(), *libraries("font")]
        for path, digest in library.files.items()
    }
    for path, digest in listed.items():
        assert hashlib.sha256((root / path).read_bytes()).hexdigest() == digest, path
    present = {
        f"{library.name}/{version.name}/{file.name}"
        for library in root.iterdir() if library.is_dir()
        for version in library.iterdir()
        for file in version.iterdir()
    }  # fmt: skip
    assert present == set(listed)


def test_every_library_travels_with_its_licence():
    for library in libraries():
        assert library.licence == "BSD-2-Clause"
        assert "Redistribution and use in source and binary forms" in library.text
    assert "Leaflet 1.9.4" in vendor_text("leaflet/1.9.4/leaflet.js")
    (font,) = libraries("font")
    assert "Bitstream Vera Fonts Copyright" in font.text
    assert "to reproduce and distribute the" in font.text


def test_our_scripts_never_parse_markup_and_all_are_used():
    static = files("countmap.publish") / "static"
    names = {file.name for file in static.iterdir()}
    assert names == {*SCRIPTS, *STYLES, "shell.html"}
    for name in SCRIPTS:
        text = (static / name).read_text("utf-8")
        for sink in ("innerHTML", "outerHTML", "insertAdjacent", "document.write", "eval(", "Function(",
                     "fetch(", "XMLHttpRequest", "WebSocket", "import(", "bindPopup", "bindTooltip"):  # fmt: skip
            assert sink not in text, f"{name}: {sink}"
