"""Factor groups: permanent stations whose seasons and weeks are alike."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from scipy.cluster import hierarchy

from countmap.annual.factors import precision

Array = np.ndarray[Any, np.dtype[np.float64]]

PRECISION_TARGET = 0.10
"""FHWA Traffic Monitoring Guide: a group's factors within 10 % at 95 % confidence."""
STATIONS_MIN = 3
CONFIDENCE = 0.95
COLUMNS = ["station_id", "group", "stations", "cohesion", "precision", "given"]


def groups(
    stations: list[str], season: Array, week: Array, given: Mapping[str, str] | None = None
) -> pd.DataFrame:
    """Put permanent stations into factor groups.

    Parameters
    ----------
    stations : list of str
    season : array, shape (stations, 12)
        Mean volume of each month over AADT.
    week : array, shape (stations, 7)
        Mean volume of each weekday over AADT.
    given : mapping, optional
        Station id → group, where somebody has decided: it holds.

    Returns
    -------
    DataFrame
        ``station_id, group, stations`` (in the group), ``cohesion`` (root mean square distance of
        a group's stations from its mean, on the log scale of month and weekday shares),
        ``precision`` D (null in a group of one), ``given``; sorted by station.

    Notes
    -----
    Ward's hierarchical clustering of ln season and ln week, each of the two weighing alike. The
    fewest groups are taken in which every group has at least three stations and a precision
    D = t·CV/√n of 10 % or better, CV being that of the worst month; if there are none such, the
    division of at least three stations a group with the best of worst D. Groups are numbered by
    their first station.

    References
    ----------
    FHWA, *Traffic Monitoring Guide*, 2022, on factor groups and their precision.

    Examples
    --------
    >>> season = np.ones((6, 12)); season[3:, 6] = 1.6
    >>> groups(list("abcdef"), season, np.ones((6, 7)))["group"].tolist()
    ['group 1', 'group 1', 'group 1', 'group 2', 'group 2', 'group 2']
    """
    order = np.argsort(np.array(stations, dtype=str))
    names = [stations[at] for at in order]
    season, week = season[order], week[order]
    known = dict(given or {})
    label = np.array([known.get(name, "") for name in names], dtype=object)
    free = np.flatnonzero(label == "")
    if len(free):
        label[free] = _numbered(_clustered(season[free], week[free]))
    shape = np.hstack([np.log(season) / np.sqrt(12), np.log(week) / np.sqrt(7)])
    rows = []
    for name, group in zip(names, label, strict=True):
        inside = label == group
        rest = shape[inside] - shape[inside].mean(axis=0)
        cohesion = float(np.sqrt((rest**2).sum(axis=1).mean()))
        rows.append(
            (name, group, int(inside.sum()), cohesion, _precision(season[inside]), name in known)
        )
    return pd.DataFrame(rows, columns=COLUMNS)


def _clustered(season: Array, week: Array) -> Any:
    """Return a cluster number for each station."""
    number = len(season)
    if number < 2 * STATIONS_MIN:
        return np.ones(number, dtype=np.intp)
    shape = np.hstack([np.log(season) / np.sqrt(12), np.log(week) / np.sqrt(7)])
    tree = hierarchy.ward(shape)
    best, worst_of_best = np.ones(number, dtype=np.intp), _precision(season)
    for count in range(2, number // STATIONS_MIN + 1):
        if worst_of_best <= PRECISION_TARGET:
            break
        cluster = hierarchy.fcluster(tree, count, "maxclust")
        sizes = np.bincount(cluster)[1:]
        if sizes.min() < STATIONS_MIN:
            continue
        worst = max(_precision(season[cluster == c]) for c in np.unique(cluster))
        if worst < worst_of_best:
            best, worst_of_best = cluster, worst
    return best


def _numbered(cluster: Any) -> list[str]:
    """Name clusters in the order in which they first occur."""
    seen: dict[int, int] = {}
    return [f"group {seen.setdefault(int(c), len(seen) + 1)}" for c in cluster]


def _precision(season: Array) -> float:
    """Return D of the month in which a group's stations differ most; NaN for one station."""
    number = len(season)
    if number < 2:
        return float("nan")
    spread = season.std(axis=0, ddof=1) / season.mean(axis=0)
    return precision(float(spread.max()), number, CONFIDENCE)
