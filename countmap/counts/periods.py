"""From vehicles to interval counts by class and speed bin, and the figures of a speed survey."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from countmap import clock
from countmap.errors import InvalidInput
from countmap.tables import SENSES

SPEED_EDGES_KMH = (0, 20, 30, 40, 50, 60, 70, 80, 90, 100, 110, 120, 140, 300)
PACE_KMH = 15.0  # the band that holds the most vehicles; 10 mph elsewhere


def interval_counts(
    vehicles: pd.DataFrame,
    span: tuple[pd.Timestamp, pd.Timestamp],
    tz: str,
    *,
    station_id: str,
    minutes: int = 15,
    by_class: bool = True,
    edges_kmh: ArrayLike | None = None,
    silent: pd.Series | None = None,
) -> pd.DataFrame:
    """Return vehicles in each whole interval, by sense and, where asked, class and speed bin.

    Parameters
    ----------
    vehicles : DataFrame
        ``time`` (UTC), ``sense``, ``speed_kmh`` (NaN: not measured), ``vehicle_class``, ``scheme``,
        ``survey_id``.
    span : (Timestamp, Timestamp)
        First and last instant at which both tubes worked, UTC. Intervals that it does not cover
        whole are left out: nothing is scaled up.
    tz : str
        Zone whose wall clock the intervals keep.
    station_id : str
    minutes : int
        A divisor of 60.
    by_class : bool
        One row for each class that occurs; else all vehicles together.
    edges_kmh : array_like, optional
        Edges of speed bins, low edge included. A vehicle without speed is in no bin: its rows have
        null bins.
    silent : Series of UTC instants, optional
        When one tube was silent while the other counted: intervals that hold any are missing.

    Returns
    -------
    DataFrame
        PERIODS. An interval without vehicles of a class and bin that occur is an observed 0.

    Raises
    ------
    InvalidInput
        Minutes that do not divide the hour; edges that do not rise.
    """
    if minutes < 1 or 60 % minutes:
        raise InvalidInput(f"{minutes} minutes do not divide the hour. Use 5, 10, 15, 30 or 60")
    # offsets of zones are whole quarters of an hour, so the grid in UTC is the grid on the wall
    first = span[0].ceil(f"{minutes}min")
    starts = pd.date_range(first, span[1] - pd.Timedelta(minutes=minutes), freq=f"{minutes}min")
    kinds = pd.DataFrame(index=vehicles.index)
    kinds["vehicle_class"] = vehicles["vehicle_class"].astype("str") if by_class else None
    low, high = _bins(vehicles["speed_kmh"].to_numpy(float), edges_kmh)
    kinds["speed_low_kmh"], kinds["speed_high_kmh"] = low, high
    place = _place(vehicles["time"], first, minutes)
    inside = (place >= 0) & (place < len(starts))
    cells = kinds.drop_duplicates().sort_values(list(kinds.columns)).reset_index(drop=True)
    if cells.empty:
        cells = pd.DataFrame({c: [None] for c in kinds.columns})
    which = kinds.reset_index(drop=True).merge(
        cells.assign(cell=np.arange(len(cells))), how="left", on=list(kinds.columns)
    )["cell"]
    sense = (vehicles["sense"] == SENSES[1]).to_numpy().astype(np.int64)
    flat = ((sense * len(cells) + which.fillna(0).to_numpy(np.int64)) * len(starts) + place)[inside]
    counts = np.bincount(flat, minlength=2 * len(cells) * len(starts)).astype(float)
    if silent is not None and len(silent):
        gone = np.unique(_place(silent, first, minutes))
        gone = gone[(gone >= 0) & (gone < len(starts))]
        counts.reshape(-1, max(len(starts), 1))[:, gone] = np.nan
    table = cells.loc[np.tile(np.repeat(np.arange(len(cells)), len(starts)), 2)]
    table = table.reset_index(drop=True)
    table["sense"] = np.repeat(np.array(SENSES, object), len(cells) * len(starts))
    table["start_utc"] = pd.Series(starts.as_unit("us"))[
        np.tile(np.arange(len(starts)), 2 * len(cells))
    ].reset_index(drop=True)
    table["utc_offset_min"] = clock.offsets_min(table["start_utc"], tz)
    table["station_id"], table["minutes"], table["count"] = station_id, minutes, counts
    table["quantity"] = "vehicles"
    for name in ("scheme", "survey_id"):
        table[name] = vehicles[name].iloc[0] if len(vehicles) else None
    return table


def _place(time: pd.Series, first: pd.Timestamp, minutes: int) -> NDArray[np.int64]:
    """Return which interval each instant lies in, counted from ``first``."""
    seconds = (time - first).dt.total_seconds().to_numpy(float)
    return np.floor(seconds / (60 * minutes)).astype(np.int64)


def _bins(
    speed: NDArray[np.float64], edges: ArrayLike | None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    none = np.full(len(speed), np.nan)
    if edges is None:
        return none, none.copy()
    rising = np.asarray(edges, float)
    if len(rising) < 2 or (np.diff(rising) <= 0).any():
        raise InvalidInput(f"speed edges {list(rising)} do not rise. Order them")
    place = np.searchsorted(rising, speed, side="right") - 1
    good = (place >= 0) & (place < len(rising) - 1)
    place = np.clip(place, 0, len(rising) - 2)
    return np.where(good, rising[place], none), np.where(good, rising[place + 1], none)


def percentile_from_bins(edges: ArrayLike, counts: ArrayLike, share: float = 0.85) -> float:
    """Return the speed that ``share`` of the vehicles do not exceed, linear within its bin.

    NaN without vehicles.

    Examples
    --------
    >>> percentile_from_bins([40, 50, 60, 70], [50, 40, 10], 0.85)
    58.75
    """
    n = np.asarray(counts, float)
    if n.sum() <= 0:
        return math.nan
    return float(np.interp(share * n.sum(), np.append(0, np.cumsum(n)), np.asarray(edges, float)))


def speed_figures(speed_kmh: ArrayLike) -> dict[str, float | int | None]:
    """Return number, mean, standard deviation, 85th percentile, pace and the share within it.

    NaN speeds are left out; figures are None without any.

    Examples
    --------
    >>> found = speed_figures([48, 50, 52, 55, 70])
    >>> found["mean"], found["pace_low"], found["pace_share"]
    (55.0, 48.0, 0.8)
    """
    v = np.sort(np.asarray(speed_kmh, float))
    v = v[np.isfinite(v)]
    if len(v) == 0:
        return dict.fromkeys(("mean", "deviation", "v85", "pace_low", "pace_share")) | {"n": 0}
    within = np.searchsorted(v, v + PACE_KMH, side="right") - np.arange(len(v))
    best = int(np.argmax(within))
    return {
        "n": len(v),
        "mean": float(v.mean()),
        "deviation": float(v.std(ddof=1)) if len(v) > 1 else None,
        "v85": float(np.quantile(v, 0.85)),
        "pace_low": float(v[best]),
        "pace_share": float(within[best] / len(v)),
    }


def headways(time_us: ArrayLike, sense: ArrayLike) -> NDArray[np.float64]:
    """Return the seconds since the vehicle before of the same sense; NaN for the first of each.

    Examples
    --------
    >>> headways([0, 1_000_000, 4_000_000], ["with", "against", "with"]).tolist()
    [nan, nan, 4.0]
    """
    frame = pd.DataFrame({"time": np.asarray(time_us, np.int64), "sense": np.asarray(sense)})
    ordered = frame.sort_values("time", kind="stable")
    gaps = ordered.groupby("sense")["time"].diff() / 1e6
    return np.asarray(gaps.reindex(frame.index).to_numpy(float))


def sample_size(deviation: float, error: float, *, z: float = 1.96, u: float = 0.0) -> float:
    """Return how many speeds a percentile needs; round up.

    Parameters
    ----------
    deviation, error : float
        Standard deviation of speeds and the error allowed, in the same unit.
    z : float
        1.96 for 95 %.
    u : float
        0 for the mean, 1.04 for the 85th percentile.

    Notes
    -----
    ``N = S² z² (2 + U²) / (2 E²)``, Institute of Transportation Engineers.

    Examples
    --------
    >>> round(sample_size(5.3, 3, u=1.04), 2)
    18.47
    """
    return deviation**2 * z**2 * (2 + u**2) / (2 * error**2)
