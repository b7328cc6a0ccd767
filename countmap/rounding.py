"""Publication charts: how coarsely a figure may be shown. The unrounded figure is always kept."""

from __future__ import annotations

import math

Chart = tuple[tuple[float, float], ...]

CHARTS: dict[str, Chart] = {
    # (below, step); quoted from the North Carolina DOT's published practice.
    "stepped": ((100, 10), (1_000, 50), (10_000, 100), (100_000, 500), (math.inf, 1_000)),
    # AASHTO's guideline as used by a Vermont region: <1,000 → 10, <10,000 → 100, else 1,000.
    "coarse": ((1_000, 10), (10_000, 100), (math.inf, 1_000)),
    "none": ((math.inf, 0),),
}


def rounded(value: float | None, chart: str | Chart = "stepped") -> float | None:
    """Round a figure as a publication chart asks, halves upwards.

    Parameters
    ----------
    value : float or None
        A flow; null stays null.
    chart : str or sequence of (below, step)
        A name in ``CHARTS`` or the bands themselves, ascending; step 0 leaves the figure alone.

    Examples
    --------
    >>> rounded(35_354.7), rounded(34_190.6), rounded(84), rounded(None)
    (35500.0, 34000.0, 80.0, None)
    """
    if value is None or math.isnan(value):
        return None
    bands = CHARTS[chart] if isinstance(chart, str) else chart
    step = next((step for below, step in bands if abs(value) < below), 0)
    return float(value) if step == 0 else math.floor(value / step + 0.5) * step * 1.0


def number_of(count: float, noun: str, plural: str = "") -> str:
    """Return how many there are in words; ``plural`` where it is not formed by an s.

    Examples
    --------
    >>> number_of(1, "row"), number_of(1200, "row"), number_of(0, "stay")
    ('1 row', '1,200 rows', '0 stays')
    """
    return f"{count:,.10g} {noun if count == 1 else plural or noun + 's'}"
