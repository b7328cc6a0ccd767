"""Counts by civil hour and day: what is missing stays null, no period counts twice."""

from __future__ import annotations

from contextlib import closing
from typing import TYPE_CHECKING

import duckdb
import pandas as pd

from countmap import clock, tables
from countmap.store.counted import (
    DAY_US,
    EPOCH,
    HOUR_US,
    MIN_US,
    PERIOD,
    QUANTITIES,
    SENSES,
    SHIFT_DAYS,
    Day,
    Holder,
    one,
    opened,
    span,
)

if TYPE_CHECKING:
    from collections.abc import Sequence


def hour_cells(
    ws: Holder,
    first: Day | None = None,
    last: Day | None = None,
    stations: Sequence[str] | None = None,
    quantity: str | None = None,
    *,
    exclusions: bool = True,
) -> pd.DataFrame:
    """Return counts by civil hour, every hour of each day on which there is a period.

    Parameters
    ----------
    first, last : date, optional
        Civil days, inclusive.
    stations : sequence of str, optional
    quantity : {"vehicles", "axles", "axle_pairs"}, optional
        Default: in each cell vehicles before axle pairs before axles, complete before incomplete.
    exclusions : bool
        False: hours that a decision excluded are there as they were counted, to be shown as such.

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
    with closing(opened(ws, span(first, last, stations, quantity), exclusions=exclusions)) as db:
        _hours(db, ws.settings.timezone)
        return _cells(db, tables.HOUR_CELLS)


def hours_and_days(
    ws: Holder, first: Day | None = None, last: Day | None = None
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return ``hour_cells`` and ``day_totals`` of all stations from one reading of the blocks."""
    with closing(opened(ws, span(first, last, None, None))) as db:
        _hours(db, ws.settings.timezone)
        _days(db)
        return _cells(db, tables.HOUR_CELLS), _cells(db, tables.DAY_TOTALS)


def day_totals(
    ws: Holder,
    first: Day | None = None,
    last: Day | None = None,
    stations: Sequence[str] | None = None,
    quantity: str | None = None,
    *,
    exclusions: bool = True,
) -> pd.DataFrame:
    """Return counts by civil day, for each day on which there is a period.

    Parameters
    ----------
    first, last, stations, quantity
        As in ``hour_cells``.
    exclusions : bool
        False: days that a decision excluded are there as they were counted, to be shown as such.

    Returns
    -------
    DataFrame
        DAY_TOTALS, sorted by its key. ``count`` is null unless periods of one length, or whole
        hours, fill the civil day. A period that crosses midnight is in no day.
    """
    with closing(opened(ws, span(first, last, stations, quantity), exclusions=exclusions)) as db:
        _hours(db, ws.settings.timezone)
        _days(db)
        return _cells(db, tables.DAY_TOTALS)


def periods(
    ws: Holder,
    first: Day | None = None,
    last: Day | None = None,
    stations: Sequence[str] | None = None,
    quantity: str | None = None,
    *,
    told_by: str = "",
) -> pd.DataFrame:
    """Return the periods as they were counted, by lane and class, each of one file.

    Parameters
    ----------
    told_by : {"", "class", "speed", "total"}
        Of which file a period is that several files tell: any, or one that splits it by class or by
        speed, or not at all. Counters hand over each, often in files of their own.

    Returns
    -------
    DataFrame
        PERIODS sorted by station, sense, start, lane and class; ``count`` is null where a flag
        excludes the period or two files contradict each other.
    """
    with closing(opened(ws, span(first, last, stations, quantity))) as db:
        found = db.sql(f"""
            SELECT {_NAMES}, r.survey_id, lane, make_timestamp(r.start_us) AS start_utc,
                   r.utc_offset_min, r.minutes, CASE WHEN x.series IS NULL AND NOT torn THEN r.n END AS count,
                   r.vehicle_class, r.scheme, r.speed_low_kmh, r.speed_high_kmh
            FROM raw r JOIN {_of_file(told_by)} a USING ({PERIOD}, seq)
            JOIN stations ON station = r.series // 9 LEFT JOIN lanes USING (lane_no)
            LEFT JOIN left_out x USING (series, start_us, minutes)
            ORDER BY r.place, r.start_us, r.minutes, r.lane_no, r.series, r.vehicle_class,
                     r.speed_low_kmh, r.scheme, r.survey_id, r.n
        """)
        return _typed(found, tables.PERIODS)


def classified(ws: Holder, first: Day | None = None, last: Day | None = None) -> list[str]:
    """Return the stations that have counts by vehicle class or by speed, in order."""
    with closing(opened(ws, span(first, last, None, None))) as db:
        found = db.sql("""
            SELECT DISTINCT station_id FROM raw JOIN stations ON station = raw.series // 9
            WHERE vehicle_class IS NOT NULL OR speed_high_kmh IS NOT NULL ORDER BY station_id
        """)
        return [str(row[0]) for row in found.fetchall()]


def _of_file(told_by: str) -> str:
    """Return ``agreed`` with the file that splits a period as asked; without such a file, no row."""
    if not told_by:
        return "agreed"
    speed = "coalesce(speed_low_kmh, speed_high_kmh)"
    told = {
        "class": "vehicle_class IS NOT NULL",
        "speed": f"{speed} IS NOT NULL",
        "total": f"vehicle_class IS NULL AND {speed} IS NULL",
    }[told_by]
    return f"""(
        SELECT g.* REPLACE (c.seq AS seq) FROM agreed g JOIN (
            SELECT {PERIOD}, min(seq) AS seq FROM raw WHERE {told} GROUP BY {PERIOD}
        ) c USING ({PERIOD}))"""


def conflicts(
    ws: Holder,
    first: Day | None = None,
    last: Day | None = None,
    stations: Sequence[str] | None = None,
    quantity: str | None = None,
) -> pd.DataFrame:
    """Return the periods for which two files, or one file twice, give different counts.

    Returns
    -------
    DataFrame
        ``station_id, sense, lane, start_utc, minutes, quantity``, ``count`` and ``file``,
        ``other_count`` and ``other_file``: a row for each two files, by their names. A file that
        contradicts itself stands on both sides. None of them holds: the period is missing.
    """
    with closing(opened(ws, span(first, last, stations, quantity))) as db:
        found = db.sql(f"""
            WITH differ AS (
                SELECT {PERIOD}, a.n AS count, f.name AS file, t.n AS other_count,
                       g.name AS other_file
                FROM told a JOIN told t USING ({PERIOD})
                JOIN files f ON f.seq = a.seq JOIN files g ON g.seq = t.seq
                WHERE (f.name, f.seq) < (g.name, g.seq) AND t.n <> a.n
                UNION ALL BY NAME
                SELECT {PERIOD}, low AS count, name AS file, high AS other_count,
                       name AS other_file
                FROM told JOIN files USING (seq) WHERE low < high
            )
            SELECT {_NAMES}, lane, make_timestamp(start_us) AS start_utc, minutes, count, file,
                   other_count, other_file
            FROM differ r JOIN stations ON station = series // 9 LEFT JOIN lanes USING (lane_no)
            ORDER BY series, lane_no, start_us, minutes, file, other_file, count, other_count
        """)
        return _typed(found, _CONFLICTS)


# The names behind a series number; list positions count from 1.
_NAMES = f"""stations.station_id, {list(SENSES)}[series // 3 % 3 + 1] AS sense,
                   {list(QUANTITIES)}[series % 3 + 1] AS quantity"""

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


# Periods of one length that begin at one remainder of it cannot overlap: they are distinct.
_IN_STEP = f"min(begins_us % (minutes * {MIN_US})) = max(begins_us % (minutes * {MIN_US}))"
_IN_HOUR = f"(ends_us - 1) // {HOUR_US} = begins_us // {HOUR_US}"
_IN_DAY = f"(ends_us - 1) // {DAY_US} = begins_us // {DAY_US}"


def _hours(db: duckdb.DuckDBPyConnection, tz: str) -> None:
    """Make every hour of each day on which a period begins, the senses' sum included."""
    _calendar(db, tz)
    db.execute(f"""
        CREATE TEMP TABLE one_length AS
        SELECT o.*, c.expected, in_step AND covered = expected AND present = expected AS complete
        FROM (
            SELECT series, place, minutes, begins_us // {HOUR_US} AS hour_no,
                   sum(minutes) AS covered, sum(CASE WHEN n IS NOT NULL THEN minutes ELSE 0 END) AS present,
                   sum(n) AS n, {_IN_STEP} AS in_step
            FROM whole WHERE {_IN_HOUR} GROUP BY ALL
        ) o JOIN calendar c USING (hour_no)
    """)
    # Choosing takes long; most places have one quantity and one length of period, and no choice.
    several = """(SELECT place FROM (SELECT DISTINCT place, series, minutes FROM one_length)
                  GROUP BY place HAVING count(*) > 1)"""
    db.execute(f"""
        CREATE TEMP TABLE filled AS
        WITH chosen AS (
            SELECT * FROM one_length ANTI JOIN {several} USING (place)
            UNION ALL
            SELECT * FROM one_length SEMI JOIN {several} USING (place)
            QUALIFY row_number() OVER (
                PARTITION BY place, hour_no ORDER BY complete DESC, series, minutes) = 1
        )
        SELECT place, hour_no, series % 3 AS quantity, expected,
               least(present, expected) AS minutes, CASE WHEN complete THEN n END AS n
        FROM chosen
    """)
    db.execute(f"""
        CREATE TEMP VIEW hours AS
        WITH short AS (
            SELECT c.place, c.day_no, c.quantity
            FROM (SELECT place, begins_us // {DAY_US} AS day_no, min(series) % 3 AS quantity
                  FROM whole GROUP BY ALL) c
            JOIN (SELECT day_no, count(*) AS hours FROM calendar GROUP BY ALL) USING (day_no)
            LEFT JOIN (SELECT place, hour_no // 24 AS day_no, count(*) AS filled
                       FROM filled GROUP BY ALL) USING (place, day_no)
            WHERE coalesce(filled, 0) < hours
        ), dense AS (
            SELECT place, hour_no, quantity, expected, minutes, n FROM filled
            UNION ALL BY NAME
            SELECT place, hour_no, quantity, expected, 0 AS minutes, NULL AS n
            FROM short JOIN calendar USING (day_no) ANTI JOIN filled USING (place, hour_no)
        )
        {_both("hour_no")}
    """)


def _both(time: str) -> str:
    """Return the end of a query that adds sense ``both`` to ``dense`` where both are complete."""
    against, both, along = range(len(SENSES))
    return f"""
        , summed AS (
            SELECT w.* REPLACE (w.place - {along - both} AS place, w.n + a.n AS n)
            FROM dense w JOIN dense a ON a.place = w.place - {along - against}
             AND a.{time} = w.{time} AND a.quantity = w.quantity
            WHERE w.place % 3 = {along} AND w.n IS NOT NULL AND a.n IS NOT NULL
        )
        SELECT * FROM dense WHERE place % 3 <> {both}
        UNION ALL BY NAME SELECT * FROM summed
        UNION ALL BY NAME
        SELECT * FROM dense d ANTI JOIN summed USING (place, {time}) WHERE d.place % 3 = {both}
    """


def _calendar(db: duckdb.DuckDBPyConnection, tz: str) -> None:
    """Tabulate the length of every civil hour of the zone by number of hour and day."""
    first, last = (
        EPOCH
        + pd.Timedelta(days=one(db, f"SELECT coalesce({end}(begins_us), 0) // {DAY_US} FROM whole"))
        for end in ("min", "max")
    )
    hours = clock.hour_minutes(tz, first.date(), last.date())
    day_no = (hours["date"] - EPOCH).dt.days
    calendar = pd.DataFrame(
        {"day_no": day_no, "hour_no": day_no * 24 + hours["hour"], "expected": hours["minutes"]}
    )
    db.register("calendar_frame", calendar)
    db.execute("CREATE TEMP TABLE calendar AS SELECT * FROM calendar_frame")


def _days(db: duckdb.DuckDBPyConnection) -> None:
    """Make every day on which a period begins: of periods of one length, or of whole hours."""
    db.execute(f"""
        CREATE TEMP VIEW days AS
        WITH lengths AS (
            SELECT day_no, sum(expected) AS expected, count(*) AS hours FROM calendar GROUP BY ALL
        ), of_periods AS (
            SELECT place, series, minutes, begins_us // {DAY_US} AS day_no,
                   sum(CASE WHEN {_IN_DAY} THEN minutes ELSE 0 END) AS covered,
                   sum(CASE WHEN {_IN_DAY} AND n IS NOT NULL THEN minutes ELSE 0 END) AS present,
                   sum(n) AS n, {_IN_STEP} AND bool_and({_IN_DAY}) AS whole_steps
            FROM whole GROUP BY ALL
        ), of_hours AS (
            SELECT place, place * 3 + quantity AS series, 0 AS minutes, hour_no // 24 AS day_no,
                   sum(minutes) AS covered, sum(minutes) AS present, sum(n) AS n,
                   count(n) = any_value(hours) AS whole_steps
            FROM filled JOIN lengths ON day_no = hour_no // 24 GROUP BY ALL
        ), judged AS (
            SELECT *, whole_steps AND covered = expected AND present = expected AS complete
            FROM (FROM of_periods UNION ALL BY NAME FROM of_hours) JOIN lengths USING (day_no)
        ), dense AS (
            SELECT place, day_no, series % 3 AS quantity, expected,
                   least(present, expected) AS minutes, CASE WHEN complete THEN n END AS n
            FROM judged
            QUALIFY row_number() OVER (
                PARTITION BY place, day_no
                ORDER BY complete DESC, series, present DESC, judged.minutes) = 1
        )
        {_both("day_no")}
    """)


def _cells(db: duckdb.DuckDBPyConnection, table: tables.Table) -> pd.DataFrame:
    """Return ``hours`` or ``days`` as a frame of the contract, sorted by its key."""
    hourly = table is tables.HOUR_CELLS
    day = "hour_no // 24" if hourly else "day_no"
    hour = "hour_no % 24 AS hour," if hourly else ""
    found = db.sql(f"""
        SELECT (place * 3 + quantity)::INT AS series, n::DOUBLE AS count,
               minutes::DOUBLE AS minutes, {hour} make_timestamp(({day} - {SHIFT_DAYS}) * {DAY_US}) AS date,
               expected::DOUBLE AS minutes_expected
        FROM {"hours" if hourly else "days"} ORDER BY place, {"hour_no" if hourly else "day_no"}
    """)
    names = [
        row[0] for row in db.sql("SELECT station_id FROM stations ORDER BY station").fetchall()
    ]
    return _typed(found, table, names)


def _typed(
    found: duckdb.DuckDBPyRelation, table: tables.Table, stations: Sequence[str] = ()
) -> pd.DataFrame:
    """Return a query's rows in the contract's types; ``series`` becomes its three names."""
    import pyarrow as pa

    kinds = {
        "text": pa.string(),
        "int": pa.int64(),
        "float": pa.float64(),
        "date": pa.timestamp("us"),
        "time": pa.timestamp("us", tz="UTC"),
    }
    rows = found.to_arrow_table()
    named = {}
    if "series" in rows.column_names:
        series = rows.column("series").to_numpy()
        for name, words, code in (
            ("station_id", stations, series // 9),
            ("sense", SENSES, series // 3 % 3),
            ("quantity", QUANTITIES, series % 3),
        ):
            named[name] = pa.array(list(words), pa.string()).take(pa.array(code))
    columns = {
        column.name: (named[column.name] if column.name in named else rows.column(column.name))
        .cast(kinds[column.kind])
        .to_pandas()
        for column in table.columns
    }
    frame = pd.DataFrame(columns, copy=False)
    texts = {c.name: "str" for c in table.columns if c.kind == "text"}
    return frame.astype(texts)
