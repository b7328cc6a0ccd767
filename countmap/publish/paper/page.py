"""A paper as one HTML page: whole in itself, printable on A4, without script, under its own policy.

The page's policy forbids every request; only its own style sheet, named by hash, is allowed.
"""

from __future__ import annotations

import base64
import hashlib
import html
import re
from collections.abc import Iterator, Sequence
from functools import cache
from importlib.resources import files
from typing import Any

from countmap.publish import paper as model

CHECKED = {None: ("", "open"), True: ("✓", "done"), False: ("✗", "found wanting")}
HATCHING = (
    '<svg class="defs" aria-hidden="true"><defs><pattern id="hatching" width="5" height="5" '
    'patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect class="hole" width="5" '
    'height="5"/><line class="s-ink" x1="0" y1="0" x2="0" y2="5" stroke-width="1.6"/></pattern>'
    "</defs></svg>"
)


def render(paper: model.Paper) -> str:
    """Return the page of a paper.

    Parameters
    ----------
    paper : Paper
        Any text; all of it is escaped.

    Notes
    -----
    Page numbers and the release stand in the margin boxes of the printed page (CSS Paged Media
    Module Level 3); the screen shows the release at the end.
    """
    style = _style(paper)
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policy = f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    named = " ".join(
        name
        for name, on in (
            ("landscape", paper.landscape),
            ("wide", paper.wide),
            ("tight", paper.tight),
        )
        if on
    )
    lines = [
        "<!DOCTYPE html>",
        '<html lang="en">',
        "<head>",
        '<meta charset="utf-8">',
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        '<meta name="color-scheme" content="light dark">',
        '<meta name="referrer" content="no-referrer">',
        f"<title>{text(paper.title)}</title>",
        f"<style>{style}</style>",
        "</head>",
        f'<body class="{named}">' if named else "<body>",
        HATCHING,
        '<div class="leaf">',
        "<header>",
        *([f'<p class="above">{text(paper.above)}</p>'] if paper.above else []),
        f"<h1>{text(paper.title)}</h1>",
        *([f'<p class="below">{text(paper.below)}</p>'] if paper.below else []),
        "</header>",
        "<main>",
        *_blocks(paper.blocks),
        "</main>",
        *([f"<footer>{text(paper.release)}</footer>"] if paper.release else []),
        "</div>",
        "</body>",
        "</html>\n",
    ]
    return "\n".join(lines)


def text(value: Any, *, longest: int = model.LONGEST) -> str:
    """Return a text as markup: clean, escaped.

    >>> text("<img src=x onerror=alert(1)>")
    '&lt;img src=x onerror=alert(1)&gt;'
    """
    return html.escape(model.clean(value, longest=longest))


@cache
def _sheet() -> str:
    return (files("countmap.publish.paper") / "page.css").read_text(encoding="utf-8")


def _style(paper: model.Paper) -> str:
    size = "A4 landscape" if paper.landscape else "A4"
    release = _quoted(model.clean(paper.release))
    foot = "font: 8pt system-ui, sans-serif; color: #3d3d3d; vertical-align: top; padding-top: 2mm;"
    return (
        f"@page {{ size: {size}; margin: 14mm 14mm 16mm;"
        f" @bottom-left {{ content: {release}; {foot} }}"
        f' @bottom-right {{ content: counter(page) " / " counter(pages); {foot} }} }}\n{_sheet()}'
    )


def _quoted(value: str) -> str:
    """Return a CSS string in which everything but plain letters is an escape."""
    return '"' + re.sub(r"[^A-Za-z0-9 .,-]", lambda m: f"\\{ord(m[0]):x} ", value) + '"'


def _blocks(blocks: Sequence[Any]) -> Iterator[str]:
    for block in blocks:
        yield from BLOCKS[type(block)](block)


def _heading(block: model.Heading) -> Iterator[str]:
    yield f"<h{block.level}>{text(block.text)}</h{block.level}>"


def _paragraph(block: model.Text) -> Iterator[str]:
    named = "" if block.kind == "plain" else f' class="{block.kind}"'
    yield f"<p{named}>{text(block.text, longest=model.PARAGRAPH)}</p>"


def _bullets(block: model.Bullets) -> Iterator[str]:
    items = (f"<li>{text(one, longest=model.PARAGRAPH)}</li>" for one in block.items)
    yield '<ul class="bullets">' + "".join(items) + "</ul>"


def _keys(block: model.Keys) -> Iterator[str]:
    yield '<dl class="keys">'
    for one in block.items:
        value = "–" if one.value is None else text(one.value)
        note = f"<span>{text(one.note)}</span>" if one.note else ""
        yield f"<div><dt>{text(one.label)}</dt><dd><strong>{value}</strong>{note}</dd></div>"
    yield "</dl>"


def _facts(block: model.Facts) -> Iterator[str]:
    yield f'<dl class="facts {"two" if block.columns > 1 else ""}">'
    for label, value in block.rows:
        said = "" if value is None else text(value)
        yield f"<div><dt>{text(label)}</dt><dd>{said}</dd></div>"
    yield "</dl>"


def _grid(block: model.Grid) -> Iterator[str]:
    caption = text(block.caption)
    yield f'<figure class="grid{" dense" if block.dense else ""}">'
    yield f'<div class="scroll" role="group" tabindex="0" aria-label="{caption}"><table>'
    yield f"<caption>{caption}</caption>"
    heads = "".join(f'<th scope="col" class="{c.align}">{text(c.head)}</th>' for c in block.columns)
    yield f"<thead><tr>{heads}</tr></thead><tbody>"
    first_foot = len(block.rows) - block.foot
    for number, row in enumerate(block.rows):
        named = ""
        if number >= first_foot:
            named = ' class="foot first-foot"' if number == first_foot else ' class="foot"'
        yield f"<tr{named}>" + "".join(_cells(block, row)) + "</tr>"
    yield "</tbody></table></div>"
    if block.notes:
        said = "".join(f"<p>{text(note, longest=model.PARAGRAPH)}</p>" for note in block.notes)
        yield f"<figcaption>{said}</figcaption>"
    yield "</figure>"


def _cells(block: model.Grid, row: tuple[Any, ...]) -> Iterator[str]:
    for at, (column, value) in enumerate(zip(block.columns, row, strict=True)):
        one = model.cell(value)
        roomy = "roomy" if column.share else ""
        named = " ".join(filter(None, (column.align, roomy, one.mark)))
        tag, scope = ("th", ' scope="row"') if at == 0 else ("td", "")
        yield f'<{tag}{scope} class="{named}">{html.escape(model.printed(one))}</{tag}>'


def _drawing(block: model.Drawing) -> Iterator[str]:
    says = text(block.says)
    yield '<figure class="drawing">'
    yield f'<div class="scroll" role="group" tabindex="0" aria-label="{says}">'
    yield f'<svg role="img" aria-label="{says}" viewBox="0 0 {block.width:g} {block.height:g}">'
    for shape in block.shapes:
        yield from SHAPES[type(shape)](shape)
    yield "</svg></div>"
    if block.caption:
        yield f"<figcaption>{text(block.caption)}</figcaption>"
    yield "</figure>"


def _points(points: Sequence[tuple[float, float]]) -> str:
    return " ".join(f"{x:.6g},{y:.6g}" for x, y in points)


def _line(shape: model.Line) -> Iterator[str]:
    dash = f' stroke-dasharray="{" ".join(f"{d:g}" for d in shape.dash)}"' if shape.dash else ""
    yield (
        f'<polyline class="s-{shape.pen}" stroke-width="{shape.width:g}"{dash} '
        f'points="{_points(shape.points)}"/>'
    )


def _area(shape: model.Area) -> Iterator[str]:
    named = "hatched" if shape.hatched else f"f-{shape.pen}"
    yield f'<polygon class="{named}" points="{_points(shape.points)}"/>'


def _dot(shape: model.Dot) -> Iterator[str]:
    x, y, half = shape.x, shape.y, shape.size / 2
    if shape.kind == "disc":
        yield f'<circle class="f-{shape.pen}" cx="{x:.6g}" cy="{y:.6g}" r="{half:g}"/>'
    elif shape.kind == "ring":
        yield (
            f'<circle class="hole s-{shape.pen}" stroke-width="1.6" cx="{x:.6g}" cy="{y:.6g}" '
            f'r="{half:g}"/>'
        )
    else:
        yield (
            f'<rect class="hole s-{shape.pen}" stroke-width="1.6" x="{x - half:.6g}" '
            f'y="{y - half:.6g}" width="{shape.size:g}" height="{shape.size:g}"/>'
        )
    if shape.tick:
        yield (
            f'<polyline class="s-accent" stroke-width="2.4" '
            f'points="{_points([(x + half + 2, y - 1), (x + half + 7, y - half - 7)])}"/>'
        )


def _word(shape: model.Word) -> Iterator[str]:
    named = f"f-{shape.pen}{' heavy' if shape.strong else ''}"
    yield (
        f'<text class="{named}" x="{shape.x:.6g}" y="{shape.y:.6g}" font-size="{shape.size:g}" '
        f'text-anchor="{shape.anchor}">{text(shape.text)}</text>'
    )


def _checks(block: model.Checks) -> Iterator[str]:
    yield '<ul class="checks">'
    for one in block.items:
        mark, said = CHECKED[one.done]
        note = f' <span class="soft">{text(one.note)}</span>' if one.note else ""
        yield (
            f'<li><span class="tickbox" aria-hidden="true">{mark}</span><span>'
            f'<span class="unseen">{said}: </span>{text(one.text)}{note}</span></li>'
        )
    yield "</ul>"


def _blanks(block: model.Blanks) -> Iterator[str]:
    yield '<div class="blanks">'
    for one in block.items:
        value = "" if one.value is None else text(one.value)
        yield (
            f'<div class="blank parts-{one.parts} high-{_high(block.height_mm)}"><span class="label">'
            f'{text(one.label)}</span><span class="entry"><span>{value}</span>'
            f"<span>{text(one.unit)}</span></span></div>"
        )
    yield "</div>"


def _high(height_mm: float) -> int:
    return min(5, max(1, round(height_mm / 6)))


def _box(block: model.Box) -> Iterator[str]:
    yield f'<div class="box{" heavy" if block.strong else ""}">'
    yield f'<p class="box-title">{text(block.title)}</p>'
    yield from _blocks(block.blocks)
    yield "</div>"


def _beside(block: model.Beside) -> Iterator[str]:
    yield f'<div class="beside{" three" if len(block.columns) > 2 else ""}">'
    for column in block.columns:
        yield "<div>"
        yield from _blocks(column)
        yield "</div>"
    yield "</div>"


def _break(_: model.Break) -> Iterator[str]:
    yield '<div class="break"></div>'


SHAPES: dict[type, Any] = {
    model.Line: _line, model.Area: _area, model.Dot: _dot, model.Word: _word,
}  # fmt: skip
BLOCKS: dict[type, Any] = {
    model.Heading: _heading, model.Text: _paragraph, model.Bullets: _bullets, model.Keys: _keys,
    model.Facts: _facts, model.Grid: _grid, model.Drawing: _drawing, model.Checks: _checks,
    model.Blanks: _blanks, model.Box: _box, model.Beside: _beside, model.Break: _break,
}  # fmt: skip
