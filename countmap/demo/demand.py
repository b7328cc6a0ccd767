"""Who travels where: the town's zones and the trips of an ordinary day between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from countmap.demo import plan
from countmap.demo.seasons import MOVES
from countmap.demo.streets import Streets

Floats = NDArray[np.float64]

# Trips of an ordinary working day that leave a home, by purpose; each comes back.
TRIPS_A_HOME = {"commute": 0.80, "school": 0.17, "shopping": 0.74, "leisure": 0.75}
# Homes beyond the map whose people come to town, by the road they take.
HOMES_BEYOND = {
    "BN": 620, "BNE": 800, "BE": 650, "BSE": 720, "BS": 760, "BV": 1500, "BSC": 430, "BW": 700, "BNW": 520,
}  # fmt: skip
# How strongly a place draws each purpose; places beyond the map draw the town's people too.
DRAW = {
    "MK": {"commute": 24, "school": 18, "shopping": 32, "leisure": 28},
    "ST": {"commute": 16, "school": 4, "shopping": 3, "leisure": 8},
    "HOSP": {"commute": 14, "shopping": 2, "leisure": 6},
    "MALL": {"commute": 10, "shopping": 30, "leisure": 8},
    "SCH": {"commute": 3, "school": 70},
    "WK": {"commute": 16, "shopping": 2},
    "BN": {"commute": 4, "shopping": 2, "leisure": 7},
    "BNE": {"commute": 5, "shopping": 3, "leisure": 20},
    "BE": {"commute": 4, "shopping": 1, "leisure": 24},
    "BSE": {"commute": 6, "shopping": 3, "leisure": 6},
    "BS": {"commute": 6, "shopping": 3, "leisure": 6},
    "BV": {"commute": 24, "school": 6, "shopping": 12, "leisure": 12},
    "BSC": {"commute": 4, "shopping": 1, "leisure": 5},
    "BW": {"commute": 6, "shopping": 2, "leisure": 7},
    "BNW": {"commute": 7, "shopping": 2, "leisure": 8},
}
# Vehicles a day, one way, that only pass through; the other way the same.
THROUGH = {
    ("BV", "BNW"): 3300, ("BV", "BN"): 1150, ("BV", "BW"): 1500, ("BV", "BNE"): 1150, ("BV", "BE"): 950,
    ("BSC", "BNW"): 600, ("BSC", "BE"): 420, ("BSC", "BNE"): 380, ("BSC", "BS"): 160, ("BS", "BNE"): 520,
    ("BS", "BE"): 260, ("BSE", "BNE"): 620, ("BSE", "BN"): 340, ("BSE", "BNW"): 330, ("BSE", "BV"): 560,
    ("BN", "BS"): 420, ("BW", "BE"): 560, ("BW", "BNE"): 420, ("BNW", "BE"): 520, ("BNW", "BS"): 260,
    ("BW", "BSE"): 260, ("BN", "BE"): 210,
}  # fmt: skip
THROUGH_FREIGHT_SHARE = 0.22
FREIGHT = {
    ("WK", "BV"): 260, ("WK", "BNW"): 130, ("WK", "BE"): 90, ("WK", "BS"): 70, ("MALL", "BV"): 110,
    ("MALL", "BNE"): 60, ("MK", "BV"): 80, ("HOSP", "BV"): 40, ("MK", "BNW"): 50,
}  # fmt: skip
# Trips between the town's own places, one way a day, at lunch and after work.
BETWEEN_PLACES = {("ST", "MK"): 260, ("MK", "MALL"): 220, ("HOSP", "MALL"): 120, ("ST", "MALL"): 90}
REACH_MIN = 9.0


@dataclass(frozen=True, slots=True)
class Trips:
    """Trips of an ordinary working day.

    ``rates`` has the shape (pairs, moves); ``origin`` and ``destination`` index ``zones``, which
    are node keys of the plan.
    """

    zones: tuple[str, ...]
    origin: NDArray[np.int64]
    destination: NDArray[np.int64]
    rates: Floats


def zones(streets: Streets) -> tuple[str, ...]:
    """Return every node where trips start and end: the map's edges, the places, the cul-de-sacs."""
    return (*DRAW, *streets.homes)


def generators() -> dict[str, str]:
    """Return the places inside the network where trips start and end, with their names."""
    return {
        "MK": "Market car park", "ST": "Fennerby station", "HOSP": "Infirmary",
        "MALL": "Ropeyard Mall", "SCH": "Wennetside School", "WK": "Sluice Works",
    }  # fmt: skip


def trips(streets: Streets, minutes: Floats, rng: np.random.Generator) -> Trips:
    """Return the trips between all zones.

    Parameters
    ----------
    streets : Streets
    minutes : array, shape (zones, zones)
        Travel times; near places draw more.
    rng : numpy.random.Generator
        Makes every town's homes, draws and through traffic its own.

    Notes
    -----
    Trips of a home to a place are in proportion to draw × exp(−time / 9 minutes). Pairs with less
    than one trip in two days are left out.
    """
    names = zones(streets)
    index = {name: i for i, name in enumerate(names)}
    rates = np.zeros((len(names), len(names), len(MOVES)))
    homes = np.array([HOMES_BEYOND.get(z, streets.homes.get(z, 0)) for z in names], dtype=float)
    homes *= np.exp(rng.normal(0, 0.15, len(names)))
    town = np.array([z in streets.homes for z in names])
    edge = np.array([z in plan.PLACES and z in HOMES_BEYOND for z in names])
    luck = np.exp(rng.normal(0, 0.12, (len(names), len(TRIPS_A_HOME))))
    for column, (purpose, a_home) in enumerate(TRIPS_A_HOME.items()):
        draw = np.array([DRAW.get(z, {}).get(purpose, 0) for z in names]) * luck[:, column]
        pull = draw * np.exp(-minutes / REACH_MIN)
        # Whoever lives beyond the map comes for the town's own places; the rest is through traffic.
        pull[np.ix_(edge, edge)] = 0.0
        pull[~town & ~edge] = 0.0
        np.fill_diagonal(pull, 0.0)
        total = pull.sum(axis=1, keepdims=True)
        share = np.divide(pull, total, out=np.zeros_like(pull), where=total > 0)
        out = homes[:, None] * a_home * share
        move = MOVES.index(f"{purpose}_out")
        rates[:, :, move] += out
        rates[:, :, move + 1] += out.T
    _add_fixed(rates, index, rng)
    origin, destination = np.nonzero(rates.sum(axis=2) >= 0.5)
    return Trips(names, origin, destination, rates[origin, destination])


def _add_fixed(rates: Floats, index: dict[str, int], rng: np.random.Generator) -> None:
    """Add through traffic, freight and trips between places, each the same there and back."""
    freight, through = MOVES.index("freight"), MOVES.index("through")
    shopping = MOVES.index("shopping_out")
    for (a, b), usual in THROUGH.items():
        size = usual * float(np.exp(rng.normal(0, 0.12)))
        for i, j in ((index[a], index[b]), (index[b], index[a])):
            rates[i, j, freight] += THROUGH_FREIGHT_SHARE * size
            rates[i, j, through] += (1 - THROUGH_FREIGHT_SHARE) * size
    for (a, b), usual in FREIGHT.items():
        size = usual * float(np.exp(rng.normal(0, 0.12)))
        for i, j in ((index[a], index[b]), (index[b], index[a])):
            rates[i, j, freight] += size
    for (a, b), size in BETWEEN_PLACES.items():
        rates[index[a], index[b], shopping] += size
        rates[index[b], index[a], shopping + 1] += size
