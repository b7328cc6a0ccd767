"""The packed layer: a folium element that puts our scripts, styles and data into a map's page."""

from __future__ import annotations

from typing import Any

from branca.element import Figure, MacroElement

from countmap.publish.figure import Verbatim, script, static_text, style
from countmap.publish.packed import Tables, embed, pack
from countmap.publish.payload import script_json

STYLES = ("paper.css", "field.css", "panel.css", "strip.css", "print.css")
# In the order of use: a script may lean on those before it.
SCRIPTS = (
    "space.js", "unpack.js", "model.js", "attention.js", "scale.js", "canvas.js", "roads.js",
    "pens.js", "marks.js", "charts.js", "panel.js", "filter.js", "table.js", "search.js", "legend.js", "paper.js",
    "route.js", "corridor.js", "strip.js", "desk.js", "sheet.js",
)  # fmt: skip
MAP_HERE = "<!-- the map -->"


class PackedLayer(MacroElement):
    """Everything on the sheet but Leaflet's map itself: roads, stations, questions, panel, table.

    Parameters
    ----------
    head : dict
        The page's own words, see `payload.head`. They travel in one escaped JSON block.
    network, details : tables of packed columns
        What is drawn, and what the panel unpacks when it opens.
    """

    def __init__(self, head: dict[str, Any], network: Tables, details: Tables) -> None:
        super().__init__()
        self._name = "PackedLayer"
        self._blocks = (
            ("countmap-head", "application/json", script_json(head)),
            ("countmap-network", "application/octet-stream", embed(pack(network))),
            ("countmap-details", "application/octet-stream", embed(pack(details))),
        )

    def render(self, **_: Any) -> None:
        """Add this layer's parts to the page; called by the figure once the map is rendered."""
        figure = self.get_root()
        assert isinstance(figure, Figure)
        before, after = static_text("shell.html").split(MAP_HERE)
        figure.html.add_child(Verbatim(before), name="shell_before", index=0)
        figure.html.add_child(Verbatim(after), name="shell_after")
        for name in STYLES:
            figure.header.add_child(Verbatim(style(static_text(name))), name=name)
        for name, kind, text in self._blocks:
            figure.html.add_child(Verbatim(script(text, kind=kind, name=name)), name=name)
        for name in SCRIPTS:
            figure.html.add_child(Verbatim(script(static_text(name))), name=name)
        start = f"countmap.start({self._parent.get_name()});"
        figure.script.add_child(Verbatim(start), name=self.get_name())
