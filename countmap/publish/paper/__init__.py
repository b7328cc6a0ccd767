"""One model of a printable document: what a sheet, a report or a field sheet is made of.

A job builds a `Paper` from the blocks below; a renderer makes the file:

- `paper.page.render(paper) -> str`: one self-contained HTML page, A4 when printed, no script;
- `paper.pdf.render(paper) -> bytes`: PDF (extra ``pdf``);
- `paper.book.render(paper, sheets) -> bytes`: a spreadsheet (extra ``xlsx``).

All three escape every text; a caller hands over names as they are. Missing is None: it stays blank,
and the block says why. Nothing here knows about traffic.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

Align = Literal["left", "right", "centre"]
Pen = Literal["ink", "soft", "rule", "band", "fringe", "accent"]

LONGEST = 300
"""Characters of a name or a cell that are printed; a longer one is cut, and says by how much."""
PARAGRAPH = 1_200
"""The same for paragraphs, list items and notes."""

# Embeddings, overrides and isolates of the bidirectional algorithm (Unicode Standard Annex 9): in a
# name they can turn the words around it, and no place name needs them.
_TURNING = re.compile("[\u202a-\u202e\u2066-\u2069]")
_CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff]")
_UNSAFE_IN_NAME = re.compile(r"[^\w.-]+", re.ASCII)


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading; level 2 begins a part, 3 a piece of it. The title of the paper is level 1."""

    text: str
    level: Literal[2, 3] = 2


@dataclass(frozen=True, slots=True)
class Text:
    """A paragraph. ``lead`` is larger, ``soft`` a remark in small print, ``warn`` has the tick."""

    text: str
    kind: Literal["plain", "lead", "soft", "warn"] = "plain"


@dataclass(frozen=True, slots=True)
class Bullets:
    """A list of short sentences."""

    items: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Key:
    """A key figure: its name, the figure as shown (None: blank), and its interval, year and basis."""

    label: str
    value: str | None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Keys:
    """Key figures in a row, two to five."""

    items: tuple[Key, ...]


@dataclass(frozen=True, slots=True)
class Facts:
    """Label and value in two narrow columns, as on a form; None stays blank.

    Attributes
    ----------
    rows : tuple of (label, value)
    columns : 1 or 2
        How many pairs stand side by side on paper.
    """

    rows: tuple[tuple[str, str | None], ...]
    columns: Literal[1, 2] = 2


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a grid.

    Attributes
    ----------
    head : str
    align : left, right or centre
    share : float
        Width relative to the other columns; 0: as wide as its longest cell.
    shape : str
        A number format of the spreadsheet, as ``#,##0``.
    """

    head: str
    align: Align = "left"
    share: float = 0.0
    shape: str = "General"


@dataclass(frozen=True, slots=True)
class Cell:
    """A cell that needs more than its value.

    Attributes
    ----------
    value : text, number or None
        What a spreadsheet holds. None is blank.
    shown : str, optional
        What is printed; default: ``value`` in the house's way.
    mark : "", "strong", "soft", "out"
        ``out`` is a figure that is left out of all sums: struck through and grey.
    """

    value: Any
    shown: str | None = None
    mark: Literal["", "strong", "soft", "out"] = ""


@dataclass(frozen=True, slots=True)
class Grid:
    """A table; the first cell of each row is its head.

    Attributes
    ----------
    caption : str
        Says what the figures are, with unit, year and basis.
    columns : tuple of Column
    rows : tuple of tuples
        Text, numbers, None (blank) or `Cell`; as long as ``columns``.
    foot : int
        How many of the last rows are sums or means, ruled off from the others.
    notes : tuple of str
        Under the table: why cells are blank, what is left out.
    dense : bool
        Smaller print and tighter rows.
    sheet : str
        The spreadsheet's name for it; empty: it is in no spreadsheet.
    """

    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Any, ...], ...]
    foot: int = 0
    notes: tuple[str, ...] = ()
    dense: bool = False
    sheet: str = ""


@dataclass(frozen=True, slots=True)
class Line:
    """A polyline in a drawing's units, y downwards; ``dash`` as (on, off) lengths."""

    points: tuple[tuple[float, float], ...]
    pen: Pen = "ink"
    width: float = 1.0
    dash: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Area:
    """A filled polygon; ``hatched`` for what is excluded."""

    points: tuple[tuple[float, float], ...]
    pen: Pen = "band"
    hatched: bool = False


@dataclass(frozen=True, slots=True)
class Dot:
    """A mark: filled disc, ring or square of ``size`` across; with ``tick`` something needs a look."""

    x: float
    y: float
    size: float = 6.0
    kind: Literal["disc", "ring", "square"] = "disc"
    pen: Pen = "ink"
    tick: bool = False


@dataclass(frozen=True, slots=True)
class Word:
    """A word in a drawing; ``anchor`` says which end of it lies at x; y is its baseline."""

    x: float
    y: float
    text: str
    anchor: Literal["start", "middle", "end"] = "start"
    pen: Pen = "ink"
    strong: bool = False
    size: float = 11.0


Shape = Line | Area | Dot | Word


@dataclass(frozen=True, slots=True)
class Drawing:
    """A small chart or map sketch, as wide as the text; `paper.drawing` makes common ones.

    Attributes
    ----------
    width, height : float
        Of the drawing's own units; 680 wide is one unit a CSS pixel.
    shapes : tuple of Line, Area, Dot, Word
        Drawn in this order.
    says : str
        What it shows, for those who do not see it; also the name in print.
    caption : str
    """

    width: float
    height: float
    shapes: tuple[Shape, ...]
    says: str
    caption: str = ""


@dataclass(frozen=True, slots=True)
class Check:
    """A box to tick by hand, or ticked already: None open, True done, False found wanting."""

    text: str
    done: bool | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Checks:
    """Boxes, one a line."""

    items: tuple[Check, ...]


@dataclass(frozen=True, slots=True)
class Blank:
    """A line to fill in by hand: its label, how many of twelve parts of the width, what is known."""

    label: str
    parts: int = 6
    value: str | None = None
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Blanks:
    """Lines to fill in by hand, side by side while their parts add up to twelve."""

    items: tuple[Blank, ...]
    height_mm: float = 9.0


@dataclass(frozen=True, slots=True)
class Box:
    """A ruled box with a name: cautions, what a reader must know before the figures."""

    title: str
    blocks: tuple[Any, ...]
    strong: bool = False


@dataclass(frozen=True, slots=True)
class Beside:
    """Two or three columns of blocks side by side on paper, under each other on a phone."""

    columns: tuple[tuple[Any, ...], ...]


@dataclass(frozen=True, slots=True)
class Break:
    """A new page."""


Block = (
    Heading
    | Text
    | Bullets
    | Keys
    | Facts
    | Grid
    | Drawing
    | Checks
    | Blanks
    | Box
    | Beside
    | Break
)


@dataclass(frozen=True, slots=True)
class Paper:
    """A document.

    Attributes
    ----------
    title : str
        Heading of the first page and name of the file's window.
    blocks : tuple of blocks
    above : str
        A line over the title: what kind of paper this is.
    below : str
        A line under the title: place, dates.
    release : str
        At the foot of every page, with the page numbers: where the figures come from.
    landscape : bool
    wide : bool
        The page uses the whole width of a screen; otherwise it stays as narrow as paper.
    tight : bool
        A printed HTML page is set closer, so that a form stays on one leaf.
    """

    title: str
    blocks: tuple[Any, ...]
    above: str = ""
    below: str = ""
    release: str = ""
    landscape: bool = False
    wide: bool = field(default=False)
    tight: bool = field(default=False)


def clean(text: Any, *, longest: int = LONGEST) -> str:
    r"""Return a text as it may stand on paper: no control characters, not longer than a reader reads.

    Characters that cannot be seen, or that turn the words around them, are shown by their number.

    Examples
    --------
    >>> clean("Mill\x00 Street"), clean("a\u202eb"), clean("x" * 400)[-25:]
    ('Mill[U+0000] Street', 'a[U+202E]b', 'xx… (100 more characters)')
    """
    whole = str(text)
    seen = _TURNING.sub(_number, _CONTROL.sub(_number, whole[:longest].replace("\r\n", "\n")))
    return f"{seen}… ({len(whole) - longest:,} more characters)" if len(whole) > longest else seen


def _number(found: re.Match[str]) -> str:
    return f"[U+{ord(found[0]):04X}]"


def shown(value: Any) -> str:
    """Return a cell's value as it is printed: thousands separated, nothing for None.

    Examples
    --------
    >>> shown(1234), shown(1234.0), shown(0.5), shown(None), shown("S01")
    ('1,234', '1,234', '0.5', '', 'S01')
    """
    if value is None or (isinstance(value, float) and value != value):  # noqa: PLR0124  # NaN
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return f"{value:,.10g}" if abs(value) < 1e9 else f"{value:,.0f}"
    return clean(value)


def cell(value: Any) -> Cell:
    """Return a grid's cell as a `Cell`."""
    return value if isinstance(value, Cell) else Cell(value)


def printed(one: Cell) -> str:
    """Return what a cell prints."""
    return shown(one.value) if one.shown is None else clean(one.shown)


def grids(blocks: Sequence[Any]) -> list[Grid]:
    """Return the tables of a paper that belong into its spreadsheet, in order."""
    found: list[Grid] = []
    for block in blocks:
        if isinstance(block, Grid) and block.sheet:
            found.append(block)
        elif isinstance(block, Box):
            found += grids(block.blocks)
        elif isinstance(block, Beside):
            found += [grid for column in block.columns for grid in grids(column)]
    return found


def file_name(stem: str, name: str, suffix: str) -> str:
    """Return a file name for something with any id: no folder, no dot in front, never too long.

    An id that is not plain keeps what is plain of it and a hash of the whole, so that two ids never
    share a file.

    Examples
    --------
    >>> file_name("sheet", "S01", ".html"), file_name("sheet", "../../etc/passwd", ".html")
    ('sheet-S01.html', 'sheet-etc-passwd-3754d6cb.html')
    """
    import hashlib

    plain = _UNSAFE_IN_NAME.sub("-", name).replace("..", ".").strip("-.")[:40].rstrip("-.")
    # Some file systems do not tell S01 from s01.
    if not plain or plain != name or plain != plain.upper():
        digest = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:8]
        plain = "-".join(part for part in (plain, digest) if part)
    return f"{stem}-{plain}{suffix}"
