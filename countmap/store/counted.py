"""From the rows of the blocks to periods that each count once, as tables of an in-memory DuckDB.

``raw``       rows of the blocks, stations, senses, quantities and lanes as numbers
``told``      what one file says of a period that has several rows: totals win over classes
``agreed``    what the files say together: a period they count differently is missing (``torn``)
``left_out``  periods that a decision excluded
``whole``     lanes summed, excluded periods missing, with local begin and end

A place is a station with a sense, a series a place with a quantity. Numbers follow the order of
the names, so that sorting by number sorts by name.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import duckdb
import pandas as pd

from countmap import tables
from countmap.errors import InvalidInput, NotFound
from countmap.store import blocks
from countmap.store.register import Register

if TYPE_CHECKING:
    from collections.abc import Sequence

Day = date | str

SENSES = ("against", "both", "with")  # a place is 3 × station + position
QUANTITIES = ("vehicles", "axle_pairs", "axles")  # a series is 3 × place + position: in this order

# Local time is counted from here, so that whole division also holds for days before 1970.
EPOCH = pd.Timestamp("1870-01-01")
SHIFT_DAYS = (pd.Timestamp("1970-01-01") - EPOCH).days
MIN_US, HOUR_US, DAY_US = 60_000_000, 3_600_000_000, 86_400_000_000
_MARGIN = pd.Timedelta(days=2)  # an offset is less than a day, a period at most one


class _Settings(Protocol):
    @property
    def timezone(self) -> str:
        """A name of the tz database."""


class Holder(Protocol):
    """What the queries need of a workspace."""

    @property
    def path(self) -> Path:
        """The folder that blocks are named from."""

    @property
    def settings(self) -> _Settings:
        """The settings."""

    @property
    def register(self) -> Register:
        """The register."""


@dataclass(frozen=True, slots=True)
class Span:
    """What is asked for: civil days (inclusive), stations and a quantity; None: all."""

    first: pd.Timestamp | None
    last: pd.Timestamp | None
    stations: tuple[str, ...] | None
    quantity: str | None


def span(
    first: Day | None, last: Day | None, stations: Sequence[str] | None, quantity: str | None
) -> Span:
    """Return what is asked for in one form."""
    days = [
        None if day is None else pd.Timestamp(day).tz_localize(None).normalize()
        for day in (first, last)
    ]
    chosen = None if stations is None else tuple(sorted(set(stations)))
    return Span(days[0], days[1], chosen, quantity)


def opened(ws: Holder, asked: Span, *, exclusions: bool = True) -> duckdb.DuckDBPyConnection:
    """Return a database with the stages ``raw`` … ``whole`` of what is asked for.

    Without ``exclusions`` what a decision excluded is there as it was counted.

    Raises
    ------
    NotFound
        If a block is not there.
    InvalidInput
        If a block cannot be read, or lies outside the folder of blocks.
    """
    db = duckdb.connect(":memory:")
    db.execute(
        "SET enable_progress_bar = false"
    )  # it would be written among the command's own output
    try:
        _raw(db, ws, asked)
        _agreed(db)
        _left_out(db, ws, exclusions=exclusions)
        _whole(db)
    except duckdb.Error as error:
        db.close()
        raise InvalidInput(
            "a block of counts cannot be read; countmap check names it, and its file can be imported again"
        ) from error
    except BaseException:
        db.close()
        raise
    return db


def one(db: duckdb.DuckDBPyConnection, query: str) -> Any:
    """Return the first value of a query."""
    return db.sql(query).fetchall()[0][0]


def _files(ws: Holder, asked: Span) -> pd.DataFrame:
    """Return the files that can hold a period of the span, with their paths."""
    files = ws.register.frame("files")
    there = pd.Series(True, index=files.index)
    if asked.first is not None:
        there &= files["last_utc"] >= asked.first.tz_localize("UTC") - _MARGIN
    if asked.last is not None:
        there &= files["first_utc"] <= asked.last.tz_localize("UTC") + _MARGIN
    if asked.stations is not None:
        wanted = set(asked.stations)
        there &= files["stations"].map(lambda s: not wanted.isdisjoint(s)).astype(bool)
    kept = files[there]
    for block, name in zip(kept["block"], kept["name"], strict=True):
        if Path(block).parent.as_posix() != blocks.FOLDER or ".." in Path(block).parts:
            raise InvalidInput(
                f"the register names {block!r} as the counts of {name}, a place outside its folder of "
                "blocks; it was changed by someone: restore it from a backup"
            )
        if not (ws.path / block).is_file():
            raise NotFound(
                f"{block} is not there, the counts of {name}; restore it, countmap check lists all"
            )
    return kept.assign(path=[(ws.path / block).as_posix() for block in kept["block"]])


def _raw(db: duckdb.DuckDBPyConnection, ws: Holder, asked: Span) -> None:
    files = _files(ws, asked)
    # Numbered by content, so that no choice between files depends on the order of import.
    files = files.sort_values(["block_sha256", "name"], ignore_index=True)
    numbered = files[["name", "path"]].astype(object).assign(seq=range(len(files)))
    db.register("files_frame", numbered)
    db.execute("CREATE TEMP TABLE files AS SELECT * FROM files_frame")
    names = sorted({name for listed in files["stations"] for name in listed})
    if asked.stations is not None:
        names = sorted(set(names) & set(asked.stations))
    stations = pd.DataFrame(
        {"station": range(len(names)), "station_id": pd.Series(names, dtype=object)}
    )
    db.register("stations_frame", stations)
    db.execute("CREATE TEMP TABLE stations AS SELECT * FROM stations_frame")
    source = _source(db, list(files["path"]))
    kind = one(db, f"SELECT column_type FROM (DESCRIBE SELECT count FROM {source})")
    # Sums of whole numbers and of decimals are exact in any order; those of floats are not.
    number = "BIGINT" if kind == "INTEGER" else "DECIMAL(18, 6)"
    db.execute(
        "CREATE TEMP TABLE lanes AS SELECT lane, row_number() OVER (ORDER BY lane) AS lane_no "
        f"FROM (SELECT DISTINCT lane FROM {source} WHERE lane IS NOT NULL)"
    )
    where, bound = _where(asked)
    place = f"(s.station * 3 + list_position({list(SENSES)}, p.sense) - 1)::INT"
    db.execute(
        f"""
        CREATE TEMP TABLE raw AS
        SELECT f.seq, {place} AS place,
               ({place} * 3 + list_position({list(QUANTITIES)}, p.quantity) - 1)::INT AS series,
               coalesce(l.lane_no, 0)::INT AS lane_no, p.survey_id, p.vehicle_class, p.scheme,
               p.speed_low_kmh, p.speed_high_kmh, p.utc_offset_min::BIGINT AS utc_offset_min,
               epoch_us(p.start_utc) AS start_us, p.minutes::BIGINT AS minutes,
               p.count::{number} AS n
        FROM {source} p
        JOIN files f ON f.path = p.filename JOIN stations s USING (station_id)
        LEFT JOIN lanes l USING (lane)
        WHERE {where}
        """,
        bound,
    )


def _source(db: duckdb.DuckDBPyConnection, paths: list[str]) -> str:
    if paths:
        listed = ", ".join("'" + path.replace("'", "''") + "'" for path in paths)
        return f"read_parquet([{listed}], filename = true, union_by_name = true)"
    db.register("no_periods", blocks.arrow(tables.empty(tables.PERIODS)))
    return "(SELECT *, '' AS filename FROM no_periods)"


def _where(asked: Span) -> tuple[str, list[Any]]:
    parts, bound = ["true"], []
    local = f"make_timestamp(epoch_us(p.start_utc) + p.utc_offset_min::BIGINT * {MIN_US})"
    if asked.first is not None:
        parts.append(f"{local} >= ?")
        bound.append(asked.first.to_pydatetime())
    if asked.last is not None:
        parts.append(f"{local} < ?")
        bound.append((asked.last + pd.Timedelta(days=1)).to_pydatetime())
    if asked.quantity is not None:
        parts.append("p.quantity = ?")
        bound.append(asked.quantity)
    return " AND ".join(parts), bound


PERIOD = "series, lane_no, start_us, minutes"
_ONCE = "CASE WHEN count(*) = count(n) AND min(n) = max(n) THEN min(n) END"


def _agreed(db: duckdb.DuckDBPyConnection) -> None:
    """Make one row a period: nearly all have one row in one file, only the others are compared."""
    db.execute(f"""
        CREATE TEMP TABLE single AS
        SELECT {PERIOD}, min(utc_offset_min) AS utc_offset_min, min(seq) AS seq, min(n) AS n,
               count(*) AS told
        FROM raw GROUP BY ALL
    """)
    # Classes, speeds and their cross table each split the same total: the plainest one is taken.
    db.execute(f"""
        CREATE TEMP TABLE told AS
        WITH parts AS (
            SELECT seq, {PERIOD}, scheme,
                   (vehicle_class IS NOT NULL)::INT
                   + 2 * (speed_low_kmh IS NOT NULL OR speed_high_kmh IS NOT NULL)::INT AS split,
                   min(utc_offset_min) AS utc_offset_min,
                   {_ONCE} AS n, min(n) AS low, max(n) AS high
            FROM raw SEMI JOIN (SELECT * FROM single WHERE told > 1) USING ({PERIOD})
            GROUP BY seq, {PERIOD}, scheme, vehicle_class, speed_low_kmh, speed_high_kmh
        ), splits AS (
            SELECT seq, {PERIOD}, split, CASE WHEN split > 0 THEN scheme END AS scheme,
                   min(utc_offset_min) AS utc_offset_min,
                   CASE WHEN count(*) = count(n) THEN sum(n) END AS n,
                   sum(low) AS low, sum(high) AS high
            FROM parts GROUP BY ALL
        )
        SELECT * EXCLUDE (split, scheme) FROM splits
        QUALIFY row_number() OVER (PARTITION BY seq, {PERIOD} ORDER BY split, scheme) = 1
    """)
    db.execute(f"""
        CREATE TEMP TABLE agreed AS
        SELECT {PERIOD}, utc_offset_min, seq, n, false AS torn FROM single WHERE told = 1
        UNION ALL BY NAME
        SELECT * REPLACE (CASE WHEN NOT torn THEN n END AS n) FROM (
            SELECT {PERIOD}, min(utc_offset_min) AS utc_offset_min,
                   coalesce(min(seq) FILTER (n IS NOT NULL), min(seq)) AS seq, min(n) AS n,
                   coalesce(min(n) < max(n), false)
                   OR coalesce(bool_or(low < high), false) AS torn
            FROM told GROUP BY {PERIOD})
    """)


def _left_out(db: duckdb.DuckDBPyConnection, ws: Holder, *, exclusions: bool) -> None:
    """Find the periods that a decision excluded; a flag without a sense means each sense."""
    flags = ws.register.frame("flags", state="excluded")
    if not exclusions:
        flags = flags.iloc[:0]
    excluded = pd.DataFrame(
        {
            "station_id": flags["station_id"].astype(object),
            "sense": flags["sense"].astype(object).where(flags["sense"].notna(), "both"),
            "first_us": flags["first_utc"].astype("int64"),
            "last_us": flags["last_utc"].astype("int64"),
        }
    )
    db.register("excluded", excluded)
    db.execute(f"""
        CREATE TEMP TABLE left_out AS
        SELECT DISTINCT a.series, a.start_us, a.minutes
        FROM agreed a JOIN stations s ON s.station = a.series // 9
        JOIN excluded x ON x.station_id = s.station_id
         AND a.start_us < x.last_us AND a.start_us + a.minutes * {MIN_US} > x.first_us
        WHERE x.sense = 'both' OR a.series // 3 % 3 = {SENSES.index("both")}
           OR a.series // 3 % 3 = list_position({list(SENSES)}, x.sense) - 1
    """)


def _whole(db: duckdb.DuckDBPyConnection) -> None:
    """Make one row a series and period. A lane that is there on the day and not now is missing."""
    local = f"(start_us + utc_offset_min * {MIN_US} + {SHIFT_DAYS * DAY_US})"
    source = "agreed"
    if one(db, "SELECT count(*) FROM agreed WHERE lane_no > 0"):
        source = f"""(
            WITH timed AS (SELECT *, {local} // {DAY_US} AS day_no FROM agreed), there AS (
                SELECT series, minutes, day_no,
                       count(DISTINCT lane_no) FILTER (lane_no > 0) AS of_day
                FROM timed GROUP BY ALL
            )
            SELECT series, start_us, t.minutes, min(utc_offset_min) AS utc_offset_min,
                   CASE WHEN min(lane_no) = 0 THEN min(n) FILTER (lane_no = 0)
                        WHEN count(n) = min(of_day) THEN sum(n) END AS n
            FROM timed t JOIN there USING (series, minutes, day_no)
            GROUP BY series, start_us, t.minutes)"""
    out = one(db, "SELECT count(*) FROM left_out")
    join = "LEFT JOIN left_out x USING (series, start_us, minutes)" if out else ""
    count = "CASE WHEN x.series IS NULL THEN n END" if out else "n"
    db.execute(f"""
        CREATE TEMP TABLE whole AS
        SELECT s.series, s.series // 3 AS place, s.minutes, {count} AS n,
               {local} AS begins_us, {local} + s.minutes * {MIN_US} AS ends_us
        FROM {source} s {join}
    """)
