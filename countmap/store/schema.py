"""How each table lies in the register: keys, the store's own columns, and the GeoPackage's frame."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from countmap import tables
from countmap.contract import Column, Kind, Table

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

VERSION = 1
APPLICATION_ID = 0x47504B47  # "GPKG" [OGC 12-128r18, requirement 2]
# The standard claims user_version for its own version (1.3.0), so ours has a table of one row.
GEOPACKAGE_VERSION = 10300
WGS84 = 4326
FIRST_OWN_SRS = 100_001  # for working CRS without an EPSG code

PLACEMENTS = ("placed", "ambiguous", "refused", "unplaced")


@dataclass(frozen=True, slots=True)
class Foreign:
    """Columns that point at the key of another table."""

    columns: tuple[str, ...]
    table: str
    cascade: bool = False


@dataclass(frozen=True, slots=True)
class Stored:
    """A table of the register.

    Parameters
    ----------
    table : Table
        The contract with the store's own columns and the key that the store uses.
    feature : str
        Geometry type of a feature table; empty for a plain one.
    point : tuple of str
        Columns from which the geometry is drawn where the contract has none: ``("lon", "lat")``.
    hashed : str
        The key column that is made from the row's content where the contract has no key.
    defaults : Mapping
        What stands in a key or state column that is left empty.
    foreign : tuple of Foreign
        Checked when the transaction ends.
    """

    table: Table
    feature: str = ""
    point: tuple[str, str] | None = None
    hashed: str = ""
    defaults: Mapping[str, Any] = field(default_factory=lambda: MappingProxyType({}))
    foreign: tuple[Foreign, ...] = ()

    @property
    def name(self) -> str:
        """The table's name, in the register as between the stages."""
        return self.table.name

    @property
    def key(self) -> tuple[str, ...]:
        """The columns that name a row."""
        return self.table.key

    @property
    def columns(self) -> tuple[str, ...]:
        """Every stored column but ``fid``; a drawn geometry is the last one."""
        return (*self.table.names, "geometry") if self.point else self.table.names


def _stored(base: Table, *extra: Column, key: tuple[str, ...] | None = None, **more: Any) -> Stored:
    its_key = key or base.key
    before = [c for c in extra if c.name in its_key]
    after = [c for c in extra if c.name not in its_key]
    return Stored(Table(base.name, its_key, (*before, *base.columns, *after), base.doc), **more)


def _renamed(base: Table, name: str, *extra: Column) -> Stored:
    table = Table(name, (*(c.name for c in extra), *base.key), (*extra, *base.columns), base.doc)
    return Stored(table)


def _text(name: str, doc: str = "", *, null: bool = False) -> Column:
    return Column(name, "text", required=not null, nullable=null, doc=doc)


_NETWORK = _text("network_id", "one import of roads")
_RUN = _text("run_id", "the run that made the row")
_OF_RUN = (Foreign(("run_id",), "runs", cascade=True),)

NETWORKS = Table(
    "networks",
    ("network_id",),
    (
        _NETWORK,
        _text("crs", "an authority's code, or WKT"),
        Column("srs_id", "int"),
        _text("source", null=True),
        Column("imported", "time"),
        Column("active", "bool", doc="its nodes and links are the tables of these names"),
    ),
    "imports of roads; the links of those that were replaced are kept in past_links",
)

FILES = Table(
    "files",
    ("file_id",),
    (
        _text("file_id"),
        _text("name", "as the user called it"),
        _text("sha256", "of the source"),
        _text("layout", null=True),
        _text("block", "path within the workspace"),
        _text("block_sha256"),
        Column("rows", "int"),
        Column("first_utc", "time"),
        Column("last_utc", "time", doc="the end of the last period, exclusive"),
        Column("stations", "list", doc="station ids, sorted"),
        Column("imported", "time"),
        Column("seq", "int", doc="order of import; no result depends on it"),
    ),
    "imported count files, one immutable block each",
)

DECISIONS = Table(
    "decisions",
    ("decision_id",),
    (
        Column("decision_id", "int"),
        _text("kind"),
        _text("subject"),
        _text("reason", null=True),
        _text("who"),
        Column("at", "time"),
        Column("undoes", "float", required=False, nullable=True),
        Column("undone_by", "float", required=False, nullable=True),
    ),
    "what was decided, by whom, when and why",
)

CHANGES = Table(
    "changes",
    ("decision_id", "seq"),
    (
        Column("decision_id", "int"),
        Column("seq", "int"),
        _text("table_name"),
        _text("row_key", "JSON list"),
        _text("before", "JSON; null: there was no such row", null=True),
        _text("after", "JSON; null: the row was deleted", null=True),
    ),
    "rows that a decision changed",
)

RUNS = Table(
    "runs",
    ("run_id",),
    (
        _text("run_id"),
        _text("kind"),
        Column("year", "float", required=False, nullable=True),
        Column("adds", "bool", doc="adds to the earlier runs of its kind and year: an import"),
        _text("fingerprint", "topic=sha256 …, of what the result rests on"),
        _text("settings", "JSON"),
        _text("document", "JSON"),
        _text("who"),
        Column("finished", "time"),
    ),
    "results and what they rest on",
)

STORED: dict[str, Stored] = {
    s.name: s
    for s in (
        Stored(NETWORKS),
        _stored(tables.NODES, feature="POINT", point=("x", "y")),
        _stored(
            tables.LINKS,
            feature="LINESTRING",
            foreign=(Foreign(("from_node",), "nodes"), Foreign(("to_node",), "nodes")),
        ),
        _renamed(tables.NODES, "past_nodes", _NETWORK),
        _renamed(tables.LINKS, "past_links", _NETWORK),
        _stored(
            tables.CROSSWALK,
            _text("network_id", "the network that came in"),
            key=("network_id", *tables.CROSSWALK.key),
            foreign=(Foreign(("network_id",), "networks"),),
        ),
        _stored(
            tables.STATIONS,
            Column("state", "text", required=False, allowed=PLACEMENTS),
            Column("distance_m", "float", "m", required=False, nullable=True),
            _text("candidates", "JSON", null=True),
            feature="POINT",
            point=("lon", "lat"),
            defaults={"state": "unplaced"},
        ),
        _stored(
            tables.SURVEYS,
            defaults={"epoch": 1.0},
            foreign=(Foreign(("station_id",), "stations"),),
        ),
        _stored(tables.DAYS, _text("day_id"), key=("day_id",), hashed="day_id"),
        _stored(
            tables.DECLARATIONS,
            _text("declaration_id"),
            key=("declaration_id",),
            hashed="declaration_id",
        ),
        _stored(tables.SCREENLINES, feature="GEOMETRY"),
        _stored(tables.TURNS, _text("turn_id"), key=("turn_id",), hashed="turn_id"),
        Stored(FILES),
        _stored(
            tables.FLAGS,
            defaults={"state": "open"},
            foreign=(Foreign(("station_id",), "stations"),),
        ),
        Stored(DECISIONS),
        Stored(CHANGES, foreign=(Foreign(("decision_id",), "decisions"),)),
        Stored(RUNS),
        _stored(tables.ANNUAL, _RUN, key=("run_id", *tables.ANNUAL.key), foreign=_OF_RUN),
        _stored(tables.FLOWS, _RUN, key=("run_id", *tables.FLOWS.key), foreign=_OF_RUN),
        _stored(
            tables.SUSPECTS,
            _RUN,
            _text("suspect_id"),
            key=("run_id", "suspect_id"),
            hashed="suspect_id",
            foreign=_OF_RUN,
        ),
    )
}

# GeoPackage's own type names in feature tables, SQLite's in the plain ones (which are STRICT).
_FEATURE_TYPES: dict[Kind, str] = {
    "text": "TEXT",
    "int": "INTEGER",
    "float": "DOUBLE",
    "bool": "BOOLEAN",
    "date": "DATE",
    "time": "DATETIME",
    "list": "TEXT",
}
_PLAIN_TYPES: dict[Kind, str] = {
    "text": "TEXT",
    "int": "INTEGER",
    "float": "REAL",
    "bool": "INTEGER",
    "date": "TEXT",
    "time": "TEXT",
    "list": "TEXT",
    "geometry": "BLOB",
}


def quoted(name: str) -> str:
    """Return an SQL name in quotes; ours include ``count``, ``set`` and ``group``."""
    return f'"{name}"'


def ddl(stored: Stored) -> Iterator[str]:
    """Yield the statements that make one table."""
    lines = ["fid INTEGER PRIMARY KEY"]
    lines.extend(column_ddl(column, stored) for column in stored.table.columns)
    if stored.point:
        lines.append(f"geometry {stored.feature} CHECK (typeof(geometry) IN ('blob', 'null'))")
    lines.append(f"UNIQUE ({', '.join(map(quoted, stored.key))})")
    lines.extend(_foreign(foreign) for foreign in stored.foreign)
    strict = "" if stored.feature else " STRICT"
    yield f"CREATE TABLE {quoted(stored.name)} (\n  " + ",\n  ".join(lines) + f"\n){strict}"
    for foreign in stored.foreign:
        if foreign.columns != stored.key[: len(foreign.columns)]:
            index = quoted(f"{stored.name}_{foreign.columns[0]}")
            columns = ", ".join(map(quoted, foreign.columns))
            yield f"CREATE INDEX {index} ON {quoted(stored.name)} ({columns})"


def column_ddl(column: Column, stored: Stored) -> str:
    """Return how one column is stated when its table is made, or when it is added later."""
    null = "" if column.nullable and column.name not in stored.key else " NOT NULL"
    if not stored.feature:
        return f"{quoted(column.name)} {_PLAIN_TYPES[column.kind]}{null}"
    name = quoted(column.name)
    if column.kind == "geometry":
        return f"{name} {stored.feature}{null} CHECK (typeof({name}) = 'blob')"
    plain = _PLAIN_TYPES[column.kind].lower()
    may = f"'{plain}'" if null else f"'{plain}', 'null'"
    return f"{name} {_FEATURE_TYPES[column.kind]}{null} CHECK (typeof({name}) IN ({may}))"


def _foreign(foreign: Foreign) -> str:
    columns = ", ".join(map(quoted, foreign.columns))
    target = ", ".join(map(quoted, STORED[foreign.table].key))
    cascade = " ON DELETE CASCADE" if foreign.cascade else ""
    return (
        f"FOREIGN KEY ({columns}) REFERENCES {quoted(foreign.table)} ({target})"
        f"{cascade} DEFERRABLE INITIALLY DEFERRED"
    )


_FRAME_OF_GEOPACKAGE = (
    """CREATE TABLE gpkg_spatial_ref_sys (
  srs_name TEXT NOT NULL, srs_id INTEGER PRIMARY KEY, organization TEXT NOT NULL,
  organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT)""",
    """CREATE TABLE gpkg_contents (
  table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT UNIQUE,
  description TEXT DEFAULT '',
  last_change DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
  min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE, srs_id INTEGER,
  CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id))""",
    """CREATE TABLE gpkg_geometry_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, geometry_type_name TEXT NOT NULL,
  srs_id INTEGER NOT NULL, z TINYINT NOT NULL, m TINYINT NOT NULL,
  CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name),
  CONSTRAINT uk_gc_table_name UNIQUE (table_name),
  CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
  CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys (srs_id))""",
)  # the three tables as the standard prints them [OGC 12-128r18, annex C]


def create(connection: sqlite3.Connection) -> None:
    """Make every table of an empty register, inside the caller's transaction."""
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version = {GEOPACKAGE_VERSION}")
    connection.execute("CREATE TABLE schema_version (version INTEGER NOT NULL) STRICT")
    connection.execute("INSERT INTO schema_version VALUES (?)", (VERSION,))
    for statement in _FRAME_OF_GEOPACKAGE:
        connection.execute(statement)
    for name, srs_id in (("Undefined Cartesian SRS", -1), ("Undefined geographic SRS", 0)):
        connection.execute(
            "INSERT INTO gpkg_spatial_ref_sys VALUES (?, ?, 'NONE', ?, 'undefined', NULL)",
            (name, srs_id, srs_id),
        )
    add_srs(connection, "EPSG:4326")
    for stored in STORED.values():
        add_table(connection, stored)


def add_table(connection: sqlite3.Connection, stored: Stored) -> None:
    """Make one table and enter it among the contents of the GeoPackage."""
    for statement in ddl(stored):
        connection.execute(statement)
    connection.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, srs_id) "
        "VALUES (?, ?, ?, ?, ?)",
        (
            stored.name,
            "features" if stored.feature else "attributes",
            stored.name,
            stored.table.doc,
            WGS84 if stored.feature else None,
        ),
    )
    if stored.feature:
        connection.execute(
            "INSERT INTO gpkg_geometry_columns VALUES (?, 'geometry', ?, ?, 0, 0)",
            (stored.name, stored.feature, WGS84),
        )


def add_srs(connection: sqlite3.Connection, crs: Any) -> int:
    """Return the id of a coordinate reference system in the register, entering it when it is new.

    Parameters
    ----------
    crs : anything ``pyproj.CRS`` takes
        A code, WKT or a ``pyproj.CRS``.
    """
    import pyproj

    known = pyproj.CRS.from_user_input(crs)
    wkt = known.to_wkt("WKT1_GDAL")
    code = known.to_epsg()
    row = connection.execute(
        "SELECT srs_id FROM gpkg_spatial_ref_sys WHERE definition = ? OR srs_id = ?",
        (wkt, -2 if code is None else code),
    ).fetchone()
    if row:
        return int(row[0])
    (last,) = connection.execute(
        "SELECT max(srs_id) FROM gpkg_spatial_ref_sys WHERE srs_id >= ?", (FIRST_OWN_SRS,)
    ).fetchone()
    srs_id = code if code is not None else max(last or 0, FIRST_OWN_SRS - 1) + 1
    connection.execute(
        "INSERT INTO gpkg_spatial_ref_sys VALUES (?, ?, ?, ?, ?, NULL)",
        (known.name, srs_id, "EPSG" if code is not None else "NONE", srs_id, wkt),
    )
    return srs_id


def set_srs(connection: sqlite3.Connection, table: str, srs_id: int) -> None:
    """State the coordinate reference system of a feature table."""
    for frame in ("gpkg_contents", "gpkg_geometry_columns"):
        connection.execute(f"UPDATE {frame} SET srs_id = ? WHERE table_name = ?", (srs_id, table))
