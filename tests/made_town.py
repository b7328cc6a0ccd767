"""An invented river town for the map's tests: a crooked grid, three bridges, a ring, counted here and there."""

from __future__ import annotations

import datetime as dt

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely.geometry import LineString

from countmap import tables
from countmap.publish.map import MapContent

HOSTILE = "<img src=x onerror=alert(1)>"
LON, LAT, STEP = 11.30, 48.90, 0.0042
STREETS = (
    "Mill Street", "Bridge Road", "Weir Lane", "Tanner's Row", "Harbour Road", "Castle Hill",
    "Orchard Way", "North Ring", "South Ring", "Station Road", "Market Street", "Fuller's Quay",
)  # fmt: skip
WEEKDAY = np.array(
    [6, 4, 3, 3, 8, 24, 55, 88, 82, 60, 54, 56, 60, 60, 62, 72, 86, 92, 74, 52, 36, 26, 18, 11]
)
WEEKEND = np.array(
    [14, 9, 7, 5, 6, 10, 16, 24, 36, 50, 60, 64, 62, 58, 58, 60, 60, 56, 48, 38, 30, 24, 18, 12]
)


def _nodes(rows: int, columns: int, rng: np.random.Generator) -> np.ndarray:
    """Return node positions (rows × columns × 2), bent along a river between two rows."""
    y, x = np.mgrid[0:rows, 0:columns].astype(float)
    bend = 0.9 * np.sin(x / columns * 2.4 + 0.4)
    points = np.stack([x + 0.25 * np.sin(y), 0.72 * (y + bend)], axis=-1)
    return np.array([LON, LAT]) + STEP * (points + rng.normal(0, 0.1, points.shape))


def _links(rows: int, columns: int, rng: np.random.Generator) -> gpd.GeoDataFrame:
    nodes = _nodes(rows, columns, rng)
    bridges = {columns // 5, columns // 2, (4 * columns) // 5}
    river = rows // 2 - 1
    found = []
    for r in range(rows):
        for c in range(columns):
            for dr, dc in ((0, 1), (1, 0)):
                if r + dr >= rows or c + dc >= columns:
                    continue
                if dr and r == river and c not in bridges:
                    continue
                main = (dc and r in (0, river, river + 1, rows - 1)) or (dr and c in bridges)
                if not main and rng.random() < 0.16:
                    continue
                a, b = nodes[r, c], nodes[r + dr, c + dc]
                t = np.linspace(0, 1, 7)[:, None]
                side = np.array([-(b - a)[1], (b - a)[0]])
                line = a + t * (b - a) + np.sin(t * np.pi) * side * rng.normal(0, 0.09)
                street = STREETS[(r if dc else c + 5) % len(STREETS)]
                found.append((street, bool(main), LineString(line)))
    return gpd.GeoDataFrame(
        {
            "link_id": [f"L{k:05d}" for k in range(len(found))],
            "name": [street for street, _, _ in found],
            "road_class": ["primary" if main else "local" for _, main, _ in found],
            "allowed": np.where(rng.random(len(found)) < 0.06, "with", "both"),
        },
        geometry=[line for _, _, line in found],
        crs=4326,
    )


def _flows(links: gpd.GeoDataFrame, year: int, rng: np.random.Generator) -> pd.DataFrame:
    rows = []
    main = (links["road_class"] == "primary").to_numpy()
    place = shapely.get_coordinates(
        shapely.line_interpolate_point(links.geometry.to_numpy(), 0.5, normalized=True)
    )
    centre = np.hypot(*(place - place.mean(axis=0)).T)
    pull = np.exp(-((centre / centre.max()) ** 2) * 2)
    level = np.where(main, 14_000, 2_400) * (0.25 + pull) * rng.lognormal(0, 0.25, len(links))
    weights = {True: [0.2, 0.36, 0.04, 0.3, 0.06, 0.04], False: [0.02, 0.2, 0.04, 0.2, 0.2, 0.34]}
    spread = {"measured": 0.03, "estimated": 0.09, "inferred": 0.17, "modelled": 0.42}
    for k, (link, allowed) in enumerate(zip(links["link_id"], links["allowed"], strict=True)):
        status = str(rng.choice(tables.STATUSES, p=weights[bool(main[k])]))
        rel = spread.get(status, np.nan) * rng.uniform(0.6, 1.7)
        flow = np.nan if status == "unobservable" else float(level[k])
        share = rng.uniform(0.46, 0.54)
        senses = {"with": share, "against": 1 - share} if allowed == "both" else {"with": 1.0}
        for sense, part in senses.items():
            rows.append((link, sense, flow * part, rel * 1.2, status))
        if allowed == "both":
            rows.append((link, "both", flow, rel, status))
    frame = pd.DataFrame(rows, columns=["link_id", "sense", "flow", "rel", "status"])
    return frame.assign(
        year=year,
        lower=frame["flow"] * (1 - frame["rel"]),
        upper=frame["flow"] * (1 + frame["rel"]),
        level=0.95,
        method="balance",
        days=np.nan,
        sources="",
    ).drop(columns="rel")


def _stations(links: gpd.GeoDataFrame, count: int, rng: np.random.Generator) -> pd.DataFrame:
    main = links.index[links["road_class"] == "primary"].to_numpy()
    other = links.index[links["road_class"] != "primary"].to_numpy()
    first = rng.permutation(main)[: max(1, int(count * 0.6))]
    picked = np.r_[first, rng.permutation(other)[: count - len(first)]]
    points = shapely.line_interpolate_point(
        links.geometry.loc[picked].to_numpy(), 0.4, normalized=True
    )
    frame = pd.DataFrame(
        {
            "station_id": [f"S{k:04d}" for k in range(len(picked))],
            "name": [f"{links.loc[k, 'name']} {n % 40 + 1}" for n, k in enumerate(picked)],
            "road": links.loc[picked, "name"].to_numpy(),
            "kind": np.where(np.arange(len(picked)) % 6 == 0, "permanent", "short"),
            "lon": shapely.get_x(points),
            "lat": shapely.get_y(points),
            "link_id": links.loc[picked, "link_id"].to_numpy(),
            "offset_m": 80.0,
            "same_way": True,
            "bearing_deg": 90.0,
            "name_with": "towards the bridge",
            "name_against": "towards the station",
            "valid_from": pd.Timestamp("2021-04-01"),
        }
    )
    frame["valid_from"] = frame["valid_from"].astype("datetime64[us]")
    return frame


def _annual(
    stations: pd.DataFrame, flows: pd.DataFrame, year: int, rng: np.random.Generator
) -> pd.DataFrame:
    both = flows[flows["sense"] == "both"].set_index("link_id")["flow"]
    rows = []
    for _, station in stations.iterrows():
        level = both.get(station["link_id"], np.nan)
        level = 4_200.0 if np.isnan(level) else level
        permanent = station["kind"] == "permanent"
        rel = 0.025 if permanent else float(rng.uniform(0.06, 0.2))
        for y in range(year - 3, year + 1):
            for sense, part in (("both", 1.0), ("with", 0.52), ("against", 0.48)):
                if y < year and (sense != "both" or not permanent):
                    continue
                aadt = level * part * (1 + 0.015 * (y - year)) * rng.uniform(0.98, 1.02)
                rows.append(
                    (
                        station["station_id"],
                        sense,
                        y,
                        aadt,
                        aadt * (1 - rel),
                        aadt * (1 + rel),
                        0.95,
                        rel / 2,
                        aadt * 1.07,
                        "measured" if permanent else "estimated",
                        "fhwa_hourly" if permanent else "matched",
                        352.0 if permanent else 7.0,
                        "urban",
                        None,
                    )
                )
    return pd.DataFrame(rows, columns=list(tables.ANNUAL.names))


def _series(station: pd.Series, level: float, rng: np.random.Generator) -> list:
    permanent = station["kind"] == "permanent"
    first = dt.date(2025, 1, 1) if permanent else dt.date(2025, 5, 6)
    days = []
    for k in range(365 if permanent else 7):
        day = first + dt.timedelta(days=k)
        week = (1.06, 1.08, 1.09, 1.08, 1.1, 0.86, 0.73)[day.weekday()]
        season = 1 + 0.08 * np.sin((k - 100) / 365 * 2 * np.pi)
        count = round(level * week * season * rng.normal(1, 0.035))
        missing = permanent and 140 <= k < 152
        days.append((day, None if missing else count, permanent and 250 <= k < 257))
    return days


def _profile(level: float, rng: np.random.Generator) -> dict:
    def hours(shape: np.ndarray, part: float, tilt: float) -> list:
        tide = 1 + tilt * np.where(np.arange(24) < 12, 1, -1)
        return [round(v) for v in level * part * tide * shape / shape.sum()]

    out = {
        "weekday": {"with": hours(WEEKDAY, 0.55, 0.3), "against": hours(WEEKDAY, 0.53, -0.3)},
        "weekend": {"with": hours(WEEKEND, 0.41, 0.02), "against": hours(WEEKEND, 0.39, -0.02)},
    }
    if rng.random() < 0.2:
        out["weekend"]["with"][3] = None
    return out


def _findings(stations: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    ids = stations["station_id"].to_numpy()
    suspects = pd.DataFrame(
        [
            (ids[3], "both", "scale", 0.71, 6.2, 900.0, f"{ids[3]} {ids[9]}",
             "28 % less than the junctions at both ends say, 6.2 standard errors"),
            (ids[7], "both", "swap", np.nan, 8.4, np.nan, ids[7],
             "its morning tide runs the other way from its neighbour in series"),
            (ids[0], "with", "level_shift", 0.82, 5.0, 700.0, ids[0],
             "18 % less from 11 September on than its group"),
        ],
        columns=["station_id", "sense", "hypothesis", "size", "z", "min_detectable_bias", "set", "evidence"],
    )  # fmt: skip
    when = pd.Timestamp("2025-05-21", tz="UTC")
    flags = pd.DataFrame(
        [
            ("f1", "zero_run", "fail", ids[0], "both", when, when + pd.Timedelta(days=3),
             "72 hours of zeros where 380 an hour are usual", "open", None),
            ("f2", "copied_day", "warn", ids[12], "both", when, when + pd.Timedelta(days=1),
             "the same 24 hours as 14 May", "open", None),
            ("f3", "event", "note", ids[0], None, when, when + pd.Timedelta(days=2),
             "spring fair on Market Street", "accepted", "known event, left in"),
        ],
        columns=list(tables.FLAGS.names),
    )  # fmt: skip
    for name in ("first_utc", "last_utc"):
        flags[name] = flags[name].astype("datetime64[us, UTC]")
    return suspects, flags


def _junctions(links: gpd.GeoDataFrame, stations: pd.DataFrame) -> pd.DataFrame:
    ends = [line.coords[0] for line in links.geometry]
    ids = stations["station_id"].to_numpy()
    rows = [
        ("J1", *ends[12], "Mill Street and Castle Hill", 5.1, 1240.0, 243.0, "disagrees",
         " ".join(ids[[3, 9, 4]])),
        ("J2", *ends[len(ends) // 2], "Weir Lane", -3.9, -610.0, 156.0, "disagrees",
         " ".join(ids[[5, 6]])),
        ("J3", *ends[-10], None, 0.4, 80.0, 200.0, "agrees", " ".join(ids[[7, 8]])),
    ]  # fmt: skip
    return pd.DataFrame(
        rows,
        columns=["junction_id", "lon", "lat", "name", "z", "disagreement", "se", "verdict", "members"],
    )  # fmt: skip


def town(
    *, rows: int = 10, columns: int = 14, stations: int = 52, year: int = 2025,
    audience: str = "internal", seed: int = 5, hostile: bool = True,
) -> MapContent:  # fmt: skip
    """Return the content of a map of the town; with ``hostile``, names that try to break the page."""
    rng = np.random.default_rng(seed)
    links = _links(rows, columns, rng)
    flows = _flows(links, year, rng)
    places = _stations(links, min(stations, len(links)), rng)
    annual = _annual(places, flows, year, rng)
    level = annual[(annual["sense"] == "both") & (annual["year"] == year)].set_index("station_id")
    if hostile:
        places.loc[4, "name"] = HOSTILE
        places.loc[5, "name"] = "</script><script>alert(2)</script>"
        places.loc[6, "name_with"] = "${alert(3)} {{7*7}} \\"
        links.loc[3, "name"] = '"><svg onload=alert(4)>'
    suspects, flags = _findings(places)
    west, south, east, north = links.total_bounds
    middle = (south + north) / 2
    screenline = LineString([(west - 0.002, middle), (east + 0.002, middle + 0.001)])
    profiles, series, chains = {}, {}, {}
    for _, station in places.iterrows():
        aadt = float(level.loc[station["station_id"], "aadt"])
        profiles[station["station_id"]] = _profile(aadt, rng)
        series[station["station_id"]] = _series(station, aadt, rng)
        chains[station["station_id"]] = {
            "days counted": 7, "mean of those days": aadt * 1.04, "ratio of the permanents": 0.961,
            "permanents used": 8, "set by": "A. Person", "annual average": aadt,
        }  # fmt: skip
    return MapContent(
        title="Wieselbruck on the Aune",
        year=year,
        release="r-5f2c91, 14 January 2026",
        links=links,
        flows=flows,
        stations=places,
        annual=annual,
        flags=flags,
        findings=suspects,
        junctions=_junctions(links, places),
        screenlines=gpd.GeoDataFrame(
            {
                "name": ["The Aune"], "total": [41_200.0], "lower": [39_500.0], "upper": [42_900.0],
                "verdict": ["agrees"], "missing": [""],
            },
            geometry=[screenline], crs=4326,
        ),
        profiles=profiles,
        day_series=series,
        explanations=chains,
        due=pd.DataFrame(
            {
                "station_id": [places["station_id"][20], places["station_id"][31], None],
                "link_id": [None, None, links["link_id"][40]],
                "why": ["last counted in 2021", "interval of ± 34 %", "never counted"],
            }
        ),
        audience=audience,
        credits=("Roads: an invented network, no rights reserved.",),
        notes=("Draft: two stations await a decision.",),
    )  # fmt: skip
