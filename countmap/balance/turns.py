"""Turning movements that fit the reconciled flows on the legs of a junction."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from countmap.balance.document import junction_names
from countmap.balance.errors import shown_counts
from countmap.errors import InvalidInput
from countmap.roads.junctions import legs

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from countmap.balance.inputs import BalanceInputs
    from countmap.balance.solved import Balance

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
    names: tuple[list[str], list[str]] | None = None,
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
    names : two lists of str, optional
        What the legs are called in errors; their numbers without.

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
            leg = int(stuck[0]) if names is None else names[1 - axis][stuck[0]]
            raise InvalidInput(
                f"turns: {margin[stuck[0]]:,.0f} vehicles {'enter' if side == 'enters' else 'leave'} "
                f"by leg {leg}, but every turn there is forbidden (0 in the base)"
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


def at_junctions(inputs: BalanceInputs, solved: Balance) -> list[dict[str, Any]]:
    """Return one record for each junction with turning counts: the movements of an average day.

    Returns
    -------
    list of dict
        junction_id, name, ``legs`` (link_id, in, out: reconciled vehicles a day, null where unknown),
        ``movements`` (from_link, to_link, counted, flow), ``rescaled`` (the factor that brought the exits
        to the entries, 1 where they agree), ``rounds``, ``reason`` (why there is no fit).

    Notes
    -----
    The turning count says how traffic divides, the reconciled legs how much there is. A movement that
    the turning counts never saw stays at zero.
    """
    if inputs.turns is None or inputs.turns.empty:
        return []
    known = _leg_flows(solved)
    names = junction_names(inputs, set(inputs.turns["junction_id"]))
    around = legs(inputs.roads, inputs.junctions)
    found = []
    for junction, rows in inputs.turns.groupby("junction_id"):
        here = around.loc[around["junction_id"].eq(junction)]
        head = {"junction_id": str(junction), "name": names.get(str(junction), str(junction))}
        found.append(head | _junction(rows, here, known))
    return found


def _leg_flows(solved: Balance) -> dict[tuple[str, str], float]:
    """Return the reconciled flow of every arc that is counted or follows from the counts."""
    arcs = solved.system.graph.arcs.iloc[solved.system.inferred]
    known = dict(
        zip(zip(arcs["link_id"], arcs["sense"], strict=True), solved.inferred, strict=True)
    )
    shown = shown_counts(solved.counts.used)
    flows = solved.reconciled[shown.index.to_numpy()]
    known |= dict(zip(zip(shown["link_id"], shown["link_sense"], strict=True), flows, strict=True))
    return {arc: float(flow) for arc, flow in known.items()}


def _junction(
    rows: pd.DataFrame, here: pd.DataFrame, known: dict[tuple[str, str], float]
) -> dict[str, Any]:
    keys = ["from_link", "to_link"]
    counted = rows.groupby(keys)["count"].sum(min_count=1)
    sides = []
    for name in ("inward_sense", "outward_sense"):
        leg = here.loc[here[name].notna(), ["link_id", name]]
        arcs = zip(leg["link_id"], leg[name], strict=True)
        sides.append({link: known.get((link, sense)) for link, sense in arcs})
    into, out = sides
    record: dict[str, Any] = {
        "legs": [
            {"link_id": link, "in": into.get(link), "out": out.get(link)}
            for link in sorted(here["link_id"].unique())
        ],
        "movements": [
            {
                "from_link": a,
                "to_link": b,
                "counted": None if pd.isna(n) else float(n),
                "flow": None,
            }
            for (a, b), n in counted.items()
        ],
        "rescaled": None,
        "rounds": None,
    }
    gone = sorted(
        {
            link
            for arc in counted.index
            for link, side in zip(arc, sides, strict=True)
            if link not in side
        }
    )
    if gone:
        return record | {
            "reason": f"no flow to fit: link {', '.join(gone[:3])} is no leg here any more"
        }
    missing = sorted({k for side in sides for k, flow in side.items() if flow is None})
    if missing:
        return record | {"reason": f"no flow to fit: link {', '.join(missing[:3])} not counted"}
    base = rows.pivot_table("count", *keys, aggfunc="sum")
    base = base.reindex(index=list(into), columns=list(out)).fillna(0.0)
    try:
        fitted = fit(
            base.to_numpy(),
            [float(f or 0.0) for f in into.values()],
            [float(f or 0.0) for f in out.values()],
            rescale=True,
            names=(list(into), list(out)),
        )
    except InvalidInput as error:
        return record | {"reason": str(error)}
    flow = pd.DataFrame(fitted.movements, index=list(into), columns=list(out))
    for one in record["movements"]:
        one["flow"] = float(flow.loc[one["from_link"], one["to_link"]])
    return record | {"rescaled": fitted.rescaled, "rounds": fitted.rounds, "reason": None}
