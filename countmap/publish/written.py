"""Write a paper to files, each whole or not at all: HTML, and beside it PDF and spreadsheet."""

from __future__ import annotations

from pathlib import Path

from countmap.errors import InvalidInput
from countmap.formats import whole
from countmap.publish.paper import Paper, book, page
from countmap.publish.paper import pdf as print_


def write(paper: Paper, path: Path | str, *, pdf: bool = False, xlsx: bool = False) -> list[str]:
    """Write a paper; returns the files' paths.

    Nothing is written when one of them cannot be made.

    Raises
    ------
    InvalidInput
        ``path`` does not end in .html.
    MissingExtra
        The library of a PDF or a spreadsheet is not installed.
    """
    path = Path(path)
    if path.suffix.lower() not in (".html", ".htm"):
        raise InvalidInput(f"{path}: the page is HTML; give --out a name that ends in .html")
    made = {path: page.render(paper).encode("utf-8")}
    if pdf:
        made[path.with_suffix(".pdf")] = print_.render(paper)
    if xlsx:
        made[path.with_suffix(".xlsx")] = book.render(paper)
    for target, content in made.items():
        whole.write(target, content)
    return [str(target) for target in made]
