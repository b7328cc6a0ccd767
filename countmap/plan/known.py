"""The figures a plan starts from: the newest of each station, the older the less sure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from countmap.balance.inputs import BalanceInputs, gather
from countmap.plan.units import section_senses

if TYPE_CHECKING:
    from countmap.plan.field import FieldSettings

COLUMNS = ["station_id", "link_id", "link_sense", "aadt", "log_se", "status", "year", "sense_share"]
LEAST_ERROR = 0.01
"""No figure is surer than one per cent."""


def newest(inputs: BalanceInputs, settings: FieldSettings) -> pd.DataFrame:
    """Return every station's newest figures up to the year, placed on their links.

    Parameters
    ----------
    inputs : BalanceInputs
        ``annual`` may hold several years; those after ``year`` are left aside.
    settings : FieldSettings
        ``growth`` is what each year adds to the error of an older figure.

    Returns
    -------
    DataFrame
        ``station_id, link_id, link_sense`` (both: a total without directions), ``aadt, log_se,
        status, year, sense_share`` (correlation of the error between the senses, from the
        station's two-way figure; null without).
    """
    annual = inputs.annual
    years = sorted(set(annual.loc[annual["year"].le(inputs.year), "year"]))
    found = [_of_year(inputs, int(year), settings) for year in years]
    if not found:
        return pd.DataFrame({name: pd.Series([], dtype="object") for name in COLUMNS})
    rows = pd.concat(found, ignore_index=True)
    last = rows.groupby("station_id")["year"].transform("max")
    return rows[rows["year"].eq(last)].sort_values(COLUMNS[:3]).reset_index(drop=True)


def side_access(declarations: pd.DataFrame, sections: pd.DataFrame, default: float) -> pd.Series:
    """Return the declared share of side accesses by ``section_id``; ``default`` where none is stated."""
    stated = declarations.loc[declarations["kind"].eq("side_access"), ["id", "value"]]
    rows = stated.merge(sections[["link_id", "section_id"]], left_on="id", right_on="link_id")
    share = rows["value"].astype("float64").fillna(default) ** 2
    return np.sqrt(share.groupby(rows["section_id"]).sum())


def shared_by_sections(counts: pd.DataFrame, sections: pd.DataFrame) -> pd.Series:
    """Return the station ids of each section, separated by spaces, by ``section_id``."""
    placed = section_senses(counts, sections).drop_duplicates(["section_id", "station_id"])
    placed = placed.sort_values(["section_id", "station_id"])
    return placed.groupby("section_id")["station_id"].agg(" ".join)


def _of_year(inputs: BalanceInputs, year: int, settings: FieldSettings) -> pd.DataFrame:
    of_year = BalanceInputs(
        inputs.roads,
        inputs.junctions,
        inputs.sections,
        inputs.stations,
        inputs.annual,
        year,
        settings=inputs.settings,
    )
    counts = gather(of_year)
    rows = pd.concat([counts.used, counts.totals], ignore_index=True)
    rows["sense_share"] = rows["station_id"].map(_sense_share(counts.used, counts.both))
    age = inputs.year - year
    widened = np.sqrt(
        np.maximum(rows["log_se"].to_numpy(dtype=float), LEAST_ERROR) ** 2
        + (settings.growth * age) ** 2
    )
    return rows.assign(log_se=widened, year=year)[COLUMNS]


def _sense_share(used: pd.DataFrame, both: pd.DataFrame) -> pd.Series:
    """Return the correlation of a station's errors by sense, from its three standard errors."""
    wide = used.assign(sd=used["log_se"] * used["aadt"]).pivot_table(
        index="station_id", columns="link_sense", values="sd"
    )
    wide = wide.reindex(columns=["with", "against"])
    total = both.set_index("station_id")
    total = (total["log_se"] * total["aadt"]).reindex(wide.index)
    a, b = wide["with"], wide["against"]
    rho = (total**2 - a**2 - b**2) / (2 * a * b)
    return rho.clip(0.0, 0.95)
