"""Any file of period counts, told by its content: our own CSV, federal records, or by a layout."""

from __future__ import annotations

from pathlib import Path

from countmap.errors import InvalidInput
from countmap.formats import counts_csv, records, tmg
from countmap.formats.layouts import Layout
from countmap.formats.limits import DEFAULT, Limits
from countmap.formats.tmg import Found


def recognised(path: str | Path, limits: Limits = DEFAULT) -> str:
    """Return what a file is: ``counts.csv``, ``tmg volume`` (speed, class, station), or "" for none.

    Raises
    ------
    NotFound, InvalidInput
        As ``records.read_bytes``.
    """
    return _kind(_text(Path(path), limits))


def _text(path: Path, limits: Limits) -> bytes | None:
    """Return the file's text; None if it is not UTF-8."""
    try:
        return records.read_bytes(path, limits=limits)
    except InvalidInput as refused:
        if "not UTF-8" in str(refused):
            return None
        raise


def _kind(data: bytes | None) -> str:
    if data is None:
        return ""
    lines = data.split(b"\n", 50)[:50]
    first = next((line for line in lines if line.strip() and line[:4].lower() != b"sep="), b"")
    line = first.decode("utf-8", "replace")
    if kind := tmg.sniff(line):
        return f"tmg {kind}"
    wanted = {c.name for c in counts_csv.COUNTS.columns if c.required}
    for delimiter in records.DELIMITERS:
        names = {name.strip().strip('"').casefold() for name in line.split(delimiter)}
        if wanted <= names:
            return "counts.csv"
    return ""


def read(path: str | Path, layout: Layout | None = None, limits: Limits = DEFAULT) -> Found:
    """Read a file of counts, by a layout or as what its content shows it to be.

    Raises
    ------
    NotFound, InvalidInput
        As the reader of its kind; a file of no known kind is read as our own, and the line says which
        columns it lacks.
    """
    data = _text(Path(path), limits) if layout is None else None
    if _kind(data).startswith("tmg"):
        return tmg.read_counts(path, data)
    try:
        raw, rejects = counts_csv.read(path, layout, limits, data)
    except InvalidInput as refused:
        if layout is not None or refused.rejects is not None:
            raise
        raise InvalidInput(
            f"{refused}. For a file of another layout, countmap counts import FILE --dry-run proposes one"
        ) from refused
    return Found(raw, rejects)
