"""Write the map: one self-contained page from a `MapContent`."""

from __future__ import annotations

from countmap.publish.content import MapContent

__all__ = ["MapContent"]
