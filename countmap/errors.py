"""The errors countmap raises: one line each, saying what, which value, where and what to do."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd


class CountmapError(Exception):
    """Anything countmap refuses. The command line prints it as one line and exits with 1."""


class InvalidInput(CountmapError, ValueError):
    """Data that cannot be taken as it stands.

    Parameters
    ----------
    message : str
        One line: what is wrong, the offending value, ``file:row`` or id, what to do.
    rejects : pandas.DataFrame, optional
        Every offending row, columns ``file``, ``row``, ``column``, ``value``, ``why``. The command
        line writes them to ``rejects.csv`` and appends how many more there are.
    """

    def __init__(self, message: str, rejects: pd.DataFrame | None = None) -> None:
        super().__init__(message)
        self.rejects = rejects


class NotFound(CountmapError, LookupError):
    """An id, a file or a workspace that is not there."""


class Conflict(CountmapError):
    """A change that contradicts what the register already holds; nothing was changed."""


class MissingExtra(CountmapError, ImportError):
    """An optional part is not installed; the message names the extra."""
