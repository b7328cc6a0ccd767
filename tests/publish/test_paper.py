"""A printed paper: all text stays text in page, PDF and spreadsheet; missing stays blank; same in, same out."""

from __future__ import annotations

import io
import re
import sys
import unicodedata
import zipfile
from html.parser import HTMLParser
from xml.etree import ElementTree as ET

import openpyxl
import pypdfium2
import pytest
from made_hostile import NAMES

from countmap.errors import MissingExtra
from countmap.publish import paper
from countmap.publish.figure import scan
from countmap.publish.paper import book, drawing, page, pdf

HOSTILE = (
    "<script>alert(1)</script>", "<img src=x onerror=alert(1)>", "</style><svg onload=alert(1)>",
    "${alert(1)} {{7*7}} {% x %}", "C:\\new\\table \\0", "\u202egnp.exe", "\u05e8\u05d7\u05d5\u05d1 1",
    "\U0001f6a6 crossing", "\u6771\u4eac", '=HYPERLINK("http://x")', "+1+1", "-2+3", "@SUM(A1)", "\ttab",
    "a\x00b\x1fc", "<b>bold</b> & <para>", "\"'`", "x" * 10_240, "\ud800", "%s %d {0}",
    *NAMES.values(),
)  # fmt: skip


def grid(names, **more):
    columns = (paper.Column("Name"), paper.Column("Count", "right", shape="#,##0"))
    return paper.Grid(
        "Counts", columns, tuple((name, 1234) for name in names), sheet="counts", **more
    )


def everything(name=HOSTILE[0]):
    """Return a paper with every kind of block, each holding the name."""
    return paper.Paper(
        name,
        (
            *(paper.Text(name, kind) for kind in ("plain", "lead", "soft", "warn")),
            paper.Heading(name), paper.Heading(name, 3), paper.Bullets((name, "b")),
            paper.Keys((paper.Key(name, name, name), paper.Key("none", None))),
            paper.Facts(((name, name), ("blank", None))), paper.Facts(((name, name),), columns=1),
            grid([name], notes=(name,), foot=1),
            drawing.chart([(name, [1.0, None, 3.0]), ("other", [None, 2.0, 2.0])], [(0, name)],
                          says=name, caption=name),
            drawing.chart([(name, [1.0, None, 3.0])], [], bars=True, left_out=[True], says=name),
            drawing.sketch([(((0, 0), (900, 700)), 1.0)], [(10, 10, name)], says=name),
            paper.Checks(tuple(paper.Check(name, done, name) for done in (None, True, False))),
            paper.Blanks((paper.Blank(name, 6, name, name), paper.Blank(name, 12))),
            paper.Box(name, (paper.Text(name),), strong=True),
            paper.Beside(((paper.Text(name),), (drawing.chart([(name, [1.0])], [], says=name),), (grid([name]),))),
            paper.Box(name, (grid([name]),)),
            paper.Break(), paper.Text("end"),
        ),
        above=name, below=name, release=name,
    )  # fmt: skip


class Markup(HTMLParser):
    """Collects tags, attributes and text."""

    def __init__(self):
        super().__init__()
        self.tags, self.attributes, self.words = set(), set(), []

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        self.attributes |= {name for name, _ in attrs}

    def handle_data(self, data):
        self.words.append(data)


@pytest.mark.parametrize("name", HOSTILE, ids=range(len(HOSTILE)))
def test_a_hostile_name_is_text_in_the_page_and_adds_no_tag_and_no_attribute(name):
    plain, attacked = Markup(), Markup()
    plain.feed(page.render(everything("Mill Street")))
    text = page.render(everything(name))
    scan(text)
    attacked.feed(text)
    assert (attacked.tags, attacked.attributes) == (plain.tags, plain.attributes)
    assert not {"script", "img", "iframe", "b", "para"} & attacked.tags
    assert paper.clean(name) in "".join(attacked.words)


def test_the_page_allows_its_own_style_sheet_and_nothing_else():
    text = page.render(everything())
    (policy,) = re.findall(r'Security-Policy" content="([^"]*)"', text)
    assert policy.startswith("default-src 'none'; style-src 'sha256-")
    assert "unsafe" not in policy
    assert ' style="' not in text
    assert text.count("<style>") == 1


def inked(character):
    """Return whether a character leaves ink: spaces, joiners and variation selectors leave none."""
    return unicodedata.category(character) not in ("Cf", "Zs", "Zl", "Zp", "Cc") and not (
        0xFE00 <= ord(character) <= 0xFE0F
    )


def read(document):
    """Return the text of each page as another library reads it, white space as one space."""
    opened = pypdfium2.PdfDocument(document)
    return [re.sub(r"\s+", " ", one.get_textpage().get_text_bounded()) for one in opened]


@pytest.mark.parametrize("name", HOSTILE, ids=range(len(HOSTILE)))
def test_a_hostile_name_breaks_no_pdf_and_nothing_of_it_vanishes(name):
    whole = "".join(read(pdf.render(everything(name))))
    assert "end" in whole
    seen = re.sub(r"\s", "", whole)
    for character in filter(inked, set(paper.clean(name))):
        assert character in seen or f"[U+{ord(character):04X}]" in seen, character


def test_what_the_typeface_does_not_have_is_printed_by_number_and_said():
    assert pdf.MISSING not in "".join(read(pdf.render(everything("Mühlenstraße Ωμέγα Улица"))))
    whole = "".join(read(pdf.render(everything("\u6771"))))
    assert "[U+6771]" in whole
    assert pdf.MISSING in whole


def test_right_to_left_letters_stand_in_the_order_of_sight():
    # Rule L2 of Unicode Standard Annex 9 reverses a run of right-to-left letters for display.
    word = "\u05e8\u05d7\u05d5\u05d1"
    assert all(unicodedata.bidirectional(c) == "R" for c in word)
    assert pdf.in_order_of_sight(f"S1 {word} 12") == f"S1 {word[::-1]} 12"
    assert pdf.in_order_of_sight(f"{word} {word} a") == f"{word[::-1]} {word[::-1]} a"


def test_pages_are_numbered_and_carry_the_release():
    document = paper.Paper(
        "t", (paper.Text("one"), paper.Break(), paper.Text("two")), release="r-0123"
    )
    first, second = read(pdf.render(document))
    assert "r-0123" in first
    assert "1 / 2" in first
    assert "2 / 2" in second


def test_a_long_table_runs_over_pages_with_its_heads():
    names = [f"row {k}" for k in range(200)]
    pages = read(pdf.render(paper.Paper("t", (grid(names),))))
    assert len(pages) > 2
    assert all("Name Count" in one for one in pages)
    whole = " ".join(pages)
    assert all(f"{name} 1,234" in whole for name in names)


def test_without_the_extras_one_line_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "reportlab", None)
    with pytest.raises(MissingExtra, match=r"pip install 'countmap\[pdf\]', or print the HTML"):
        pdf.render(everything())
    monkeypatch.setitem(sys.modules, "openpyxl", None)
    with pytest.raises(MissingExtra, match=r"pip install 'countmap\[xlsx\]'"):
        book.render(everything())


def sheet_xml(document):
    """Return the parsed sheets of a spreadsheet (ECMA-376, part 1: SpreadsheetML)."""
    with zipfile.ZipFile(io.BytesIO(document)) as packed:
        return [
            ET.fromstring(packed.read(name))
            for name in packed.namelist()
            if name.startswith("xl/worksheets/sheet")
        ]


def test_no_cell_of_a_spreadsheet_is_a_formula_and_numbers_are_numbers():
    document = book.render(paper.Paper("=1+1", (grid(HOSTILE, notes=("=1+1",)),), release="@x"))
    for sheet in sheet_xml(document):
        space = {"m": "http://schemas.openxmlformats.org/spreadsheetml/2006/main"}
        assert sheet.findall(".//m:f", space) == []
        assert len(sheet.findall(".//m:c", space)) > len(HOSTILE)
    page_ = openpyxl.load_workbook(io.BytesIO(document))["counts"]
    cells = {c.value for row in page_.iter_rows() for c in row if c.value is not None}
    for name in HOSTILE:
        assert paper.clean(name, longest=32_000) in cells
    assert {c.data_type for (c,) in page_.iter_rows(min_col=2, max_col=2, min_row=7)} >= {"n"}
    assert 1234 in cells


def test_missing_is_blank_everywhere_and_never_zero():
    one = paper.Grid("c", (paper.Column("h"), paper.Column("v", "right")),
                     (("a", None), ("b", float("nan")), ("c", 0)), sheet="s")  # fmt: skip
    document = paper.Paper("t", (one,))
    cells = re.findall(r'<td class="right">(.*?)</td>', page.render(document))
    assert cells == ["", "", "0"]
    sheet = openpyxl.load_workbook(io.BytesIO(book.render(document)))["s"]
    values = [row[1].value for row in sheet.iter_rows(min_row=6) if row[0].value in ("a", "b", "c")]
    assert values == [None, None, 0]


def test_the_same_paper_gives_the_same_bytes():
    for render in (pdf.render, book.render, page.render):
        assert render(everything()) == render(everything())


@pytest.mark.parametrize("name", HOSTILE, ids=range(len(HOSTILE)))
def test_a_file_name_stays_in_its_folder(tmp_path, name):
    for stem in (name, f"../{name}", f"/{name}", "..", ".", "", "CON"):
        made = paper.file_name("sheet", stem, ".html")
        assert re.fullmatch(r"sheet-[A-Za-z0-9._-]{1,60}\.html", made), made
        assert ".." not in made
        (tmp_path / made).touch()
        assert [p.name for p in tmp_path.iterdir()] == [made]
        (tmp_path / made).unlink()


def test_two_ids_never_share_a_file_even_where_case_is_not_told_apart():
    ids = ["S01", "s01", "S 01", "S-01", "S/01", "", "..", *HOSTILE]
    assert len({paper.file_name("sheet", one, "").lower() for one in ids}) == len(ids)
