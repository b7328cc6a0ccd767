"""A drawing's shapes on a page of reportlab: lines, areas, marks, words; the vertical axis turned."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from reportlab.platypus import Flowable

from countmap.publish import paper as model
from countmap.publish.paper.setting import BOLD, FACE, PENS

if TYPE_CHECKING:
    from countmap.publish.paper.pdf import Ink

WHITE = 1.0
HATCH_STEP = 4.0


class Drawn(Flowable):
    """A drawing, scaled to a width in points."""

    def __init__(self, block: model.Drawing, width: float, ink: Ink) -> None:
        super().__init__()
        self._block, self._ink = block, ink
        self._scale = width / block.width
        self.width, self.height = width, block.height * self._scale

    def draw(self) -> None:
        """Draw every shape in its order."""
        self.canv.saveState()
        self.canv.translate(0, self.height)
        self.canv.scale(self._scale, -self._scale)
        for shape in self._block.shapes:
            SHAPES[type(shape)](self, shape)
        self.canv.restoreState()

    def _line(self, shape: model.Line) -> None:
        self.canv.setStrokeColor(PENS[shape.pen])
        self.canv.setLineWidth(shape.width)
        self.canv.setDash(*((list(shape.dash), 0) if shape.dash else ([], 0)))
        self.canv.drawPath(self._path(shape.points), stroke=1, fill=0)
        self.canv.setDash()

    def _area(self, shape: model.Area) -> None:
        if not shape.hatched:
            self.canv.setFillColor(PENS[shape.pen])
            self.canv.drawPath(self._path(shape.points, closed=True), stroke=0, fill=1)
            return
        self.canv.saveState()
        self.canv.setFillGray(WHITE)
        path = self._path(shape.points, closed=True)
        self.canv.drawPath(path, stroke=0, fill=1)
        self.canv.clipPath(self._path(shape.points, closed=True), stroke=0, fill=0)
        xs, ys = [p[0] for p in shape.points], [p[1] for p in shape.points]
        high, at = max(ys) - min(ys), min(xs) - (max(ys) - min(ys))
        self.canv.setStrokeColor(PENS["ink"])
        self.canv.setLineWidth(0.9)
        while at < max(xs):
            self.canv.line(at, max(ys), at + high, min(ys))
            at += HATCH_STEP
        self.canv.restoreState()

    def _dot(self, shape: model.Dot) -> None:
        x, y, half = shape.x, shape.y, shape.size / 2
        self.canv.setStrokeColor(PENS[shape.pen])
        self.canv.setLineWidth(1.4)
        if shape.kind == "disc":
            self.canv.setFillColor(PENS[shape.pen])
            self.canv.circle(x, y, half, stroke=0, fill=1)
        else:
            self.canv.setFillGray(WHITE)
            if shape.kind == "ring":
                self.canv.circle(x, y, half, stroke=1, fill=1)
            else:
                self.canv.rect(x - half, y - half, shape.size, shape.size, stroke=1, fill=1)
        if shape.tick:
            self.canv.setStrokeColor(PENS["accent"])
            self.canv.setLineWidth(2.2)
            self.canv.line(x + half + 2, y - 1, x + half + 7, y - half - 7)

    def _word(self, shape: model.Word) -> None:
        said = self._ink.plain(shape.text)
        self.canv.saveState()
        self.canv.translate(shape.x, shape.y)
        self.canv.scale(1, -1)
        self.canv.setFillColor(PENS[shape.pen])
        self.canv.setFont(BOLD if shape.strong else FACE, shape.size)
        draw = {
            "start": self.canv.drawString,
            "middle": self.canv.drawCentredString,
            "end": self.canv.drawRightString,
        }[shape.anchor]
        draw(0, 0, said)
        self.canv.restoreState()

    def _path(self, points: tuple[tuple[float, float], ...], *, closed: bool = False) -> Any:
        path = self.canv.beginPath()
        for number, (x, y) in enumerate(points):
            (path.lineTo if number else path.moveTo)(x, y)
        if closed:
            path.close()
        return path


SHAPES: dict[type, Any] = {
    model.Line: Drawn._line,  # noqa: SLF001  # the class's own
    model.Area: Drawn._area,  # noqa: SLF001
    model.Dot: Drawn._dot,  # noqa: SLF001
    model.Word: Drawn._word,  # noqa: SLF001
}
