"""A grid as a table of reportlab: widths shared out, heads repeated on every page."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.platypus import Paragraph, Table, TableStyle

from countmap.publish import paper as model
from countmap.publish.paper.setting import ALIGNED, BOLD, FACE, PENS, TURNED

if TYPE_CHECKING:
    from countmap.publish.paper.pdf import Ink

WIDEST = 0.42
"""Share of the page that a column without a share of its own may take."""
NARROWEST = 14.0


def table(block: model.Grid, width: float, ink: Ink) -> Table:
    """Return the table; text that is too wide for its column is broken, never cut."""
    size = 7.2 if block.dense else 8.4
    pad = 2.0 if block.dense else 3.5
    widths = shared_out(block, width, size, pad, ink)
    first_foot = len(block.rows) - block.foot
    rows: list[list[Any]] = [[_head(column, size, ink) for column in block.columns]]
    for number, row in enumerate(block.rows):
        strong = number >= first_foot
        rows.append(
            [
                _cell(model.cell(value), column, size=size, ink=ink, strong=strong)
                for value, column in zip(row, block.columns, strict=True)
            ]
        )
    return Table(
        rows,
        colWidths=widths,
        repeatRows=1,
        style=TableStyle(_rules(block, size, pad, first_foot)),
        spaceAfter=4,
    )


def _rules(block: model.Grid, size: float, pad: float, first_foot: int) -> list[tuple[Any, ...]]:
    whole, tight = ((0, 0), (-1, -1)), 0.4 if block.dense else 1.6
    rules: list[tuple[Any, ...]] = [
        ("LEFTPADDING", *whole, pad),
        ("RIGHTPADDING", *whole, pad),
        ("TOPPADDING", *whole, tight),
        ("BOTTOMPADDING", *whole, tight + size * 0.12),
        ("FONTSIZE", *whole, size),
        ("LEADING", *whole, size * 1.2),
        ("VALIGN", *whole, "TOP"),
        ("VALIGN", (0, 0), (-1, 0), "BOTTOM"),
        ("LINEABOVE", (0, 0), (-1, 0), 0.8, PENS["ink"]),
        ("LINEBELOW", (0, 0), (-1, 0), 0.8, PENS["ink"]),
        ("LINEBELOW", (0, 1), (-1, -1), 0.25, PENS["rule"]),
        ("LINEBELOW", (0, -1), (-1, -1), 0.8, PENS["ink"]),
    ]
    if block.foot:
        rules.append(("LINEABOVE", (0, first_foot + 1), (-1, first_foot + 1), 0.8, PENS["ink"]))
    rules += [("ALIGN", (at, 0), (at, -1), ALIGNED[c.align]) for at, c in enumerate(block.columns)]
    return rules


def _cell(one: model.Cell, column: model.Column, *, size: float, ink: Ink, strong: bool) -> Any:
    said = ink.cell(one)
    if not said:
        return ""
    face = BOLD if strong or one.mark == "strong" else FACE
    colour = PENS["soft"] if one.mark in ("soft", "out") else PENS["ink"]
    marked = _marked(said)
    if one.mark == "out":
        marked = f"<strike>{marked}</strike>"
    return Paragraph(marked, _style(face, size, column.align, colour))


def _head(column: model.Column, size: float, ink: Ink) -> Paragraph:
    return Paragraph(ink.marked(column.head), _style(FACE, size, column.align, PENS["soft"]))


def _marked(said: str) -> str:
    return escape(said).replace("\n", "<br/>")


def _style(face: str, size: float, align: model.Align, colour: Any) -> ParagraphStyle:
    return ParagraphStyle(
        "cell", fontName=face, fontSize=size, leading=size * 1.2, alignment=TURNED[align],
        textColor=colour, splitLongWords=1,
    )  # fmt: skip


def shared_out(block: model.Grid, width: float, size: float, pad: float, ink: Ink) -> list[float]:
    """Return the columns' widths in points: their sum is ``width``.

    A column without a share is as wide as its longest cell, up to `WIDEST` of the page; the rest
    goes to the columns with a share. Without any, what is left is spread over all.
    """
    natural = []
    for at, column in enumerate(block.columns):
        words = [max(column.head.split(), key=len, default="")]
        words += [ink.cell(model.cell(row[at])) for row in block.rows]
        longest = max(stringWidth(word, BOLD, size) for word in words)
        natural.append(max(NARROWEST, min(longest + 2 * pad + 1, WIDEST * width)))
    shares = [c.share for c in block.columns]
    fixed = sum(w for w, s in zip(natural, shares, strict=True) if not s)
    if any(shares) and fixed < width:
        room = width - fixed
        return [
            w if not s else room * s / sum(shares) for w, s in zip(natural, shares, strict=True)
        ]
    whole = sum(natural)
    if whole > width:
        return [w * width / whole for w in natural]
    return [w + (width - whole) / len(natural) for w in natural]
