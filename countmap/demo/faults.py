"""The faults planted in the town's counts: which station carries which, and how each is made."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from countmap.demo import sites
from countmap.demo.sites import Site

UNDER_COUNT_SHARE = 0.35
LEVEL_SHIFT_SHARE = 0.20
OUTAGE_DAYS = 20
BUSY_FROM = 1500.0
"""Faults are planted where there is traffic to see them in, vehicles a day."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One planted fault.

    Attributes
    ----------
    kind : str
        ``under_count, swapped_directions, copied_day, outage_zeros, clock, wrong_carriageway,
        hidden_access`` or ``level_shift``.
    stations : tuple of str
        The station; for the hidden access the two stations it lies between.
    hypothesis : str
        The word of ``tables.SUSPECTS`` for it; empty where a check or the placing finds it.
    level : bool
        It makes the station's annual average wrong until somebody acts.
    found_by : str
        What could find it.
    details : dict
        Figures of this fault.
    """

    kind: str
    stations: tuple[str, ...]
    hypothesis: str
    level: bool
    found_by: str
    details: dict[str, Any] = field(default_factory=dict)

    def with_details(self, **details: Any) -> Fault:
        """Return the fault with more figures."""
        return replace(self, details={**self.details, **details})


Faults = dict[str, Fault]


def hidden_access(rng: np.random.Generator, places: tuple[Site, ...]) -> tuple[str, str, str]:
    """Return between which two stations the road file misses an access, and at which node."""
    pairs = sites.in_series(places)
    return pairs[int(rng.integers(len(pairs)))]


def assign(
    rng: np.random.Generator,
    places: tuple[Site, ...],
    hidden: tuple[str, str, str],
    aadt: dict[str, float],
) -> Faults:
    """Return every fault by kind, no two of them at legs of one junction.

    Parameters
    ----------
    rng : numpy.random.Generator
    places : tuple of Site
    hidden : tuple
        From ``hidden_access``.
    aadt : dict
        True two-way annual average by station.
    """
    by_id = {site.station_id: site for site in places}
    used: set[str] = set()

    def take(*stations: str) -> None:
        """Keep a fault's stations, and all others at the same junctions, free of further faults."""
        nodes = {node for s in stations for node in by_id[s].ends}
        used.update(s.station_id for s in places if nodes.intersection(s.ends))

    take(*hidden[:2])
    pairs = [pair for pair in sites.in_series(places) if used.isdisjoint(pair[:2])]
    first, second, _ = pairs[int(rng.integers(len(pairs)))]
    swappable = [s for s in (first, second) if by_id[s].kind == "short"]
    swapped = swappable[int(rng.integers(len(swappable)))]
    neighbour = second if swapped == first else first
    take(first, second)

    def draw(candidates: list[str]) -> str:
        free = [s for s in candidates if s not in used and aadt[s] >= BUSY_FROM]
        chosen = free[int(rng.integers(len(free)))]
        take(chosen)
        return chosen

    short = [s.station_id for s in places if s.kind == "short" and not s.one_way]
    permanent = [s.station_id for s in places if s.kind == "permanent" and not s.one_way]
    dual = [s.station_id for s in places if s.one_way and s.ends[0][0] in "DXRM"]
    under = draw(list(sites.at_counted_nodes(places)))
    clock, copied = draw(short), draw(short)
    zeros, shifted = draw(permanent), draw(permanent)
    wrong = draw(dual)
    found = (
        Fault("under_count", (under,), "scale", True,
              "balance of the junction hour by hour: the leg's tide; totals of neighbours in series",
              {"share_missed": UNDER_COUNT_SHARE, "senses": "both"}),
        Fault("swapped_directions", (swapped,), "swap", True,
              "the neighbour in series and the junction's balance: tides of opposite sign",
              {"neighbour": neighbour}),
        Fault("copied_day", (copied,), "", False, "the check for equal blocks of hours on two days"),
        Fault("outage_zeros", (zeros,), "", True, "the check for long runs of zeros", {"days": OUTAGE_DAYS}),
        Fault("clock", (clock,), "clock", False,
              "the profile fits the permanent patterns better shifted by an hour"),
        Fault("wrong_carriageway", (wrong,), "", True,
              "the bearing against the sense of the carriageway at that place"),
        Fault("hidden_access", hidden[:2], "leak", False,
              "a step between two stations of one section that no side road explains"),
        Fault("level_shift", (shifted,), "level_shift", True,
              "the station's share of its group before and after", {"share_lost": LEVEL_SHIFT_SHARE}),
    )  # fmt: skip
    return {fault.kind: fault for fault in found}


def kept(rng: np.random.Generator, counts: NDArray[np.int64], share: float) -> NDArray[np.int64]:
    """Return counts of which each vehicle is kept with the given chance."""
    return np.asarray(rng.binomial(counts, share), dtype=np.int64)


def records(found: Faults) -> list[dict[str, Any]]:
    """Return the faults as plain records for ``faults.json``."""
    return [
        {
            "kind": f.kind,
            "stations": list(f.stations),
            "hypothesis": f.hypothesis or None,
            "level": f.level,
            "found_by": f.found_by,
            "details": f.details,
        }
        for f in found.values()
    ]
