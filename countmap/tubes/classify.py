"""Classes from axle counts and spacings: a scheme's rules over many vehicles at once."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from countmap.schemes.reader import SPACINGS, TERMS, UNCLASSIFIED, Condition, Scheme

_OPS = {"<=": 0, ">=": 1, "==": 2, "<": 3, ">": 4}
_FIRST_SPACING = TERMS.index("d1")
# A spacing is read with an error of centimetres: one on the limit but for rounding is on it.
_ROUNDING_M = 1e-9


def classify(
    axles: NDArray[Any], spacings_m: NDArray[np.float64], starts: NDArray[Any], scheme: Scheme
) -> NDArray[np.int16]:
    """Return each vehicle's place in ``scheme.classes``; -1 where no rule matches.

    Parameters
    ----------
    axles : ndarray of int, shape (n,)
        Axles of each vehicle.
    spacings_m : ndarray, shape (m,)
        Spacings of all vehicles one after the other, front to back. A vehicle with a NaN is left
        unclassified.
    starts : ndarray of int, shape (n,)
        Where each vehicle's ``axles - 1`` spacings begin.
    scheme : Scheme
        The first rule that matches wins.

    Examples
    --------
    >>> from countmap.schemes.reader import load
    >>> d = np.array([2.7, 3.8, 1.3, 9.9, 1.3])
    >>> found = classify(np.array([2, 5]), d, np.array([0, 1]), load("fhwa13"))
    >>> labels(found, load("fhwa13")).tolist()
    ['2', '9']
    """
    table, bounds, ids = _compiled(scheme)
    return _classes(
        np.ascontiguousarray(axles, np.int64),
        np.ascontiguousarray(spacings_m, np.float64),
        np.ascontiguousarray(starts, np.int64),
        table,
        bounds,
        ids,
        scheme.group_m,
    )


def labels(found: NDArray[np.int16], scheme: Scheme) -> NDArray[np.object_]:
    """Return the class ids for the places that ``classify`` found."""
    names = np.array([*(c.id for c in scheme.classes), UNCLASSIFIED], dtype=object)
    return names[found]


def _compiled(
    scheme: Scheme,
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.int64]]:
    """Return rows (left, its metres, op, right, its metres; a side is a term or -1), bounds, places."""
    rows: list[tuple[float, ...]] = []
    bounds: list[int] = [0]
    ids: list[int] = []
    places = {c.id: n for n, c in enumerate(scheme.classes)}
    for rule in scheme.rules:
        for conditions in rule.either:
            rows.extend(_row(c) for c in conditions)
            bounds.append(len(rows))
            ids.append(places[rule.id])
    return np.array(rows, float).reshape(-1, 5), np.array(bounds), np.array(ids)


def _row(condition: Condition) -> tuple[float, ...]:
    sides = []
    for side in (condition.left, condition.right):
        sides += [-1.0, side] if isinstance(side, float) else [float(TERMS.index(side)), 0.0]
    return (sides[0], sides[1], float(_OPS[condition.op]), sides[2], sides[3])


@njit(cache=True)  # type: ignore[untyped-decorator]
def _classes(  # noqa: PLR0917  # a kernel takes its arrays one by one
    axles: NDArray[np.int64],
    spacings: NDArray[np.float64],
    starts: NDArray[np.int64],
    table: NDArray[np.float64],
    bounds: NDArray[np.int64],
    ids: NDArray[np.int64],
    group: float,
) -> NDArray[np.int16]:
    found = np.full(len(axles), -1, np.int16)
    terms = np.empty(_FIRST_SPACING + SPACINGS)
    for i in range(len(axles)):
        n = axles[i]
        groups, length, short, long_ = 1, 0.0, np.inf, 0.0
        terms[:] = np.nan
        for k in range(n - 1):
            d = spacings[starts[i] + k]
            if k < SPACINGS:
                terms[_FIRST_SPACING + k] = d
            length += d
            short, long_ = min(short, d), max(long_, d)
            groups += d >= group - _ROUNDING_M
        if n < 2 or np.isnan(length):
            continue
        terms[0], terms[1], terms[2], terms[3], terms[4] = n, groups, length, short, long_
        for rule in range(len(ids)):
            good = True
            for row in range(bounds[rule], bounds[rule + 1]):
                if not _holds(table[row], terms):
                    good = False
                    break
            if good:
                found[i] = ids[rule]
                break
    return found


@njit(cache=True, inline="always")  # type: ignore[untyped-decorator]
def _holds(row: NDArray[np.float64], terms: NDArray[np.float64]) -> bool:
    left = row[1] if row[0] < 0 else terms[int(row[0])]
    right = row[4] if row[3] < 0 else terms[int(row[3])]
    if np.isnan(left) or np.isnan(right):
        return False
    op = row[2]
    if op == 0:
        return left <= right + _ROUNDING_M
    if op == 1:
        return left >= right - _ROUNDING_M
    if op == 2:
        return abs(left - right) <= _ROUNDING_M
    if op == 3:
        return left < right - _ROUNDING_M
    return left > right + _ROUNDING_M
