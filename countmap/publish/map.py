"""Write the map: one self-contained page from a `MapContent`."""

from __future__ import annotations

from pathlib import Path

import folium

from countmap.formats import whole
from countmap.publish import payload
from countmap.publish.content import Audience, MapContent, require
from countmap.publish.figure import OfflineFigure
from countmap.publish.layer import PackedLayer

__all__ = ["Audience", "MapContent", "render_map", "write_map"]

MAX_ZOOM = 19


def render_map(content: MapContent) -> str:
    """Return the page: a folium map with the packed layer, whole in itself.

    Parameters
    ----------
    content : MapContent

    Raises
    ------
    InvalidInput
        A part of the content lacks a column or breaks its contract, see `content.require`.
    """
    require(content)
    links = payload.link_rows(content)
    stations = payload.station_rows(content, links)
    west, south, east, north = links.total_bounds if len(links) else (-1.0, -1.0, 1.0, 1.0)
    sheet = folium.Map(
        location=[(south + north) / 2, (west + east) / 2],
        tiles=None,
        zoom_start=12,
        zoom_control=False,
        attribution_control=False,
        zoom_snap=0.25,
        zoom_delta=0.5,
        wheel_px_per_zoom_level=120,
    )
    sheet._id = "countmap"  # noqa: SLF001  # a fixed name: the same content gives the same bytes
    sheet.options["max_zoom"] = MAX_ZOOM  # ignored as an argument when there are no tiles
    layer = PackedLayer(
        payload.head(content, links),
        payload.network(content, links, stations),
        payload.details(content, stations),
    )
    sheet.add_child(layer)
    return OfflineFigure("Traffic counts").add_child(sheet).get_root().render()


def write_map(path: Path | str, content: MapContent) -> Path:
    """Write the map to ``path``, whole or not at all.

    The page is written beside ``path``, flushed to disk and moved into place.

    Raises
    ------
    InvalidInput
        See `render_map`.
    """
    target = Path(path)
    page = render_map(content).encode("utf-8", "replace")
    whole.write(target, page)
    return target
