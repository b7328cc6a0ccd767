"""Turning movements that fit the flows on the legs of a junction."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from countmap.errors import InvalidInput

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

_MAX_ROUNDS = 10_000


@dataclass(frozen=True, eq=False)
class Turns:
    """``movements`` (from, to), how many ``rounds`` it took, and by how much ``out`` was rescaled."""

    movements: NDArray[np.float64]
    rounds: int
    rescaled: float


def fit(
    base: ArrayLike,
    into: ArrayLike,
    out: ArrayLike,
    *,
    rescale: bool = False,
    tolerance: float = 1e-9,
) -> Turns:
    """Scale the rows and columns of a matrix of turns in turn until its margins fit.

    Parameters
    ----------
    base : (n, m) array
        Turning counts or shares, rows the legs traffic comes from; 0 forbids a turn.
    into, out : (n,), (m,) arrays
        Vehicles that enter by each leg and leave by each leg.
    rescale : bool
        Bring the sum of ``out`` to that of ``into`` where they differ; else that is refused.
    tolerance : float
        Largest share by which a margin may miss.

    Raises
    ------
    InvalidInput
        Negative or missing numbers, shapes that do not fit, sums that differ, or a leg with traffic
        for which every turn is forbidden.

    References
    ----------
    W. E. Deming & F. F. Stephan, "On a least squares adjustment of a sampled frequency table when the
    expected marginal totals are known", Annals of Mathematical Statistics 11, 1940.

    Examples
    --------
    >>> fit([[1, 1], [1, 1]], [30, 10], [20, 20]).movements.round(6).tolist()
    [[15.0, 15.0], [5.0, 5.0]]
    """
    table = np.array(base, dtype=float)
    rows, columns = np.array(into, dtype=float), np.array(out, dtype=float)
    if table.ndim != 2 or table.shape != (len(rows), len(columns)):
        raise InvalidInput(
            f"turns: a matrix of {len(rows)} × {len(columns)} is needed, got {table.shape}"
        )
    for name, values in (("base", table), ("into", rows), ("out", columns)):
        if not (np.isfinite(values) & (values >= 0)).all():
            wrong = values[~(np.isfinite(values) & (values >= 0))].flat[0]
            raise InvalidInput(
                f"turns: {name} has the value {wrong:g}; every flow must be 0 or more"
            )
    factor = 1.0
    if not np.isclose(rows.sum(), columns.sum(), rtol=1e-9):
        if not rescale or columns.sum() == 0:
            raise InvalidInput(
                f"turns: {rows.sum():,.0f} vehicles enter and {columns.sum():,.0f} leave; reconcile "
                "the legs first or ask for the exits to be rescaled"
            )
        factor = float(rows.sum() / columns.sum())
        columns = columns * factor
    for side, margin, axis in (("enters", rows, 1), ("leaves", columns, 0)):
        stuck = np.flatnonzero((margin > 0) & (table.sum(axis=axis) == 0))
        if len(stuck):
            raise InvalidInput(
                f"turns: {margin[stuck[0]]:,.0f} vehicles {'enter' if side == 'enters' else 'leave'} "
                f"by leg {stuck[0]}, but every turn there is forbidden (0 in the base)"
            )
    scale = max(rows.max(initial=0.0), 1.0)
    for done in range(1, _MAX_ROUNDS + 1):
        table *= _ratio(rows, table.sum(axis=1))[:, None]
        table *= _ratio(columns, table.sum(axis=0))[None, :]
        if np.abs(table.sum(axis=1) - rows).max(initial=0.0) <= tolerance * scale:
            return Turns(table, done, factor)
    raise InvalidInput(
        "turns: the forbidden turns leave no way to fit these flows; allow one more turn or check the legs"
    )


def _ratio(wanted: NDArray[np.float64], got: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.where(got > 0, wanted / np.where(got > 0, got, 1.0), 0.0))
