"""The tables of a paper as a spreadsheet, written by openpyxl (extra ``xlsx``).

Numbers are numbers; text stays text, also where it begins like a formula. Equal tables make equal
bytes.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Sequence
from typing import Any

from countmap.errors import MissingExtra
from countmap.publish import paper as model

SHEET_NAME = 31  # characters; a limit of the format (ECMA-376, part 1, sheetId's name)
LONGEST_CELL = 32_000  # the limit of the applications is 32,767
FORBIDDEN = re.compile(r"[\[\]:*?/\\']")
STAMP = "2000-01-01T00:00:00Z"
WIDEST = 60


def render(paper: model.Paper, sheets: Sequence[model.Grid] | None = None) -> bytes:
    """Return the spreadsheet of a paper.

    Parameters
    ----------
    paper : Paper
        Its title, line below and release head the first sheet.
    sheets : sequence of Grid, optional
        Default: the grids of the paper that have a ``sheet`` name, in order. Grids of one name
        stand under each other.

    Raises
    ------
    MissingExtra
        openpyxl is not installed.
    """
    try:
        from openpyxl import Workbook
    except ImportError as error:
        raise MissingExtra(
            "a spreadsheet needs openpyxl, which is not installed; pip install 'countmap[xlsx]'"
        ) from error
    book = Workbook()
    book.remove(book.active)
    chosen = model.grids(paper.blocks) if sheets is None else list(sheets)
    for grid in chosen:
        name = _name(grid.sheet or "table")
        page = book[name] if name in book.sheetnames else _new(book, name, paper)
        _put(page, grid)
    if not chosen:
        _new(book, "table", paper)
    book.properties.title = _text(paper.title)
    book.properties.creator = "countmap"
    out = io.BytesIO()
    book.save(out)
    return _fixed(out.getvalue())


def _new(book: Any, name: str, paper: model.Paper) -> Any:
    page = book.create_sheet(name)
    for row, said in enumerate((paper.title, paper.below, paper.release), 1):
        _write(page.cell(row, 1), said)
    page.cell(1, 1).font = _bold()
    page.page_setup.paperSize = 9  # A4
    page.page_setup.orientation = "landscape"
    page.page_setup.fitToHeight = 0
    page.sheet_properties.pageSetUpPr.fitToPage = True
    return page


def _put(page: Any, grid: model.Grid) -> None:
    top = page.max_row + 2
    _write(page.cell(top, 1), grid.caption)
    page.cell(top, 1).font = _bold()
    for at, column in enumerate(grid.columns, 1):
        _write(page.cell(top + 1, at), column.head)
        page.cell(top + 1, at).font = _bold()
        page.cell(top + 1, at).alignment = _aligned(column.align)
    first_foot = len(grid.rows) - grid.foot
    for number, row in enumerate(grid.rows):
        for at, (column, value) in enumerate(zip(grid.columns, row, strict=True), 1):
            one, target = model.cell(value), page.cell(top + 2 + number, at)
            _write(target, one.value)
            if isinstance(one.value, int | float):
                target.number_format = column.shape
            if number >= first_foot or one.mark in ("strong", "out"):
                target.font = _struck() if one.mark == "out" else _bold()
            target.alignment = _aligned(column.align)
    last = top + 2 + len(grid.rows)
    for number, note in enumerate(grid.notes):
        _write(page.cell(last + number, 1), note)
    _widen(page, grid)


def _widen(page: Any, grid: model.Grid) -> None:
    from openpyxl.utils import get_column_letter

    for at, column in enumerate(grid.columns, 1):
        words = [column.head, *(model.printed(model.cell(row[at - 1])) for row in grid.rows)]
        letter = get_column_letter(at)
        wide = min(WIDEST, max(map(len, words)) + 2)
        page.column_dimensions[letter].width = max(wide, page.column_dimensions[letter].width)


def _write(target: Any, value: Any) -> None:
    """Put a value into a cell: a text stays a text, whatever it begins with; NaN is blank."""
    if value is None or (isinstance(value, float) and value != value):  # noqa: PLR0124  # NaN
        return
    if isinstance(value, bool | int | float):
        target.value = value
        return
    target.value = _text(value)
    target.data_type = "s"  # openpyxl takes a leading equals sign for a formula
    target.quotePrefix = True  # and so that editing the cell does not make it one


def _text(value: Any) -> str:
    return model.clean(value, longest=LONGEST_CELL)


def _name(wanted: str) -> str:
    return FORBIDDEN.sub("-", model.clean(wanted))[:SHEET_NAME] or "table"


def _bold() -> Any:
    from openpyxl.styles import Font

    return Font(bold=True)


def _struck() -> Any:
    from openpyxl.styles import Font

    return Font(strike=True, color="00606060")


def _aligned(align: model.Align) -> Any:
    from openpyxl.styles import Alignment

    return Alignment(horizontal="center" if align == "centre" else align, vertical="top")


def _fixed(book: bytes) -> bytes:
    """Return the file with fixed dates inside, so that equal content makes equal bytes."""
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(book)) as old,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for name in sorted(old.namelist()):
            part = old.read(name)
            if name == "docProps/core.xml":
                part = re.sub(rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", STAMP.encode(), part)
            entry = zipfile.ZipInfo(name, (2000, 1, 1, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            new.writestr(entry, part)
    return out.getvalue()
