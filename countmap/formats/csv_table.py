"""Any CSV by the contract of its table: text in, typed columns and the rows that could not be taken."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from countmap.errors import InvalidInput
from countmap.formats import cells, records
from countmap.formats.whole import replacing
from countmap.tables import Column, Table, broken_rules

if TYPE_CHECKING:
    from numpy.typing import NDArray

# A spreadsheet runs a cell that begins with one of these as a formula (OWASP, "CSV Injection";
# from memory). A number with a sign is none.
_FORMULA = re.compile(r"^[=+\-@\t\r\n＝＋－＠]")
_NUMBER = re.compile(r"^[+-]?\d+([.,]\d+)?$")


def read(
    path: str | Path,
    table: Table,
    *,
    extra: Sequence[str | Column] = (),
    tz: str = "",
    about: Sequence[str] = (),
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Read a CSV file by the contract of ``table``.

    Parameters
    ----------
    path : path
        UTF-8, with or without byte order mark; comma, semicolon or tab, told by the header. With
        semicolons a decimal comma is understood. Names are trimmed and case-folded.
    table : Table
        Columns, kinds, allowed values, bounds and key to hold the file to.
    extra : sequence of str or Column
        Further columns to keep: a name alone is kept as text. All others are ignored.
    tz : str
        Zone in which a ``time`` without offset is read; ``""`` refuses such times.
    about : sequence of str
        Columns quoted in brackets after an offence; by default the table's key.

    Returns
    -------
    frame : DataFrame
        Every column of the contract, then the extra ones (null where the file lacks them), then
        ``row``, the line of the file (the header is line 1). Rows with an offence are left out.
    rejects : DataFrame
        REJECTS, one row for each offending line (its first offence), in file order.

    Raises
    ------
    NotFound
        If there is no such file.
    InvalidInput
        If the file cannot be read at all: empty, without rows, binary, not UTF-8, misplaced
        quotation marks, a required column missing.
    """
    more = tuple(Column(e, "text", "", False, True) if isinstance(e, str) else e for e in extra)
    columns = (*table.columns, *(c for c in more if c.name not in table.names))
    found = records.read(path, known={c.name for c in columns})
    require_columns(found, table.name, columns)
    return typed(found, columns, table=table, tz=tz, about=about or table.key)


def error_from(rejects: pd.DataFrame) -> InvalidInput:
    """Return the one-line error for ``rejects``: its first row, with all of them attached.

    How many more there are is left to whoever writes them to a file.

    Examples
    --------
    >>> error_from(records.rejects_frame([("c.csv", 7, "count", "-3", "count -3 is negative")]))
    InvalidInput('c.csv:7: count -3 is negative')
    """
    first = rejects.iloc[0]
    return InvalidInput(f"{first['file']}:{first['row']}: {first['why']}", rejects)


def read_or_raise(path: str | Path, table: Table, **options: Any) -> pd.DataFrame:
    """Return the frame of ``read``; raise ``error_from`` of its rejects if there are any."""
    frame, rejects = read(path, table, **options)
    if len(rejects):
        raise error_from(rejects)
    return frame


def require_columns(found: records.Records, name: str, columns: Sequence[Column]) -> None:
    """Raise InvalidInput if a required column of the table called ``name`` is not in the header."""
    missing = [c.name for c in columns if c.required and c.name not in found.header]
    if not missing:
        return
    plural = "s" if len(missing) > 1 else ""
    seen = ", ".join(repr(h) for h in found.header[:12])
    raise InvalidInput(
        f"{found.file}:1: {name} needs the column{plural} {', '.join(map(repr, missing))};"
        f" the header has {seen}. Rename or add the column{plural}"
    )


def typed(
    found: records.Records,
    columns: Sequence[Column],
    *,
    table: Table | None = None,
    tz: str = "",
    about: Sequence[str] = (),
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Turn the text of ``found`` into the kinds of ``columns``; see ``read`` for what returns.

    With a ``table`` its rules and its key are held to as well.
    """
    size = len(found.rows)
    values: dict[str, Any] = {}
    bad = np.zeros(size, dtype=bool)
    faulty: list[tuple[int, Column, str]] = []
    decimal_comma = found.delimiter == ";"
    for column in columns:
        if column.name not in found.header:
            values[column.name] = cells.nulls(column, size)
            continue
        text = found.column(column.name)
        values[column.name], faults = cells.convert(
            text, column, decimal_comma=decimal_comma, tz=tz
        )
        for mask, why in faults:
            faulty.extend((int(i), column, why) for i in np.flatnonzero(mask & ~bad))
            bad |= mask
    frame = pd.DataFrame({**values, "row": found.rows})
    if table is not None:
        for check in (_broken, _twice):
            more = check(frame, table, bad)
            bad[[i for i, *_ in more]] = True
            faulty += more
    lines = _sentences(found, faulty, [n for n in about if n in found.header])
    rejects = records.joined(found.rejects, records.rejects_frame(lines))
    good = frame[~bad].reset_index(drop=True)
    whole = {c.name: "int64" for c in columns if c.kind == "int" and not c.nullable}
    return good.astype({n: k for n, k in whole.items() if not good[n].isna().any()}), rejects


def _sentences(
    found: records.Records, faulty: Sequence[tuple[int, Column, str]], about: Sequence[str]
) -> list[tuple[str, int, str, str, str]]:
    """Say of each fault what is wrong, in which record, and what to do."""
    at = np.array([i for i, *_ in faulty], dtype=np.int64)
    names = {*about, *(column.name for _, column, _ in faulty)} & set(found.header)
    shown = {name: found.column(name).take(at).to_pylist() for name in names}
    lines = []
    for n, (i, column, why) in enumerate(faulty):
        cell = shown[column.name][n] if column.name in shown else ""
        what, stop, advice = why.partition(". ")
        where = ", ".join(
            _mention(name, shown[name][n])
            for name in about
            if name != column.name and shown[name][n]
        )
        said = what.format(name=column.name, value=cell[:40], unit=column.unit)
        bracket = f" ({where})" if where else ""
        row = int(found.rows[i])
        lines.append((found.file, row, column.name, cell, said + bracket + stop + advice))
    return lines


def _mention(name: str, cell: str) -> str:
    return f"{name.removesuffix('_id')} {cell}" if name.endswith("_id") else cell.replace("T", " ")


def _broken(
    frame: pd.DataFrame, table: Table, bad: NDArray[np.bool_]
) -> list[tuple[int, Column, str]]:
    first = {i: (column, why) for i, column, why in reversed(broken_rules(frame, table))}
    return [
        (i, table.column(column), _advised(why).replace("{", "{{").replace("}", "}}"))
        for i, (column, why) in sorted(first.items())
        if not bad[i]
    ]


def _advised(why: str) -> str:
    return why if ". " in why else f"{why}. Correct the row"


def _twice(
    frame: pd.DataFrame, table: Table, bad: NDArray[np.bool_]
) -> list[tuple[int, Column, str]]:
    key = table.key
    if not key or frame.empty:
        return []
    again = frame.duplicated(list(key)).to_numpy() & ~bad
    if not again.any():
        return []
    first = frame.groupby(list(key), dropna=False, sort=False)["row"].transform("first")
    column = table.column(key[0])
    name = " + ".join(key)
    return [
        (
            int(i),
            column,
            f"{name} {{value!r}} is there twice, first in line {first[i]}. Keep one",
        )
        for i in np.flatnonzero(again)
    ]


def write(frame: pd.DataFrame, path: str | Path) -> None:
    """Write ``frame`` as CSV: UTF-8, comma, ISO 8601 times, empty for null.

    The file is replaced in one step: a reader sees the old one or the new one.
    """
    out = frame.copy()
    for name in out.columns:
        out[name] = _written(out[name])
    # The writer quotes a line feed, but takes a bare carriage return for text like any other.
    quoting = csv.QUOTE_NONNUMERIC if _has_returns(out) else csv.QUOTE_MINIMAL
    with replacing(path) as part:
        out.to_csv(part, index=False, lineterminator="\n", quoting=quoting, encoding="utf-8")


def inert(value: Any) -> Any:
    """Return a text cell that no spreadsheet takes for a formula: an apostrophe goes before it.

    Examples
    --------
    >>> inert("=1+1"), inert("@home"), inert("-3.5"), inert("Mill Street"), inert(None)
    ("'=1+1", "'@home", '-3.5', 'Mill Street', None)
    """
    if isinstance(value, str) and _FORMULA.match(value) and not _NUMBER.match(value):
        return f"'{value}"
    return value


def _has_returns(frame: pd.DataFrame) -> bool:
    texts = [v for _, v in frame.items() if pd.api.types.is_string_dtype(v) or v.dtype == object]
    return any(v.astype("str").str.contains("\r", regex=False).any() for v in texts)


def _written(values: pd.Series) -> pd.Series:
    kind = values.dtype
    if isinstance(kind, pd.DatetimeTZDtype):
        return values.dt.strftime("%Y-%m-%dT%H:%M:%S%z").str.replace(r"(\d\d)$", r":\1", regex=True)
    if pd.api.types.is_datetime64_dtype(kind):
        midnight = (values.dropna() == values.dropna().dt.normalize()).all()
        return values.dt.strftime("%Y-%m-%d" if midnight else "%Y-%m-%dT%H:%M:%S")
    if pd.api.types.is_bool_dtype(kind):
        return values.map({True: "true", False: "false"})
    if pd.api.types.is_float_dtype(kind):
        known = values.dropna()
        if np.isfinite(known).all() and (known % 1 == 0).all() and (known.abs() < 2**53).all():
            return values.astype("Int64")
    if pd.api.types.is_object_dtype(kind):
        return values.map(_cell)
    return values


def _cell(value: Any) -> Any:
    if isinstance(value, bool | np.bool_):
        return "true" if value else "false"
    if isinstance(value, list | tuple | np.ndarray):
        return " ".join(str(v) for v in value)
    return value
