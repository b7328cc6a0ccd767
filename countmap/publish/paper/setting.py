"""How each block of a paper is set in type by reportlab; imported only where that is installed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any, BinaryIO, ClassVar

from reportlab.lib import colors
from reportlab.lib.enums import TA_CENTER, TA_RIGHT
from reportlab.lib.pagesizes import A4, landscape
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Flowable,
    Frame,
    HRFlowable,
    KeepTogether,
    PageBreak,
    PageTemplate,
    Paragraph,
    Spacer,
    Table,
    TableStyle,
)

from countmap.publish import paper as model

if TYPE_CHECKING:
    from countmap.publish.paper.pdf import Ink

FACE = "DejaVuSansCondensed"
BOLD = f"{FACE}-Bold"
SIDE, TOP, BOTTOM = 14 * mm, 13 * mm, 16 * mm
KEPT_ROWS = 30  # a table of so many rows stays on one page where it can
ROOM = 110.0  # points that must be left under a heading on its page
# Greys, so that a copy loses nothing.
PENS = {
    "ink": colors.HexColor("#000000"),
    "soft": colors.HexColor("#4a4a4a"),
    "rule": colors.HexColor("#b5b5b5"),
    "band": colors.HexColor("#1c1c1c"),
    "fringe": colors.HexColor("#bdbdbd"),
    "accent": colors.HexColor("#000000"),
}
ALIGNED = {"left": "LEFT", "right": "RIGHT", "centre": "CENTER"}
TURNED = {"left": 0, "right": TA_RIGHT, "centre": TA_CENTER}
CHECKED = {None: "", True: "✓", False: "✗"}


def _style(name: str, size: float, **more: Any) -> ParagraphStyle:
    options = {
        "fontName": FACE, "bulletFontName": FACE, "bulletFontSize": size, "leading": size * 1.32,
        "spaceAfter": 4, "splitLongWords": 1,
    }  # fmt: skip
    return ParagraphStyle(name, fontSize=size, **options | more)


STYLES = {
    "title": _style("title", 19, fontName=BOLD, leading=22, spaceAfter=2),
    "above": _style("above", 9, textColor=PENS["soft"], spaceAfter=6),
    "below": _style("below", 9.5, textColor=PENS["soft"], spaceAfter=5),
    "h2": _style("h2", 13, fontName=BOLD, spaceBefore=12, spaceAfter=2),
    "h3": _style("h3", 10, fontName=BOLD, spaceBefore=7, spaceAfter=3),
    "plain": _style("plain", 9.5),
    "lead": _style("lead", 12.5, leading=16.5, spaceAfter=6),
    "soft": _style("soft", 8.5, textColor=PENS["soft"]),
    "warn": _style("warn", 9.5, leftIndent=12, bulletIndent=0),
    "item": _style("item", 9.5, leftIndent=10, bulletIndent=0, spaceAfter=2),
    "boxed": _style("boxed", 10.5, fontName=BOLD, spaceAfter=4),
    "caption": _style("caption", 9, fontName=BOLD, spaceBefore=4, spaceAfter=3),
}  # fmt: skip


class _Numbered(Canvas):
    """A canvas that writes ``page / pages`` once it knows how many there are."""

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self._pages: list[dict[str, Any]] = []

    def showPage(self) -> None:  # noqa: N802  # reportlab's name
        """Keep the page for the second pass."""
        self._pages.append(dict(self.__dict__))
        self._startPage()

    def save(self) -> None:
        """Write every page with its number."""
        for number, page in enumerate(self._pages, 1):
            self.__dict__.update(page)
            self.setFont(FACE, 8)
            self.setFillColor(PENS["soft"])
            right = self._pagesize[0] - SIDE
            self.drawRightString(right, 9 * mm, f"{number} / {len(self._pages)}")
            super().showPage()
        super().save()


class Setter:
    """Sets the blocks of one paper.

    Parameters
    ----------
    paper : Paper
    ink : Ink
        What its typeface can print.
    """

    def __init__(self, paper: model.Paper, ink: Ink) -> None:
        self.ink = ink
        self._paper = paper
        self._size = landscape(A4) if paper.landscape else A4
        self.width = self._size[0] - 2 * SIDE

    def build(self, out: BinaryIO, story: Sequence[Any]) -> None:
        """Write the pages."""
        title = self.ink.plain(self._paper.title)
        document = BaseDocTemplate(
            out, pagesize=self._size, title=title, author="", creator="countmap", invariant=1
        )
        height = self._size[1] - TOP - BOTTOM
        frame = Frame(SIDE, BOTTOM, self.width, height, 0, 0, 0, 0, id="leaf")
        document.addPageTemplates(PageTemplate("leaf", [frame], onPage=self._foot))
        document.build(list(story), canvasmaker=_Numbered)

    def _foot(self, canvas: Canvas, _document: Any) -> None:
        canvas.saveState()
        canvas.setStrokeColor(PENS["ink"])
        canvas.setLineWidth(0.5)
        canvas.line(SIDE, 13 * mm, SIDE + self.width, 13 * mm)
        canvas.setFont(FACE, 8)
        canvas.setFillColor(PENS["soft"])
        said = _fitted(self.ink.plain(self._paper.release), FACE, 8, self.width - 50)
        canvas.drawString(SIDE, 9 * mm, said)
        canvas.restoreState()

    def paragraph(self, said: str, style: str, *, mark: str = "") -> Paragraph:
        """Return a paragraph of plain text in a style of `STYLES`."""
        marked = self.ink.marked(said, longest=model.PARAGRAPH)
        return Paragraph(marked, STYLES[style], bulletText=mark or None)

    def gap(self, points: float) -> Spacer:
        """Return room."""
        return Spacer(1, points)

    def head(self, paper: model.Paper) -> Iterator[Any]:
        """Yield the head of the first page."""
        if paper.above:
            yield self.paragraph(paper.above, "above")
        yield Paragraph(self.ink.marked(paper.title), STYLES["title"])
        if paper.below:
            yield self.paragraph(paper.below, "below")
        yield HRFlowable("100%", 2, color=PENS["ink"], spaceBefore=1, spaceAfter=1)
        yield HRFlowable("100%", 0.5, color=PENS["ink"], spaceBefore=0, spaceAfter=9)

    def box(self, block: model.Box, inner: list[Any], width: float) -> Iterator[Any]:
        """Yield a ruled box around what it holds; a long one goes over the page."""
        title = Paragraph(self.ink.marked(block.title), STYLES["boxed"])
        style = [
            ("BOX", (0, 0), (-1, -1), 2.2 if block.strong else 0.7, PENS["ink"]),
            ("LEFTPADDING", (0, 0), (-1, -1), 10),
            ("RIGHTPADDING", (0, 0), (-1, -1), 10),
            ("TOPPADDING", (0, 0), (-1, -1), 1),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 1),
            ("TOPPADDING", (0, 0), (0, 0), 7),
            ("BOTTOMPADDING", (0, -1), (0, -1), 6),
        ]
        rows = [[one] for one in (title, *_loose(inner))]
        yield Table(rows, colWidths=[width], style=TableStyle(style), spaceBefore=4, spaceAfter=8)

    def beside(self, columns: list[list[Any]], each: float) -> Iterator[Any]:
        """Yield columns side by side."""
        style = TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("RIGHTPADDING", (0, 0), (-1, -1), 0),
                ("TOPPADDING", (0, 0), (-1, -1), 0),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 0),
            ]
        )
        cells: list[Any] = []
        widths: list[float] = []
        for column in columns:
            cells += [*([""] if cells else []), _loose(column)]
            widths += [*([16.0] if widths else []), each]
        yield Table([cells], colWidths=widths, style=style, splitInRow=1)

    def set(self, block: Any, width: float) -> Iterator[Any]:
        """Yield the flowables of a block that holds no other blocks."""
        yield from self.SET[type(block)](self, block, width)

    def below(self, above: list[Any], parts: list[Any]) -> list[Any]:
        """Return the flowables of a block below its heading, on one page where they are kept so."""
        if above and parts and isinstance(parts[0], KeepTogether):
            heading = [one for one in above if not isinstance(one, CondPageBreak)]
            return [KeepTogether([*heading, *parts[0]._content]), *parts[1:]]  # noqa: SLF001  # no reader
        return [*above, *parts]

    def _heading(self, block: model.Heading, _width: float) -> Iterator[Any]:
        # A long table must not be kept whole for the sake of its heading: some room is enough.
        yield CondPageBreak(ROOM if block.level == 2 else ROOM * 0.7)
        yield self.paragraph(block.text, f"h{block.level}")
        if block.level == 2:
            yield HRFlowable("100%", 1, color=PENS["ink"], spaceBefore=1, spaceAfter=6)

    def _text(self, block: model.Text, _width: float) -> Iterator[Any]:
        yield self.paragraph(block.text, block.kind, mark="╱" if block.kind == "warn" else "")

    def _bullets(self, block: model.Bullets, _width: float) -> Iterator[Any]:
        for one in block.items:
            yield self.paragraph(one, "item", mark="–")
        yield self.gap(3)

    def _keys(self, block: model.Keys, width: float) -> Iterator[Any]:
        cells = []
        for one in block.items:
            value = "–" if one.value is None else one.value
            small = _style("key", 8.5, textColor=PENS["soft"], spaceAfter=0)
            large = _style("figure", 16, fontName=BOLD, leading=19, spaceAfter=1)
            cells.append(
                [
                    Paragraph(self.ink.marked(one.label), small),
                    Paragraph(self.ink.marked(value), large),
                    *([Paragraph(self.ink.marked(one.note), small)] if one.note else []),
                ]
            )
        style = [
            ("LINEABOVE", (0, 0), (-1, 0), 0.8, PENS["ink"]),
            ("LINEBELOW", (0, 0), (-1, 0), 0.8, PENS["ink"]),
            ("LINEBEFORE", (1, 0), (-1, 0), 0.4, PENS["rule"]),
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LEFTPADDING", (0, 0), (0, 0), 0),
            ("LEFTPADDING", (1, 0), (-1, 0), 8),
        ]
        each = width / len(cells)
        yield Table([cells], colWidths=[each] * len(cells), style=TableStyle(style), spaceAfter=8)

    def _facts(self, block: model.Facts, width: float) -> Iterator[Any]:
        label = _style("label", 8.5, textColor=PENS["soft"], spaceAfter=0)
        value = _style("value", 8.5, alignment=TA_RIGHT, spaceAfter=0)
        pairs = [
            [Paragraph(self.ink.marked(k), label), Paragraph(self.ink.marked(v or ""), value)]
            for k, v in block.rows
        ]
        wide = block.columns == 2
        if wide:
            half = (len(pairs) + 1) // 2
            right = [*pairs[half:], ["", ""]]
            rows = [[*pairs[k], "", *right[min(k, len(right) - 1)]] for k in range(half)]
            each = (width - 14) / 2
            widths = [each * 0.45, each * 0.55, 14, each * 0.45, each * 0.55]
        else:
            rows, widths = pairs, [width * 0.45, width * 0.55]
        if not rows:
            return
        style = [
            *_tight(1.6),
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LINEBELOW", (0, 0), (1, -1), 0.3, PENS["rule"]),
            *([("LINEBELOW", (3, 0), (4, -1), 0.3, PENS["rule"])] if wide else []),
        ]
        yield Table(rows, colWidths=widths, style=TableStyle(style), spaceAfter=7)

    def _grid(self, block: model.Grid, width: float) -> Iterator[Any]:
        from countmap.publish.paper import columns

        parts = [
            self.paragraph(block.caption, "caption"),
            columns.table(block, width, self.ink),
            *(self.paragraph(note, "soft") for note in block.notes),
            self.gap(5),
        ]
        if len(block.rows) <= KEPT_ROWS:
            yield KeepTogether(parts)
        else:
            yield CondPageBreak(ROOM * 0.6)
            yield from parts

    def _drawing(self, block: model.Drawing, width: float) -> Iterator[Any]:
        from countmap.publish.paper.pens import Drawn

        parts: list[Any] = [Drawn(block, width, self.ink)]
        if block.caption:
            parts.append(self.paragraph(block.caption, "soft"))
        yield KeepTogether([*parts, self.gap(4)])

    def _checks(self, block: model.Checks, width: float) -> Iterator[Any]:
        style = _style("check", 9.5, spaceAfter=0)
        rows = []
        for one in block.items:
            said = self.ink.marked(one.text)
            if one.note:
                said += f' <font color="#4a4a4a" size="8.5">{self.ink.marked(one.note)}</font>'
            rows.append([_TickBox(CHECKED[one.done]), Paragraph(said, style)])
        if rows:
            lines = [*_tight(2.5), ("VALIGN", (0, 0), (-1, -1), "TOP")]
            yield Table(rows, colWidths=[18, width - 18], style=TableStyle(lines), spaceAfter=6)

    def _blanks(self, block: model.Blanks, width: float) -> Iterator[Any]:
        row: list[model.Blank] = []
        for one in block.items:
            if row and sum(b.parts for b in row) + one.parts > 12:
                yield _BlankRow(row, width, block.height_mm * mm, self.ink)
                row = []
            row.append(one)
        if row:
            yield _BlankRow(row, width, block.height_mm * mm, self.ink)
        yield self.gap(5)

    def _break(self, _block: model.Break, _width: float) -> Iterator[Any]:
        yield PageBreak()

    SET: ClassVar[dict[type, Any]] = {
        model.Heading: _heading, model.Text: _text, model.Bullets: _bullets, model.Keys: _keys,
        model.Facts: _facts, model.Grid: _grid, model.Drawing: _drawing, model.Checks: _checks,
        model.Blanks: _blanks, model.Break: _break,
    }  # fmt: skip


def _loose(flowables: list[Any]) -> list[Any]:
    """Return what stands in a cell: a table's cells cannot keep things together."""
    found: list[Any] = []
    for one in flowables:
        found += one._content if isinstance(one, KeepTogether) else [one]  # noqa: SLF001  # no reader
    return found


def _tight(points: float) -> list[tuple[Any, ...]]:
    whole = ((0, 0), (-1, -1))
    return [
        ("LEFTPADDING", *whole, 0), ("RIGHTPADDING", *whole, 0),
        ("TOPPADDING", *whole, points), ("BOTTOMPADDING", *whole, points),
    ]  # fmt: skip


def _fitted(said: str, face: str, size: float, width: float) -> str:
    """Return a line cut to a width, with an ellipsis where it was cut."""
    if stringWidth(said, face, size) <= width:
        return said
    while said and stringWidth(said + "…", face, size) > width:
        said = said[:-1]
    return said + "…"


class _TickBox(Flowable):
    """A box to tick, empty or ticked."""

    def __init__(self, mark: str) -> None:
        super().__init__()
        self.width, self.height = 11.0, 11.5
        self._mark = mark

    def draw(self) -> None:
        """Draw it."""
        self.canv.setLineWidth(1)
        self.canv.rect(0, 0, 11, 11)
        if self._mark:
            self.canv.setFont(BOLD, 10)
            self.canv.drawCentredString(5.5, 2, self._mark)


class _BlankRow(Flowable):
    """Lines to fill in by hand, side by side."""

    def __init__(self, row: list[model.Blank], width: float, high: float, ink: Ink) -> None:
        super().__init__()
        self.width, self.height = width, high + 13
        self._row, self._high, self._ink = row, high, ink

    def draw(self) -> None:
        """Draw the lines, what is known on them, the labels under them."""
        part, left = self.width / 12, 0.0
        for one in self._row:
            right = left + part * one.parts - 8
            self.canv.setLineWidth(0.7)
            self.canv.line(left, 12, right, 12)
            self.canv.setFont(FACE, 10)
            if one.value is not None:
                said = self._ink.plain(one.value)
                self.canv.drawString(left, 15, _fitted(said, FACE, 10, right - left))
            if one.unit:
                self.canv.drawRightString(right, 15, self._ink.plain(one.unit))
            self.canv.setFont(FACE, 8)
            label = _fitted(self._ink.plain(one.label), FACE, 8, right - left)
            self.canv.drawString(left, 3, label)
            left += part * one.parts
