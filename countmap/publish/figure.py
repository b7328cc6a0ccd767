"""A folium page that needs no network: resources by name from `vendor/` and `static/`, checked."""

from __future__ import annotations

import html
import re
import tomllib
from dataclasses import dataclass
from functools import cache
from html.parser import HTMLParser
from importlib.resources import files
from typing import Any

from branca.element import CssLink, Element, Figure, JavascriptLink

POLICY = (
    "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; "
    "img-src data: blob:; connect-src 'none'; worker-src blob:"
)
VENDORED = {"leaflet": "leaflet/1.9.4/leaflet.js", "leaflet_css": "leaflet/1.9.4/leaflet.css"}
# Asked for by folium.Map, used only by folium's popups and icons, which this package does not use.
DROPPED = frozenset(
    {
        "jquery", "bootstrap", "awesome_markers", "bootstrap_css", "glyphicons_css",
        "awesome_markers_font_css", "awesome_markers_css", "awesome_rotate_css",
    }
)  # fmt: skip
LOADING_ATTRIBUTES = frozenset(
    {"src", "href", "srcset", "poster", "data", "action", "formaction", "background", "xlink:href"}
)

_HERE = files("countmap.publish")


class UnknownResource(LookupError):
    """The page asks for a script or style that is not vendored: a programmer's error."""


class NetworkReference(ValueError):
    """The finished page would reach for a host: a programmer's error."""


@dataclass(frozen=True, slots=True)
class Library:
    """A third-party library that travels inside published pages."""

    name: str
    version: str
    licence: str
    copyright: str
    files: dict[str, str]

    @property
    def text(self) -> str:
        """The licence as it must accompany the library."""
        path = next(path for path in self.files if path.endswith("LICENSE"))
        return vendor_text(path)


@cache
def vendor_text(path: str) -> str:
    """Return a vendored file, by its path below ``vendor/``."""
    return (_HERE / "vendor" / path).read_text(encoding="utf-8")


@cache
def static_text(name: str) -> str:
    """Return one of our own scripts or styles, by its name in ``static/``."""
    return (_HERE / "static" / name).read_text(encoding="utf-8")


def libraries(kind: str = "library") -> list[Library]:
    """Return what ``vendor.lock`` lists: each ``library`` of a page, or ``font`` of a print."""
    lock = tomllib.loads(vendor_text("vendor.lock"))
    return [
        Library(row["name"], row["version"], row["licence"], row["copyright"], row["files"])
        for row in lock[kind]
    ]


class Verbatim(Element):
    """A piece of page that goes out as it is, past branca's template engine."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self._text = text

    def render(self, **_: Any) -> str:
        """Return the text."""
        return self._text


def script(text: str, *, kind: str = "", name: str = "") -> str:
    r"""Return a script element with ``text`` inside; nothing in it can end the element early.

    >>> print(script("a('</script><!--')"))
    <script>a('<\/script><\!--')</script>
    """
    text = re.sub(r"//[#@] sourceMappingURL=\S*", "", text)
    text = re.sub(r"<(?=/script|!--|script)", r"<\\", text, flags=re.IGNORECASE)
    attributes = "".join(
        f' {key}="{html.escape(value)}"' for key, value in (("type", kind), ("id", name)) if value
    )
    return f"<script{attributes}>{text}</script>"


def style(text: str) -> str:
    """Return a style element; references to image files are dropped, for nothing here shows them.

    >>> style("a { background: url(images/x.png) }")
    '<style>a { background: none }</style>'
    """
    text = re.sub(r"url\(['\"]?images/[^)]*\)", "none", text)
    text = re.sub(r"</(?=style)", r"<\\/", text, flags=re.IGNORECASE)
    return f"<style>{text}</style>"


class OfflineFigure(Figure):
    """A figure whose page is whole: no request leaves it, and its own policy forbids any.

    Children add links to scripts and styles as usual; each is replaced *by its resource name* with
    vendored text. An unknown name raises `UnknownResource`.
    """

    def __init__(self, title: str) -> None:
        super().__init__(title=title)
        self._name = "OfflineFigure"

    def render(self, **kwargs: Any) -> str:
        """Return the page.

        Raises
        ------
        UnknownResource
            A child asks for a script or style that is not vendored.
        NetworkReference
            The page holds an attribute or style that points to a host.
        """
        for child in list(self._children.values()):
            child.render(**kwargs)
        head = "\n".join(
            _resource(name, element) if _is_link(element) else element.render(**kwargs)
            for name, element in self.header._children.items()  # noqa: SLF001  # branca has no reader
            if name not in DROPPED and name != "meta_http"
        )
        # folium forbids zooming by hand, which readers with poor eyesight need.
        head = re.sub(r'<meta name="viewport"[^>]*>', "", head)
        page = "\n".join(
            (
                "<!DOCTYPE html>",
                '<html lang="en">',
                "<head>",
                '<meta charset="utf-8">',
                f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">',
                '<meta name="viewport" content="width=device-width, initial-scale=1">',
                '<meta name="color-scheme" content="light dark">',
                '<meta name="referrer" content="no-referrer">',
                f"<title>{html.escape(self.title)}</title>",
                head,
                "</head>",
                "<body>",
                self.html.render(**kwargs),
                script(self.script.render(**kwargs)),
                "</body>",
                "</html>\n",
            )
        )
        scan(page)
        return page


def _is_link(element: Element) -> bool:
    return isinstance(element, (JavascriptLink, CssLink))


def _resource(name: str, element: Element) -> str:
    path = VENDORED.get(name)
    if path is None:
        raise UnknownResource(
            f"the page asks for {name!r} from {element.url}; vendor it and name it in VENDORED"
        )
    text = vendor_text(path)
    return script(text) if isinstance(element, JavascriptLink) else style(text)


class _Scanner(HTMLParser):
    """Collects what the markup and its styles would load or link to."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self._in_style = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._in_style = tag == "style"
        for name, value in attrs:
            if name in LOADING_ATTRIBUTES and value and not value.startswith(("#", "data:")):
                self.found.append(f"<{tag} {name}={value!r}>")
            if name == "style" and value:
                self._styles(value)

    def handle_data(self, data: str) -> None:
        if self._in_style:
            self._styles(data)

    def handle_endtag(self, tag: str) -> None:  # noqa: ARG002  # the parser's signature
        self._in_style = False

    def _styles(self, text: str) -> None:
        for reference in re.findall(r"url\(\s*['\"]?([^'\")]+)|@import\s+(\S+)", text):
            target = next(filter(None, reference))
            if not target.startswith(("#", "data:")):
                self.found.append(f"style {target!r}")


def scan(page: str) -> None:
    """Refuse a page whose markup or styles reach beyond the page itself.

    Raises
    ------
    NetworkReference
        Names the first reference and how many more there are. Text inside scripts is not read: the
        page's policy holds there.

    >>> scan('<a href="#top">up</a><img src="data:image/png;base64,AA">')
    """
    scanner = _Scanner()
    scanner.feed(page)
    scanner.close()
    if scanner.found:
        more = f" and {len(scanner.found) - 1} more" if len(scanner.found) > 1 else ""
        raise NetworkReference(f"the page reaches for {scanner.found[0]}{more}; vendor it")
