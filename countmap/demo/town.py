"""The invented town as a whole: ``generate`` makes it from a seed, ``write`` lays it down as files."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyproj
from numpy.typing import NDArray

from countmap.demo import counters, demand, faults, plan, seasons, sites, streets, traffic
from countmap.demo.counters import SENSES
from countmap.demo.sites import Site
from countmap.demo.streets import Streets
from countmap.demo.traffic import Traffic

SEED = 2025
DEGREE_DECIMALS = 6

LAYOUT = """\
# The permanent stations' files: one line a day and channel, 24 columns of hourly counts.
# The counters' clocks keep standard time (UTC+1) all year, so every day has 24 hours. In summer
# the column h00 begins at 01:00 local time. An empty cell is an hour that was not recorded.

[columns]
station_id = "station_id"
date = "date"
direction = "channel"

[direction_words]
1 = "with"
2 = "against"

[hours]
pattern = "h{hour:02d}"

[times]
date = "%Y-%m-%d"
zone = "+01:00"
"""


@dataclass(frozen=True, slots=True)
class Town:
    """The demo's inputs and, apart from them, the truth.

    Attributes
    ----------
    seed : int
    roads : DataFrame
        ``streets.frame`` with ``coordinates`` (longitude, latitude pairs) for each link.
    stations, surveys, days, declarations : DataFrame
        As ``stations.csv``, ``surveys.csv``, ``days.csv`` and ``declare.csv``.
    screenlines : list of dict
        GeoJSON features.
    permanent, short : DataFrame
        The counts: see ``counters.permanent_table`` and ``counters.short_table``.
    aadt : DataFrame
        Truth: ``station_id, sense, aadt``, ``both`` where the station counts both senses.
    flows : DataFrame
        Truth: ``link_id, sense, aadt``, every sense that carries traffic and ``both``.
    faults : list of dict
        Truth: the planted faults.
    plan, traffic, places
        The street plan, the true hourly flows and the sites, for tests and benches.
    """

    seed: int
    roads: pd.DataFrame
    stations: pd.DataFrame
    surveys: pd.DataFrame
    days: pd.DataFrame
    declarations: pd.DataFrame
    screenlines: list[dict[str, Any]]
    permanent: pd.DataFrame
    short: pd.DataFrame
    aadt: pd.DataFrame
    flows: pd.DataFrame
    faults: list[dict[str, Any]]
    plan: Streets = field(repr=False)
    traffic: Traffic = field(repr=False)
    places: tuple[Site, ...] = field(repr=False)


def generate(seed: int = SEED) -> Town:
    """Return the town of a seed: the streets are always the same, everything else is the seed's.

    Parameters
    ----------
    seed : int
        Homes, traffic, weather, counting weeks, noise and the stations that carry the faults.

    Returns
    -------
    Town
        The same for the same seed, whatever ran before.
    """
    for_traffic, for_weeks, for_noise, for_faults, for_places = (
        np.random.Generator(np.random.PCG64(child))
        for child in np.random.SeedSequence(seed).spawn(5)
    )
    town_plan = streets.build()
    cal = seasons.calendar()
    places = sites.sites(town_plan)
    hidden = faults.hidden_access(for_faults, places)
    driven = traffic.simulate(town_plan, cal, hidden[2], for_traffic)
    true = {site.station_id: _true_hours(driven, site) for site in places}
    aadt = _station_truth(places, true)
    both = {s: sum(float(f.sum()) for f in true[s]) / 365 for s in true}
    found = faults.assign(for_faults, places, hidden, both)
    readings = {
        site.station_id: counters.counted(for_noise, site, true[site.station_id]) for site in places
    }
    lasting = {s.station_id: readings[s.station_id] for s in places if s.kind == "permanent"}
    permanent, found = counters.permanent_table(for_faults, cal, lasting, found)
    kept = counters.stays(
        for_weeks,
        places,
        frozenset(s for fault in found.values() for s in fault.stations),
        frozenset(s.station_id for s in places if _is_disturbed(driven, s)),
    )
    short, found = counters.short_table(for_faults, cal, readings, kept, found)
    links = streets.frame(town_plan)
    ids = streets.node_ids(town_plan)
    found["hidden_access"] = found["hidden_access"].with_details(
        **_step(aadt, hidden), node=ids[hidden[2]]
    )
    misplaced = found["wrong_carriageway"].stations[0]
    return Town(
        seed=seed,
        roads=_with_coordinates(links, town_plan),
        stations=_stations(sites.station_frame(town_plan, places, misplaced, for_places)),
        surveys=_surveys(kept),
        days=_days(links),
        declarations=_declarations(town_plan, links, ids),
        screenlines=_screenlines(),
        permanent=permanent,
        short=short,
        aadt=aadt,
        flows=_link_truth(links, driven),
        faults=faults.records(found),
        plan=town_plan,
        traffic=driven,
        places=places,
    )


def write(folder: str | Path, seed: int = SEED) -> Town:
    """Write a town's files into ``folder``, the truth apart in ``truth/``; the same bytes each time.

    Parameters
    ----------
    folder : path
        Made where absent; files of the same names are replaced.
    seed : int

    Returns
    -------
    Town
        What was written.
    """
    town = generate(seed)
    folder = Path(folder)
    for part in ("counts", "truth"):
        (folder / part).mkdir(parents=True, exist_ok=True)
    _write_geojson(folder / "roads.geojson", _road_features(town.roads))
    _write_geojson(folder / "screenlines.geojson", town.screenlines)
    _write_csv(folder / "stations.csv", town.stations)
    _write_csv(folder / "surveys.csv", town.surveys)
    _write_csv(folder / "days.csv", town.days)
    _write_csv(folder / "declare.csv", town.declarations)
    (folder / "counts" / "permanent.toml").write_text(LAYOUT, encoding="utf-8", newline="\n")
    for station, block in town.permanent.groupby("station_id", sort=True):
        _write_csv(folder / "counts" / f"permanent_{station}.csv", _channels(block))
    month = town.short.groupby("survey_id")["start"].transform("min").dt.strftime("%Y-%m")
    named = _named_directions(town.short, town.stations)
    for name, block in named.groupby(month, sort=True):
        _write_csv(folder / "counts" / f"short_{name}.csv", block)
    _write_csv(folder / "truth" / "aadt.csv", town.aadt)
    _write_csv(folder / "truth" / "flows.csv", town.flows)
    text = json.dumps(town.faults, indent=2, ensure_ascii=False) + "\n"
    (folder / "truth" / "faults.json").write_text(text, encoding="utf-8", newline="\n")
    return town


def _true_hours(driven: Traffic, site: Site) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the true hourly flows at a site in its own senses, ``with`` first."""
    drawn = driven.of(site.piece, drawn_way=True).astype(np.int64)
    other = driven.of(site.piece, drawn_way=False).astype(np.int64)
    return (drawn, other) if site.same_way else (other, drawn)


def _is_disturbed(driven: Traffic, site: Site) -> bool:
    return any(driven.disturbed[i] for i, arc in enumerate(driven.arcs) if arc[0] == site.piece)


def _station_truth(
    places: tuple[Site, ...], true: dict[str, tuple[NDArray[np.int64], NDArray[np.int64]]]
) -> pd.DataFrame:
    rows = []
    for site in places:
        flows = true[site.station_id]
        if site.one_way:
            rows.append((site.station_id, "with", flows[0].sum() / 365))
            continue
        rows += [
            (site.station_id, sense, flow.sum() / 365)
            for sense, flow in zip(SENSES, flows, strict=True)
        ]
        rows.append((site.station_id, "both", (flows[0].sum() + flows[1].sum()) / 365))
    return pd.DataFrame(rows, columns=["station_id", "sense", "aadt"]).round({"aadt": 3})


def _link_truth(links: pd.DataFrame, driven: Traffic) -> pd.DataFrame:
    daily = driven.flows.sum(axis=1) / 365
    rows = [
        (links["link_id"].iloc[piece], "with" if drawn else "against", flow)
        for (piece, drawn), flow in zip(driven.arcs, daily, strict=True)
    ]
    senses = pd.DataFrame(rows, columns=["link_id", "sense", "aadt"])
    both = senses.groupby("link_id", as_index=False, sort=True)["aadt"].sum().assign(sense="both")
    return (
        pd.concat([senses, both])[["link_id", "sense", "aadt"]]
        .sort_values("link_id", kind="stable", ignore_index=True)
        .round({"aadt": 3})
    )


def _step(aadt: pd.DataFrame, hidden: tuple[str, str, str]) -> dict[str, Any]:
    both = aadt[aadt["sense"] == "both"].set_index("station_id")["aadt"]
    flows = [float(both[s]) for s in hidden[:2]]
    return {
        "aadt": {s: round(flow) for s, flow in zip(hidden[:2], flows, strict=True)},
        "step_share": round(abs(flows[0] - flows[1]) / max(flows), 3),
    }


def _degrees(line: streets.Line) -> list[list[float]]:
    """Return a line of the plan as longitude and latitude, to about a tenth of a metre."""
    to_map = pyproj.Transformer.from_crs("EPSG:4326", plan.CRS, always_xy=True)
    x, y = to_map.transform(plan.CENTRE_LON, plan.CENTRE_LAT)
    lon, lat = to_map.transform(line[:, 0] + x, line[:, 1] + y, direction="INVERSE")
    return np.round(np.column_stack([lon, lat]), DEGREE_DECIMALS).tolist()


def _with_coordinates(links: pd.DataFrame, town_plan: Streets) -> pd.DataFrame:
    cuts = np.cumsum([len(piece.line) for piece in town_plan.pieces])
    every = _degrees(np.vstack([piece.line for piece in town_plan.pieces]))
    starts = np.concatenate([[0], cuts[:-1]])
    lines = [every[a:b] for a, b in zip(starts, cuts, strict=True)]
    return links.assign(coordinates=lines)


def _stations(frame: pd.DataFrame) -> pd.DataFrame:
    places = np.array(_degrees(frame[["x", "y"]].to_numpy()))
    frame = frame.drop(columns=["x", "y"])
    frame.insert(2, "lon", places[:, 0])
    frame.insert(3, "lat", places[:, 1])
    return frame


def _surveys(kept: tuple[counters.Stay, ...]) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "survey_id": [stay.survey_id for stay in kept],
            "epoch": 1,
            "station_id": [stay.station_id for stay in kept],
            "counter_id": [stay.counter_id for stay in kept],
            "sensor": "tube",
            "started": [stay.started.strftime("%Y-%m-%dT%H:%M") for stay in kept],
            "ended": [stay.ended.strftime("%Y-%m-%dT%H:%M") for stay in kept],
            "count_error": counters.TUBE_SCALE_SD,
        }
    )


def _days(links: pd.DataFrame) -> pd.DataFrame:
    closed = " ".join(links.loc[links["name"] == seasons.CLOSED_STREET, "link_id"])
    rows = [(*span[:2], "school_holiday", span[2], "") for span in seasons.SCHOOL_HOLIDAYS]
    rows.append((*seasons.EVENT[:2], "event", seasons.EVENT[2], ""))
    rows.append((*seasons.CLOSURE[:2], "closure", seasons.CLOSURE[2], closed))
    return pd.DataFrame(rows, columns=["first", "last", "kind", "name", "links"])


def _declarations(town_plan: Streets, links: pd.DataFrame, ids: dict[str, str]) -> pd.DataFrame:
    rows = [("generator", ids[key], "", name) for key, name in demand.generators().items()]
    link = links["link_id"]
    rows += [
        ("pair", link.iloc[a], link.iloc[b], f"{links['name'].iloc[a]} | {links['name'].iloc[b]}")
        for a, b in town_plan.twins
    ]
    frame = pd.DataFrame(rows, columns=["kind", "id", "other_id", "note"])
    frame.insert(3, "value", "")
    return frame


def _screenlines() -> list[dict[str, Any]]:
    river = {
        "type": "Feature",
        "properties": {
            "name": plan.RIVER,
            "kind": "screenline",
            "sides": "north bank | south bank",
        },
        "geometry": {
            "type": "LineString",
            "coordinates": _degrees(np.array(plan.RIVER_LINE, dtype=float)),
        },
    }
    ring = np.array([*plan.CORDON, plan.CORDON[0]], dtype=float)
    cordon = {
        "type": "Feature",
        "properties": {"name": plan.CORDON_NAME, "kind": "cordon", "sides": "outside | inside"},
        "geometry": {"type": "Polygon", "coordinates": [_degrees(ring)]},
    }
    return [river, cordon]


def _road_features(roads: pd.DataFrame) -> list[dict[str, Any]]:
    plain = roads.drop(columns="coordinates").to_dict("records")
    return [
        {
            "type": "Feature",
            "properties": properties,
            "geometry": {"type": "LineString", "coordinates": line},
        }
        for properties, line in zip(plain, roads["coordinates"], strict=True)
    ]


def _channels(block: pd.DataFrame) -> pd.DataFrame:
    """Return a permanent station's lines as its counter writes them: channel 1 is ``with``."""
    block = block.sort_values(["date", "sense"], ascending=[True, False], ignore_index=True)
    channel = block["sense"].map({"with": 1, "against": 2})
    hours = block.filter(regex=r"^h\d\d$").astype("Int64")
    return pd.concat([block[["station_id", "date"]], channel.rename("channel"), hours], axis=1)


def _named_directions(short: pd.DataFrame, stations: pd.DataFrame) -> pd.DataFrame:
    """Return the short counts with the local names of the senses, as the field crew writes them."""
    by_station = stations.set_index("station_id").loc[short["station_id"]]
    is_with = (short["sense"] == "with").to_numpy()
    direction = np.where(is_with, by_station["name_with"], by_station["name_against"])
    out = short.assign(direction=direction, start=short["start"].dt.strftime("%Y-%m-%dT%H:%M"))
    return out[["station_id", "direction", "start", "minutes", "count", "survey_id"]]


def _write_csv(path: Path, frame: pd.DataFrame) -> None:
    frame.to_csv(path, index=False, lineterminator="\n", encoding="utf-8")


def _write_geojson(path: Path, features: list[dict[str, Any]]) -> None:
    """Write one feature a line, so that a change shows as a line."""
    lines = ",\n".join(json.dumps(f, ensure_ascii=False, separators=(",", ":")) for f in features)
    text = '{"type":"FeatureCollection","features":[\n' + lines + "\n]}\n"
    path.write_text(text, encoding="utf-8", newline="\n")
