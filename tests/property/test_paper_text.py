"""Whatever a name holds: a page gains no markup, a print no fault, a file name no folder."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pypdfium2
from hypothesis import given, settings
from hypothesis import strategies as st

from countmap.publish import paper
from countmap.publish.paper import book, drawing, page, pdf

NAMES = st.text(st.characters(), max_size=60) | st.text("<>&\"'/=;{}\\-! scriptonx", max_size=40)


def made(name):
    columns = (paper.Column(name), paper.Column("n", "right"))
    blocks = (
        paper.Heading(name), paper.Text(name), paper.Keys((paper.Key(name, name, name),)),
        paper.Facts(((name, name),)), paper.Grid(name, columns, ((name, 1),), sheet=name or "x"),
        drawing.chart([(name, [1.0, 2.0])], [(0, name)], says=name),
        paper.Box(name, (paper.Bullets((name,)),)),
    )  # fmt: skip
    return paper.Paper(name, blocks, above=name, below=name, release=name)


class Shape(HTMLParser):
    def __init__(self):
        super().__init__()
        self.tags = []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, *sorted(name for name, _ in attrs)))


def shape(text):
    read = Shape()
    read.feed(text)
    return read.tags


@given(NAMES.filter(bool))  # an empty line is left out
@settings(max_examples=80, deadline=None)
def test_a_page_has_the_same_markup_whatever_the_name(name):
    text = page.render(made(name))
    text.encode("utf-8")
    assert shape(text) == shape(page.render(made("a")))


@given(NAMES)
@settings(max_examples=40, deadline=None)
def test_a_print_and_a_spreadsheet_can_be_made_of_any_name(name):
    assert len(pypdfium2.PdfDocument(pdf.render(made(name)))) >= 1
    assert book.render(made(name))[:2] == b"PK"


@given(NAMES, NAMES)
@settings(max_examples=200, deadline=None)
def test_file_names_are_safe_and_do_not_meet(one, other):
    first, second = (paper.file_name("sheet", name, ".html") for name in (one, other))
    assert re.fullmatch(r"sheet-[A-Za-z0-9._-]{1,60}\.html", first)
    assert (first.lower() == second.lower()) == (one == other)
