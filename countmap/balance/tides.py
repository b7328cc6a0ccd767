"""What the hours give away: lost shares, swapped directions, clocks an hour off, levels that step."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from countmap.balance.clocks import ClockFault, clocks
from countmap.balance.evidence import MOST_AREAS, Evidence, Fault, weigh
from countmap.balance.hours import Timeline, timeline, visits
from countmap.balance.levels import LevelShift, level_shifts
from countmap.balance.patterns import Basis, basis, coefficients
from countmap.balance.search import FIRM, NEEDED, Found, reach, search
from countmap.balance.swaps import Flip, Swap, flips, swaps
from countmap.balance.views import COUNTER, ground
from countmap.tables import SUSPECTS, empty

if TYPE_CHECKING:
    from countmap.balance.inputs import BalanceInputs

_NO_TIDE = "by the hours: a swap would not show: no tide, or no equation that holds both ends"


@dataclass(frozen=True, eq=False)
class Study:
    """``suspects``: ``tables.SUSPECTS``; ``rivals``: for each of its rows the other hypotheses, as
    records (hypothesis, station_id, sense, place, odds: how much less likely); ``untestable``:
    (station_id, reason) of the stations whose hours could not show a fault.
    """

    suspects: pd.DataFrame
    rivals: list[list[dict[str, Any]]]
    untestable: list[dict[str, str]]


def examine(hour_cells: pd.DataFrame, inputs: BalanceInputs) -> pd.DataFrame:
    """Return the suspects of :func:`study` alone."""
    return study(hour_cells, inputs).suspects


def study(hour_cells: pd.DataFrame, inputs: BalanceInputs) -> Study:
    """Look for faults that day totals cannot show.

    Parameters
    ----------
    hour_cells : DataFrame
        ``tables.HOUR_CELLS`` of the year, any order; excluded hours are missing.
    inputs : BalanceInputs
        As for :func:`countmap.balance.assess.assess`; ``stations.kind`` says which are permanent.

    Returns
    -------
    Study
        Hypotheses ``scale`` and ``scale_one`` (``size``: −0.35 for a counter that misses 35 %), ``swap``
        (``size`` null), ``clock`` (``size`` in hours, positive when the stamps are late),
        ``level_shift`` (``size`` as a share). ``set`` are the stations that could be meant.

    Notes
    -----
    A clock that was off all the time is set right for the search; a station whose clock was off for a
    part of its record takes no part in it. With fewer than ``patterns.MIN_PERMANENTS`` sound permanents
    only swaps are looked for, by the hours of the annual profiles.
    """
    line = timeline(hour_cells)
    known = set(line.stations())
    kind = inputs.stations.get("kind", pd.Series(index=inputs.stations.index, dtype="str"))
    permanents = sorted(set(inputs.stations.loc[kind.eq("permanent"), "station_id"]) & known)
    late = clocks(line, permanents)
    turned = flips(line)
    own = {flip.station for flip in turned}
    shifted = level_shifts(line, permanents)
    line, unusable = _set_right(line, late)
    fair = replace(inputs, annual=inputs.annual.loc[~inputs.annual["station_id"].isin(unusable)])
    strange = own | {fault.station for fault in late} | {shift.station for shift in shifted}
    base = basis(line, [p for p in permanents if p not in strange])
    rows: list[tuple[dict[str, Any], list[dict[str, Any]]]]
    rows = [(_clock_row(fault), []) for fault in _strongest(late)]
    rows += [(_flip_row(flip), []) for flip in turned]
    if base is None:
        crossed, blind = swaps(fair, line)
        rows += [(_swap_row(swap), []) for swap in crossed if swap.station not in own]
        dark = [{"station_id": s, "reason": _NO_TIDE} for s in blind]
    else:
        found, dark = _by_pattern(fair, line, base)
        rows += [row for row in found if row[0]["station_id"] not in own]
    rows += [(_level_row(shift), []) for shift in shifted]
    suspects = pd.DataFrame([row for row, _ in rows]).reindex(columns=list(SUSPECTS.names))
    return Study(suspects if rows else empty(SUSPECTS), [rivals for _, rivals in rows], dark)


def _set_right(line: Timeline, late: list[ClockFault]) -> tuple[Timeline, set[str]]:
    """Move the records whose clock was off throughout; return the stations where it was off in part."""
    series = dict(line.series)
    unusable = set()
    for station in sorted({fault.station for fault in late}):
        faults = [fault for fault in late if fault.station == station]
        senses = line.senses(station)
        stays = visits(line.hours((station, senses[0])))
        if len(faults) < len(stays) or len({fault.hours for fault in faults}) > 1:
            unusable.add(station)
            continue
        for sense in senses:
            first, values = series[station, sense]
            series[station, sense] = (first - faults[0].hours, values)
    return Timeline(series), unusable


def _by_pattern(
    inputs: BalanceInputs, line: Timeline, base: Basis
) -> tuple[list[tuple[dict[str, Any], list[dict[str, Any]]]], list[dict[str, str]]]:
    """Return the faults of counters by the balance of patterns, and who could not be tested."""
    rows: list[tuple[dict[str, Any], list[dict[str, Any]]]] = []
    power: dict[str, float] = {}
    weighed = weigh(inputs, base, coefficients(line, base, line.stations()))
    for evidence in weighed.regions:
        flow = dict(zip(evidence.stations, evidence.total.tolist(), strict=True))
        laid = ground(evidence)
        rows += [(_fault_row(one, flow), _rivals(one, evidence)) for one in search(laid)]
        power |= reach(laid)
    rows.sort(key=lambda row: (-row[0]["power"], row[0]["station_id"]))
    dark = [
        {
            "station_id": station,
            "reason": (
                f"by the hours: a loss of 35 % in both senses would not show (non-centrality "
                f"{value:.1f} of the {NEEDED:.0f} it takes): too little tide beside its neighbours"
            ),
        }
        for station, value in sorted(power.items())
        if value < NEEDED
    ]
    dark += [
        {
            "station_id": station,
            "reason": (
                f"by the hours: {areas:,} places hang together around it, more than the "
                f"{MOST_AREAS:,} that are weighed at once; balance a part of the network at a time"
            ),
        }
        for station, areas in sorted(weighed.left_out.items())
    ]
    return rows, dark


def _fault_row(one: Found, flow: dict[str, float]) -> dict[str, Any]:
    fault = one.fault
    members = [fault.at]
    members += [f.at for f, _ in one.rivals if f.kind in COUNTER and f.at not in members]
    tied = f"; it could also be {', '.join(members[1:])}" if members[1:] else ""
    scale = 1.0 / (1.0 + one.amplitude)
    if fault.kind == "swap":
        size, said = float("nan"), "its directions run against its neighbours' and fit exchanged"
    else:
        side = "both senses" if fault.sense == "both" else f"sense {fault.sense}"
        word = "too few" if scale < 1 else "too many"
        size = scale - 1.0
        said = f"{side} fit its neighbours as counts of {abs(size):.0%} {word}"
    return _row(
        fault.at,
        "scale" if fault.kind == "over" else fault.kind,
        sense=fault.sense,
        size=size,
        z=one.z,
        min_detectable_bias=one.min_amplitude * flow[fault.at]
        if fault.kind != "swap"
        else float("nan"),
        power=one.power,
        posterior=one.posterior,
        firm=one.posterior > FIRM,
        set=" ".join(members),
        evidence=(
            f"station {fault.at}: hour by hour and by who cannot turn round, {said} "
            f"(posterior {one.posterior:.2f}, power {one.power:.0f}){tied}"
        ),
    )


def _rivals(one: Found, evidence: Evidence) -> list[dict[str, Any]]:
    """Return the other hypotheses about the same hours."""
    return [
        {
            "hypothesis": {"over": "scale", "hidden": "leak"}.get(fault.kind, fault.kind),
            "station_id": fault.at if fault.kind in COUNTER else None,
            "sense": fault.sense,
            "place": _place(fault, evidence),
            "odds": float(np.exp(less)),
        }
        for fault, less in one.rivals
    ]


def _place(fault: Fault, evidence: Evidence) -> str | None:
    """Say where unseen traffic would come and go: a street, or between which stations."""
    if fault.kind == "hidden":
        return f"link {fault.at}, stated quiet"
    if fault.kind != "leak":
        return None
    legs = sorted(
        {evidence.stations[k] for i in fault.areas for k in np.flatnonzero(evidence.legs[i])}
    )
    return f"between stations {', '.join(legs)}"


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
