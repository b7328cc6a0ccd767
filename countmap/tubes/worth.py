"""What it is worth that a vehicle comes so soon, and so fast, behind another of its sense (kernels)."""

from __future__ import annotations

import numpy as np
from numba import njit

from countmap.tubes.candidates import speed_density
from countmap.tubes.model import FOLLOW_S, Model

SURE = 6.9  # odds of 1000 to 1
KIN, KIN_US, KIN_M_S = 0.4, 4e6, 0.8  # so many of those within 4 s drive as fast as the one ahead
KIN_NOT = float(np.log(1 - KIN))
OVERLAP, TIGHT = -25.0, -6.0


@njit(cache=True, inline="always")  # type: ignore[untyped-decorator]
def behind(end_us: float, v: float, start_us: float, model: Model) -> float:
    """Return what it is worth that a vehicle starts so soon behind one of the same sense."""
    seconds = (start_us - end_us) * 1e-6
    metres = seconds * v
    if metres < 1.0:
        return OVERLAP
    place = int(seconds / FOLLOW_S)
    follow = model.follow[place] if place < len(model.follow) else 0.0
    return follow + (TIGHT if metres < 2.5 else 0.0)


@njit(cache=True)  # type: ignore[untyped-decorator]
def kin(end_us: float, v_ahead: float, start_us: float, v: float, model: Model) -> float:
    """Return what it is worth that a vehicle close behind another drives nearly as fast."""
    if start_us - end_us > KIN_US:
        return 0.0
    off = (v - v_ahead) / KIN_M_S
    if off * off > 20.0:
        return KIN_NOT
    alike = 0.3989423 / KIN_M_S * np.exp(-0.5 * off * off)
    return np.log(1 - KIN + KIN * alike / np.exp(speed_density(model, v)))
