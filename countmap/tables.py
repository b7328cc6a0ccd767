"""The contracts of the tables that pass between stages: the one place that lists their columns."""

from __future__ import annotations

from typing import Any

from countmap.contract import (
    Column,
    Kind,
    Moment,
    Order,
    Table,
    Where,
    broken_rules,
    empty,
    offences,
    require,
)

__all__ = ["Column", "Table", "broken_rules", "empty", "offences", "require"]

SENSES = ("with", "against")
BASES = ("with", "against", "both")
STATUSES = ("measured", "estimated", "unadjusted", "inferred", "modelled", "unobservable")
QUANTITIES = ("vehicles", "axles", "axle_pairs")
NODE_KINDS = ("junction", "boundary", "generator", "cul_de_sac", "bend")
DAY_KINDS = ("closure", "event", "school_holiday", "public_holiday")
DECLARATION_KINDS = ("generator", "side_access", "quiet", "pair", "junction")


def _maybe(name: str, kind: Kind, unit: str = "", **more: Any) -> Column:
    """Return a column that may be absent and may be null."""
    return Column(name, kind, unit, required=False, nullable=True, **more)


_STATION = Column("station_id", "text", doc="stable id of the place")
_LINK = Column("link_id", "text", doc="stable id of the road piece")
_SENSE = Column("sense", "text", allowed=SENSES)
_BASIS = Column("sense", "text", allowed=BASES, doc="basis: one sense, or both")
_YEAR = Column("year", "int", minimum=1900, maximum=2200)

NODES = Table(
    "nodes",
    ("node_id",),
    (
        Column("node_id", "text"),
        Column("x", "float", "m", doc="easting in the working CRS"),
        Column("y", "float", "m", doc="northing in the working CRS"),
        _maybe("kind", "text", allowed=NODE_KINDS, doc="null: derived from the graph"),
    ),
    "points of the road graph",
)

LINKS = Table(
    "links",
    ("link_id",),
    (
        _LINK,
        Column("from_node", "text"),
        Column("to_node", "text"),
        _maybe("name", "text"),
        _maybe("road_class", "text", doc="motorway, trunk, primary, secondary, tertiary, local, …"),
        Column("allowed", "text", allowed=BASES, doc="the senses that carry traffic"),
        _maybe("lanes", "float", minimum=0),
        _maybe("speed_kmh", "float", "km/h", minimum=0),
        _maybe("roundabout", "bool", doc="part of a roundabout's ring"),
        _maybe("level", "float", doc="bridge or tunnel layer, 0 at grade"),
        Column("length_m", "float", "m", minimum=0),
        Column("geometry", "geometry", doc="LineString in the working CRS, from_node to to_node"),
    ),
    "road pieces, drawn once",
)

JUNCTIONS = Table(
    "junctions",
    ("node_id",),
    (
        Column("node_id", "text"),
        Column("junction_id", "text", doc="the cluster; the node's own id where it stands alone"),
        Column("kind", "text", allowed=NODE_KINDS),
        _maybe("shape", "text", allowed=("simple", "roundabout", "dual_crossing", "declared")),
    ),
    "each node's cluster and kind",
)

SECTIONS = Table(
    "sections",
    ("link_id",),
    (
        _LINK,
        Column("section_id", "text", nullable=True, doc="null: inside a junction cluster"),
        Column("seq", "int", doc="order of the link along its section, from 0"),
        Column("start_m", "float", "m", doc="chainage at which the link begins"),
        Column("forward", "bool", doc="drawn in the section's direction"),
        Column("start_junction", "text"),
        Column("end_junction", "text"),
    ),
    "chains of links between two junctions",
)

PAIRS = Table(
    "pairs",
    ("link_id",),
    (_LINK, Column("pair_id", "text"), Column("other_id", "text")),
    "links published as one road: dual carriageways, one-way couples",
)

CROSSWALK = Table(
    "crosswalk",
    ("old_link_id", "new_link_id"),
    (
        Column("old_link_id", "text"),
        Column("new_link_id", "text"),
        Column("same_way", "bool"),
        Column("share", "float", doc="share of the old link's length", minimum=0, maximum=1.001),
    ),
    "what became of each link when the network was replaced",
)

STATIONS = Table(
    "stations",
    ("station_id",),
    (
        _STATION,
        _maybe("name", "text"),
        _maybe("road", "text"),
        _maybe("kind", "text", allowed=("permanent", "short")),
        _maybe("lon", "float", "°", minimum=-180, maximum=180),
        _maybe("lat", "float", "°", minimum=-90, maximum=90),
        _maybe("link_id", "text"),
        _maybe("offset_m", "float", "m", minimum=0, doc="along the link as drawn"),
        _maybe("same_way", "bool", doc="the station's `with` is the link's drawn direction"),
        _maybe("bearing_deg", "float", "°", minimum=0, maximum=360, doc="of sense `with`"),
        _maybe("name_with", "text"),
        _maybe("name_against", "text"),
        _maybe("valid_from", "date"),
        _maybe("valid_to", "date", doc="the last day"),
    ),
    "places where counts are taken",
    (Order("valid_from", "valid_to"),),
)

RAW_COUNTS = Table(
    "counts",
    (),
    (
        Column("file", "text", doc="name of the file"),
        Column("row", "int", doc="line of the file"),
        Column("station_id", "text", doc="as written"),
        Column("direction", "text", doc="as written: a sense, a compass point or a station's word"),
        Column("start", "list", doc="ISO 8601 text as written, or datetimes (naive: local)"),
        Column("minutes", "int", "min", minimum=1, maximum=1440),
        Column("count", "float", nullable=True, minimum=0),
        _maybe("survey_id", "text"),
        _maybe("lane", "text"),
        _maybe("quantity", "text", allowed=QUANTITIES, doc="null: vehicles"),
        _maybe("vehicle_class", "text"),
        _maybe("scheme", "text"),
        _maybe("speed_low_kmh", "float", "km/h", minimum=0),
        _maybe("speed_high_kmh", "float", "km/h", minimum=0),
        _maybe("stamp", "text", allowed=("start", "end"), doc="what `start` marks; null: start"),
        _maybe("column", "text", doc="the cell's column where a row of the file holds several"),
    ),
    "period counts as a file gives them",
)

PERIODS = Table(
    "periods",
    (),
    (
        _STATION,
        _maybe("survey_id", "text"),
        _BASIS,
        _maybe("lane", "text"),
        Column("start_utc", "time"),
        Column("utc_offset_min", "int", "min", minimum=-900, maximum=900),
        Column("minutes", "int", "min", minimum=1, maximum=1440),
        Column("count", "float", nullable=True, minimum=0, doc="null: missing; 0: observed zero"),
        Column("quantity", "text", allowed=QUANTITIES),
        _maybe("vehicle_class", "text"),
        _maybe("scheme", "text"),
        _maybe("speed_low_kmh", "float", "km/h"),
        _maybe("speed_high_kmh", "float", "km/h"),
    ),
    "period counts as stored in the blocks",
)

HOUR_CELLS = Table(
    "hour_cells",
    ("station_id", "sense", "date", "hour"),
    (
        _STATION,
        _BASIS,
        Column("date", "date", doc="civil day"),
        Column("hour", "int", minimum=0, maximum=23, doc="civil hour; the repeated hour is summed"),
        Column("count", "float", nullable=True, doc="null unless the whole hour is present"),
        Column("minutes", "float", "min", doc="minutes present"),
        Column("minutes_expected", "float", "min", doc="60, or 120 for the repeated hour"),
        Column("quantity", "text", allowed=QUANTITIES),
    ),
    "counts by civil hour",
)

DAY_TOTALS = Table(
    "day_totals",
    ("station_id", "sense", "date"),
    (
        _STATION,
        _BASIS,
        Column("date", "date", doc="civil day"),
        Column("count", "float", nullable=True, doc="null unless the whole civil day is present"),
        Column("minutes", "float", "min", doc="minutes present"),
        Column("minutes_expected", "float", "min", doc="1440; 1380 or 1500 when clocks change"),
        Column("quantity", "text", allowed=QUANTITIES),
    ),
    "counts by civil day",
)

DAYS = Table(
    "days",
    (),
    (
        Column("first", "date"),
        Column("last", "date"),
        Column("kind", "text", allowed=DAY_KINDS),
        _maybe("name", "text"),
        _maybe("links", "text", doc="link ids separated by spaces; null: everywhere"),
    ),
    "closures, events, school terms",
    (Order("first", "last"),),
)

FACTOR_GROUPS = Table(
    "factor_groups",
    ("station_id",),
    (
        _STATION,
        Column("group", "text", doc="factor group; a permanent station of its own is one too"),
    ),
    "factor groups that somebody decided",
)

DECLARATIONS = Table(
    "declarations",
    (),
    (
        Column("kind", "text", allowed=DECLARATION_KINDS),
        Column("id", "text", doc="node (generator, junction) or link (the rest)"),
        _maybe("other_id", "text", doc="pair: the other link; junction: the cluster's name"),
        _maybe("value", "float", minimum=0, doc="side_access: share of the flow, 0..1"),
        _maybe("note", "text"),
    ),
    "what the user states about the network",
    (
        Where("kind", "side_access", Column("value", "float", minimum=0, maximum=1)),
        Where("kind", "pair", Column("other_id", "text")),
    ),
)

SURVEYS = Table(
    "surveys",
    ("survey_id", "epoch"),
    (
        Column("survey_id", "text"),
        _maybe("epoch", "float", minimum=1),
        _STATION,
        _maybe("counter_id", "text"),
        _maybe("sensor", "text"),
        _maybe("started", "text"),
        _maybe("ended", "text"),
        _maybe("count_error", "float", minimum=0, maximum=1, doc="share, one standard error"),
        _maybe("epoch_started", "text", doc="from when this geometry holds; null: from the start"),
        *(
            _maybe(f"spacing_{place}_m", "float", "m", minimum=0.1, maximum=20)
            for place in ("entered", "near", "middle", "far", "end_near", "end_middle", "end_far")
        ),
        *(
            _maybe(f"{part}_m", "float", "m", minimum=0, maximum=100)
            for part in ("lead_a", "lead_b", "width", "stretch_a", "stretch_b")
        ),
        _maybe("skew_deg", "float", "°", minimum=-45, maximum=45),
        _maybe("dead_time_ms", "float", "ms", minimum=0, maximum=500),
        _maybe("air_c", "float", "°C", minimum=-60, maximum=60),
        _maybe("first_tube_with", "text", allowed=("A", "B"), doc="tube struck first by `with`"),
        *(
            _maybe(f"clock_offset_{end}_s", "float", "s", doc="counter less reference")
            for end in ("start", "end")
        ),
        *(_maybe(f"check_{c}", "bool") for c in ("spacing", "parallel", "square", "equal")),
        *(
            _maybe(f"used_{part}_m", "float", "m", doc="applied from a proposal of `verify`")
            for part in ("spacing_ab", "spacing_ba", "length_difference")
        ),
    ),
    "stays of a counter at a station",
    (Moment("started"), Moment("ended"), Order("started", "ended")),
)

SCREENLINES = Table(
    "screenlines",
    ("name",),
    (
        Column("name", "text"),
        Column("kind", "text", allowed=("screenline", "cordon")),
        _maybe("sides", "text", doc="names of the left and the right side, separated by ' | '"),
        Column("geometry", "geometry", doc="LineString or Polygon, WGS84"),
    ),
    "open and closed lines across the network",
)

TURNS = Table(
    "turns",
    (),
    (
        Column("junction_id", "text"),
        Column("from_link", "text"),
        Column("to_link", "text"),
        Column("start", "time"),
        Column("minutes", "int", "min", minimum=1),
        Column("count", "float", minimum=0, nullable=True),
    ),
    "turning movements",
)

ANNUAL = Table(
    "annual",
    ("station_id", "sense", "year"),
    (
        _STATION,
        _BASIS,
        _YEAR,
        Column("aadt", "float", "vehicles/day", nullable=True, minimum=0),
        _maybe("lower", "float", "vehicles/day", minimum=0),
        _maybe("upper", "float", "vehicles/day", minimum=0),
        _maybe("level", "float", minimum=0, maximum=1, doc="of the interval, 0.95"),
        _maybe("log_se", "float", doc="standard error of ln(aadt)"),
        _maybe("aawt", "float", "vehicles/day", minimum=0, doc="Monday to Friday"),
        Column("status", "text", allowed=STATUSES),
        _maybe("method", "text"),
        _maybe("days", "float", "days", doc="days of data used"),
        _maybe("group", "text", doc="factor group"),
        _maybe("reason", "text", doc="why there is no interval, or why it is wide"),
    ),
    "annual averages by station",
    (Order("lower", "aadt"), Order("aadt", "upper"), Order("lower", "upper")),
)

FLOWS = Table(
    "flows",
    ("link_id", "sense", "year"),
    (
        _LINK,
        _BASIS,
        _YEAR,
        Column("flow", "float", "vehicles/day", nullable=True, minimum=0),
        _maybe("lower", "float", "vehicles/day", minimum=0),
        _maybe("upper", "float", "vehicles/day", minimum=0),
        _maybe("level", "float", minimum=0, maximum=1),
        Column("status", "text", allowed=STATUSES),
        _maybe("method", "text"),
        _maybe("days", "float", "days"),
        _maybe("sources", "text", doc="station ids separated by spaces"),
        _maybe("counted", "float", "vehicles/day", doc="the count itself, where there is one"),
        _maybe("z", "float", doc="how far the count stands from what the others say"),
        _maybe("redundancy", "float", minimum=-1e-9, maximum=1.000001),
        _maybe("min_detectable_bias", "float", "vehicles/day", minimum=0),
    ),
    "annual flows by link",
)

FLAGS = Table(
    "flags",
    ("flag_id",),
    (
        Column("flag_id", "text", doc="a hash of rule, station, sense and time: stable"),
        Column("rule", "text"),
        Column("severity", "text", allowed=("note", "warn", "fail")),
        _STATION,
        _maybe("sense", "text", allowed=BASES),
        Column("first_utc", "time"),
        Column("last_utc", "time", doc="the end, exclusive"),
        Column("why", "text", doc="one sentence with the figures"),
        Column("state", "text", allowed=("open", "accepted", "excluded")),
        _maybe("reason", "text"),
    ),
    "findings of the checks",
)

COSTS = Table(
    "costs",
    ("id",),
    (
        Column("id", "text", doc="section, link or station"),
        Column("cost", "float", minimum=1e-6, doc="of one count there, in the budget's unit"),
    ),
    "what a count costs",
)

WEIGHTS = Table(
    "weights",
    ("id",),
    (
        Column("id", "text", doc="section, link or station"),
        Column("weight", "float", minimum=0, doc="how much its precision is worth"),
    ),
    "what the precision of a section is worth",
)

AVOID = Table(
    "avoid",
    (),
    (
        Column("kind", "text", doc="what is there: a school, signals, an access, parking …"),
        Column("lon", "float", "°", minimum=-180, maximum=180),
        Column("lat", "float", "°", minimum=-90, maximum=90),
    ),
    "what tubes should not lie beside",
)

SUSPECTS = Table(
    "suspects",
    (),
    (
        _STATION,
        _BASIS,
        Column(
            "hypothesis",
            "text",
            allowed=("scale", "scale_one", "swap", "clock", "leak", "level_shift"),
        ),
        Column("size", "float", nullable=True),
        Column("z", "float", nullable=True),
        _maybe("min_detectable_bias", "float", "vehicles/day"),
        _maybe("power", "float", minimum=0, doc="non-centrality of this fault in the test"),
        _maybe(
            "posterior", "float", minimum=0, maximum=1, doc="among all faults that could be meant"
        ),
        _maybe("firm", "bool", doc="posterior above 0.9"),
        Column("set", "text", doc="station ids that could be meant, separated by spaces"),
        Column("evidence", "text", doc="one sentence with the figures"),
    ),
    "counts that the others contradict",
)

REJECTS = Table(
    "rejects",
    (),
    (
        Column("file", "text"),
        Column("row", "int", doc="line of the file, the header is 1"),
        _maybe("column", "text"),
        _maybe("value", "text"),
        Column("why", "text"),
    ),
    "rows that could not be taken",
)
