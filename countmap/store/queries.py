"""Counts by civil hour and day from the blocks: what is missing stays null, no period counts twice.

Every figure goes through the same stages, each a table of an in-memory DuckDB:

``raw``      rows of the blocks
``told``     what one file says of a station, sense, lane and period: totals win over classes
``agreed``   what the files say together: the file imported first holds
``whole``    lanes summed, excluded periods missing
"""

from __future__ import annotations

from contextlib import closing
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

import duckdb
import pandas as pd

from countmap import clock, tables
from countmap.errors import NotFound

if TYPE_CHECKING:
    from collections.abc import Sequence

    from countmap.workspace import Workspace

Day = date | str

# Local time is counted from here, so that whole division also holds for days before 1970.
EPOCH = pd.Timestamp("1870-01-01")
_SHIFT_MIN = int((pd.Timestamp("1970-01-01") - EPOCH).total_seconds() // 60)
_MIN_US, _HOUR_US, _DAY_US = 60_000_000, 3_600_000_000, 86_400_000_000
_QUANTITY_RANK = "list_position(['vehicles', 'axle_pairs', 'axles'], quantity)"


@dataclass(frozen=True, slots=True)
class Span:
    """What is asked for: civil days (inclusive), stations and a quantity; None: all."""

    first: pd.Timestamp | None
    last: pd.Timestamp | None
    stations: tuple[str, ...] | None
    quantity: str | None


def hour_cells(
    ws: Workspace,
    first: Day | None = None,
    last: Day | None = None,
    stations: Sequence[str] | None = None,
    quantity: str | None = None,
) -> pd.DataFrame:
    """Return counts by civil hour, every hour of each day on which there is a period.

    Parameters
    ----------
    first, last : date, optional
        Civil days, inclusive.
    stations : sequence of str, optional
    quantity : {"vehicles", "axles", "axle_pairs"}, optional
        Default: in each cell vehicles before axle pairs before axles, complete before incomplete.

    Returns
    -------
    DataFrame
        HOUR_CELLS, sorted by its key. ``count`` is null unless periods of one length fill the hour,
        none of them missing. A period that crosses hours is in no cell. Sense ``both`` is there
        where both senses are complete, or where a file says ``both``.

    Notes
    -----
    Dates and hours follow ``start_utc + utc_offset_min``; ``minutes_expected`` the workspace's zone.
    A lane that is there in one period of a day and not in another makes the latter null.
    """
    with closing(_counts(ws, _span(first, last, stations, quantity))) as db:
        _hours(db, ws.settings.timezone)
        return _cells(db, tables.HOUR_CELLS)


def day_totals(
    ws: Workspace,
    first: Day | None = None,
    last: Day | None = None,
    stations: Sequence[str] | None = None,
    quantity: str | None = None,
) -> pd.DataFrame:
    """Return counts by civil day, for each day on which there is a period.

    Parameters
    ----------
    first, last, stations, quantity
        As in ``hour_cells``.

    Returns
    -------
    DataFrame
        DAY_TOTALS, sorted by its key. ``count`` is null unless periods of one length, or whole
        hours, fill the civil day. A period that crosses midnight is in no day.
    """
    with closing(_counts(ws, _span(first, last, stations, quantity))) as db:
        _hours(db, ws.settings.timezone)
        _days(db)
        return _cells(db, tables.DAY_TOTALS)


def periods(
    ws: Workspace,
    first: Day | None = None,
    last: Day | None = None,
    stations: Sequence[str] | None = None,
    quantity: str | None = None,
) -> pd.DataFrame:
    """Return the periods as they were counted, by lane and class, of the files that hold.

    Returns
    -------
    DataFrame
        PERIODS sorted by station, sense, start, lane and class; ``count`` is null where a flag
        excludes the period.
    """
    with closing(_counts(ws, _span(first, last, stations, quantity))) as db:
        found = db.sql("""
            SELECT r.station_id, r.survey_id, r.sense, r.lane,
                   make_timestamp(r.start_us) AS start_utc, r.utc_offset_min, r.minutes,
                   CASE WHEN x.station_id IS NULL THEN r.n END AS count, r.quantity,
                   r.vehicle_class, r.scheme, r.speed_low_kmh, r.speed_high_kmh
            FROM raw r
            JOIN agreed a ON a.seq = r.seq AND a.station_id = r.station_id AND a.sense = r.sense
             AND a.quantity = r.quantity AND a.lane = coalesce(r.lane, '')
             AND a.start_us = r.start_us AND a.minutes = r.minutes
            LEFT JOIN left_out x ON x.station_id = r.station_id AND x.sense = r.sense
             AND x.start_us = r.start_us AND x.minutes = r.minutes
            ORDER BY r.station_id, r.sense, r.start_us, r.minutes, r.lane, r.quantity,
                     r.vehicle_class, r.speed_low_kmh, r.scheme, r.survey_id, r.n
        """)
        return _typed(found, tables.PERIODS)


def conflicts(
    ws: Workspace,
    first: Day | None = None,
    last: Day | None = None,
    stations: Sequence[str] | None = None,
    quantity: str | None = None,
) -> pd.DataFrame:
    """Return the periods for which two files (or one file twice) give different counts.

    Returns
    -------
    DataFrame
        ``station_id, sense, lane, start_utc, minutes, quantity``, ``count`` and ``file`` (what
        holds: the file imported first), ``other_count`` and ``other_file`` (what does not).
        A file that contradicts itself stands on both sides and its period is missing.
    """
    with closing(_counts(ws, _span(first, last, stations, quantity))) as db:
        found = db.sql("""
            SELECT a.station_id, a.sense, nullif(a.lane, '') AS lane,
                   make_timestamp(a.start_us) AS start_utc, a.minutes, a.quantity,
                   a.n AS count, f.name AS file, t.n AS other_count, g.name AS other_file
            FROM agreed a JOIN told t USING (station_id, sense, quantity, lane, start_us, minutes)
            JOIN files f ON f.seq = a.seq JOIN files g ON g.seq = t.seq
            WHERE t.seq <> a.seq AND t.n <> a.n
            UNION ALL BY NAME
            SELECT station_id, sense, nullif(lane, '') AS lane,
                   make_timestamp(start_us) AS start_utc, minutes, quantity,
                   low AS count, name AS file, high AS other_count, name AS other_file
            FROM told JOIN files USING (seq) WHERE low < high
            ORDER BY ALL
        """)
        return _typed(found, _CONFLICTS)


_CONFLICTS = tables.Table(
    "conflicts",
    (),
    (
        *(tables.PERIODS.column(n) for n in ("station_id", "sense", "lane", "start_utc")),
        tables.PERIODS.column("minutes"),
        tables.PERIODS.column("quantity"),
        tables.PERIODS.column("count"),
        tables.Column("file", "text"),
        tables.Column("other_count", "float"),
        tables.Column("other_file", "text"),
    ),
)


def _span(
    first: Day | None, last: Day | None, stations: Sequence[str] | None, quantity: str | None
) -> Span:
    days = [
        None if d is None else pd.Timestamp(d).tz_localize(None).normalize() for d in (first, last)
    ]
    chosen = None if stations is None else tuple(sorted(set(stations)))
    return Span(days[0], days[1], chosen, quantity)


def _counts(ws: Workspace, span: Span) -> duckdb.DuckDBPyConnection:
    """Return a database with the stages ``raw`` … ``whole`` of what is asked for."""
    db = duckdb.connect(":memory:")
    try:
        _raw(db, ws, span)
        _told(db)
        _agreed(db)
        _exclusions(db, ws)
        _whole(db)
    except BaseException:
        db.close()
        raise
    return db


def _files(ws: Workspace, span: Span) -> pd.DataFrame:
    """Return the files that can hold a period of the span."""
    files = ws.register.frame("files")
    day = pd.Timedelta(days=2)  # an offset is less than a day, a period at most one
    there = pd.Series(True, index=files.index)
    if span.first is not None:
        there &= files["last_utc"] >= span.first.tz_localize("UTC") - day
    if span.last is not None:
        there &= files["first_utc"] <= span.last.tz_localize("UTC") + day
    if span.stations is not None:
        wanted = set(span.stations)
        there &= files["stations"].map(lambda s: not wanted.isdisjoint(s)).astype(bool)
    return files[there.astype(bool)]


def _raw(db: duckdb.DuckDBPyConnection, ws: Workspace, span: Span) -> None:
    files = _files(ws, span)
    paths = [ws.path / block for block in files["block"]]
    for path, name in zip(paths, files["name"], strict=True):
        if not path.is_file():
            raise NotFound(
                f"{path} is not there, the counts of {name}; restore it, countmap check lists all"
            )
    blocks = files[["seq", "name"]].assign(path=[path.as_posix() for path in paths])
    db.register("files", pd.DataFrame(blocks).astype({"name": "object", "path": "object"}))
    source = _source(db, [path.as_posix() for path in paths])
    kind = db.sql(f"SELECT column_type FROM (DESCRIBE SELECT count FROM {source})").fetchall()[0][0]
    # Sums of whole numbers and of decimals are exact in any order; those of floats are not.
    number = "BIGINT" if kind == "INTEGER" else "DECIMAL(18, 6)"
    where, bound = _where(span)
    db.execute(
        f"""
        CREATE TEMP TABLE raw AS
        SELECT f.seq, p.station_id, p.survey_id, p.sense, p.lane, p.quantity, p.vehicle_class,
               p.scheme, p.speed_low_kmh, p.speed_high_kmh, p.utc_offset_min,
               epoch_us(p.start_utc) AS start_us, p.minutes, p.count::{number} AS n
        FROM {source} p JOIN files f ON f.path = p.filename
        WHERE {where}
        """,
        bound,
    )


def _source(db: duckdb.DuckDBPyConnection, paths: list[str]) -> str:
    if paths:
        listed = ", ".join("'" + path.replace("'", "''") + "'" for path in paths)
        return f"read_parquet([{listed}], filename = true, union_by_name = true)"
    from countmap.store import blocks

    none = blocks.arrow(tables.empty(tables.PERIODS))
    db.register("no_periods", none)
    return "(SELECT *, '' AS filename FROM no_periods)"


def _where(span: Span) -> tuple[str, list[Any]]:
    parts, bound = ["true"], []
    local = f"make_timestamp(epoch_us(p.start_utc) + p.utc_offset_min::BIGINT * {_MIN_US})"
    if span.first is not None:
        parts.append(f"{local} >= ?")
        bound.append(span.first.to_pydatetime())
    if span.last is not None:
        parts.append(f"{local} < ?")
        bound.append((span.last + pd.Timedelta(days=1)).to_pydatetime())
    if span.stations is not None:
        parts.append("p.station_id IN (SELECT unnest(?))")
        bound.append(list(span.stations))
    if span.quantity is not None:
        parts.append("p.quantity = ?")
        bound.append(span.quantity)
    return " AND ".join(parts), bound


_PERIOD = "station_id, sense, quantity, lane, start_us, minutes"


def _told(db: duckdb.DuckDBPyConnection) -> None:
    """One row a file and period: the total row, else the sum over classes or speeds."""
    (classed,) = db.sql(
        "SELECT count(vehicle_class) + count(speed_low_kmh) + count(speed_high_kmh) FROM raw"
    ).fetchall()[0]
    once = "CASE WHEN count(*) = count(n) AND min(n) = max(n) THEN min(n) END"
    if not classed:
        db.execute(f"""
            CREATE TEMP TABLE told AS
            SELECT seq, station_id, sense, quantity, coalesce(lane, '') AS lane, start_us, minutes,
                   min(utc_offset_min) AS utc_offset_min, {once} AS n, min(n) AS low, max(n) AS high
            FROM raw GROUP BY seq, station_id, sense, quantity, lane, start_us, minutes
        """)
        return
    # Classes, speeds and their cross table each split the same total: the plainest one is taken.
    db.execute(f"""
        CREATE TEMP TABLE told AS
        WITH rows AS (
            SELECT seq, station_id, sense, quantity, coalesce(lane, '') AS lane, start_us, minutes,
                   (vehicle_class IS NOT NULL)::INT
                   + 2 * (speed_low_kmh IS NOT NULL OR speed_high_kmh IS NOT NULL)::INT AS split,
                   coalesce(scheme, '') AS scheme,
                   min(utc_offset_min) AS utc_offset_min,
                   {once} AS n, min(n) AS low, max(n) AS high
            FROM raw
            GROUP BY seq, station_id, sense, quantity, lane, start_us, minutes, vehicle_class,
                     raw.scheme, speed_low_kmh, speed_high_kmh
        ), splits AS (
            SELECT seq, {_PERIOD}, split, CASE WHEN split = 0 THEN '' ELSE scheme END AS scheme,
                   min(utc_offset_min) AS utc_offset_min,
                   CASE WHEN count(*) = count(n) THEN sum(n) END AS n,
                   sum(low) AS low, sum(high) AS high
            FROM rows GROUP BY ALL
        )
        SELECT * EXCLUDE (split, scheme) FROM splits
        QUALIFY row_number() OVER (PARTITION BY seq, {_PERIOD} ORDER BY split, scheme) = 1
    """)


def _agreed(db: duckdb.DuckDBPyConnection) -> None:
    """One row a period: of the files that have a count the one imported first."""
    db.execute(f"""
        CREATE TEMP TABLE agreed AS
        SELECT {_PERIOD}, min(utc_offset_min) AS utc_offset_min,
               coalesce(min(seq) FILTER (n IS NOT NULL), min(seq)) AS seq,
               arg_min(n, seq) FILTER (n IS NOT NULL) AS n
        FROM told GROUP BY ALL
    """)


def _exclusions(db: duckdb.DuckDBPyConnection, ws: Workspace) -> None:
    """Find the periods that a decision left out; a flag without a sense, or of both, means each sense."""
    flags = ws.register.frame("flags", state="excluded")
    out = pd.DataFrame(
        {
            "station_id": flags["station_id"].astype("object"),
            "sense": flags["sense"].astype("object").where(flags["sense"].notna(), "both"),
            "first_us": flags["first_utc"].astype("int64"),
            "last_us": flags["last_utc"].astype("int64"),
        }
    )
    db.register("excluded", out)
    db.execute(f"""
        CREATE TEMP TABLE left_out AS
        SELECT DISTINCT a.station_id, a.sense, a.start_us, a.minutes
        FROM agreed a JOIN excluded x ON x.station_id = a.station_id
         AND (x.sense = a.sense OR x.sense = 'both' OR a.sense = 'both')
         AND a.start_us < x.last_us AND a.start_us + a.minutes::BIGINT * {_MIN_US} > x.first_us
    """)


def _whole(db: duckdb.DuckDBPyConnection) -> None:
    """One row a station, sense, quantity and period, with its local start and end."""
    local = f"(start_us + (utc_offset_min + {_SHIFT_MIN}::BIGINT) * {_MIN_US})"
    (lanes,) = db.sql("SELECT count(*) FROM agreed WHERE lane <> ''").fetchall()[0]
    if lanes:
        source = f"""(
            WITH timed AS (SELECT *, {local} // {_DAY_US} AS day FROM agreed),
            there AS (
                SELECT station_id, sense, quantity, minutes, day,
                       count(DISTINCT lane) FILTER (lane <> '') AS lanes
                FROM timed GROUP BY ALL
            )
            SELECT station_id, sense, quantity, start_us, t.minutes,
                   min(utc_offset_min) AS utc_offset_min, min(seq) AS seq,
                   CASE WHEN count(*) FILTER (lane = '') > 0 THEN min(n) FILTER (lane = '')
                        WHEN count(*) = count(n) AND count(*) = min(lanes) THEN sum(n) END AS n
            FROM timed t JOIN there USING (station_id, sense, quantity, minutes, day)
            GROUP BY station_id, sense, quantity, start_us, t.minutes)"""
    else:
        source = "agreed"
    (out,) = db.sql("SELECT count(*) FROM left_out").fetchall()[0]
    join = "LEFT JOIN left_out x USING (station_id, sense, start_us, minutes)" if out else ""
    count = "CASE WHEN x.station_id IS NULL THEN n END" if out else "n"
    db.execute(f"""
        CREATE TEMP TABLE whole AS
        SELECT station_id, sense, quantity, seq, minutes::BIGINT AS minutes, {count} AS n,
               {local} AS begins_us, {local} + minutes::BIGINT * {_MIN_US} AS ends_us
        FROM {source} s {join}
    """)


def _hours(db: duckdb.DuckDBPyConnection, tz: str) -> None:
    """Every hour of each day on which a period begins, both senses' sum included."""
    (first, last) = db.sql(
        f"SELECT min(begins_us) // {_DAY_US}, max(begins_us) // {_DAY_US} FROM whole"
    ).fetchall()[0]
    _calendar(db, tz, first, last)
    db.execute(f"""
        CREATE TEMP TABLE filled AS
        WITH one_length AS (
            SELECT station_id, sense, quantity, minutes, begins_us // {_HOUR_US} AS hour_no,
                   min(seq) AS seq, sum(minutes) AS covered,
                   coalesce(sum(minutes) FILTER (n IS NOT NULL), 0) AS present, sum(n) AS n,
                   {_IN_STEP} AS in_step
            FROM whole WHERE (ends_us - 1) // {_HOUR_US} = begins_us // {_HOUR_US}
            GROUP BY ALL
        ), judged AS (
            SELECT o.*, c.expected,
                   in_step AND covered = expected AND present = expected AS complete
            FROM one_length o JOIN calendar c USING (hour_no)
        )
        SELECT station_id, sense, quantity, hour_no, expected,
               least(present, expected) AS minutes, CASE WHEN complete THEN n END AS n
        FROM judged
        QUALIFY row_number() OVER (
            PARTITION BY station_id, sense, hour_no
            ORDER BY complete DESC, {_QUANTITY_RANK}, seq, minutes) = 1
    """)
    db.execute(f"""
        CREATE TEMP TABLE counted_days AS
        SELECT station_id, sense, begins_us // {_DAY_US} AS day_no,
               arg_min(quantity, {_QUANTITY_RANK}) AS quantity
        FROM whole GROUP BY ALL
    """)
    db.execute(f"""
        CREATE TEMP TABLE hours AS
        WITH dense AS (
            SELECT d.station_id, d.sense, d.day_no AS day, c.hour_no,
                   coalesce(f.quantity, d.quantity) AS quantity, c.expected,
                   coalesce(f.minutes, 0) AS minutes, f.n
            FROM counted_days d JOIN calendar c USING (day_no)
            LEFT JOIN filled f USING (station_id, sense, hour_no)
        )
        {_both("hour_no")}
    """)


# Periods of one length that begin at one remainder of it cannot overlap: they are distinct.
_IN_STEP = f"min(begins_us % (minutes * {_MIN_US})) = max(begins_us % (minutes * {_MIN_US}))"


def _both(time: str) -> str:
    """Return the query that adds ``both`` to ``dense`` where the two senses are complete."""
    return f"""
        , summed AS (
            SELECT w.* REPLACE ('both' AS sense, w.n + a.n AS n)
            FROM dense w JOIN dense a USING (station_id, {time}, quantity)
            WHERE w.sense = 'with' AND a.sense = 'against' AND w.n IS NOT NULL AND a.n IS NOT NULL
        )
        SELECT * FROM dense WHERE sense <> 'both'
        UNION ALL BY NAME SELECT * FROM summed
        UNION ALL BY NAME
        SELECT * FROM dense d ANTI JOIN summed USING (station_id, {time}) WHERE d.sense = 'both'
    """


def _calendar(db: duckdb.DuckDBPyConnection, tz: str, first: int | None, last: int | None) -> None:
    """Tabulate the length of every civil hour of the zone by number of hour and day from ``EPOCH``."""
    if first is None or last is None:
        first, last = 0, 0
    days = [(EPOCH + pd.Timedelta(days=number)).date() for number in (first, last)]
    hours = clock.hour_minutes(tz, days[0], days[1])
    day_no = (hours["date"] - EPOCH).dt.days
    calendar = pd.DataFrame(
        {"day_no": day_no, "hour_no": day_no * 24 + hours["hour"], "expected": hours["minutes"]}
    )
    db.register("calendar_frame", calendar)
    db.execute("CREATE TEMP TABLE calendar AS SELECT * FROM calendar_frame")


def _days(db: duckdb.DuckDBPyConnection) -> None:
    """Every day on which a period begins: of periods of one length, or of whole hours."""
    db.execute(f"""
        CREATE TEMP TABLE days AS
        WITH lengths AS (
            SELECT day_no, sum(expected) AS expected, count(*) AS hours FROM calendar GROUP BY ALL
        ), one_length AS (
            SELECT station_id, sense, quantity, minutes, begins_us // {_DAY_US} AS day_no,
                   min(seq) AS seq, {_IN_STEP} AS in_step,
                   coalesce(sum(minutes) FILTER ((ends_us - 1) // {_DAY_US} = begins_us // {_DAY_US}), 0) AS covered,
                   coalesce(sum(minutes) FILTER (n IS NOT NULL AND (ends_us - 1) // {_DAY_US} = begins_us // {_DAY_US}), 0) AS present,
                   sum(n) AS n
            FROM whole GROUP BY ALL
        ), of_hours AS (
            SELECT station_id, sense, quantity, 0 AS minutes, hour_no // 24 AS day_no,
                   NULL AS seq, count(n) = any_value(hours) AS in_step,
                   sum(minutes) AS covered, sum(minutes) AS present, sum(n) AS n
            FROM filled JOIN lengths ON lengths.day_no = hour_no // 24
            GROUP BY ALL
        ), judged AS (
            SELECT o.*, expected, in_step AND covered = expected AND present = expected AS complete
            FROM (SELECT * FROM one_length UNION ALL BY NAME SELECT * FROM of_hours) o
            JOIN lengths USING (day_no)
        ), dense AS (
            SELECT station_id, sense, quantity, day_no AS day, expected,
                   least(present, expected) AS minutes, CASE WHEN complete THEN n END AS n
            FROM judged
            QUALIFY row_number() OVER (
                PARTITION BY station_id, sense, day_no
                ORDER BY complete DESC, {_QUANTITY_RANK}, present DESC, seq NULLS LAST, judged.minutes) = 1
        )
        {_both("day")}
    """)


def _cells(db: duckdb.DuckDBPyConnection, table: tables.Table) -> pd.DataFrame:
    """Return ``hours`` or ``days`` as a frame of the contract, sorted by its key."""
    hour = "hour_no % 24 AS hour, " if table is tables.HOUR_CELLS else ""
    source, order = ("hours", "hour_no") if hour else ("days", "day")
    found = db.sql(f"""
        SELECT station_id, sense,
               make_timestamp((day - {_SHIFT_MIN // 1440}) * {_DAY_US}) AS date, {hour}n AS count,
               minutes, expected AS minutes_expected, quantity
        FROM {source} ORDER BY station_id, sense, {order}
    """)
    return _typed(found, table)


def _typed(found: duckdb.DuckDBPyRelation, table: tables.Table) -> pd.DataFrame:
    """Return a query's rows in the contract's types; texts go through dictionaries."""
    import pyarrow as pa

    fetched = found.to_arrow_table()
    columns: dict[str, pd.Series] = {}
    for column in table.columns:
        values = fetched.column(column.name)
        if column.kind == "text":
            columns[column.name] = pd.Series(values.cast(pa.string()).to_pandas(), dtype="str")
        elif column.kind == "time":
            columns[column.name] = values.cast(pa.timestamp("us", tz="UTC")).to_pandas()
        elif column.kind == "date":
            columns[column.name] = values.cast(pa.timestamp("us")).to_pandas()
        else:
            kind = pa.int64() if column.kind == "int" else pa.float64()
            columns[column.name] = values.cast(kind).to_pandas()
    return pd.DataFrame(columns)
