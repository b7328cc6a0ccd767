"""Small drawn networks with counts, as the inputs of the balance."""

from __future__ import annotations

import pandas as pd

from countmap.balance.inputs import BalanceInputs
from countmap.roads.junctions import junctions
from countmap.roads.sections import sections
from countmap.tables import DECLARATIONS, empty

YEAR = 2025
CROSS = {
    "n": ([(0, 1000), (0, 0)], {"name": "North Road"}),
    "e": ([(1000, 0), (0, 0)], {"name": "Mill Lane"}),
    "s": ([(0, -1000), (0, 0)], {"name": "North Road"}),
    "w": ([(-1000, 0), (0, 0)], {"name": "Mill Lane"}),
}


def given(roads, counts, *, declared=(), error=0.05, **more):
    """Return inputs: ``counts`` maps a station to (link, offset, {sense: flow})."""
    rows = [(kind, at, None, value, None) for kind, at, value in declared]
    names = ["kind", "id", "other_id", "value", "note"]
    said = pd.DataFrame(rows, columns=names) if rows else empty(DECLARATIONS)
    table = junctions(roads, said)
    stations = pd.DataFrame(
        [(s, link, at, True) for s, (link, at, _) in counts.items()],
        columns=["station_id", "link_id", "offset_m", "same_way"],
    )
    annual = pd.DataFrame(
        [
            (s, sense, YEAR, float(x), error, "estimated")
            for s, (_, _, flows) in counts.items()
            for sense, x in flows.items()
        ],
        columns=["station_id", "sense", "year", "aadt", "log_se", "status"],
    )
    return BalanceInputs(
        roads, table, sections(roads, table), stations, annual, YEAR, declarations=said, **more
    )


def two_way(with_, against):
    return {"with": with_, "against": against}


CROSS_COUNTS = {
    "N": ("n", 500, two_way(8000, 7700)),
    "E": ("e", 500, two_way(3000, 3300)),
    "S": ("s", 500, two_way(7500, 7400)),
    "W": ("w", 500, two_way(2500, 2600)),
}
