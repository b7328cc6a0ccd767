"""Where one more permanent station would improve the factors of the short counts most."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from countmap.errors import InvalidInput

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

SPREAD = 0.08
"""Standard deviation of ln of a factor between stations where fewer than three permanents say it."""

OWN_SHARE = 0.2
"""Share of that variance that no other station's pattern can tell (project default)."""

_FEW = 3


def factor_spread(days: pd.DataFrame, permanents: list[str], windows: pd.DataFrame) -> pd.Series:
    """Return how far permanent stations disagree on the factor of each short count's own dates.

    Parameters
    ----------
    days : tables.DAY_TOTALS
        Of the permanents, two-way or of their one sense, one row a station and day.
    permanents : list of str
    windows : DataFrame
        ``station_id, date``: the days each short station was counted.

    Returns
    -------
    Series by ``station_id``
        Standard deviation over permanents of ln(annual mean / mean of those days).
    """
    wide = days[days["station_id"].isin(permanents)].pivot_table(
        index="date", columns="station_id", values="count"
    )
    year = wide.mean()
    found = {}
    for station, rows in windows.groupby("station_id"):
        here = wide.reindex(rows["date"])
        ratio = (here.mean() / year).where(here.notna().all() & (year > 0) & (here.mean() > 0))
        known = np.log(ratio.dropna())
        found[station] = float(known.std()) if len(known) >= _FEW else SPREAD
    return pd.Series(found, dtype="float64")


def shapes(hours: pd.DataFrame) -> pd.DataFrame:
    """Return each station's pattern: the square roots of the shares of 24 weekday and 24 weekend hours.

    Parameters
    ----------
    hours : tables.HOUR_CELLS
        Rows without a count are left out; a station needs both kinds of day.

    Returns
    -------
    DataFrame
        48 columns by ``station_id``; each half has the length 1, so that distances are Hellinger's.
    """
    known = hours.dropna(subset=["count"])
    known = known[known["sense"] != "both"]
    weekend = known["date"].dt.day_of_week >= 5  # Saturday
    means = known.assign(cell=known["hour"] + 24 * weekend).pivot_table(
        index="station_id", columns="cell", values="count", aggfunc="mean"
    )
    means = means.reindex(columns=range(48)).dropna()
    for half in (slice(0, 24), slice(24, 48)):
        total = means.iloc[:, half].sum(axis=1)
        means.iloc[:, half] = np.sqrt(means.iloc[:, half].div(total.where(total > 0), axis=0))
    return means.dropna()


def rank(
    patterns: pd.DataFrame,
    permanents: list[str],
    spread: pd.Series,
    weight: pd.Series | None = None,
) -> pd.DataFrame:
    """Rank the short stations by what a permanent counter there would do for all the others.

    Parameters
    ----------
    patterns : DataFrame by ``station_id``
        Of :func:`shapes`; stations without a pattern cannot be judged.
    permanents : list of str
    spread : Series by ``station_id``
        Of :func:`factor_spread`.
    weight : Series by ``station_id``, optional
        What each short count stands for, such as vehicle-kilometres; equal without.

    Returns
    -------
    DataFrame
        The best first: ``station_id, before, after`` (root mean square error of the factors of all
        short stations, shares), ``helped`` (station ids whose own error falls by a tenth or more,
        separated by spaces), ``nearest`` (the permanent most alike) and ``alike`` (correlation with
        it).

    Raises
    ------
    InvalidInput
        No permanent station has a pattern.

    Notes
    -----
    A station's departure from the common factor is taken as a Gaussian function of its pattern, whose
    correlation falls with the squared Hellinger distance over that of the middle pair of permanents; a
    fifth of its variance is its own. The permanents tell the short stations' departures; a new one
    tells more. The gain is exact for that model.

    References
    ----------
    C. E. Rasmussen & C. K. I. Williams, *Gaussian Processes for Machine Learning*, 2006, ch. 2.
    """
    told = [one for one in permanents if one in patterns.index]
    if not told:
        raise InvalidInput("no permanent station has hourly counts of weekdays and weekends")
    short = [one for one in patterns.index if one not in set(permanents) and one in spread.index]
    names = [*told, *short]
    shape = patterns.loc[names].to_numpy()
    away = ((shape[:, None, :] - shape[None, :, :]) ** 2).sum(axis=2)
    n = len(told)
    pairs = away[:n, :n][np.triu_indices(n, 1)] if n > 1 else away[np.triu_indices(len(names), 1)]
    scale = float(np.median(pairs)) if len(pairs) else 1.0
    alike = (1 - OWN_SHARE) * np.exp(-away / (2 * max(scale, 1e-9)))
    np.fill_diagonal(alike, 1.0)
    known, to_short = alike[:n, :n], alike[:n, n:]
    solved = np.linalg.solve(known, to_short)
    left = alike[n:, n:] - to_short.T @ solved
    sd = spread.reindex(short).to_numpy(dtype=float)
    mass = np.ones(len(short)) if weight is None else weight.reindex(short).fillna(0).to_numpy()
    mass = mass / mass.sum() if mass.sum() > 0 else np.full(len(short), 1 / max(len(short), 1))
    own = np.diag(left).copy()
    before = float(np.sqrt(mass @ (sd**2 * own)))
    rows = []
    for at, name in enumerate(short):
        after_own = np.maximum(own - left[:, at] ** 2 / own[at], 0.0)
        after = float(np.sqrt(mass @ (sd**2 * after_own)))
        fell = after_own <= 0.9**2 * own
        nearest = int(np.argmax(alike[:n, n + at]))
        helped = " ".join(short[i] for i in np.flatnonzero(fell) if i != at)
        rows.append((name, before, after, helped, told[nearest], float(alike[nearest, n + at])))
    columns = ["station_id", "before", "after", "helped", "nearest", "alike"]
    found = pd.DataFrame(rows, columns=columns)
    return found.sort_values(["after", "station_id"]).reset_index(drop=True)
