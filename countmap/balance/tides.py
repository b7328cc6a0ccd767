"""What the hours give away: swapped directions, clocks an hour off, levels that step."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pandas as pd

from countmap.balance.clocks import ClockFault, clocks
from countmap.balance.hours import timeline
from countmap.balance.levels import LevelShift, level_shifts
from countmap.balance.swaps import Flip, Swap, flips, swaps
from countmap.tables import SUSPECTS, empty

if TYPE_CHECKING:
    from countmap.balance.inputs import BalanceInputs


def examine(hour_cells: pd.DataFrame, inputs: BalanceInputs) -> pd.DataFrame:
    """Look for faults that day totals cannot show.

    Parameters
    ----------
    hour_cells : DataFrame
        ``tables.HOUR_CELLS`` of the year, any order; excluded hours are missing.
    inputs : BalanceInputs
        As for :func:`countmap.balance.assess.assess`; ``stations.kind`` says which are permanent.

    Returns
    -------
    DataFrame
        ``tables.SUSPECTS``: hypothesis ``swap`` (``size`` null), ``clock`` (``size`` in hours, positive
        when the stamps are late), ``level_shift`` (``size`` as a share). ``set`` are the stations that
        could be meant.

    Notes
    -----
    A station whose clock is off takes no part in the search for swaps: its hours fit nobody's.
    """
    line = timeline(hour_cells)
    known = set(line.stations())
    kind = inputs.stations.get("kind", pd.Series(index=inputs.stations.index, dtype="str"))
    permanents = sorted(set(inputs.stations.loc[kind.eq("permanent"), "station_id"]) & known)
    late = clocks(line, permanents)
    off = {fault.station for fault in late}
    turned = flips(line)
    fair = inputs.annual.loc[~inputs.annual["station_id"].isin(off)]
    crossed, _ = swaps(replace(inputs, annual=fair), line)
    rows = [_clock_row(fault) for fault in _strongest(late)]
    rows += [_flip_row(flip) for flip in turned]
    own = {flip.station for flip in turned}
    rows += [_swap_row(swap) for swap in crossed if swap.station not in own]
    rows += [_level_row(shift) for shift in level_shifts(line, permanents)]
    if not rows:
        return empty(SUSPECTS)
    return pd.DataFrame(rows, columns=list(SUSPECTS.names))


def _strongest(found: list[ClockFault]) -> list[ClockFault]:
    """Return one fault a station, its clearest visit."""
    best: dict[str, ClockFault] = {}
    for fault in found:
        if fault.station not in best or fault.ratio > best[fault.station].ratio:
            best[fault.station] = fault
    return [best[station] for station in sorted(best)]


def _row(station: str, hypothesis: str, **more: Any) -> dict[str, Any]:
    blank = {"sense": "both", "size": float("nan"), "z": float("nan"), "set": station}
    return {
        "station_id": station,
        "hypothesis": hypothesis,
        "min_detectable_bias": float("nan"),
        **blank,
        **more,
    }


def _clock_row(fault: ClockFault) -> dict[str, Any]:
    word = "late" if fault.hours > 0 else "early"
    return _row(
        fault.station,
        "clock",
        size=float(fault.hours),
        evidence=(
            f"station {fault.station}, {fault.first} to {fault.last}: its hours fit the patterns of "
            f"{fault.permanents} permanent stations on the same dates {fault.ratio:.1f} times better when "
            f"its stamps are read as one hour {word}"
        ),
    )


def _swap_row(swap: Swap) -> dict[str, Any]:
    others = swap.members[1:]
    tied = f"; the hours cannot tell it from {', '.join(others)}" if others else ""
    return _row(
        swap.station,
        "swap",
        z=swap.z,
        set=" ".join(swap.members),
        evidence=(
            f"station {swap.station}: hour by hour its directions run against its neighbours, and "
            f"exchanging them settles {min(swap.amplitude, 1.0):.0%} of what disagrees "
            f"(z {swap.z:.1f}){tied}"
        ),
    )


def _flip_row(flip: Flip) -> dict[str, Any]:
    return _row(
        flip.station,
        "swap",
        evidence=(
            f"station {flip.station}: from {flip.first} to {flip.last} its morning and evening tides run "
            f"the other way than in its other weeks (correlation {flip.correlation:+.2f})"
        ),
    )


def _level_row(shift: LevelShift) -> dict[str, Any]:
    word = "rose" if shift.size > 0 else "fell"
    return _row(
        shift.station,
        "level_shift",
        size=shift.size,
        z=shift.t,
        evidence=(
            f"station {shift.station}: its level {word} by {abs(shift.size):.0%} against "
            f"{shift.others} other permanent stations on {shift.date} and stayed there "
            f"(t {shift.t:+.1f})"
        ),
    )
