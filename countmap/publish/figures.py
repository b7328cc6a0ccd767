"""The figure a reader sees: one row a link or station, total and by sense, rounded for print."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import Geod

from countmap.rounding import CHARTS, Chart
from countmap.tables import SENSES, STATUSES

EXTRA_TEXT = ("method", "sources", "group", "reason")
EXTRA_NUMBERS = ("days", "level", "aawt", "counted", "z", "redundancy", "min_detectable_bias")


def headline(
    frame: pd.DataFrame, key: str, figure: str, year: int, one_way: pd.Series | None = None
) -> pd.DataFrame:
    """Gather a table by basis into one row a place.

    Parameters
    ----------
    frame : DataFrame
        FLOWS (key ``link_id``, figure ``flow``) or ANNUAL (``station_id``, ``aadt``).
    key, figure : str
        The columns that hold the place and the number.
    year : int
        Rows of other years are left out.
    one_way : Series of bool by key, optional
        Places that carry one sense alone: its figure is then the whole.

    Returns
    -------
    DataFrame, indexed by key
        ``figure, lower, upper, rel`` (the wider half of the interval over the figure), ``status``,
        ``basis`` (both, with, against; null where there is no whole), ``with_figure``,
        ``with_lower``, … and, where the frame has them, the method, days, sources, group, reason.

    Notes
    -----
    Where only the two senses are there, their sum is the whole and its interval is the sum of the
    bounds: the widest it can be, as if both senses erred together. A sum over a gap is null.
    """
    rows = frame[frame["year"] == year].set_index(key)
    by = {basis: rows[rows["sense"] == basis] for basis in ("both", *SENSES)}
    index = rows.index.unique().sort_values()
    out = pd.DataFrame(index=index)
    for sense in SENSES:
        for name, column in (("figure", figure), ("lower", "lower"), ("upper", "upper")):
            out[f"{sense}_{name}"] = _numbers(by[sense], column, index)
    whole = _whole(by, figure, index, one_way)
    for name in ("figure", "lower", "upper"):
        out[name] = whole[name]
    out["basis"] = whole["basis"]
    wider = np.maximum(out["upper"] - out["figure"], out["figure"] - out["lower"])
    out["rel"] = (wider / out["figure"].where(out["figure"] > 0)).astype("float64")
    out["status"] = _status(by, out["basis"], index)
    first = pd.concat([by[b] for b in ("both", *SENSES)])
    first = first[~first.index.duplicated()]
    for name in EXTRA_TEXT:
        out[name] = _texts(first, name, index)
    for name in EXTRA_NUMBERS:
        out[name] = _numbers(first, name, index)
    return out


def _numbers(rows: pd.DataFrame, column: str, index: pd.Index) -> pd.Series:
    if column not in rows.columns:
        return pd.Series(np.nan, index=index)
    return rows[column].astype("float64").reindex(index)


def _texts(rows: pd.DataFrame, column: str, index: pd.Index) -> pd.Series:
    if column not in rows.columns:
        return pd.Series(None, index=index, dtype="object")
    values = rows[column].astype("object").reindex(index)
    return values.where(values.notna(), None)


def _whole(
    by: dict[str, pd.DataFrame], figure: str, index: pd.Index, one_way: pd.Series | None
) -> pd.DataFrame:
    """Return the two-way figure: as given, else the sum of both senses, else the one-way sense."""
    single = (
        pd.Series(data=False, index=index)
        if one_way is None
        else one_way.reindex(index).eq(other=True)
    )
    whole = pd.DataFrame(index=index)
    columns = (("figure", figure), ("lower", "lower"), ("upper", "upper"))
    parts = {s: {n: _numbers(by[s], c, index) for n, c in columns} for s in ("both", *SENSES)}
    has = {s: parts[s]["figure"].notna() for s in parts}
    both_senses = has["with"] & has["against"]
    basis = np.select(
        [has["both"], both_senses, single & has["with"], single & has["against"]],
        ["both", "sum", "with", "against"],
        default="",
    )
    for name, _ in columns:
        total = parts["with"][name] + parts["against"][name]
        whole[name] = np.select(
            [basis == "both", basis == "sum", basis == "with", basis == "against"],
            [parts["both"][name], total, parts["with"][name], parts["against"][name]],
            default=np.nan,
        )
    whole["basis"] = pd.Series(basis, index=index).replace({"sum": "both"})
    whole["basis"] = whole["basis"].astype("object").where(whole["basis"] != "", None)
    return whole


def _status(by: dict[str, pd.DataFrame], basis: pd.Series, index: pd.Index) -> pd.Series:
    """Return the status of the whole; of two senses the weaker one."""
    rank = {status: place for place, status in enumerate(STATUSES)}
    ranks = {s: by[s]["status"].map(rank).astype("float64").reindex(index) for s in by}
    weaker = ranks["with"].combine(ranks["against"], np.fmax)
    worst = ranks["both"].where(ranks["both"].notna(), weaker)
    return worst.map(lambda place: STATUSES[int(place)] if place == place else STATUSES[-1])  # noqa: PLR0124  # NaN


def shown(values: Sequence[float] | pd.Series, chart: str | Chart) -> NDArray[np.float64]:
    """Round an array of figures by a publication chart as `rounding.rounded` does; NaN stays NaN."""
    raw = np.asarray(values, dtype=np.float64)
    bands = CHARTS[chart] if isinstance(chart, str) else chart
    below = np.array([limit for limit, _ in bands])
    step = np.array([*(float(step) for _, step in bands), 0.0])
    step = step[np.searchsorted(below, np.abs(raw), side="right")]
    coarse = np.floor(raw / np.where(step > 0, step, 1.0) + 0.5) * step
    return np.where(np.isnan(raw) | (step == 0), raw, coarse)


def lengths_m(lines: Sequence[shapely.LineString]) -> NDArray[np.float64]:
    """Return the length of each WGS84 line on the ellipsoid, metres."""
    shapes = np.asarray(lines, dtype=object)
    points, line = shapely.get_coordinates(shapes, return_index=True)
    if len(points) < 2:
        return np.zeros(len(shapes))
    inside = line[1:] == line[:-1]
    a, b = points[:-1][inside], points[1:][inside]
    _, _, step = Geod(ellps="WGS84").inv(a[:, 0], a[:, 1], b[:, 0], b[:, 1])
    return np.bincount(line[1:][inside], weights=step, minlength=len(shapes)).astype(np.float64)
