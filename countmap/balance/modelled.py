"""A prior for the streets that no count reaches: what class, lanes, speed and neighbours make likely.

The logarithm of a sense's flow is a regression on the road's class, lanes, speed and one-way, plus a
field over the ground and one along roads of one name, both learned from the counted links. A figure from
here is ``modelled``: it never enters an equation, a test or another figure that is not modelled.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.linalg import cho_factor, cho_solve
from scipy.stats import t as student

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from countmap.balance.inputs import BalanceInputs
    from countmap.balance.solved import Balance

    Floats = NDArray[np.float64]

LEAST_LINKS = 20
"""Fewer counted links teach no prior: a quantile at 95 % asks for 19 errors (job practice)."""

MOST_LINKS = 1500
"""More counted links are thinned evenly by id: the field is solved in full."""

_LEAST_FLOW = 0.5
_AT_ONCE = 4000
_RIDGE = 4.0
"""Prior variance of a coefficient of the regression, in squares of ln(flow): a factor of e² either way."""

_FIELD, _ROAD, _OWN = (0.0, 0.25, 1.0), (0.0, 0.5, 2.0), 1.0
_RANGE_M = (500.0, 2000.0)


@dataclass(frozen=True, eq=False)
class Prior:
    """Modelled flows: link_id, flow, lower, upper of one sense; ``taught_by`` how many counted links."""

    flows: pd.DataFrame
    taught_by: int


def learn(inputs: BalanceInputs, solved: Balance, wanted: pd.Series) -> Prior | None:
    """Learn from the counted links what a sense of the ``wanted`` links carries.

    Parameters
    ----------
    inputs : BalanceInputs
    solved : Balance
    wanted : Series of link_id

    Returns
    -------
    Prior or None
        None where fewer than ``LEAST_LINKS`` links are counted. The interval is that of the errors made
        when each counted link is left out, at the level of the settings.
    """
    used = solved.counts.used
    taught = used.assign(level=np.log(np.maximum(used["aadt"], _LEAST_FLOW)))
    level = taught.groupby("link_id")["level"].mean()
    noise = (used.groupby("link_id")["log_se"].mean() ** 2).reindex(level.index)
    if len(level) > MOST_LINKS:
        kept = np.linspace(0, len(level) - 1, MOST_LINKS).round().astype(int)
        level, noise = level.iloc[kept], noise.iloc[kept]
    if len(level) < LEAST_LINKS:
        return None
    links = inputs.roads.links.set_index("link_id")
    both = pd.Index(level.index).append(pd.Index(wanted.unique()).difference(level.index))
    seen = _features(links.loc[both], known=len(level))
    y = level.to_numpy() - float(level.mean())
    best = min(
        (_fit(seen, y, np.minimum(noise.to_numpy(), 1.0), shape) for shape in _shapes()),
        key=lambda one: one.loss,
    )
    mean, variance = _predict(seen, best, both.get_indexer(pd.Index(wanted)))
    mean = mean + float(level.mean())
    # A sense misses by its link's error and by what it differs from the link's mean.
    apart = taught.loc[taught["link_id"].isin(level.index)]
    at = level.index.get_indexer(pd.Index(apart["link_id"]))
    missed = best.error[at] + apart["level"].to_numpy() - level.to_numpy()[at]
    reach = _quantile(missed / best.sd[at], inputs.settings.level) * np.sqrt(variance)
    flows = pd.DataFrame(
        {
            "link_id": wanted.to_numpy(),
            "flow": np.exp(mean),
            "lower": np.exp(mean - reach),
            "upper": np.exp(mean + reach),
        }
    )
    return Prior(flows, len(level))


@dataclass(frozen=True, eq=False)
class _Seen:
    """Design (links, features), middle points (links, 2), road number, and how many links are counted."""

    design: Floats
    middle: Floats
    road: NDArray[np.intp]
    known: int


@dataclass(frozen=True, eq=False)
class _Fit:
    """One shape of the fields: its loss, the weights and their inverse, errors with each link left out and their sizes."""

    shape: tuple[float, float, float]
    loss: float
    weights: Floats
    inverse: Floats
    scale: float
    error: Floats
    sd: Floats


def _features(links: pd.DataFrame, known: int) -> _Seen:
    kind = pd.get_dummies(_column(links, "road_class").fillna("").astype("str")).to_numpy(float)
    parts = [kind, links["allowed"].ne("both").to_numpy(dtype=float)[:, None]]
    for name in ("lanes", "speed_kmh"):
        value = pd.to_numeric(_column(links, name), errors="coerce").to_numpy(dtype=float)
        log = np.log(np.where(value > 0, value, np.nan))
        filled = np.where(np.isfinite(log), log, np.nan)
        middle = float(np.nanmedian(filled)) if np.isfinite(filled).any() else 0.0
        parts.append(np.where(np.isfinite(filled), filled - middle, 0.0)[:, None])
    middle_point = links.geometry.interpolate(0.5, normalized=True)
    at = np.column_stack([middle_point.x, middle_point.y])
    named = _column(links, "name").fillna("").astype("str")
    road = pd.factorize(named.where(named.ne(""), pd.Series(links.index, index=links.index)))[0]
    return _Seen(np.column_stack(parts), at, road.astype(np.intp), known)


def _column(links: pd.DataFrame, name: str) -> pd.Series:
    return links[name] if name in links else pd.Series(np.nan, index=links.index, dtype=object)


def _shapes() -> list[tuple[float, float, float]]:
    return [(f, r, m) for f, r, m in product(_FIELD, _ROAD, _RANGE_M) if f + r > 0 or m == 500.0]


def _fit(seen: _Seen, y: Floats, noise: Floats, shape: tuple[float, float, float]) -> _Fit:
    """Fit one shape of the fields; the loss is the log score of each link left out."""
    known = np.arange(seen.known)
    matrix = _covariance(seen, known, known, shape) + np.diag(_OWN + noise)
    inverse = cho_solve(cho_factor(matrix, lower=True), np.eye(len(known)))
    weights, diagonal = inverse @ y, np.diag(inverse)
    error = weights / diagonal  # what each link misses by when it is left out
    scale = float(np.mean(weights**2 / diagonal))
    loss = float(np.log(scale) - np.mean(np.log(diagonal)))
    return _Fit(shape, loss, weights, inverse, scale, error, np.sqrt(scale / diagonal))


def _predict(seen: _Seen, fit: _Fit, rows: NDArray[np.intp]) -> tuple[Floats, Floats]:
    """Return mean and variance of ln(flow) of the links at ``rows``."""
    mean, variance = np.empty(len(rows)), np.empty(len(rows))
    known = np.arange(seen.known)
    for first in range(0, len(rows), _AT_ONCE):
        part = slice(first, first + _AT_ONCE)
        here = rows[part]
        cross = _covariance(seen, here, known, fit.shape)
        own = _RIDGE * (seen.design[here] ** 2).sum(axis=1) + sum(fit.shape[:2]) + _OWN
        own -= np.einsum("ij,ij->i", cross @ fit.inverse, cross)
        mean[part], variance[part] = cross @ fit.weights, np.maximum(own, 1e-6) * fit.scale
    return mean, variance


def _covariance(
    seen: _Seen, a: NDArray[np.intp], b: NDArray[np.intp], shape: tuple[float, float, float]
) -> Floats:
    field, road, reach = shape
    total: Floats = _RIDGE * seen.design[a] @ seen.design[b].T
    if field + road > 0:
        one, two = seen.middle[a], seen.middle[b]
        away = np.hypot(one[:, None, 0] - two[None, :, 0], one[:, None, 1] - two[None, :, 1])
        near = np.exp(-away / reach)
        same = seen.road[a][:, None] == seen.road[b][None, :]
        total += near * (field + road * same)
    return total


def _quantile(left_out: Floats, level: float) -> float:
    """Return the half-width in standard errors: of the errors as they were, and never below Student's."""
    n = len(left_out)
    rank = min(int(np.ceil((n + 1) * level)), n)
    found = float(np.sort(np.abs(left_out))[rank - 1])
    return max(found, float(student.ppf(0.5 + level / 2, n - 1)))
