"""Decoded vehicles as columns: what the kernels fill and the stages after them read."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, eq=False)
class Vehicles:
    """Vehicles in order of their first pulse.

    Parameters
    ----------
    time_us : ndarray of int64
        When the first axle struck its first tube, B's stamps freed of the length difference.
    b_first : ndarray of bool
        Whether B was struck first.
    speed_kmh : ndarray
        From all axles seen on both tubes; NaN where none was.
    accelerating : ndarray of bool
        Speed changed by more than 3 % between first and last axle, beyond what jitter makes.
    axles : ndarray of int16
        Axles seen, on at least one tube.
    spacings_m : ndarray
        All vehicles' spacings one after the other, ``axles - 1`` each.
    confidence : ndarray
        0.5 … 1: the odds of this reading of the pulses around against the next best one.
    complete : ndarray of int16
        Axles seen on both tubes.
    pulses : ndarray of int16
        Pulses explained as axles.
    lag_change_s, lag_lever : ndarray
        Change of the lag from first to second complete axle, and what 1 m/s² would make of it.
    """

    time_us: NDArray[np.int64]
    b_first: NDArray[np.bool_]
    speed_kmh: NDArray[np.float64]
    accelerating: NDArray[np.bool_]
    axles: NDArray[np.int16]
    spacings_m: NDArray[np.float64]
    confidence: NDArray[np.float32]
    complete: NDArray[np.int16]
    pulses: NDArray[np.int16]
    lag_change_s: NDArray[np.float64]
    lag_lever: NDArray[np.float64]

    @property
    def starts(self) -> NDArray[np.int64]:
        """Where each vehicle's spacings begin in ``spacings_m``."""
        counts = np.maximum(self.axles.astype(np.int64) - 1, 0)
        return np.cumsum(counts) - counts

    def __len__(self) -> int:
        return len(self.time_us)


def joined(parts: list[Vehicles]) -> Vehicles:
    """Return several stretches as one."""
    if len(parts) == 1:
        return parts[0]
    if not parts:
        kinds = {
            "time_us": "int64", "b_first": "bool", "accelerating": "bool", "axles": "int16",
            "complete": "int16", "pulses": "int16", "confidence": "float32",
        }  # fmt: skip
        return Vehicles(
            **{f.name: np.empty(0, kinds.get(f.name, "float64")) for f in fields(Vehicles)}
        )
    return Vehicles(
        **{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Vehicles)}
    )
