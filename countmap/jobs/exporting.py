"""``counts export``: counts and stations as records of the federal Traffic Monitoring Guide."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from countmap.errors import InvalidInput, NotFound
from countmap.formats import tmg_write
from countmap.jobs.common import Document, Workspace
from countmap.store import queries

KINDS = ("volume", "speed", "class", "station")


def export(  # noqa: PLR0917  # the options of one command
    ws: Workspace,
    file: Path,
    kind: str,
    state: str,
    year: int,
    stations: list[str] | None = None,
    *,
    pipe: bool = False,
) -> Document:
    """Write a year's counts (or the stations) as records; returns ``file``, ``kind`` and ``periods``.

    Raises
    ------
    NotFound
        There is nothing of that kind.
    InvalidInput
        An unknown kind or state, or counts that the records cannot hold.
    """
    if kind not in KINDS:
        raise InvalidInput(f"kind {kind!r} is unknown; use one of {', '.join(KINDS)}")
    if not (len(state) == 2 and state.isdecimal()):
        raise InvalidInput(f"state {state!r} is not two digits, such as 17")
    known = ws.register.frame("stations")
    chosen = known[known["station_id"].isin(stations)] if stations else known
    if chosen.empty:
        raise NotFound(f"there is no station {' '.join(stations or [])}; countmap stations list")
    if kind == "station":
        tmg_write.write_stations(chosen, file, state=state, year=year, pipe=pipe)
        return {"file": str(file), "kind": kind, "periods": 0, "stations": len(chosen)}
    names = list(chosen["station_id"])
    told_by = "total" if kind == "volume" else kind
    periods = queries.periods(ws, f"{year}-01-01", f"{year}-12-31", names, told_by=told_by)
    periods = periods[_is(periods, kind)]
    if periods.empty:
        raise NotFound(f"there are no {kind} counts of {year} at these stations")
    tmg_write.write_counts(_raw(periods, chosen), file, kind, state=state, pipe=pipe)
    told = {"periods": len(periods), "stations": int(periods["station_id"].nunique())}
    return {"file": str(file), "kind": kind, **told}


def _is(periods: pd.DataFrame, kind: str) -> pd.Series:
    classed = periods["vehicle_class"].notna()
    speeds = periods["speed_low_kmh"].notna() | periods["speed_high_kmh"].notna()
    vehicles = periods["quantity"] == "vehicles"
    if kind == "class":
        return classed & ~speeds & vehicles
    return (speeds & ~classed if kind == "speed" else ~classed & ~speeds) & vehicles


def _raw(periods: pd.DataFrame, stations: pd.DataFrame) -> pd.DataFrame:
    """Return RAW_COUNTS with local starts and the bearing of each sense as its direction."""
    bearing = periods["station_id"].map(stations.set_index("station_id")["bearing_deg"])
    bearing = (bearing + np.where(periods["sense"] == "against", 180.0, 0.0)) % 360
    word = pd.Series([f"{deg:g}°" if deg == deg else "" for deg in bearing], periods.index)  # noqa: PLR0124  # the test for NaN
    local = periods["start_utc"] + pd.to_timedelta(periods["utc_offset_min"], unit="min")
    return periods.assign(
        direction=word.mask(periods["sense"] == "both", "both"),
        start=local.dt.tz_localize(None),
    )
