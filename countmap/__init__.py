"""countmap: a network of traffic count stations on a road graph."""

from __future__ import annotations

from importlib import import_module
from typing import Any

_PUBLIC = {
    "CountmapError": "countmap.errors",
    "Conflict": "countmap.errors",
    "InvalidInput": "countmap.errors",
    "MissingExtra": "countmap.errors",
    "NotFound": "countmap.errors",
    "init_workspace": "countmap.workspace",
    "open_workspace": "countmap.workspace",
    "jobs": "countmap.jobs",
}

__all__ = [  # noqa: PLE0604  # loaded on first use (PEP 562), so that --help stays light
    *sorted(_PUBLIC),
    "__version__",
]
__version__ = "0.1.0"


def __getattr__(name: str) -> Any:
    if name not in _PUBLIC:
        raise AttributeError(f"module 'countmap' has no attribute {name!r}")
    home = import_module(_PUBLIC[name])
    return home if home.__name__ == f"countmap.{name}" else getattr(home, name)


def __dir__() -> list[str]:
    return sorted(__all__)
