"""Positions along lines: feet of points, bearings and directions, all in metres and degrees."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

CHORD_M = 5.0
"""A line's direction at a place is the chord that reaches this far to either side."""


def bearing_deg(dx: ArrayLike, dy: ArrayLike) -> NDArray[np.float64]:
    """Return the bearing of a displacement, degrees clockwise from grid north, in [0, 360).

    Examples
    --------
    >>> bearing_deg([0, 1, 0, -1], [1, 0, -1, 0]).tolist()
    [0.0, 90.0, 180.0, 270.0]
    """
    return np.asarray(np.degrees(np.arctan2(dx, dy)) % 360.0 % 360.0)


def turn_deg(first: ArrayLike, second: ArrayLike) -> NDArray[np.float64]:
    """Return the angle between two bearings, 0..180; NaN where either is missing.

    Examples
    --------
    >>> turn_deg([350, 90, 10], [10, 270, 10]).tolist()
    [20.0, 180.0, 0.0]
    """
    gap = np.abs(np.asarray(first, np.float64) - np.asarray(second, np.float64)) % 360.0
    return np.asarray(np.minimum(gap, 360.0 - gap))


def locate(lines: Any, points: Any) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return how far along its line each point's foot lies, and how far off the line it is (m).

    ``lines`` are single LineStrings: on others a position along the line counts one part only.
    """
    return shapely.line_locate_point(lines, points), shapely.distance(lines, points)


def direction_deg(
    lines: Any, offset_m: ArrayLike, *, chord_m: float = CHORD_M
) -> NDArray[np.float64]:
    """Return the bearing of each line as drawn, at ``offset_m`` along it; NaN on a line of no length.

    Examples
    --------
    >>> line = shapely.LineString([(0, 0), (100, 0), (100, 100)])
    >>> direction_deg([line, line], [50, 180]).tolist()
    [90.0, 0.0]
    """
    length = shapely.length(lines)
    half = np.minimum(chord_m, length / 8.0)
    offset = np.asarray(offset_m, np.float64)
    low = np.clip(offset - half, 0.0, length)
    high = np.clip(offset + half, 0.0, length)
    step = coordinates(lines, high) - coordinates(lines, low)
    return np.where(np.hypot(*step.T) > 0, bearing_deg(step[:, 0], step[:, 1]), np.nan)


def coordinates(lines: Any, offset_m: ArrayLike) -> NDArray[np.float64]:
    """Return the ``(n, 2)`` positions at ``offset_m`` along each line."""
    return np.asarray(shapely.get_coordinates(shapely.line_interpolate_point(lines, offset_m)))


def samples(
    lines: Any, *, spacing_m: float, least: int, most: int
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return evenly spread places on lines: the line's position in ``lines`` and the offset (m).

    Each line is cut into equal parts about ``spacing_m`` long, ``least`` to ``most`` of them; the
    places are the middles of the parts, the same seen from either end.

    Examples
    --------
    >>> samples([shapely.LineString([(0, 0), (90, 0)])], spacing_m=30, least=2, most=9)
    (array([0, 0, 0]), array([15., 45., 75.]))
    """
    length = np.asarray(shapely.length(lines))
    parts = np.clip(np.rint(length / spacing_m), least, most).astype(np.int64)
    which = np.repeat(np.arange(len(parts)), parts)
    place = np.arange(len(which)) - np.repeat(np.cumsum(parts) - parts, parts)
    return which, length[which] * (place + 0.5) / parts[which]
