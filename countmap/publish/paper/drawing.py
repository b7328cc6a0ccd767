"""Common drawings of a paper: a map sketch from projected lines, a chart of values by position."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from countmap.publish.paper import Area, Dot, Drawing, Line, Pen, Shape, Word, clean

WIDTH = 680.0
MARGIN = 14.0
NAMED = 28
"""Characters of a line's name that stand beside it."""
Scale = tuple[Callable[[float], float], float]


def sketch(
    roads: Sequence[tuple[Sequence[tuple[float, float]], float]],
    marks: Sequence[tuple[float, float, str]],
    *,
    says: str,
    caption: str = "",
    height: float = 320.0,
    routes: Sequence[Sequence[tuple[float, float]]] = (),
) -> Drawing:
    """Return a map sketch, north up, scaled to its roads, with a scale bar.

    Parameters
    ----------
    roads : sequence of (points, width)
        Polylines in metres of a projected system, and how wide each is drawn (1 is thin).
    marks : sequence of (x, y, word)
        Places in the same system with the word beside each; an empty word draws the mark alone.
    routes : sequence of polylines
        Drawn bold over the roads: a round, a corridor.
    height : float
        Units of a drawing 680 wide.
    """
    every = [p for points, _ in roads for p in points] + [(x, y) for x, y, _ in marks]
    if not every:
        return Drawing(WIDTH, 40.0, (Word(0, 24, "nothing to draw", pen="soft"),), says, caption)
    west, east = min(p[0] for p in every), max(p[0] for p in every)
    south, north = min(p[1] for p in every), max(p[1] for p in every)
    wide, high = max(east - west, 1.0), max(north - south, 1.0)
    scale = min((WIDTH - 2 * MARGIN) / wide, (height - 2 * MARGIN) / high)
    left, top = (WIDTH - wide * scale) / 2, (height - high * scale) / 2

    def at(point: tuple[float, float]) -> tuple[float, float]:
        return left + (point[0] - west) * scale, top + (north - point[1]) * scale

    shapes: list[Shape] = [
        Line(tuple(map(at, points)), "soft" if width < 2 else "ink", width)
        for points, width in roads
    ]
    shapes += [Line(tuple(map(at, points)), "accent", 4.0) for points in routes]
    for x, y, word in marks:
        across, down = at((x, y))
        shapes.append(Dot(across, down, 8.0, "ring"))
        if word:
            end = across > WIDTH - 120
            shapes.append(
                Word(across - 8 if end else across + 8, down + 4, word, "end" if end else "start",
                     strong=True)
            )  # fmt: skip
    return Drawing(WIDTH, height, (*shapes, *_scale_bar(scale, height), *_north()), says, caption)


def round_length(metres: float) -> float:
    """Return the largest of 1, 2, 5 × 10ⁿ that is not longer.

    >>> round_length(730), round_length(1999), round_length(40)
    (500.0, 1000.0, 20.0)
    """
    from math import floor, log10

    whole = 10.0 ** floor(log10(metres))
    return max(step * whole for step in (1, 2, 5) if step * whole <= metres)


def _scale_bar(scale: float, height: float) -> list[Shape]:
    metres = round_length(150 / scale)
    said = f"{metres / 1000:g} km" if metres >= 1000 else f"{metres:g} m"
    y = height - 8
    bar = Line(((MARGIN, y - 4), (MARGIN, y), (MARGIN + metres * scale, y),
                (MARGIN + metres * scale, y - 4)), "ink", 1.4)  # fmt: skip
    return [bar, Word(MARGIN + metres * scale + 6, y, said)]


def _north() -> list[Shape]:
    x = WIDTH - 18
    return [Area(((x, 8), (x + 5, 26), (x, 22), (x - 5, 26)), "ink"),
            Word(x, 40, "N", "middle", strong=True)]  # fmt: skip


def axis_top(largest: float) -> float:
    """Return a round number at or above the largest value, for the end of an axis.

    >>> axis_top(0), axis_top(930), axis_top(1001), axis_top(17_300)
    (1.0, 1000.0, 2000.0, 20000.0)
    """
    if largest <= 0:
        return 1.0
    low = round_length(largest)
    return next(step for step in (low, low * 2, low * 2.5, low * 5) if step >= largest)


def chart(
    series: Sequence[tuple[str, Sequence[float | None]]],
    ticks: Sequence[tuple[int, str]],
    *,
    says: str,
    caption: str = "",
    height: float = 170.0,
    bars: bool = False,
    left_out: Sequence[bool] = (),
) -> Drawing:
    """Return a chart of values at equal steps; a gap stays a gap, what is left out is hatched.

    Parameters
    ----------
    series : sequence of (name, values)
        One to three lines of equal length, each named beside its last value; or one set of bars.
    ticks : sequence of (position, word)
        Words of the horizontal axis.
    bars : bool
        Draw the first series as bars, hatched where ``left_out``.
    """
    known = [v for _, values in series for v in values if v is not None]
    top = axis_top(max(known, default=0.0))
    steps = max(len(series[0][1]), 1) if series else 1
    names = [clean(name, longest=NAMED) for name, _ in series]
    beside = 12.0 if bars else 14.0 + 6.4 * max(map(len, names), default=0)
    left, right, low, high = 48.0, WIDTH - beside, height - 22, 10.0
    step = (right - left) / (steps if bars else max(steps - 1, 1))

    def y(value: float) -> float:
        return low - (low - high) * value / top

    shapes: list[Shape] = []
    for share in (0.5, 1.0):
        shapes.append(Line(((left, y(top * share)), (right, y(top * share))), "rule", 1, (1, 3)))
        shapes.append(Word(left - 6, y(top * share) + 4, f"{top * share:,.10g}", "end", "soft"))
    if bars and series:
        shapes += _bars(series[0][1], left_out, left, step, (y, low))
    else:
        named = [(name, values) for name, (_, values) in zip(names, series, strict=True)]
        shapes += _lines(named, left, step, y)
    shapes.append(Line(((left, low), (right, low)), "ink", 1))
    for position, word in ticks:
        x = left + step * (position + (0.5 if bars else 0))
        shapes.append(Line(((x, low), (x, low + 4)), "ink", 1))
        shapes.append(Word(x, low + 16, word, "middle", "soft"))
    return Drawing(WIDTH, height, tuple(shapes), says, caption)


def _bars(
    values: Sequence[float | None], left_out: Sequence[bool], left: float, step: float, scale: Scale
) -> list[Shape]:
    y, low = scale
    found: list[Shape] = []
    gap = min(1.5, step * 0.15)
    for at, value in enumerate(values):
        if value is None:
            continue
        x0, x1 = left + step * at + gap, left + step * (at + 1) - gap
        corners = ((x0, low), (x0, y(value)), (x1, y(value)), (x1, low))
        out = bool(left_out[at]) if at < len(left_out) else False
        found.append(Area(corners, "band", hatched=out))
        if out:
            found.append(Line((*corners, corners[0]), "ink", 0.7))
    return found


def _lines(
    series: Sequence[tuple[str, Sequence[float | None]]],
    left: float,
    step: float,
    y: Callable[[float], float],
) -> list[Shape]:
    looks: tuple[tuple[Pen, float, tuple[float, ...]], ...] = (
        ("ink", 2.2, ()), ("band", 1.5, (6, 3)), ("soft", 1.5, (2, 2)),
    )  # fmt: skip
    found: list[Shape] = []
    ends: list[float] = []
    for (name, values), (pen, width, dash) in zip(series, looks, strict=False):
        run: list[tuple[float, float]] = []
        for at, value in enumerate([*values, None]):
            if value is not None:
                run.append((left + step * at, y(value)))
            elif run:
                found.append(
                    Line(tuple(run), pen, width, dash) if len(run) > 1 else Dot(*run[0], 4, pen=pen)
                )
                end, run = run[-1], []
        if any(v is not None for v in values):
            down = _apart(end[1] + 4, ends)
            ends.append(down)
            found.append(Word(end[0] + 6, down, name, pen=pen, strong=width > 2))
    return found


def _apart(down: float, taken: Sequence[float]) -> float:
    """Return a height for a word that no other word of the chart stands at."""
    while any(abs(down - other) < 12 for other in taken):
        down += 12 - min(abs(down - other) for other in taken)
    return down
