"""What a map shows: the record that a job fills and `map.write_map` draws."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Literal

import geopandas as gpd
import pandas as pd

from countmap import clock, tables
from countmap.errors import InvalidInput
from countmap.rounding import Chart

Audience = Literal["public", "internal"]
Profile = Mapping[str, Mapping[str, Sequence[float | None]]]
DaySeries = Sequence[tuple[date, float | None, bool]]

VERDICTS = ("agrees", "disagrees", "untested")
JUNCTION_COLUMNS = (
    "junction_id", "lon", "lat", "name", "z", "disagreement", "se", "verdict", "members",
)  # fmt: skip
SCREENLINE_COLUMNS = ("name", "total", "lower", "upper", "verdict", "missing", "geometry")
PAIR_COLUMNS = ("pair_id", "links", "flow", "lower", "upper")
DUE_COLUMNS = ("station_id", "link_id", "why")
PLACE_COLUMNS = ("name", "kind", "lon", "lat")
LINK_COLUMNS = ("link_id", "name", "road_class", "allowed", "geometry")


def _frame(*columns: str) -> pd.DataFrame:
    return pd.DataFrame({name: pd.Series([], dtype="object") for name in columns})


@dataclass(frozen=True, slots=True)
class Summary:
    """Who drives past a station and how fast, of the counts of one year that told it; both senses.

    ``heavy`` is a share 0..1 and ``speed85_kmh`` the speed that 85 of 100 do not exceed; null with
    the reason beside it. ``classified`` and ``timed`` are the vehicles they rest on.
    """

    first: date
    last: date
    heavy: float | None = None
    heavy_why: str = ""
    classified: float = 0.0
    scheme: str = ""
    classes: tuple[tuple[str, float], ...] = ()
    speed85_kmh: float | None = None
    speed_why: str = ""
    timed: float = 0.0


@dataclass(frozen=True, slots=True)
class MapContent:
    """Everything one map shows. Missing is null (NaN, None), never 0. Degrees are WGS84.

    Attributes
    ----------
    title : str
        The heading: the place.
    year : int
        The calendar year the annual figures stand for; rows of other years are left out of the
        drawing and kept for the station panel's list of years.
    release : str
        One line that names the release: its id, when it was made, from what.
    links : GeoDataFrame, WGS84
        ``link_id, name, road_class, allowed`` (with, against, both), geometry a LineString in the
        drawn direction. Links meet where their ends are one point. Optional ``from_cluster``,
        ``to_cluster``: the junction of several nodes (a ring, a crossing of two carriageways) that
        an end lies in, null where its node stands alone.
    flows : DataFrame, tables.FLOWS
        A link's band uses the ``both`` row; without one, the sum of its two senses; a one-way
        link, its one sense.
    stations : DataFrame, tables.STATIONS
        ``lon, lat`` must be filled; stations without them are listed in the table, not drawn.
    annual : DataFrame, tables.ANNUAL
    flags : DataFrame, tables.FLAGS
    findings : DataFrame, tables.SUSPECTS
    junctions : DataFrame
        The places whose counts were held against each other: junctions, and stretches of road
        between two counts. ``junction_id, lon, lat, name, z, disagreement, se`` (vehicles/day), ``verdict`` (agrees,
        disagrees, untested), ``members`` (station ids separated by spaces). Optional ``why``: one
        sentence. Only those that disagree are drawn.
    screenlines : GeoDataFrame, WGS84
        ``name, total, lower, upper`` (vehicles/day both ways; null when a crossing is uncounted),
        ``verdict``, ``missing`` (link ids separated by spaces). Optional ``why``: one sentence.
    pairs : DataFrame
        Links published as one road: ``pair_id``, ``links`` (ids separated by spaces), ``flow, lower,
        upper`` (vehicles/day, all of them together; null while one is unknown). The map writes
        the sum once, and no figure of one carriageway beside it.
    profiles : dict of station_id to {"weekday" | "weekend": {sense: 24 values}}
        Mean vehicles in each civil hour; null where there are none. Sense with, against, both.
    day_series : dict of station_id to [(date, count or None, excluded)]
        Two-way day totals (or the one sense there is), by date.
    explanations : dict of station_id to dict
        The chain of numbers behind the annual figure, shown in order as label and value. Values
        are text or numbers.
    summaries : dict of station_id to Summary
        Class and speed, where the counts told vehicles apart.
    design_hours : dict of station_id to text
        The design hour of a permanent station in one sentence, or why there is none.
    surveys : dict of station_id to rows of tables.SURVEYS
        The installation records, each with ``budget``: the document of ``tubes budget``, or None. A
        public map leaves out the counter's id and what still stands at the road.
    due : DataFrame
        ``station_id, link_id`` (one of them), ``why``: what to count next, most urgent first.
        Optional ``visit``: when and by which round it is planned, in words; shown beside ``why``.
        Optional ``planned`` (bool): chosen by a plan; the rest is due by age.
    places : DataFrame
        ``name, kind`` (city, town, village, suburb, hamlet), ``lon, lat``: names to find the way by.
    water : GeoDataFrame, WGS84
        LineStrings of streams and Polygons of water, drawn pale under the roads.
    rounding : str or chart
        How coarsely figures are shown, see `countmap.rounding`.
    audience : "public" or "internal"
        ``public`` leaves out who counted and where counters are due.
    timezone : str
        Where the counters stand: flags are shown in its civil time.
    credits : tuple of str
        Lines for the licence panel: attribution of the road data.
    notes : tuple of str
        Sentences the reader must see: what the release leaves out, what is stale.
    """

    title: str
    year: int
    release: str
    links: gpd.GeoDataFrame
    flows: pd.DataFrame
    stations: pd.DataFrame
    annual: pd.DataFrame
    flags: pd.DataFrame = field(default_factory=lambda: tables.empty(tables.FLAGS))
    findings: pd.DataFrame = field(default_factory=lambda: tables.empty(tables.SUSPECTS))
    junctions: pd.DataFrame = field(default_factory=lambda: _frame(*JUNCTION_COLUMNS))
    screenlines: pd.DataFrame = field(default_factory=lambda: _frame(*SCREENLINE_COLUMNS))
    pairs: pd.DataFrame = field(default_factory=lambda: _frame(*PAIR_COLUMNS))
    profiles: Mapping[str, Profile] = field(default_factory=dict)
    day_series: Mapping[str, DaySeries] = field(default_factory=dict)
    explanations: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    summaries: Mapping[str, Summary] = field(default_factory=dict)
    design_hours: Mapping[str, str] = field(default_factory=dict)
    surveys: Mapping[str, Sequence[Mapping[str, Any]]] = field(default_factory=dict)
    due: pd.DataFrame = field(default_factory=lambda: _frame(*DUE_COLUMNS))
    places: pd.DataFrame = field(default_factory=lambda: _frame(*PLACE_COLUMNS))
    water: gpd.GeoDataFrame = field(default_factory=lambda: gpd.GeoDataFrame(geometry=[], crs=4326))
    rounding: str | Chart = "stepped"
    audience: Audience = "public"
    timezone: str = "UTC"
    credits: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


def require(content: MapContent) -> MapContent:
    """Return ``content`` if every part has the columns it needs.

    Raises
    ------
    InvalidInput
        A part lacks a column, breaks its table's contract, names an unknown audience or time zone,
        or the links are not in WGS84.
    """
    clock.zone(content.timezone)
    if content.audience not in ("public", "internal"):
        raise InvalidInput(f"audience must be public or internal, got {content.audience!r}")
    for table, frame in (
        (tables.FLOWS, content.flows),
        (tables.STATIONS, content.stations),
        (tables.ANNUAL, content.annual),
        (tables.FLAGS, content.flags),
        (tables.SUSPECTS, content.findings),
    ):
        tables.require(frame, table)
    for part, frame, columns in (
        ("links", content.links, LINK_COLUMNS),
        ("junctions", content.junctions, JUNCTION_COLUMNS),
        ("screenlines", content.screenlines, SCREENLINE_COLUMNS),
        ("pairs", content.pairs, PAIR_COLUMNS),
        ("due", content.due, DUE_COLUMNS),
        ("places", content.places, PLACE_COLUMNS),
    ):
        missing = [name for name in columns if name not in frame.columns]
        if missing:
            raise InvalidInput(f"the map's {part} need the column {missing[0]!r}")
    crs = getattr(content.links, "crs", None)
    if crs is None or crs.to_epsg() != 4326:
        raise InvalidInput(f"the map's links must be in WGS84 (EPSG:4326), got {crs}; project them")
    return content
