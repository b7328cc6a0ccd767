"""What a rule of the checks is: its id, its source, its numbers, and the findings it returns."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from countmap.counts.bench import Bench

if TYPE_CHECKING:
    import numpy as np

Numbers = Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding: where, when (naive local times, or UTC; the end is exclusive), how bad, why."""

    station_id: str
    sense: str | None
    first: pd.Timestamp
    last: pd.Timestamp
    severity: str
    why: str


Function = Callable[[Bench, Numbers], list[Finding]]


@dataclass(frozen=True, slots=True)
class Rule:
    """A registered rule. ``source`` begins with its mark: [O] read in the source, [S] quoted by
    another public text, [M] from memory, [D] set for this project, [CP] common practice.
    """

    id: str
    source: str
    defaults: Numbers
    function: Function

    @property
    def doc(self) -> str:
        """First line of the function's docstring: what the rule looks for."""
        return (self.function.__doc__ or "").strip().partition("\n")[0]


RULES: dict[str, Rule] = {}


def rule(rule_id: str, source: str, defaults: Numbers) -> Callable[[Function], Function]:
    """Register a function as a rule of the checks; raise ``ValueError`` if the id is taken."""

    def register(function: Function) -> Function:
        if rule_id in RULES:
            raise ValueError(f"rule {rule_id!r} is registered twice")
        RULES[rule_id] = Rule(rule_id, source, defaults, function)
        return function

    return register


def span(
    first: np.datetime64, last: np.datetime64, hours: tuple[int, int] = (0, 24)
) -> tuple[pd.Timestamp, pd.Timestamp]:
    """Return local start and end (exclusive) from the first hour of one day to an hour of another.

    Examples
    --------
    >>> import numpy as np
    >>> day = np.datetime64("2025-03-04")
    >>> [str(t) for t in span(day, day, (7, 9))]
    ['2025-03-04 07:00:00', '2025-03-04 09:00:00']
    """
    begin = pd.Timestamp(first) + pd.Timedelta(hours=hours[0])
    return begin, pd.Timestamp(last) + pd.Timedelta(hours=hours[1])


def power_of_ten(log: float) -> str:
    """Return exp(``log``) as a power of ten for a sentence; below 10^-99 it is just that small.

    Examples
    --------
    >>> power_of_ten(-16.2), power_of_ten(-5000)
    ('10^-7', 'under 10^-99')
    """
    power = log / math.log(10)
    return "under 10^-99" if power < -99 else f"10^{power:.0f}"
