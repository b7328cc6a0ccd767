"""One small module a command group: read the store, call the stages, write back."""

from __future__ import annotations

from importlib import import_module
from pkgutil import iter_modules
from typing import Any

__all__ = sorted(module.name for module in iter_modules(__path__))  # noqa: PLE0605  # what is there


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module 'countmap.jobs' has no attribute {name!r}")
    return import_module(f"countmap.jobs.{name}")
