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


def cells(
    vehicles: pd.DataFrame,
    *,
    minutes: int = 15,
    by_class: bool = True,
    edges_kmh: ArrayLike | None = None,
) -> pd.DataFrame:
    """Return how many vehicles each interval holds, by sense, class and speed bin; sums of sums agree.

    Parameters
    ----------
    vehicles : DataFrame
        ``time`` (UTC), ``sense``, ``speed_kmh`` (NaN: not measured), ``vehicle_class``.
    minutes : int
        A divisor of 60.
    by_class : bool
        One row for each class that occurs; else all vehicles together.
    edges_kmh : array_like, optional
        Edges of speed bins, low edge included. A vehicle without speed is in no bin: its rows have
        null bins.

    Returns
    -------
    DataFrame
        start_utc, sense, vehicle_class, speed_low_kmh, speed_high_kmh, n. Frames of parts may be put
        one under the other: ``interval_counts`` adds up what is alike.

    Raises
    ------
    InvalidInput
        Minutes that do not divide the hour; edges that do not rise.
    """
    if minutes < 1 or 60 % minutes:
        raise InvalidInput(f"{minutes} minutes do not divide the hour. Use 5, 10, 15, 30 or 60")
    low, high = _bins(vehicles["speed_kmh"].to_numpy(float), edges_kmh)
    found = vehicles[["time", "sense", "vehicle_class"]].reset_index(drop=True)
    if not by_class:
        found["vehicle_class"] = None
    found["start_utc"] = found["time"].dt.floor(f"{minutes}min")
    found["speed_low_kmh"], found["speed_high_kmh"], found["n"] = low, high, 1
    return added(found)


def added(found: pd.DataFrame) -> pd.DataFrame:
    """Return ``cells`` with what is alike added up, in order."""
    keys = ["start_utc", "sense", "vehicle_class", "speed_low_kmh", "speed_high_kmh"]
    return found.groupby(keys, dropna=False, as_index=False)["n"].sum()


def interval_counts(
    found: pd.DataFrame,
    span: tuple[pd.Timestamp, pd.Timestamp],
    tz: str,
    *,
    station_id: str,
    survey_id: str | None = None,
    scheme: str | None = None,
    minutes: int = 15,
    silent: pd.Series | None = None,
) -> pd.DataFrame:
    """Return period counts of whole intervals from ``cells``.

    Parameters
    ----------
    found : DataFrame
        What ``cells`` returned, of the same ``minutes``; of several parts one under the other.
    span : (Timestamp, Timestamp)
        First and last instant at which both tubes worked, UTC. Intervals that it does not cover
        whole are left out: nothing is scaled up.
    tz : str
        Zone whose wall clock the intervals keep.
    station_id, survey_id, scheme : str
    minutes : int
    silent : Series of UTC instants, optional
        When one tube was silent while the other counted: intervals that hold any are missing.

    Returns
    -------
    DataFrame
        PERIODS. An interval without vehicles of a class and bin that occur is an observed 0.
    """
    # offsets of zones are whole quarters of an hour, so the grid in UTC is the grid on the wall
    first = span[0].ceil(f"{minutes}min")
    starts = pd.date_range(first, span[1] - pd.Timedelta(minutes=minutes), freq=f"{minutes}min")
    kinds = ["vehicle_class", "speed_low_kmh", "speed_high_kmh"]
    occur = found[kinds].drop_duplicates().sort_values(kinds).reset_index(drop=True)
    if occur.empty:
        occur = pd.DataFrame({c: [None] for c in kinds})
    which = (
        found[kinds]
        .merge(occur.assign(cell=np.arange(len(occur))), how="left", on=kinds)["cell"]
        .to_numpy(np.int64)
    )
    place = _place(found["start_utc"], first, minutes)
    inside = (place >= 0) & (place < len(starts))
    sense = (found["sense"] == SENSES[1]).to_numpy().astype(np.int64)
    flat = ((sense * len(occur) + which) * len(starts) + place)[inside]
    counts = np.bincount(
        flat, found["n"].to_numpy(float)[inside], minlength=2 * len(occur) * len(starts)
    )
    if silent is not None and len(silent):
        gone = np.unique(_place(silent, first, minutes))
        gone = gone[(gone >= 0) & (gone < len(starts))]
        counts.reshape(-1, max(len(starts), 1))[:, gone] = np.nan
    table = occur.loc[np.tile(np.repeat(np.arange(len(occur)), len(starts)), 2)]
    table = table.reset_index(drop=True)
    table["sense"] = np.repeat(np.array(SENSES, object), len(occur) * len(starts))
    table["start_utc"] = pd.Series(starts.as_unit("us"))[
        np.tile(np.arange(len(starts)), 2 * len(occur))
    ].reset_index(drop=True)
    table["utc_offset_min"] = clock.offsets_min(table["start_utc"], tz)
    table["station_id"], table["minutes"], table["count"] = station_id, minutes, counts
    table["quantity"] = "vehicles"
    table["scheme"], table["survey_id"] = scheme, survey_id
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
    v = np.asarray(speed_kmh, float)
    values, counts = np.unique(v[np.isfinite(v)], return_counts=True)
    return figures_of(values, counts)


def figures_of(values: ArrayLike, counts: ArrayLike) -> dict[str, float | int | None]:
    """Return the same figures of distinct speeds in rising order and how many have each."""
    v, n = np.asarray(values, float), np.asarray(counts, np.int64)
    v, n = v[n > 0], n[n > 0]
    total = int(n.sum())
    if total == 0:
        return dict.fromkeys(("mean", "deviation", "v85", "pace_low", "pace_share")) | {"n": 0}
    heap = np.cumsum(n)
    within = heap[np.searchsorted(v, v + PACE_KMH, side="right") - 1] - heap + n
    best = int(np.argmax(within))
    mean = float(v @ n) / total
    at = 0.85 * (total - 1)
    low, high = (v[np.searchsorted(heap, k, side="right")] for k in (int(at), math.ceil(at)))
    return {
        "n": total,
        "mean": mean,
        "deviation": math.sqrt(float((v - mean) ** 2 @ n) / (total - 1)) if total > 1 else None,
        "v85": float(low + (at - int(at)) * (high - low)),
        "pace_low": float(v[best]),
        "pace_share": float(within[best] / total),
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
