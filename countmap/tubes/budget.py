"""The error to expect of an installation, part by part, before the crew drives off."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from countmap.tubes import geometry as g

Verdict = Literal["good", "watch", "redo", "unanswered"]

# Shares of the speed. Proposed: 1 % stays below what reports resolve, 2 % is the whole of a usual
# tolerance on its own.
GOOD, REDO = 0.01, 0.02
TOTAL_GOOD, TOTAL_REDO = 0.015, 0.03  # root of the sum of squares at the highest speed
SKEW_GOOD_DEG, SKEW_REDO_DEG = 2.0, 5.0
STRETCH = 0.10  # of the carriageway's width: common practice
CLASS_LIMIT_M = 3.2  # first spacing that parts light from heavy in most schemes
LONGEST_DEAD_TIME_MS = 20.0  # a tandem of 1.3 m at 110 km/h takes 42 ms

CHECKS = {
    "spacing": "is the spacing entered in the counter the spacing measured on the road?",
    "parallel": "are the tubes equally far apart at both kerbs and in the middle?",
    "square": "do the tubes lie square to the way the vehicles take?",
    "equal": "are both tubes equally long from the near kerb to the counter, equally stretched?",
}

# Usual cautions of the trade [common practice]. Whether a lane may be entered is a licensed decision
# and is never advised here.
CAUTIONS = (
    "Never work alone and never turn your back on traffic: one of you watches and does nothing else.",
    "Hi-vis clothing whenever you are out of the vehicle; the vehicle stands clear of the carriageway.",
    "Traffic control is planned and set by those licensed for it; without it, nobody in a live lane.",
    "Never hold or pull a tube that traffic can run over; anchors sturdy, never a pedestrian rail.",
    "No tube or chain across a footway, none standing proud in a cycle lane; nails in = nails out.",
    "Do not start, or stop, when sight, light, weather, a queue or a crowd is not as planned.",
    "Local codes and licensed practice decide.",
)

# An assumed fleet (share, mean wheelbase, spread): cars, vans and pick-ups, and lorries that lie
# beyond the limit whatever the error.
FLEET = ((0.75, 2.65, 0.12), (0.20, 3.08, 0.12))
LORRIES = 0.05


@dataclass(frozen=True, slots=True)
class Installation:
    """What the crew measured and entered at the site; None where it was not.

    Lengths in metres, from the near kerb to the counter for the leads. ``checks`` holds the answers
    to the four questions of ``CHECKS``, True or False.
    """

    spacing_entered_m: float
    spacing_near_m: float | None = None
    spacing_middle_m: float | None = None
    spacing_far_m: float | None = None
    lead_a_m: float | None = None
    lead_b_m: float | None = None
    width_m: float | None = None
    stretch_a_m: float | None = None
    stretch_b_m: float | None = None
    skew_deg: float | None = None
    dead_time_ms: float | None = None
    step_ms: float | None = None
    air_c: float | None = None
    checks: tuple[tuple[str, bool], ...] = ()

    @property
    def measured(self) -> tuple[float, ...]:
        """The spacings measured on the road, near to far."""
        three = (self.spacing_near_m, self.spacing_middle_m, self.spacing_far_m)
        return tuple(x for x in three if x is not None)

    @property
    def spacing_m(self) -> float:
        """Mean of the measured spacings; the entered one where none was measured."""
        return float(np.mean(self.measured)) if self.measured else self.spacing_entered_m

    @property
    def length_difference_m(self) -> float | None:
        """ΔL of the leads, each made longer by its tube's own stretch; None if not measured.

        Stretch is spread over the whole tube; the part on the carriageway moves the far wheels'
        pulses, so the whole difference is the bound.
        """
        if self.lead_a_m is None or self.lead_b_m is None:
            return None
        stretch = (self.stretch_b_m or 0.0) - (self.stretch_a_m or 0.0)
        return self.lead_b_m - self.lead_a_m + stretch


@dataclass(frozen=True, slots=True)
class Part:
    """One part of the error at one speed: shares of the speed for A→B and B→A, and the verdict."""

    name: str
    speed_kmh: float
    error_ab: float
    error_ba: float
    verdict: Verdict
    limit: str
    redo: str


def budget(site: Installation, speeds_kmh: tuple[float, ...]) -> tuple[Part, ...]:
    """Return every part of the error at every speed, the sum last.

    Notes
    -----
    Spacing, length difference and skew are known errors with a sign, as a counter makes them that
    knows the entered spacing alone; taper and steps are ±. The sum is the root of the sum of
    squares.
    """
    parts: list[Part] = []
    for speed in speeds_kmh:
        here = [
            p
            for p in (
                _spacing(site, speed),
                _taper(site, speed),
                _lengths(site, speed),
                _skew(site, speed),
                _steps(site, speed),
                _dead_time(site, speed),
            )
            if p is not None
        ]
        parts += [*here, _total(here, speed)]
    return tuple(parts)


def answers(site: Installation) -> tuple[tuple[str, str, Verdict], ...]:
    """Return the four checks before leaving: name, question, verdict."""
    said = dict(site.checks)
    return tuple(
        (name, question, "good" if said[name] else "redo")
        if name in said
        else (name, question, "unanswered")
        for name, question in CHECKS.items()
    )


def heavy_share(scale: float, limit_m: float = CLASS_LIMIT_M) -> float:
    """Return the share of an assumed fleet read beyond ``limit_m`` when spacings read ``scale``.

    The fleet: 75 % cars of 2.65 m, 20 % vans and pick-ups of 3.08 m, 5 % lorries.

    Examples
    --------
    >>> [round(100 * heavy_share(x), 1) for x in (1.0, 1.02, 0.98)]
    [8.2, 11.3, 6.2]
    """
    beyond = LORRIES
    for share, mean, spread in FLEET:
        beyond += share * 0.5 * math.erfc((limit_m / scale - mean) / (spread * math.sqrt(2)))
    return beyond


def _verdict(share: float, good: float = GOOD, redo: float = REDO) -> Verdict:
    size = round(abs(share), 6)
    return "good" if size <= good else "watch" if size <= redo else "redo"


def _spacing(site: Installation, speed: float) -> Part | None:
    if not site.measured:
        return None
    error = site.spacing_entered_m / site.spacing_m - 1
    limit = GOOD * site.spacing_m
    return Part(
        "spacing", speed, error, error, _verdict(error), f"± {100 * limit:.1f} cm",
        f"enter {site.spacing_m:.3f} m in the counter",
    )  # fmt: skip


def _taper(site: Installation, speed: float) -> Part | None:
    if site.spacing_near_m is None or site.spacing_far_m is None:
        return None
    # lanes lie a quarter and three quarters of the way across: half the taper lies between them
    error = (site.spacing_far_m - site.spacing_near_m) / 4 / site.spacing_m
    return Part(
        "taper", speed, -error, error, _verdict(error, GOOD / 2, REDO / 2),
        f"± {100 * 2 * GOOD * site.spacing_m:.1f} cm from kerb to kerb",
        "lay the far end again: same spacing at both kerbs",
    )  # fmt: skip


def _lengths(site: Installation, speed: float) -> Part | None:
    longer = site.length_difference_m
    if longer is None:
        return None
    c, s = g.pulse_speed(site.air_c), site.spacing_m
    ab, ba = (
        float(g.read_speed(speed, s, crossing=x, length_difference_m=longer, c=c)) / speed - 1
        for x in ("AB", "BA")
    )
    share = abs(longer) / float(g.length_limit(speed, s, share=1.0, c=c))
    limit = float(g.length_limit(speed, s, share=GOOD, c=c))
    return Part(
        "lengths", speed, ab, ba, _verdict(share), f"± {100 * limit:.0f} cm at {speed:g} km/h",
        f"cut or re-lead tube {'B' if longer > 0 else 'A'}: it is {100 * abs(longer):.0f} cm longer",
    )  # fmt: skip


def _skew(site: Installation, speed: float) -> Part | None:
    if site.skew_deg is None:
        return None
    skew = abs(site.skew_deg)
    error = math.cos(math.radians(skew)) - 1
    verdict: Verdict = (
        "good" if skew <= SKEW_GOOD_DEG else "watch" if skew <= SKEW_REDO_DEG else "redo"
    )
    longest = float(g.wheel_split(speed, skew)[0]) * 1000
    if site.dead_time_ms is not None and skew and longest > site.dead_time_ms and verdict == "good":
        verdict = "watch"
    return Part(
        "skew", speed, error, error, verdict,
        f"{SKEW_GOOD_DEG:g}°, 12 cm on 7 m for each degree; wheels of an axle up to {longest:.1f} ms apart",
        "lay the tubes square to the traffic, check with the diagonals",
    )  # fmt: skip


def _steps(site: Installation, speed: float) -> Part | None:
    if site.step_ms is None:
        return None
    error = float(g.step_error(speed, site.spacing_m, site.step_ms))
    limit = 1000 * GOOD * site.spacing_m / (speed * g.KMH)
    return Part(
        "clock steps", speed, error, error, _verdict(error), f"{limit:.2f} ms at {speed:g} km/h",
        "set the counter to finer stamps or lay the tubes further apart",
    )  # fmt: skip


def _dead_time(site: Installation, speed: float) -> Part | None:
    if site.dead_time_ms is None:
        return None
    tandem_ms = 1000 * 1.2 / (speed * g.KMH)
    verdict: Verdict = (
        "good"
        if site.dead_time_ms <= min(LONGEST_DEAD_TIME_MS, tandem_ms / 2)
        else "watch"
        if site.dead_time_ms < tandem_ms
        else "redo"
    )
    return Part(
        "dead time", speed, 0.0, 0.0, verdict,
        f"a tandem of 1.2 m takes {tandem_ms:.0f} ms at {speed:g} km/h",
        "set a shorter dead time: close axles merge",
    )  # fmt: skip


def _total(parts: list[Part], speed: float) -> Part:
    ab = math.sqrt(sum(p.error_ab**2 for p in parts))
    ba = math.sqrt(sum(p.error_ba**2 for p in parts))
    return Part(
        "together", speed, ab, ba, _verdict(max(ab, ba), TOTAL_GOOD, TOTAL_REDO),
        f"{100 * TOTAL_GOOD:g} %", "redo the largest part first",
    )  # fmt: skip
