"""Spreadsheets (.xlsx): one sheet as the text of a CSV file, dates and times as ISO 8601."""

from __future__ import annotations

import csv
import io
import zipfile
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

from countmap.errors import InvalidInput, MissingExtra
from countmap.formats import limits as limiting
from countmap.formats import whole
from countmap.formats.limits import DEFAULT, Limits

ZIP = b"PK\x03\x04"
_BOOK = "xl/workbook.xml"


def is_sheet(path: Path) -> bool:
    """Tell by its content whether a file is a spreadsheet."""
    with path.open("rb") as file:
        if file.read(4) != ZIP:
            return False
    try:
        with zipfile.ZipFile(path) as archive:
            return _BOOK in archive.namelist()
    except (zipfile.BadZipFile, OSError, ValueError):
        return False


def as_csv(path: Path, sheet: str = "", limits: Limits = DEFAULT) -> bytes:
    """Return a sheet as CSV (UTF-8, comma), row by row as it lies there, blank rows included.

    Parameters
    ----------
    path : Path
    sheet : str
        Its name; "" is the first that is not empty.
    limits : Limits

    Raises
    ------
    InvalidInput
        It is damaged, too large, or has no such sheet.
    MissingExtra
        openpyxl is not installed.
    """
    limiting.check_zip(path, limits)
    try:
        import openpyxl
    except ImportError as error:
        raise MissingExtra(
            "spreadsheets need the extra xlsx: pip install 'countmap[xlsx]'"
        ) from error
    try:
        book = openpyxl.load_workbook(path, read_only=True, data_only=True)
        try:
            return _written(_chosen(book, sheet, path.name), limits, path.name)
        finally:
            book.close()
    except InvalidInput:
        raise
    except Exception as error:  # a damaged book fails in many ways within the library
        raise InvalidInput(
            f"{path.name}: is a damaged spreadsheet. Save it anew, or as CSV"
        ) from error


def _chosen(book: Any, name: str, file: str) -> Any:
    if name:
        if name not in book.sheetnames:
            there = ", ".join(map(repr, book.sheetnames[:8]))
            raise InvalidInput(
                f"{file}: has no sheet {name!r}; there are {there}. Correct the layout"
            )
        return book[name]
    for sheet in book.worksheets:
        if any(any(cell is not None for cell in row) for row in sheet.iter_rows(values_only=True)):
            return sheet
    raise InvalidInput(f"{file}: every sheet is empty. Export it again")


def _written(sheet: Any, limits: Limits, file: str) -> bytes:
    rows: list[list[Any]] = []
    size, width = 0, 0
    for number, values in enumerate(sheet.iter_rows(values_only=True), start=1):
        row = list(values)
        while row and row[-1] is None:
            row.pop()
        if len(row) > limits.columns:
            raise InvalidInput(
                f"{file}:{number}: has {len(row):,} columns, more than {limits.columns:,}. Remove those "
                "that are empty, or raise columns under [limits] in countmap.toml"
            )
        size += sum(len(cell) if isinstance(cell, str) else 8 for cell in row)
        if size > limits.unpacked_mb * 1_000_000:
            raise InvalidInput(
                f"{file}: holds more than {limits.unpacked_mb:g} MB of text. Split it"
            )
        rows.append(row)
        width = max(width, len(row))
    timed = {
        at
        for row in rows
        for at, cell in enumerate(row)
        if isinstance(cell, datetime) and _near(cell).time() != time(0)
    }
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    for row in rows:
        texts = [_text(cell, timed=at in timed) for at, cell in enumerate(row)]
        writer.writerow([*texts, *[""] * (width - len(row))])
    return out.getvalue().encode("utf-8")


def _near(moment: datetime) -> datetime:
    """Return the nearest second: a sheet keeps times as parts of a day, which are not exact."""
    return (moment + timedelta(milliseconds=500)).replace(microsecond=0)


def _text(cell: Any, *, timed: bool) -> str:
    """Return a cell as text; a midnight is a date unless its column holds other times (``timed``)."""
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
    if isinstance(cell, datetime):
        near = _near(cell)
        if not timed:
            return near.date().isoformat()
        return near.isoformat(timespec="seconds" if near.second else "minutes")
    if isinstance(cell, time):
        return cell.isoformat(timespec="seconds" if cell.second else "minutes")
    if isinstance(cell, date):
        return cell.isoformat()
    return str(cell).replace("\n", " ").replace("\r", " ")


def write(frame: Any, path: str | Path, sheet: str = "counts") -> None:
    """Write a frame of text, numbers and times as the one sheet of a spreadsheet, whole or not at all.

    Text stays text: a cell that begins with ``=`` is written as a string, never as a formula.
    """
    import openpyxl
    import pandas as pd

    book = openpyxl.Workbook()
    page = book.active
    page.title = sheet
    for row in [list(frame.columns), *frame.itertuples(index=False, name=None)]:
        page.append([None if pd.isna(cell) else _cell(cell) for cell in row])
        for cell in page[page.max_row]:
            if isinstance(cell.value, str):
                cell.data_type = "s"
    with whole.replacing(path) as part:
        book.save(part)


def _cell(value: Any) -> Any:
    value = (
        value.item() if hasattr(value, "item") and not hasattr(value, "to_pydatetime") else value
    )
    return value.to_pydatetime() if hasattr(value, "to_pydatetime") else value
