"""A paper as PDF, set by reportlab in the typeface that travels with the package (extra ``pdf``).

The typeface, DejaVu Sans Condensed, has Latin, Greek, Cyrillic, Hebrew, Arabic letters and more. A
character it does not have is printed by its number, and the last page says so: nothing vanishes.
"""

from __future__ import annotations

import io
import unicodedata
from collections.abc import Iterator, Sequence
from importlib.resources import as_file, files
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

from countmap.errors import MissingExtra
from countmap.publish import paper as model

if TYPE_CHECKING:
    from countmap.publish.paper.setting import Setter

FACE = "DejaVuSansCondensed"
FOLDER = "vendor/dejavu/2.37"
MISSING = (
    "Some characters are not in the typeface of this print and stand as their number, [U+…]; the "
    "HTML page shows them as they were written."
)
UNJOINED = (
    "Words that run from right to left are set letter by letter, unjoined; the HTML page shows them "
    "as they were written."
)
RIGHT_TO_LEFT = frozenset({"R", "AL"})


def render(paper: model.Paper) -> bytes:
    """Return the PDF of a paper; the same paper gives the same bytes.

    Raises
    ------
    MissingExtra
        reportlab is not installed.
    """
    try:
        import reportlab  # noqa: F401  # asked for before the setter, which builds on it
    except ImportError as error:
        raise MissingExtra(
            "a PDF needs reportlab, which is not installed; pip install 'countmap[pdf]', "
            "or print the HTML page from a browser"
        ) from error
    from countmap.publish.paper import setting

    faces = _faces()
    ink = Ink(frozenset(faces[0].face.charToGlyph) & frozenset(faces[1].face.charToGlyph))
    setter = setting.Setter(paper, ink)
    story = list(_story(setter, paper))
    out = io.BytesIO()
    setter.build(out, story)
    return out.getvalue()


class Ink:
    """Turns text into what the typeface can print, and remembers what it could not.

    Attributes
    ----------
    missing, unjoined : bool
        Whether a character had to stand as its number, or a word letter by letter.
    """

    def __init__(self, has: frozenset[int]) -> None:
        self._has = has
        self.missing = False
        self.unjoined = False

    def plain(self, value: Any, *, longest: int = model.LONGEST) -> str:
        """Return a text for a canvas: clean, every character printable, in the order of sight."""
        return self._set(model.clean(value, longest=longest))

    def cell(self, one: model.Cell) -> str:
        """Return what a grid's cell prints."""
        return self._set(model.printed(one))

    def marked(self, value: Any, *, longest: int = model.LONGEST) -> str:
        """Return a text for a paragraph: as `plain`, and escaped."""
        return escape(self.plain(value, longest=longest)).replace("\n", "<br/>")

    def _set(self, said: str) -> str:
        if said.isascii():
            return said
        if any(unicodedata.bidirectional(c) in RIGHT_TO_LEFT for c in said):
            self.unjoined = True
            said = in_order_of_sight(said)
        return "".join(c if ord(c) in self._has or c == "\n" else self._number(c) for c in said)

    def _number(self, character: str) -> str:
        self.missing = True
        return f"[U+{ord(character):04X}]"


def in_order_of_sight(said: str) -> str:
    """Return a line with its right-to-left runs turned round; digits in them keep their order.

    Examples
    --------
    >>> in_order_of_sight("S1 \u05d0\u05d1 \u05d2 2") == "S1 \u05d2 \u05d1\u05d0 2"
    True
    """
    kinds = [unicodedata.bidirectional(c) for c in said]
    out, at = "", 0
    while at < len(said):
        if kinds[at] not in RIGHT_TO_LEFT:
            out += said[at]
            at += 1
            continue
        last = at
        for ahead in range(at, len(said)):
            if kinds[ahead] in RIGHT_TO_LEFT or kinds[ahead] == "NSM":
                last = ahead
            elif kinds[ahead] in ("L", "EN", "AN", "B"):
                break
        out += said[at : last + 1][::-1]
        at = last + 1
    return out


def _faces() -> list[Any]:
    """Return the upright and the bold typeface, registered with reportlab."""
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    found = []
    for name in (FACE, f"{FACE}-Bold"):
        if name not in pdfmetrics.getRegisteredFontNames():
            with as_file(files("countmap.publish") / FOLDER / f"{name}.ttf") as path:
                pdfmetrics.registerFont(TTFont(name, str(path)))
        found.append(pdfmetrics.getFont(name))
    pdfmetrics.registerFontFamily(FACE, FACE, f"{FACE}-Bold", FACE, f"{FACE}-Bold")
    return found


def _story(setter: Setter, paper: model.Paper) -> Iterator[Any]:
    yield from setter.head(paper)
    yield from flow(setter, paper.blocks, setter.width)
    if setter.ink.missing or setter.ink.unjoined:
        yield setter.gap(8)
    if setter.ink.missing:
        yield setter.paragraph(MISSING, "soft")
    if setter.ink.unjoined:
        yield setter.paragraph(UNJOINED, "soft")


def flow(setter: Setter, blocks: Sequence[Any], width: float) -> Iterator[Any]:
    """Yield reportlab's flowables of some blocks, ``width`` points wide."""
    above: list[Any] = []
    for block in blocks:
        if isinstance(block, model.Box):
            parts = setter.box(block, list(flow(setter, block.blocks, width - 20)), width)
        elif isinstance(block, model.Beside):
            each = (width - 16 * (len(block.columns) - 1)) / len(block.columns)
            columns = [list(flow(setter, column, each)) for column in block.columns]
            parts = setter.beside(columns, each)
        else:
            parts = setter.set(block, width)
        if isinstance(block, model.Heading):
            above += parts
        else:
            yield from setter.below(above, list(parts))
            above = []
    yield from above
