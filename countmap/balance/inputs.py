"""What the balance takes: the records, the settings, and the counts put on their arcs."""

from __future__ import annotations

from dataclasses import dataclass, field
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from countmap.balance.equations import Errors
from countmap.errors import InvalidInput
from countmap.tables import DECLARATIONS, PAIRS, SECTIONS, empty

if TYPE_CHECKING:
    import geopandas as gpd
    from numpy.typing import NDArray

    from countmap.roads.graph import Roads

MIN_SD = 1.0
"""Vehicles a day: no annual figure is surer than one vehicle."""

_OWN_SHARE = 0.2
"""At least this share of a count's standard error is its own, whatever is said to be shared."""

FEW_VEHICLES = 100.0
"""Below this many vehicles in all, chance alone is beyond 10 % of a count: its log error says nothing
of the pattern."""

_LEAST_FLOW = 0.5
"""A count of nothing is half a vehicle a day where its logarithm is taken."""

RANK = {"measured": 0, "estimated": 1, "inferred": 2, "modelled": 3, "unadjusted": 4}

_BASIS_COLUMNS = [
    "station_id",
    "sense",
    "link_id",
    "link_sense",
    "offset_m",
    "aadt",
    "lower",
    "upper",
    "log_se",
    "status",
    "method",
    "days",
]


@dataclass(frozen=True, slots=True)
class Settings:
    """Numbers an agency may change.

    ``default_error`` (share, one standard error) stands in where a figure has neither ``log_se`` nor
    bounds. ``access_per_km``: one standard deviation of what small accesses take from or bring to one
    sense over a kilometre, as a share of the flow (project default). ``quiet_vehicles``: net flow a
    day of a street declared quiet, one standard deviation. ``alpha``: chance of one false accusation
    in a whole run without a fault. ``modelled``: streets that no count reaches take a figure from their
    class, lanes, speed and neighbours.
    """

    default_error: float = 0.10
    access_per_km: float = 0.01
    quiet_vehicles: float = 50.0
    alpha: float = 0.05
    level: float = 0.95
    error_from: str = "fitted"
    modelled: bool = True

    def __post_init__(self) -> None:
        for name in ("default_error", "alpha", "level"):
            value = getattr(self, name)
            if not 0 < value < 1:
                raise InvalidInput(f"balance setting {name} must lie between 0 and 1, got {value}")
        if self.access_per_km < 0 or self.quiet_vehicles < 0:
            raise InvalidInput(
                "balance settings access_per_km and quiet_vehicles must not be negative"
            )
        if self.error_from not in ("fitted", "counts"):
            raise InvalidInput(
                f"balance setting error_from must be 'fitted' or 'counts', got {self.error_from!r}"
            )


def _none(table_name: str) -> pd.DataFrame:
    return {
        "declarations": empty(DECLARATIONS),
        "pairs": empty(PAIRS),
        "sections": empty(SECTIONS),
    }[table_name]


@dataclass(frozen=True, eq=False)
class BalanceInputs:
    """Everything the balance of one year rests on.

    Parameters
    ----------
    roads : Roads
    junctions, sections, stations, annual, declarations, pairs : DataFrame
        ``tables.JUNCTIONS`` and so on. Stations need ``link_id``, ``offset_m``, ``same_way``; those
        without a link are named as untestable.
    screenlines : GeoDataFrame, optional
        ``tables.SCREENLINES``, WGS84.
    year : int
        Rows of ``annual`` for other years are left aside.
    turns : DataFrame, optional
        ``tables.TURNS``: turning counts, of any hours.
    shared : DataFrame, optional
        Errors that several counts share: ``station_id, source`` (such as ``group: urban`` or
        ``counter: C07``), ``log_se``. They are part of the ``log_se`` in ``annual``, not beside it.
    settings : Settings
    """

    roads: Roads
    junctions: pd.DataFrame
    sections: pd.DataFrame
    stations: pd.DataFrame
    annual: pd.DataFrame
    year: int
    declarations: pd.DataFrame = field(default_factory=lambda: _none("declarations"))
    pairs: pd.DataFrame = field(default_factory=lambda: _none("pairs"))
    screenlines: gpd.GeoDataFrame | None = None
    turns: pd.DataFrame | None = None
    shared: pd.DataFrame | None = None
    settings: Settings = field(default_factory=Settings)


@dataclass(frozen=True, eq=False)
class Counts:
    """The year's figures on their arcs.

    ``used``: one row a directional count of the balance (station_id, sense, link_id, link_sense,
    offset_m, aadt, lower, upper, log_se, status, method, days), sorted by link, offset, station, sense.
    ``totals``: two-way figures without directions. ``shown``: figures that are printed but not used.
    ``both``: two-way rows of stations that also have their senses. ``untestable``: (station_id, reason).
    """

    used: pd.DataFrame
    totals: pd.DataFrame
    shown: pd.DataFrame
    both: pd.DataFrame
    untestable: tuple[tuple[str, str], ...]


def gather(inputs: BalanceInputs) -> Counts:
    """Put every annual figure of the year on its link and sense.

    Raises
    ------
    InvalidInput
        A negative or infinite figure, a negative standard error, a station placed on a link that the
        network does not have, an annual row of an unknown station.
    """
    rows = inputs.annual.loc[inputs.annual["year"].eq(inputs.year)].copy()
    _refuse(rows, inputs)
    rows = rows.merge(
        inputs.stations[["station_id", "link_id", "offset_m", "same_way"]], on="station_id"
    )
    for name in ("lower", "upper", "log_se", "method", "days"):
        if name not in rows:
            rows[name] = np.nan
    rows["log_se"] = log_errors(rows, inputs.settings)
    rows["link_sense"] = link_sense(rows["sense"], rows["same_way"])
    reasons: list[tuple[str, str]] = []

    def set_aside(mask: pd.Series, reason: str) -> None:
        reasons.extend((str(s), reason) for s in sorted(set(rows.loc[mask, "station_id"])))

    null = rows["aadt"].isna()
    set_aside(null & ~_has_value(rows, null), "no annual figure this year")
    rows = rows.loc[~null]
    unplaced = rows["link_id"].isna()
    set_aside(unplaced, "not placed on the network")
    rows = rows.loc[~unplaced]
    unadjusted = rows["status"].eq("unadjusted")
    set_aside(unadjusted, "unadjusted: no honest factor to an annual average")
    directed = rows["sense"].ne("both")
    arcs = pd.MultiIndex.from_frame(inputs.roads.arcs[["link_id", "sense"]])
    known = pd.MultiIndex.from_arrays([rows["link_id"], rows["link_sense"]]).isin(arcs)
    known = pd.Series(known, index=rows.index)
    for station, sense, link in rows.loc[
        directed & ~known & rows["aadt"].gt(0), ["station_id", "sense", "link_id"]
    ].itertuples(index=False):
        reasons.append(
            (station, f"counts sense {sense!r} on link {link}, which carries no traffic that way")
        )
    usable = directed & known & ~unadjusted
    has_senses = rows["station_id"].isin(rows.loc[directed & known, "station_id"])
    total = ~directed & ~has_senses & ~unadjusted
    set_aside(total, "two-way total without directions: it enters no junction equation")
    order = ["link_id", "offset_m", "station_id", "link_sense"]

    def part(mask: pd.Series) -> pd.DataFrame:
        return rows.loc[mask, _BASIS_COLUMNS].sort_values(order).reset_index(drop=True)

    return Counts(
        used=part(usable),
        totals=part(total),
        shown=part(unadjusted & (known | ~directed)),
        both=part(~directed & has_senses & ~unadjusted),
        untestable=tuple(sorted(set(reasons))),
    )


def _has_value(rows: pd.DataFrame, null: pd.Series) -> pd.Series:
    return rows["station_id"].isin(rows.loc[~null, "station_id"])


def _refuse(rows: pd.DataFrame, inputs: BalanceInputs) -> None:
    aadt = rows["aadt"].to_numpy(dtype=float)
    bad = rows.loc[(aadt < 0) | np.isinf(aadt)]
    if len(bad):
        row = bad.iloc[0]
        raise InvalidInput(
            f"annual: aadt {row['aadt']:g} of station {row['station_id']} ({row['sense']}, "
            f"{inputs.year}) is not a flow; correct the row"
        )
    if "log_se" in rows and (rows["log_se"] < 0).any():
        row = rows.loc[rows["log_se"] < 0].iloc[0]
        raise InvalidInput(
            f"annual: log_se {row['log_se']:g} of station {row['station_id']} is negative; "
            "correct the row"
        )
    unknown = sorted(set(rows["station_id"]) - set(inputs.stations["station_id"]))
    if unknown:
        raise InvalidInput(
            f"annual: station {unknown[0]!r} is not in the register; import it or drop its rows"
            + (f" ({len(unknown) - 1} more)" if len(unknown) > 1 else "")
        )
    placed = inputs.stations.loc[inputs.stations["link_id"].notna()]
    placed = placed.loc[placed["station_id"].isin(rows["station_id"])]
    lost = placed.loc[~placed["link_id"].isin(inputs.roads.links["link_id"])]
    if len(lost):
        row = lost.iloc[0]
        raise InvalidInput(
            f"station {row['station_id']} lies on link {row['link_id']!r}, which the network does "
            "not have; place it again"
        )


def link_sense(sense: pd.Series, same_way: pd.Series) -> pd.Series:
    """Return a station's senses as senses of its link as drawn; ``both`` stays, null is same way."""
    turned = same_way.fillna(value=True).astype(bool).eq(other=False)
    return sense.mask(turned, sense.map({"with": "against", "against": "with", "both": "both"}))


def log_errors(rows: pd.DataFrame, settings: Settings) -> NDArray[np.float64]:
    """Return the standard error of ln(aadt): as given, else from the bounds, else the default."""
    given = rows["log_se"].to_numpy(dtype=float)
    level = rows["level"].to_numpy(dtype=float) if "level" in rows else np.full(len(rows), np.nan)
    level = np.where(np.isfinite(level), level, settings.level)
    quantile = np.array([NormalDist().inv_cdf(0.5 + one / 2) for one in level])
    low, high = rows["lower"].to_numpy(dtype=float), rows["upper"].to_numpy(dtype=float)
    usable = (low > 0) & (high > low)
    bounds = np.log(np.where(usable, high, 2.0) / np.where(usable, low, 1.0)) / (2 * quantile)
    return np.where(
        np.isfinite(given), given, np.where(usable, bounds, settings.default_error)
    ).astype(float)


@dataclass(frozen=True, slots=True)
class RelativeErrors:
    """Errors of the counts: shares of the flow (how its pattern was read), and chance in vehicles.

    ``own`` (n,) and ``shared`` (n, k) are shares of the flow. ``pairs``
    (q, 2) are the two senses of one station, ``tied`` (n,) the share that they have in common.
    ``counting`` (n,) is the variance of a daily flow by chance for each vehicle of it, a Poisson
    count's 1/days. S = F (diag(own²) + tied tied' within pairs + shared shared') F + diag(counting F),
    F the flows.
    """

    own: NDArray[np.float64]
    shared: NDArray[np.float64]
    counting: NDArray[np.float64]
    pairs: NDArray[np.intp]
    tied: NDArray[np.float64]

    def at(self, flow: NDArray[np.float64]) -> Errors:
        """Return S at the given flows; no count is surer than one vehicle a day."""
        flow = np.maximum(flow, 0.0)
        own = np.maximum((self.own * flow) ** 2 + self.counting * flow, MIN_SD**2)
        tied = self.tied * flow
        pair = tied[self.pairs[:, 0]] * tied[self.pairs[:, 1]]
        return Errors(own + tied**2, pair, self.shared * flow[:, None])


def split_errors(used: pd.DataFrame) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Split each count's ``log_se`` into a share of the flow and its chance of counting.

    Parameters
    ----------
    used : DataFrame
        ``aadt, log_se, days``; null days leave the whole error a share.

    Returns
    -------
    pattern : (n,) array
        Standard error as a share of the flow.
    counting : (n,) array
        Variance in vehicles for each vehicle a day of flow.

    Notes
    -----
    A Poisson count over d days of flow f has the variance f/d, as a share 1/(N = f·d). A count of
    next to nothing carries ± 100 % of it in its log error; taken as a share of the flow that the
    neighbours see, it would let a dead counter agree with anything. Where fewer than ``FEW_VEHICLES``
    were counted the log error tells nothing of the pattern: its share is no more than the median of
    the other counts.
    """
    log_se = used["log_se"].to_numpy(dtype=float)
    days = used["days"].to_numpy(dtype=float)
    flow = np.maximum(used["aadt"].to_numpy(dtype=float), _LEAST_FLOW)
    known = days > 0
    counted = np.where(known, flow * days, np.inf)
    few = counted < FEW_VEHICLES
    chance = np.where(few, 1.0 / counted, np.minimum(1.0 / counted, log_se**2))
    pattern = np.sqrt(np.maximum(log_se**2 - chance, 0.0))
    if few.any() and not few.all():
        pattern = np.where(few, np.minimum(log_se, np.median(pattern[~few])), pattern)
    return pattern, chance * flow


def relative_errors(counts: Counts, shared: pd.DataFrame | None) -> RelativeErrors:
    """Split each count's error into its own part and the parts it shares.

    Both senses of a station share what its two-way figure says they do: from the three standard errors,
    2 cov = σ²_both − σ²_with − σ²_against, held between none and 95 %.
    """
    used = counts.used
    keys = pd.MultiIndex.from_frame(used[["station_id", "sense"]])
    index = pd.Series(np.arange(len(used)), index=keys)
    pairs = station_pairs(used)
    loads = _shared_loads(index, shared)
    flows = used["aadt"].to_numpy(dtype=float)
    total = used["log_se"].to_numpy(dtype=float)
    tied = np.zeros(len(used))
    both = counts.both.drop_duplicates("station_id").set_index("station_id")
    a, b = pairs[:, 0], pairs[:, 1]
    whole = both.reindex(used["station_id"].to_numpy()[a])
    sd_a, sd_b = total[a] * flows[a], total[b] * flows[b]
    common = (loads[a] * loads[b]).sum(axis=1) * flows[a] * flows[b]
    sd = (whole["log_se"] * whole["aadt"]).to_numpy(dtype=float)
    cov = np.nan_to_num((sd**2 - sd_a**2 - sd_b**2) / 2 - common)
    size = np.where(sd_a * sd_b > 0, sd_a * sd_b, 1.0)
    rho = np.where(sd_a * sd_b > 0, np.clip(cov / size, 0.0, 0.95), 0.0)
    tied[a], tied[b] = np.sqrt(rho) * total[a], np.sqrt(rho) * total[b]
    pattern, counting = split_errors(used)
    taken = (loads**2).sum(axis=1) + tied**2
    limit = (1 - _OWN_SHARE**2) * pattern**2
    shrink = np.sqrt(np.where(taken > limit, limit / np.where(taken > 0, taken, 1.0), 1.0))
    own = np.sqrt(np.maximum(pattern**2 - taken * shrink**2, 0.0))
    return RelativeErrors(own, loads * shrink[:, None], counting, pairs, tied * shrink)


def station_pairs(used: pd.DataFrame) -> NDArray[np.intp]:
    """Return the rows (with, against) of every station of which both senses are used."""
    rows = pd.Series(np.arange(len(used))).groupby(used["station_id"].to_numpy())
    both = rows.agg(["size", "min", "max"]).query("size == 2")
    pairs: NDArray[np.intp] = both[["min", "max"]].to_numpy(dtype=np.intp)
    return pairs


def _shared_loads(index: pd.Series, shared: pd.DataFrame | None) -> NDArray[np.float64]:
    """Return a column for each error that more than one count shares."""
    columns: list[NDArray[np.float64]] = []
    groups = () if shared is None or shared.empty else sorted(shared.groupby("source"))
    for _, rows in groups:
        column = np.zeros(len(index))
        for station, error in zip(rows["station_id"], rows["log_se"], strict=True):
            for sense in ("with", "against"):
                if (station, sense) in index.index:
                    column[index[station, sense]] = error
        if np.count_nonzero(column) > 1:
            columns.append(column)
    return np.column_stack(columns) if columns else np.zeros((len(index), 0))
