"""Stretches in which one tube is silent: a cut or plugged tube, a parked wheel."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

ALONE = 40  # so many pulses in a row on one tube do not come from two that work


@njit(cache=True)  # type: ignore[untyped-decorator]
def _lengths(tube: Any, before: int, last: int) -> Any:
    """Return for each pulse how many of the same tube in a row end with it."""
    found = np.empty(len(tube), np.int64)
    for k in range(len(tube)):
        before = before + 1 if tube[k] == last else 1
        last = tube[k]
        found[k] = before
    return found


def split(
    tube: NDArray[np.int8], before: int, last: int, *, final: bool
) -> tuple[NDArray[np.bool_], int, int, int]:
    """Tell pulses of a run on one tube from those of a working pair.

    Parameters
    ----------
    tube : ndarray
        Pulses in time order, those held back by the call before included.
    before, last : int
        Length of the run that was already given out as alone before the first of them (0 if none
        was), and its tube.
    final : bool
        No more pulses come.

    Returns
    -------
    alone : ndarray of bool
        For the pulses that are decided: those of a run of 40 or more.
    decided : int
        How many are decided; the others are part of a run that is still short.
    before, last : int
        For the call that follows.
    """
    n = len(tube)
    if n == 0:
        return np.zeros(0, bool), 0, before, last
    lengths = _lengths(tube, before, last)
    ends = np.flatnonzero(np.append(tube[1:] != tube[:-1], True))
    sizes = np.diff(np.append(-1, ends))
    alone = np.repeat(lengths[ends] >= ALONE, sizes)
    open_run = int(sizes[-1])
    if final or alone[-1]:
        return alone, n, int(lengths[-1]) if alone[-1] else 0, int(tube[-1])
    return alone[: n - open_run], n - open_run, 0, int(tube[-1])
