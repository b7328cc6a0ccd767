"""What a pair of tubes does to speeds and axle spacings: the physics, forwards and backwards.

Symbols: ``s`` the spacing on the road, ``s_h`` the spacing entered, ``v`` the speed, ``c`` the speed
of a pulse in the tube, ``ΔL = L_B − L_A`` the difference of the lengths from wheel to counter. Tube
beyond the far kerb delays nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Crossing = Literal["AB", "BA"]
Floats = NDArray[np.float64]

KMH = 1 / 3.6
PULSE_SPEED_M_S = 340.0  # pulses in a tube of usual bore; 325 at -10 °C, 355 at 40 °C
TRACK_M = 1.5  # left to right wheel of one axle


def pulse_speed(air_c: float | None) -> float:
    """Return the speed of a pulse (m/s) in air of ``air_c`` °C; 340 m/s where it is not known.

    Notes
    -----
    ``331.4 + 0.6 T``, the usual linear form of the speed of sound in dry air.

    Examples
    --------
    >>> pulse_speed(20), pulse_speed(None)
    (343.4, 340.0)
    """
    if air_c is None or np.isnan(air_c):
        return PULSE_SPEED_M_S
    return 331.4 + 0.6 * air_c


def lag(
    speed_kmh: ArrayLike,
    spacing_m: float,
    *,
    crossing: Crossing = "AB",
    length_difference_m: float = 0.0,
    skew_deg: float = 0.0,
    c: float = PULSE_SPEED_M_S,
) -> Floats:
    """Return the time (s) from the pulse on the first tube to that on the second.

    Parameters
    ----------
    speed_kmh : array_like
        Speed along the road.
    spacing_m : float
        Spacing measured square to the tubes.
    crossing : {"AB", "BA"}
        Which tube is struck first.
    length_difference_m : float
        ΔL, tube B longer than A from wheel to counter.
    skew_deg : float
        Both tubes turned by this much, still parallel: the way along the road is ``s / cos θ``.
    """
    way = spacing_m / np.cos(np.deg2rad(skew_deg))
    sign = 1.0 if crossing == "AB" else -1.0
    return way / (np.asarray(speed_kmh, float) * KMH) + sign * length_difference_m / c


def read_speed(
    speed_kmh: ArrayLike,
    spacing_m: float,
    *,
    entered_m: float | None = None,
    crossing: Crossing = "AB",
    length_difference_m: float = 0.0,
    skew_deg: float = 0.0,
    c: float = PULSE_SPEED_M_S,
) -> Floats:
    """Return the speed (km/h) that a counter reads which knows the entered spacing alone.

    Notes
    -----
    ``v' = s_h / Δt``; so ``v'/v = s_h/s`` for a wrong spacing, ``v cos θ`` for a skew, and
    ``v/(1 + ε)`` A→B, ``v/(1 − ε)`` B→A for unequal tubes, ``ε = v ΔL / (c s)``. A wheelbase is read
    too long or too short by the same share.

    Examples
    --------
    One metre of length difference at 100 km/h and 20 °C:

    >>> [round(float(read_speed(100, 1, crossing=x, length_difference_m=1, c=343.4)), 2)
    ...  for x in ("AB", "BA")]
    [92.52, 108.8]
    """
    took = lag(
        speed_kmh,
        spacing_m,
        crossing=crossing,
        length_difference_m=length_difference_m,
        skew_deg=skew_deg,
        c=c,
    )
    return (spacing_m if entered_m is None else entered_m) / took / KMH


def length_limit(
    speed_kmh: ArrayLike, spacing_m: float, *, share: float = 0.01, c: float = PULSE_SPEED_M_S
) -> Floats:
    """Return the length difference (m) that moves speeds by ``share`` at this speed.

    Examples
    --------
    >>> (100 * length_limit([50, 80, 110], 1.0)).round().tolist()
    [24.0, 15.0, 11.0]
    """
    return share * c * spacing_m / (np.asarray(speed_kmh, float) * KMH)


def lead_difference(distance_m: float, spacing_m: float) -> float:
    """Return how much longer (m) B's lead is than A's when the counter lies in line with A.

    Examples
    --------
    >>> round(lead_difference(1, 1), 2), round(lead_difference(3, 1), 2)
    (0.41, 0.16)
    """
    return float(np.hypot(distance_m, spacing_m) - distance_m)


def wheel_split(
    speed_kmh: ArrayLike,
    skew_deg: float,
    *,
    track_m: float = TRACK_M,
    c: float = PULSE_SPEED_M_S,
) -> tuple[Floats, Floats]:
    """Return the times (s) between the pulses of the two wheels of one axle on a skewed tube.

    The wheels strike ``W tan θ / v`` apart; the pulse of the wheel far from the counter comes
    ``W / c`` later still, or that much less late when the far wheel strikes first.

    Returns
    -------
    longer, shorter : ndarray
        The counter on the unkind and on the kind side.

    Examples
    --------
    >>> [round(1000 * float(x), 1) for x in wheel_split(110, 5)]
    [8.7, 0.1]
    """
    apart = track_m * np.tan(np.deg2rad(abs(skew_deg))) / (np.asarray(speed_kmh, float) * KMH)
    return apart + track_m / c, np.abs(apart - track_m / c)


def step_error(speed_kmh: ArrayLike, spacing_m: float, step_ms: float) -> Floats:
    """Return the worst error of speed (share) by stamps in whole steps of ``step_ms``.

    Examples
    --------
    >>> (100 * step_error([50, 80, 110], 1.0, 1.0)).round(1).tolist()
    [1.4, 2.2, 3.1]
    """
    return np.asarray(step_ms * 1e-3 * np.asarray(speed_kmh, float) * KMH / spacing_m)


def counted_rate(rate_s: ArrayLike, dead_time_s: float) -> Floats:
    """Return the rate that a counter with this dead time counts: ``m = n / (1 + n τ)``.

    Examples
    --------
    >>> counted_rate(2.0, 0.025).round(4).item()
    1.9048
    """
    rate = np.asarray(rate_s, float)
    return np.asarray(rate / (1 + rate * dead_time_s))


@dataclass(frozen=True, slots=True)
class Geometry:
    """What turns times on the two tubes into speeds and lengths, constant within an epoch.

    Parameters
    ----------
    spacing_ab_m, spacing_ba_m : float
        Way along the road between the tubes, for vehicles that strike A first and B first. They
        differ on tubes that are not parallel.
    length_difference_m : float
        ΔL, taken off the stamps of tube B as ``ΔL / c``.
    c : float
        Speed of a pulse in the tube, m/s.
    """

    spacing_ab_m: float
    spacing_ba_m: float
    length_difference_m: float = 0.0
    c: float = PULSE_SPEED_M_S

    @property
    def delay_s(self) -> float:
        """How much later B's pulses arrive for their longer tube."""
        return self.length_difference_m / self.c


def entered(spacing_m: float) -> Geometry:
    """Return the geometry of a pair of which the spacing alone is known."""
    return Geometry(spacing_m, spacing_m)
