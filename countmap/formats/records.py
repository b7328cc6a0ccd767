"""The bytes of a delimited text file as records of text cells with their true line numbers."""

from __future__ import annotations

import io
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute
import pyarrow.csv

from countmap.errors import InvalidInput, NotFound
from countmap.formats import limits as limiting
from countmap.formats import sheets
from countmap.formats.limits import DEFAULT, Limits

if TYPE_CHECKING:
    from numpy.typing import NDArray

DELIMITERS = (",", ";", "\t")
_NEWLINE, _QUOTE = 10, 34
_ARCHIVES = {b"PK\x03\x04": "a zip archive", b"\x1f\x8b": "gzip", b"%PDF": "a PDF"}


@dataclass(frozen=True, slots=True)
class Records:
    """The cells of a file, all of them text, trimmed; an empty cell is ``""``.

    ``rows`` is the line on which each record starts (the first line of the file is 1);
    ``header`` holds trimmed, case-folded names, positional where the file names nothing.
    """

    file: str
    header: tuple[str, ...]
    cells: tuple[pa.ChunkedArray, ...]
    rows: NDArray[np.int64]
    delimiter: str
    rejects: pd.DataFrame

    def column(self, name: str) -> pa.ChunkedArray:
        """Return the cells under ``name``; ``ValueError`` if there is no such column."""
        return self.cells[self.header.index(name)]


def rejects_frame(rows: Sequence[tuple[str, int, str, str, str]]) -> pd.DataFrame:
    """Return (file, row, column, value, why) tuples as a REJECTS frame, in the order given."""
    frame = pd.DataFrame(list(rows), columns=["file", "row", "column", "value", "why"])
    text = dict.fromkeys(("file", "column", "value", "why"), "str")
    return frame.astype({**text, "row": "int64"})


def joined(*parts: pd.DataFrame) -> pd.DataFrame:
    """Return several REJECTS of one file as one, in file order."""
    return pd.concat(parts, ignore_index=True).sort_values("row", kind="stable", ignore_index=True)


def read_bytes(
    path: Path, encoding: str = "utf-8", *, sheet: str = "", limits: Limits = DEFAULT
) -> bytes:
    r"""Return the file's text as UTF-8 bytes without a byte order mark, lines ended by ``\n``.

    A spreadsheet gives the text of its sheet.

    Raises
    ------
    NotFound
        If there is no such file.
    InvalidInput
        If it is a folder, empty, binary, UTF-16, not valid in ``encoding``, or beyond the limits.
    """
    file = path.name
    if not path.exists():
        raise NotFound(f"{path}: there is no such file. Check the path")
    if path.is_dir():
        raise InvalidInput(f"{path}: is a folder. Name the file in it")
    limiting.check_size(path, limits)
    data = path.read_bytes()
    if data.startswith(sheets.ZIP) and sheets.is_sheet(path):
        data = sheets.as_csv(path, sheet, limits)
    if not data.strip():
        raise InvalidInput(f"{file}: the file is empty. Export it again")
    for magic, what in _ARCHIVES.items():
        if data.startswith(magic):
            raise InvalidInput(f"{file}: is {what}, not text. Save it as CSV (UTF-8)")
    if encoding.lower().replace("_", "-") in ("utf-8", "utf8", "utf-8-sig"):
        if data[:2] in (b"\xff\xfe", b"\xfe\xff") or _looks_utf16(data):
            raise InvalidInput(f"{file}: is UTF-16, not UTF-8. Save it as CSV (UTF-8)")
        _refuse_binary(data, file)
        data = data.removeprefix(b"\xef\xbb\xbf")
        _refuse_other_encoding(data, file)
    else:
        data = _decoded(data, encoding, file)
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    return data


def _refuse_giants(  # what, where, how much
    starts: NDArray[np.int64],
    ends: NDArray[np.int64],
    rows: NDArray[np.int64],
    file: str,
    limits: Limits,
) -> None:
    """Refuse a record so long that no row of counts can be meant."""
    size = ends - starts
    if size.max() > 100 * limits.field_chars:
        at = int(size.argmax())
        raise InvalidInput(
            f"{file}:{rows[at]}: a line of {int(size[at]):,} signs is no row of a table. Check the file, or "
            "raise field_chars under [limits] in countmap.toml"
        )


def _looks_utf16(data: bytes) -> bool:
    head = np.frombuffer(data[:400], dtype=np.uint8)
    pairs = len(head) // 2
    zeros = (head[: 2 * pairs].reshape(-1, 2) == 0).sum(axis=0) if pairs > 1 else np.zeros(2)
    return bool(zeros.max() > 0.4 * pairs and zeros.min() == 0)


def _refuse_binary(data: bytes, file: str) -> None:
    at = data.find(b"\x00")
    if at >= 0:
        line = data.count(b"\n", 0, at) + 1
        raise InvalidInput(f"{file}:{line}: holds a zero byte, so it is not text. Save it as CSV")


def _refuse_other_encoding(data: bytes, file: str) -> None:
    try:
        data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        byte = data[error.start]
        guess = bytes([byte]).decode("cp1252", errors="replace")
        raise InvalidInput(
            f"{file}:{line}: byte 0x{byte:02X} is not UTF-8 ({guess!r} in Windows-1252 or Latin-1)."
            " Save the file as UTF-8, or state its encoding in a layout"
        ) from error


def _decoded(data: bytes, encoding: str, file: str) -> bytes:
    try:
        return data.decode(encoding).removeprefix("\ufeff").encode("utf-8")
    except LookupError as error:
        raise InvalidInput(f"{file}: encoding {encoding!r} is unknown. Use utf-8") from error
    except UnicodeDecodeError as error:
        raise InvalidInput(
            f"{file}: is not {encoding} (byte {error.start}). State its true encoding"
        ) from error


def read(
    path: str | Path,
    *,
    delimiter: str = "",
    known: Collection[str] = (),
    encoding: str = "utf-8",
    skip_lines: int = 0,
    header: bool = True,
    needs_rows: bool = True,
    sheet: str = "",
    limits: Limits = DEFAULT,
    data: bytes | None = None,
) -> Records:
    r"""Split a delimited text file into records.

    Parameters
    ----------
    path : path
    delimiter : str
        ``""`` chooses among comma, semicolon and tab by the first record: the one that yields
        the most names in ``known``, then the most fields.
    known : collection of str
        Case-folded names the caller looks for.
    encoding : str
    skip_lines : int
        Lines before the header, or before the data where there is none.
    header : bool
        Whether the first record names the columns; otherwise the names are ``"1"``, ``"2"`` …
    needs_rows : bool
        Whether a file without a data record is refused.
    sheet : str
        Of a spreadsheet; "" is the first that is not empty.
    limits : Limits
        What a file may hold.
    data : bytes, optional
        What ``read_bytes`` gave for the file, where that was asked already.

    Returns
    -------
    Records
        Blank records are left out. Records with too few or too many fields are in ``rejects``.

    Raises
    ------
    NotFound, InvalidInput
        As ``read_bytes``; also for a quotation mark that is misplaced or never closed, a column
        name given twice, and a file without rows.
    """
    path = Path(path)
    file = path.name
    if data is None:
        data = read_bytes(path, encoding, sheet=sheet, limits=limits)
    offset_lines = 0
    if header and not skip_lines and data[:4].lower() == b"sep=" and data[5:6] == b"\n":
        skip_lines, delimiter = 1, delimiter or chr(data[4])
    for _ in range(skip_lines):
        _, _, data = data.partition(b"\n")
        offset_lines += 1
    starts, ends, rows = _bounds(data, file, offset_lines)
    if not len(starts):
        raise InvalidInput(
            f"{file}: nothing follows the {skip_lines} skipped lines. Check the layout"
        )
    delimiter = delimiter or _sniff(data[starts[0] : ends[0]], known)
    _refuse_giants(starts, ends, rows, file, limits)
    names = _split(data[starts[0] : ends[0]], delimiter)
    if len(names) > limits.columns:
        raise InvalidInput(
            f"{file}:{rows[0]}: has {len(names):,} columns, more than {limits.columns:,}. Check that it is "
            "the right file, or raise columns under [limits] in countmap.toml"
        )
    if header:
        names = [name.casefold() for name in names]
        _refuse_twice(names, file, int(rows[0]))
        starts, ends, rows = starts[1:], ends[1:], rows[1:]
    else:
        names = [str(i + 1) for i in range(len(names))]
    if needs_rows and not len(starts):
        raise InvalidInput(f"{file}:{offset_lines + 1}: has a header and no rows. Export it again")
    kept, rejects = _ragged(data, (starts, ends, rows), len(names), delimiter, file)
    cells = _cells(data, kept, names, delimiter)
    cells, rows = _without_blank(cells, kept[2])
    if needs_rows and not len(rows) and rejects.empty:
        raise InvalidInput(f"{file}: every row is blank. Export it again")
    return Records(file, tuple(names), cells, rows, delimiter, rejects)


def _bounds(
    data: bytes, file: str, offset: int
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Return start, end (byte) and line of every record that is not an empty line."""
    buffer = np.frombuffer(data, dtype=np.uint8)
    newlines = np.flatnonzero(buffer == _NEWLINE)
    quotes = np.flatnonzero(buffer == _QUOTE)
    breaks = newlines
    if len(quotes):
        _refuse_quotes(buffer, quotes, newlines, file, offset)
        breaks = newlines[np.searchsorted(quotes, newlines) % 2 == 0]
    starts = np.concatenate([[0], breaks + 1])
    ends = np.concatenate([breaks, [len(buffer)]])
    full = ends > starts
    starts, ends = starts[full], ends[full]
    return starts, ends, np.searchsorted(newlines, starts) + 1 + offset


def _refuse_quotes(
    buffer: NDArray[np.uint8],
    quotes: NDArray[np.int64],
    newlines: NDArray[np.int64],
    file: str,
    offset: int,
) -> None:
    openers = quotes[::2]
    before = np.where(openers > 0, buffer[openers - 1], _NEWLINE)
    fields = [_NEWLINE, _QUOTE, *(ord(d) for d in (*DELIMITERS, "|"))]
    stray = openers[~np.isin(before, fields)]
    if len(stray):
        line = int(np.searchsorted(newlines, stray[0])) + 1 + offset
        raise InvalidInput(
            f"{file}:{line}: a quotation mark stands in the middle of a field."
            ' Put the field in quotation marks and double the inner one ("")'
        )
    if len(quotes) % 2:
        line = int(np.searchsorted(newlines, quotes[-1])) + 1 + offset
        raise InvalidInput(
            f"{file}:{line}: a quotation mark opens here and is never closed."
            " Close it; if the file is cut off, fetch it again"
        )


def _split(record: bytes, delimiter: str) -> list[str]:
    import csv

    text = record.decode("utf-8")
    return [cell.strip() for cell in next(csv.reader(io.StringIO(text), delimiter=delimiter))]


def _sniff(record: bytes, known: Collection[str]) -> str:
    def merit(delimiter: str) -> tuple[int, int]:
        names = [name.casefold() for name in _split(record, delimiter)]
        return len(set(names) & set(known)), len(names)

    return max(DELIMITERS, key=merit)


def _refuse_twice(names: list[str], file: str, line: int) -> None:
    for name in names:
        if name and names.count(name) > 1:
            raise InvalidInput(f"{file}:{line}: the column {name!r} is there twice. Rename one")


_Bounds = tuple["NDArray[np.int64]", "NDArray[np.int64]", "NDArray[np.int64]"]


def _ragged(
    data: bytes, bounds: _Bounds, width: int, delimiter: str, file: str
) -> tuple[_Bounds, pd.DataFrame]:
    """Part the records of the right width from the others."""
    starts, ends, rows = bounds
    if not len(starts):
        return bounds, rejects_frame([])
    buffer = np.frombuffer(data, dtype=np.uint8)
    marks = np.flatnonzero(buffer == ord(delimiter))
    if b'"' in data:
        quotes = np.flatnonzero(buffer == _QUOTE)
        marks = marks[np.searchsorted(quotes, marks) % 2 == 0]
    fields = np.searchsorted(marks, ends) - np.searchsorted(marks, starts) + 1
    trailing = (fields == width + 1) & (buffer[ends - 1] == ord(delimiter))
    fields, ends = fields - trailing, ends - trailing
    wrong = fields != width
    found = []
    for i in np.flatnonzero(wrong):
        record = data[starts[i] : ends[i]].decode("utf-8")
        if not record.strip(delimiter + " \t"):
            continue
        cut = ends[i] == len(data) and fields[i] < width
        why = f"the line has {fields[i]} fields, the header {width}"
        advice = "The file is cut off here: fetch it again" if cut else "Correct the row"
        found.append((file, int(rows[i]), "", record[:80], f"{why}. {advice}"))
    good = ~wrong
    return (starts[good], ends[good], rows[good]), rejects_frame(found)


def _cells(
    data: bytes, bounds: _Bounds, names: list[str], delimiter: str
) -> tuple[pa.ChunkedArray, ...]:
    starts, ends, _ = bounds
    if not len(starts):
        return tuple(pa.chunked_array([[]], pa.string()) for _ in names)
    whole = len(starts) == 1 or bool((starts[1:] - ends[:-1] == 1).all())
    body = (
        data[starts[0] : ends[-1]]
        if whole
        else b"\n".join(data[a:b] for a, b in zip(starts.tolist(), ends.tolist(), strict=True))
    )
    keys = [str(i) for i in range(len(names))]
    table = pa.csv.read_csv(
        pa.BufferReader(body),
        read_options=pa.csv.ReadOptions(
            column_names=keys, block_size=max(1 << 20, int((ends - starts).max()) + 2)
        ),
        parse_options=pa.csv.ParseOptions(
            delimiter=delimiter, newlines_in_values=b'"' in body, ignore_empty_lines=False
        ),
        convert_options=pa.csv.ConvertOptions(
            column_types=dict.fromkeys(keys, pa.string()), strings_can_be_null=False
        ),
    )
    assert table.num_rows == len(starts), "records and line numbers go together"
    return tuple(pa.compute.utf8_trim_whitespace(table[key]) for key in keys)


def _without_blank(
    cells: tuple[pa.ChunkedArray, ...], rows: NDArray[np.int64]
) -> tuple[tuple[pa.ChunkedArray, ...], NDArray[np.int64]]:
    blank = np.ones(len(rows), dtype=bool)
    for column in cells:
        if not blank.any():
            return cells, rows
        blank &= pa.compute.equal(column, "").to_numpy().astype(bool)
    keep = pa.array(~blank)
    return tuple(column.filter(keep) for column in cells), rows[~blank]
