"""Daylight: when the sun rises and sets."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, timedelta

from countmap import clock

_ZENITH_DEG = 90.833
"""Centre of the sun below the horizon by its radius and the air's refraction (NOAA)."""


def daylight(day: date, lat: float, lon: float, timezone: str) -> tuple[float, float]:
    """Return sunrise and sunset in minutes of the civil day; (0, 1440) or noon twice beyond the circles.

    Parameters
    ----------
    day : date
    lat, lon : float
        WGS84 degrees, east positive.
    timezone : str

    Notes
    -----
    Within about two minutes between the polar circles, over flat land.

    References
    ----------
    NOAA Global Monitoring Laboratory, *General Solar Position Calculations*.

    Examples
    --------
    >>> rise, fall = daylight(date(2025, 3, 20), 0.0, 0.0, "UTC")
    >>> round(rise / 60, 1), round(fall / 60, 1)
    (6.1, 18.2)
    """
    angle = 2 * math.pi / 365 * (day.timetuple().tm_yday - 0.5)
    late = 229.18 * (
        0.000075
        + 0.001868 * math.cos(angle)
        - 0.032077 * math.sin(angle)
        - 0.014615 * math.cos(2 * angle)
        - 0.040849 * math.sin(2 * angle)
    )
    tilt = (
        0.006918
        - 0.399912 * math.cos(angle)
        + 0.070257 * math.sin(angle)
        - 0.006758 * math.cos(2 * angle)
        + 0.000907 * math.sin(2 * angle)
        - 0.002697 * math.cos(3 * angle)
        + 0.00148 * math.sin(3 * angle)
    )
    north = math.radians(lat)
    cosine = math.cos(math.radians(_ZENITH_DEG)) / (math.cos(north) * math.cos(tilt)) - math.tan(
        north
    ) * math.tan(tilt)
    if cosine < -1:
        return 0.0, float(clock.DAY_MIN)
    half = 0.0 if cosine > 1 else math.degrees(math.acos(cosine)) * 4
    noon = 720 - 4 * lon - late
    here = clock.zone(timezone)
    found = []
    for minute in (noon - half, noon + half):
        instant = datetime(day.year, day.month, day.day, tzinfo=UTC) + timedelta(minutes=minute)
        local = instant.astimezone(here).replace(tzinfo=None)
        since = local - datetime(day.year, day.month, day.day)  # noqa: DTZ001  # civil, both sides
        found.append(since.total_seconds() / 60)
    return found[0], found[1]
