"""A register of an older schema is copied, then brought up to date whole or not at all."""

from __future__ import annotations

import sqlite3
from contextlib import closing

import made_store
import pandas as pd
import pytest

from countmap.errors import Conflict, InvalidInput
from countmap.store import migrations, schema
from countmap.store.reading import connect
from countmap.workspace import open_workspace


@pytest.fixture
def ws(tmp_path):
    return made_store.workspace(tmp_path / "w", with_roads=False)


def version(path):
    with closing(connect(path)) as connection:
        return migrations.version(connection, path)


def add_column(connection):
    connection.execute("ALTER TABLE stations ADD COLUMN colour TEXT")


def test_a_step_is_taken_after_a_backup(ws):
    path, now = ws.register.path, schema.VERSION
    saved = migrations.migrate(path, {now: add_column}, now + 1)
    assert saved == path.with_name(f"register-v{now}.gpkg")
    assert (version(saved), version(path)) == (now, now + 1)
    with closing(sqlite3.connect(saved)) as old, closing(sqlite3.connect(path)) as new:
        assert old.execute("SELECT count(*) FROM stations").fetchone() == (3,)
        assert new.execute("SELECT count(*), count(colour) FROM stations").fetchone() == (3, 0)
    assert migrations.migrate(path, {}, now + 1) is None


def test_a_step_that_fails_changes_nothing(ws):
    def broken(connection):
        add_column(connection)
        raise sqlite3.OperationalError("no")

    path, now = ws.register.path, schema.VERSION
    with pytest.raises(sqlite3.OperationalError):
        migrations.migrate(path, {now: broken}, now + 1)
    assert version(path) == now
    assert len(ws.register.frame("stations")) == 3


def test_a_missing_step_is_refused_before_the_backup(ws):
    now = schema.VERSION
    with pytest.raises(Conflict, match=f"there is no step from schema version {now}"):
        migrations.migrate(ws.register.path, {}, now + 1)
    assert not list(ws.path.glob("register-v*"))


def test_a_newer_register_is_refused(ws):
    with closing(sqlite3.connect(ws.register.path)) as connection, connection:
        connection.execute("UPDATE schema_version SET version = 99")
    wanted = f"register.gpkg has schema version 99, this countmap knows {schema.VERSION}; update countmap"
    with pytest.raises(Conflict, match=wanted):
        open_workspace(ws.path)
    with pytest.raises(Conflict, match=wanted):
        ws.register.frame("stations")


def test_another_sqlite_file_is_not_a_register(ws, tmp_path):
    other = tmp_path / "other.gpkg"
    with closing(sqlite3.connect(other)) as connection, connection:
        connection.execute("CREATE TABLE t (a)")
    with pytest.raises(
        InvalidInput, match=r"other.gpkg is not a countmap register \(no such table"
    ):
        migrations.migrate(other)
    other.write_text("text")
    with pytest.raises(InvalidInput, match=r"other.gpkg is not a countmap register"):
        migrations.migrate(other)


def older(ws):
    """Take from a register what the contracts gained later, as an older countmap left it."""
    with closing(sqlite3.connect(ws.register.path)) as connection, connection:
        for column in ("used_spacing_ab_m", "air_c"):
            connection.execute(f"ALTER TABLE surveys DROP COLUMN {column}")
        connection.execute("ALTER TABLE stations DROP COLUMN candidates")
        connection.execute("DROP TABLE turns")
        connection.execute("DELETE FROM gpkg_contents WHERE table_name = 'turns'")


def test_tables_and_columns_that_came_later_are_added_after_a_backup(ws):
    survey = pd.DataFrame({"survey_id": ["V1"], "station_id": ["S1"], "width_m": [7.0]})
    with ws.register.transaction() as writing:
        writing.put("surveys", survey)
    older(ws)
    again = open_workspace(ws.path)
    kept = ws.path / f"register-v{schema.VERSION}.gpkg"
    assert kept.is_file()
    surveys = again.register.frame("surveys")
    assert surveys[["survey_id", "width_m"]].to_numpy().tolist() == [["V1", 7.0]]
    assert surveys[["used_spacing_ab_m", "air_c"]].isna().all(axis=None)
    assert again.register.frame("turns").empty
    with again.register.transaction() as writing:
        writing.put("surveys", survey.assign(air_c=21.0))
    assert again.register.frame("surveys")["air_c"].tolist() == [21.0]
    assert migrations.migrate(ws.register.path) is None
    assert len(list(ws.path.glob("register-v*"))) == 1


def test_a_second_backup_leaves_the_first_alone(ws):
    older(ws)
    open_workspace(ws.path)
    first = (ws.path / f"register-v{schema.VERSION}.gpkg").read_bytes()
    older(ws)
    open_workspace(ws.path)
    assert (ws.path / f"register-v{schema.VERSION}.gpkg").read_bytes() == first
    assert (ws.path / f"register-v{schema.VERSION}-2.gpkg").is_file()


def test_a_decision_of_an_older_register_can_be_undone(ws):
    with closing(sqlite3.connect(ws.register.path)) as connection, connection:
        connection.execute("PRAGMA foreign_keys = ON")
    with ws.register.transaction() as writing:
        writing.decide(
            "name", "S1", "", {"stations": made_store.stations().iloc[:1].assign(name="Quay Road")}
        )
    with closing(sqlite3.connect(ws.register.path)) as connection, connection:
        connection.execute("ALTER TABLE stations DROP COLUMN candidates")
        for column in ("before", "after"):
            connection.execute(
                f"UPDATE changes SET {column} = json_remove({column}, '$.candidates')"
            )
    again = open_workspace(ws.path)
    again.register.undo(1)
    assert again.register.frame("stations", station_id="S1")["name"].item() == "Mill Lane"
