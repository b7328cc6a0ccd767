"""Jobs of the annual averages: estimate, import, explain."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import pandas as pd

from countmap import clock
from countmap.annual import estimate as estimating
from countmap.annual import peaks
from countmap.annual.kin import network_distance
from countmap.counts import week
from countmap.counts.days import within_validity
from countmap.errors import NotFound
from countmap.formats import csv_table
from countmap.jobs.common import (
    Document,
    Network,
    Workspace,
    cell,
    latest,
    records,
    refusing,
    require_known,
    stale_notes,
)
from countmap.rounding import rounded
from countmap.schemes import reader
from countmap.store import queries
from countmap.tables import ANNUAL, FACTOR_GROUPS

if TYPE_CHECKING:
    from countmap.annual.factors import Form

TOPICS = ("roads", "stations", "counts", "flags", "days", "settings")
LEVEL = 0.95
Z_95 = 1.959964
# One standard error of a figure that comes without bounds: the mean absolute error of 48-hour counts
# expanded in the right group, 6.4 % (Grande, Paramita & Regehr 2021), as a normal's standard error.
DEFAULT_LOG_SE = 0.064 * math.sqrt(math.pi / 2)


def estimate(
    ws: Workspace,
    *,
    year: int,
    method: Literal["matched", "textbook"] = "matched",
    estimator: Literal["fhwa", "aashto"] = "fhwa",
    shares: Form | None = None,
    groups: Path | None = None,
    dry_run: bool = False,
) -> Document:
    """Estimate the annual averages of every counted station and keep them as a run.

    Parameters
    ----------
    shares : {'month_weekday', 'separate', 'week'}, optional
        Form of the shares: see `countmap.annual.inputs.AnnualSettings`.
    groups : Path, optional
        groups.csv (station_id, group): the factor groups that somebody decided. They hold; the other
        permanents are clustered. A short count expanded by shares takes its own group's.

    Raises
    ------
    NotFound
        No roads, no stations or no counts.
    InvalidInput
        A row of ``groups`` that breaks the contract, or an unknown station.
    """
    fingerprint = ws.register.fingerprint(TOPICS)
    network = Network(ws)
    hours, days = queries.hours_and_days(ws)
    stations = ws.register.frame("stations")
    given = _given_groups(ws, groups)
    hours, _ = within_validity(hours, stations)
    days, outside = within_validity(days, stations)
    if days.empty:
        raise NotFound("the workspace has no counts; run countmap counts import FILE first")
    permanents = stations.loc[stations["kind"].eq("permanent"), "station_id"].tolist()
    years = sorted({int(y) for y in days["date"].dt.year} | {year})
    result = estimating.estimate(
        estimating.AnnualInputs(
            hour_cells=hours,
            day_totals=days,
            stations=with_roads(stations, network).assign(
                group=lambda f: f["station_id"].map(given)
            ),
            year=year,
            holidays=clock.public_holidays(ws.settings.holidays, years),
            days=ws.register.frame("days"),
            count_error=count_errors(ws),
            distance=network_distance(network.roads, stations, permanents),
            settings=estimating.AnnualSettings(
                method=method,
                estimator=estimator,
                shares=shares,
                one_way=one_way(stations, network),
                axles_per_vehicle=ws.settings.axles_per_vehicle,
            ),
        )
    )
    explanations: dict[str, Any] = {}
    unused = dict(
        zip(outside["station_id"], map(_outside, outside.to_dict("records")), strict=True)
    )
    for (station, sense), chain in result.explanations.items():
        told = chain | ({"not_used": unused[station]} if station in unused else {})
        explanations.setdefault(station, {})[sense] = cell(told)
    document: Document = {
        "year": year,
        "method": method,
        "estimator": estimator,
        "stations": int(result.annual["station_id"].nunique()),
        "by_status": _tally(result.annual),
        "groups": records(result.groups, list(result.groups.columns)),
        "peaks": records(result.peaks, list(result.peaks.columns)),
        "explanations": explanations,
    }
    if not dry_run:
        settings = {"method": method, "estimator": estimator, "shares": shares, "groups": given}
        with ws.register.transaction() as tx:
            tx.add_run("annual", year, fingerprint, settings, document, {"annual": result.annual})
    return {key: value for key, value in document.items() if key != "explanations"} | {
        "annual": shown(result.annual, ws),
        "dry_run": dry_run,
    }


def _given_groups(ws: Workspace, file: Path | None) -> dict[str, str]:
    """Return station id → factor group of a groups.csv."""
    if file is None:
        return {}
    with refusing(ws):
        frame = csv_table.read_or_raise(file, FACTOR_GROUPS)
        known = set(ws.register.frame("stations")["station_id"])
        require_known(frame, "station_id", known, "station", file)
    return dict(zip(frame["station_id"], frame["group"], strict=True))


def _outside(row: Document) -> str:
    return f"{row['days']} days {row['reason']}"


def import_(ws: Workspace, file: Path, *, dry_run: bool = False) -> Document:
    """Take annual averages made elsewhere; missing bounds take a stated default error.

    Raises
    ------
    InvalidInput
        A row that breaks the contract, or an unknown station.
    """
    with refusing(ws):
        frame = csv_table.read_or_raise(file, ANNUAL)
        stations = set(ws.register.frame("stations")["station_id"])
        require_known(frame, "station_id", stations, "station", file)
    full = frame.reindex(columns=[*ANNUAL.names])
    open_ended = full["lower"].isna() | full["upper"].isna()
    spread = full["log_se"].fillna(DEFAULT_LOG_SE) * Z_95
    full["lower"] = full["lower"].mask(open_ended, full["aadt"] * (-spread).map(math.exp))
    full["upper"] = full["upper"].mask(open_ended, full["aadt"] * spread.map(math.exp))
    full["log_se"] = full["log_se"].mask(open_ended & full["log_se"].isna(), DEFAULT_LOG_SE)
    full["level"] = full["level"].fillna(LEVEL)
    if not dry_run:
        with ws.register.transaction() as tx:
            for year, part in full.groupby("year"):
                fingerprint = ws.register.fingerprint(["stations"])
                document = {"year": int(year), "source": file.name, "explanations": {}}
                tx.add_run(
                    "annual",
                    int(year),
                    fingerprint,
                    {"source": file.name},
                    document,
                    {"annual": part},
                    adds=True,
                )
    return {
        "rows": len(full),
        "defaulted": int(open_ended.sum()),
        "default": f"± {Z_95 * DEFAULT_LOG_SE:.0%}",
        "dry_run": dry_run,
    }


def explain(ws: Workspace, station_id: str, *, year: int) -> Document:
    """Return the chain of numbers behind a station's figures, by sense.

    Raises
    ------
    NotFound
        No run of that year, or the station has no figure in it.
    """
    run = latest(ws, "annual", year)
    annual = ws.register.results("annual", year)
    rows = annual[annual["station_id"] == station_id]
    if run is None or rows.empty:
        raise NotFound(
            f"station {station_id!r} has no annual average for {year}; "
            f"run countmap annual estimate --year {year}, or see countmap stations list"
        )
    chains = run["document"]["explanations"].get(station_id, {})
    senses = [
        {"figure": row, "chain": chains.get(row["sense"], {})}
        for row in shown(rows.sort_values("sense", key=both_first), ws)
    ]
    return {
        "station_id": station_id,
        "year": year,
        "run_id": run["run_id"],
        "senses": senses,
        "peaks": peaks_of(ws, station_id, year),
        "notes": stale_notes(ws, year),
    }


def peaks_of(ws: Workspace, station_id: str, year: int) -> Document:
    """Return the busiest hour of a station's quarter-hours with its PHF, and T, the heavy share.

    Null where no hour has four quarters of every sense, and where no class was told.
    """
    asked = (f"{year}-01-01", f"{year}-12-31", [station_id], "vehicles")
    rows = queries.periods(ws, *asked)
    by_class = queries.periods(ws, *asked, told_by="class")
    quarter = rows[rows["minutes"].eq(peaks.QUARTER_MIN)]
    whole = quarter[quarter["speed_low_kmh"].isna() & quarter["speed_high_kmh"].isna()]
    plain = whole[whole["vehicle_class"].isna()]
    by_sense = (plain if len(plain) else whole).pivot_table(
        index="start_utc", columns="sense", values="count", aggfunc=lambda v: v.sum(skipna=False)
    )
    total = by_sense.sum(axis=1, min_count=max(len(by_sense.columns), 1))
    found = peaks.peak_hour(total)
    if found is not None:
        found["start"] = found["start"].tz_convert(ws.settings.timezone).isoformat()
    heavy_ids = {name: reader.load(name).heavy for name in reader.known()}
    heavy = (
        week.heavy_shares(by_class, heavy_ids, ws.settings.class_scheme)[-1] if len(rows) else None
    )
    return {
        "peak_hour": found,
        "heavy_share": heavy.value if heavy else None,
        "heavy_reason": heavy.reason if heavy else "nothing was counted in periods",
    }


def shown(annual: pd.DataFrame, ws: Workspace) -> list[Document]:
    """Return ANNUAL as records with ``shown``, ``shown_lower`` and ``shown_upper``: rounded."""
    rows = records(annual, list(ANNUAL.names))
    names = {"shown": "aadt", "shown_lower": "lower", "shown_upper": "upper"}
    return [
        row | {new: rounded(row[old], ws.settings.rounding) for new, old in names.items()}
        for row in rows
    ]


def both_first(senses: pd.Series) -> pd.Series:
    """Return the order in which senses are shown: both, with, against."""
    return senses.map({"both": 0, "with": 1, "against": 2})


def with_roads(stations: pd.DataFrame, network: Network) -> pd.DataFrame:
    """Return the stations with ``road_class`` of their link and ``x_m, y_m`` in the working CRS."""
    links = pd.DataFrame(network.roads.links[["link_id", "road_class"]])
    found = (
        pd.DataFrame(stations)
        .drop(columns="geometry", errors="ignore")
        .merge(links, on="link_id", how="left")
    )
    x, y = network.roads.to_working(found["lon"].to_numpy(), found["lat"].to_numpy())
    return found.assign(x_m=x, y_m=y)


def one_way(stations: pd.DataFrame, network: Network) -> dict[str, str]:
    """Return the only sense of each station on a one-way link."""
    allowed = network.roads.links.set_index("link_id")["allowed"]
    found: dict[str, str] = {}
    for row in stations.dropna(subset=["link_id"]).itertuples():
        sense = allowed.get(row.link_id, "both")
        if sense != "both":
            same = bool(row.same_way)
            found[row.station_id] = sense if same else {"with": "against", "against": "with"}[sense]
    return found


def count_errors(ws: Workspace) -> dict[str, float]:
    """Return each station's count error (share): the largest that its surveys state."""
    surveys = ws.register.frame("surveys").dropna(subset=["count_error"])
    return {str(k): float(v) for k, v in surveys.groupby("station_id")["count_error"].max().items()}


def _tally(annual: pd.DataFrame) -> dict[str, int]:
    order = {"both": 0, "with": 1, "against": 2}
    first = (
        annual.assign(rank=annual["sense"].map(order))
        .sort_values("rank")
        .groupby("station_id")
        .first()
    )
    return {str(k): int(v) for k, v in first["status"].value_counts().sort_index().items()}
