"""What the data say about the installation: shares that should be small, and the geometry itself.

The fleet's usual wheelbase is the same at every speed and in both senses. Read through a wrong
spacing it is scaled; read through unequal tubes it leans with speed, the other way in each sense.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from countmap.tubes.geometry import KMH, Geometry
from countmap.tubes.vehicles import Vehicles

Floats = NDArray[Any]

CARS_M = (2.1, 3.2)  # first spacings among which the fleet's usual one is sought
WIDTH = 0.05  # spread of the kernel that finds the mode, in ln(wheelbase)
FLOOR = 0.005  # of a count error: no pair of tubes shows less
FEWEST = 500  # cars a sense below which nothing is proposed
LENGTH_STEP_M, SPACING_STEP = 0.05, 0.005  # the method finds no less

# (watch, bad), proposed: no agency's figures were found
LIMITS = {
    "tubes": (0.03, 0.07),
    "tubes by day": (0.04, 0.10),
    "direction": (0.05, 0.5),
    "orphans": (0.02, 0.05),
    "missed": (0.02, 0.05),
    "unclassified": (0.02, 0.05),
    "wheelbase": (0.02, 0.04),
    "senses": (0.01, 0.03),
    "fast": (0.001, 0.005),
}


@dataclass(frozen=True, slots=True)
class Finding:
    """One share or ratio of a survey, with its verdict and what it means."""

    name: str
    value: float
    verdict: str
    why: str


@dataclass(frozen=True, slots=True)
class Proposal:
    """A geometry that explains the data better, and how sure that is.

    Parameters
    ----------
    geometry : Geometry
    length_error_m, spacing_error : float
        Standard errors: metres, share of the spacing.
    cars : tuple of int
        Cars behind it, A first and B first.
    spacing_known : bool
        Whether the fleet's wheelbase was given: without it the spacings stay as they are.
    evidence : str
    """

    geometry: Geometry
    length_error_m: float
    spacing_error: float
    cars: tuple[int, int]
    spacing_known: bool
    evidence: str


@dataclass(frozen=True, slots=True)
class _Line:
    """The usual ln(wheelbase) at the usual speed and how it leans with speed (s/m)."""

    level: float
    lean: float
    level_error: float
    lean_error: float
    cars: int


def shares(
    vehicles: Vehicles,
    *,
    pulses: tuple[int, int],
    orphans: int,
    alone: int,
    unclassified: int,
) -> tuple[Finding, ...]:
    """Return the shares of a survey that should be small, each with its verdict.

    Parameters
    ----------
    vehicles : Vehicles
    pulses : (int, int)
        Pulses on tube A and B.
    orphans, alone, unclassified : int
        Pulses in no vehicle, pulses while the other tube was silent, vehicles without class.
    """
    total, n = max(sum(pulses), 1), max(len(vehicles), 1)
    axles = max(int(vehicles.axles.sum()), 1)
    ratio = pulses[0] / pulses[1] if pulses[1] else np.inf
    half = axles - int(vehicles.complete.sum())
    speed = vehicles.speed_kmh
    found = [
        ("tubes", abs(ratio - 1), f"{ratio:.3f} pulses on A for each on B"),
        ("orphans", (orphans + alone) / total, "pulses that belong to no vehicle"),
        ("missed", half / axles, "axles seen on one tube alone"),
        ("unclassified", unclassified / n, "vehicles that no rule of the scheme matches"),
        ("fast", float((speed > 160).sum()) / n, "vehicles above 160 km/h"),
    ]
    return tuple(Finding(name, v, _verdict(name, v), why) for name, v, why in found)


def direction(vehicles: int, against: int, only: str | None) -> tuple[Finding, ...]:
    """Return how many vehicles drive against a one-way road: a few do, most do when tubes are swapped.

    Parameters
    ----------
    vehicles, against : int
        All, and those of sense ``against``.
    only : {"with", "against"} or None
        The only sense of the road; None on a two-way road, of which nothing is said.
    """
    if only is None or vehicles == 0:
        return ()
    wrong = (against if only == "with" else vehicles - against) / vehicles
    why = "vehicles against the only sense of the road"
    if wrong > LIMITS["direction"][1]:
        why += ": A and B are swapped, or first_tube_with is wrong"
    return (Finding("direction", wrong, _verdict("direction", wrong), why),)


def by_day(pulses: Mapping[int, Sequence[int]]) -> tuple[Finding, ...]:
    """Return the day on which the tubes differ most; a tube that slackens shows there first.

    Parameters
    ----------
    pulses : mapping of day to (pulses on A, pulses on B)
        Days with fewer than 1,000 pulses are left out.
    """
    off = {d: abs(a / b - 1) if b else np.inf for d, (a, b) in pulses.items() if a + b >= 1000}
    if len(off) < 2:
        return ()
    worst = max(off, key=lambda d: (off[d], -d))
    why = f"off an A/B ratio of 1 on day {worst + 1}, the worst of {len(off)}"
    return (Finding("tubes by day", off[worst], _verdict("tubes by day", off[worst]), why),)


def count_error(*, vehicles: int, axles: int, complete: int, orphans: int, doubt: float) -> float:
    """Return the standard error of a survey's counts as its pulses show it, a share; at least 0.5 %.

    Parameters
    ----------
    vehicles, axles, complete : int
        Vehicles, their axles, and those seen on both tubes.
    orphans : int
        Pulses that belong to no vehicle.
    doubt : float
        Sum of what each vehicle's confidence lacks to 1.

    Notes
    -----
    A tube that misses a share ``m`` loses an axle on both at ``m²``; orphans are four to a car. What
    the readings are unsure of is mostly the sense or the class of a vehicle that is there, so half
    of it counts. The three are added as roots of squares. Proposed, as is the floor.

    Examples
    --------
    >>> count_error(vehicles=1000, axles=2100, complete=2016, orphans=4, doubt=4.0)
    0.005
    """
    if vehicles == 0:
        return 1.0
    missed = (1 - complete / max(axles, 1)) / 2
    parts = (missed**2, orphans / 4 / vehicles, 0.5 * doubt / vehicles)
    return float(min(max(np.sqrt(sum(x * x for x in parts)), FLOOR), 1.0))


def geometry(
    vehicles: Vehicles, used: Geometry, *, wheelbase_m: float | None = None
) -> tuple[Proposal | None, tuple[Finding, ...]]:
    """Return the geometry that the fleet's wheelbase speaks for, and what it shows.

    Parameters
    ----------
    vehicles : Vehicles
        Decoded with ``used``.
    used : Geometry
    wheelbase_m : float, optional
        The fleet's usual wheelbase, from sites that are trusted. Without it only the length
        difference is sought.

    Returns
    -------
    proposal : Proposal or None
        None with fewer than 500 cars a sense, or where nothing beyond 5 cm and 0.5 %, and beyond
        two standard errors, was found.
    findings : tuple of Finding

    Notes
    -----
    ``ln w' = ln(w s_h/s) ∓ v ΔL/(c s)``: a line by sense through the mode (not the mean) of the
    wheelbases; half the difference of the slopes times ``c s`` is ΔL, the levels are the spacings.
    """
    lines = [_line(vehicles, b_first) for b_first in (False, True)]
    ab, ba = lines
    if ab is None or ba is None:
        return None, ()
    spacing = 0.5 * (used.spacing_ab_m + used.spacing_ba_m)
    longer = used.c * spacing * (ba.lean - ab.lean) / 2
    longer_error = used.c * spacing * float(np.hypot(ab.lean_error, ba.lean_error)) / 2
    gap = float(np.expm1(ab.level - ba.level))
    findings = [Finding("senses", abs(gap), _verdict("senses", abs(gap)), "wheelbase A→B over B→A")]
    found = replace(used, length_difference_m=used.length_difference_m + longer)
    spacing_error = float(max(ab.level_error, ba.level_error))
    off = 0.0
    if wheelbase_m is not None:
        scales = [wheelbase_m / float(np.exp(x.level)) for x in (ab, ba)]
        off = max(abs(s - 1) for s in scales)
        findings.append(
            Finding("wheelbase", off, _verdict("wheelbase", off), "usual wheelbase off the fleet's")
        )
        found = replace(
            found,
            spacing_ab_m=used.spacing_ab_m * scales[0],
            spacing_ba_m=used.spacing_ba_m * scales[1],
        )
    sure_length = abs(longer) > max(LENGTH_STEP_M, 2 * longer_error)
    sure_spacing = off > max(SPACING_STEP, 2 * spacing_error)
    if not (sure_length or sure_spacing):
        return None, tuple(findings)
    evidence = (
        f"usual wheelbase {np.exp(ab.level):.3f} m A→B ({ab.cars:,} cars), {np.exp(ba.level):.3f} m "
        f"B→A ({ba.cars:,}); it leans {1000 * ab.lean / 3.6:+.2f} and {1000 * ba.lean / 3.6:+.2f} ‰ "
        "for each km/h. Spacing and wheelbase cannot be told apart: a fleet 1 % off its reference "
        "shifts the spacing by 1 %"
    )
    cars = (ab.cars, ba.cars)
    known = wheelbase_m is not None
    return Proposal(found, longer_error, spacing_error, cars, known, evidence), tuple(findings)


def usual_wheelbase(first_spacings_m: Floats) -> float:
    """Return the mode of car wheelbases: what ``geometry`` takes for a fleet's reference.

    NaN without any spacing between 2.1 and 3.2 m.

    Examples
    --------
    >>> round(usual_wheelbase(np.array([2.60, 2.64, 2.65, 2.66, 2.70, 3.1])), 2)
    2.65
    """
    w = np.log(first_spacings_m[_cars(first_spacings_m)])
    if len(w) == 0:
        return float("nan")
    return float(np.exp(_modal(w, np.ones((len(w), 1)))[0][0]))


def _cars(d: Floats) -> NDArray[np.bool_]:
    return (d > CARS_M[0]) & (d < CARS_M[1])


def _line(vehicles: Vehicles, b_first: bool) -> _Line | None:
    """Fit the modal line of one sense; None with too few cars."""
    whole = (vehicles.axles == 2) & (vehicles.complete == 2) & ~vehicles.accelerating
    whole &= vehicles.b_first == b_first
    d = vehicles.spacings_m[vehicles.starts[whole]]
    v = vehicles.speed_kmh[whole] * KMH
    keep = _cars(d)
    if keep.sum() < FEWEST:
        return None
    d, v = d[keep], v[keep]
    middle = float(np.median(v))
    design = np.column_stack([np.ones(len(v)), v - middle])
    beta, errors = _modal(np.log(d), design)
    # the level at speed 0, where a length difference does nothing
    return _Line(
        beta[0] - beta[1] * middle,
        beta[1],
        float(np.hypot(errors[0], errors[1] * middle)),
        errors[1],
        len(v),
    )


def _modal(y: Floats, design: Floats) -> tuple[list[float], list[float]]:
    """Return coefficients and standard errors of a regression through the mode.

    Notes
    -----
    Weights ``exp(−r²/2h²)``, least squares with them, until it stands: each step raises the density
    of residuals at 0. Yao and Li (2014), A new regression model: modal linear regression.
    """
    counts, edges = np.histogram(y, bins=60)
    smooth = np.convolve(counts, np.ones(5), mode="same")
    beta: Floats = np.zeros(design.shape[1])
    beta[0] = 0.5 * (edges[np.argmax(smooth)] + edges[np.argmax(smooth) + 1])
    weight = np.ones(len(y))
    for _ in range(200):
        residual = y - design @ beta
        weight = np.exp(-0.5 * (residual / WIDTH) ** 2)
        weighted = design * weight[:, None]
        new = np.linalg.solve(weighted.T @ design + 1e-12 * np.eye(len(beta)), weighted.T @ y)
        done = np.abs(new - beta).max() < 1e-9
        beta = new
        if done:
            break
    residual = y - design @ beta
    bent = weight * (1 - (residual / WIDTH) ** 2)
    bread = np.linalg.pinv((design * bent[:, None]).T @ design)
    meat = (design * (weight * residual)[:, None] ** 2).T @ design
    errors = np.sqrt(np.maximum(np.diag(bread @ meat @ bread), 0.0))
    return [float(b) for b in beta], [float(e) for e in errors]


def _verdict(name: str, value: float) -> str:
    watch, bad = LIMITS[name]
    return "good" if value <= watch else "watch" if value <= bad else "bad"
