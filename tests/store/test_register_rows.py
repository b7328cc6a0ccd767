"""Rows go in and come out with exactly the types of the contracts; broken ones stay out."""

from __future__ import annotations

import geopandas as gpd
import made_store
import numpy as np
import pandas as pd
import pytest
import shapely
from pandas.testing import assert_frame_equal

from countmap import tables
from countmap.errors import Conflict, InvalidInput, NotFound
from countmap.store.schema import STORED

SAMPLES = {
    "text": ["one", "two"],
    "int": [2025, 7],
    "float": [1.5, 1.0],
    "bool": [True, False],
    "date": pd.to_datetime(["2025-03-04", "1969-12-31"]).as_unit("us"),
    "time": pd.to_datetime(
        ["2025-03-04T07:15:00Z", "1969-12-31T23:59:59.000001Z"], format="ISO8601"
    ).as_unit("us"),
    "list": [["a", "b"], []],
}


def sample(stored):
    """Return two valid rows of a table: all columns in the first, the nullable ones null in the second."""
    columns = {}
    for column in stored.table.columns:
        if column.kind == "geometry":
            columns[column.name] = [
                shapely.LineString([(0, 0), (9, 1.5)]),
                shapely.LineString([(0, 0), (1, 1)]),
            ]
            continue
        values = list(SAMPLES[column.kind])
        if column.allowed:
            values = [column.allowed[0], column.allowed[-1]]
        elif column.name in (
            "lower",
            "level",
            "share",
            "value",
            "count_error",
            "redundancy",
            "posterior",
        ):
            values = [0.5, 0.25]
        elif column.name == "year" and column.kind == "int":
            values = [2025, 2026]
        if column.nullable and column.name not in stored.key:
            values[1] = None
        columns[column.name] = values
    frame = pd.DataFrame(columns)
    for column in stored.table.columns:
        frame[column.name] = frame[column.name].astype(
            {
                "text": "str",
                "float": "float64",
                "date": "datetime64[us]",
                "time": "datetime64[us, UTC]",
            }.get(column.kind, frame[column.name].dtype)
        )
    return frame


def prepared(writing, stored):
    """Put the rows that the foreign keys of a sample ask for."""
    for foreign in stored.foreign:
        if foreign.table == "nodes":
            writing.add_network(
                pd.DataFrame({"node_id": ["one", "two"], "x": [0.0, 1.0], "y": [0.0, 1.0]}),
                made_store.roads()[1].head(0),
            )
        elif foreign.table in ("stations", "networks", "runs", "decisions"):
            writing.put(foreign.table, sample(STORED[foreign.table]))


@pytest.mark.parametrize("name", sorted(STORED))
def test_every_table_comes_back_as_it_went_in(tmp_path, name):
    ws = made_store.init_workspace(tmp_path / "w", "UTC")
    stored = STORED[name]
    wanted = sample(stored).sort_values(list(stored.key), ignore_index=True)
    with ws.register.transaction() as writing:
        prepared(writing, stored)
        if name == "decisions":
            wanted["decision_id"] = [1, 2]
        if name == "changes":
            wanted["decision_id"] = [2025, 7]
            wanted = wanted.sort_values(list(stored.key), ignore_index=True)
        writing.put(name, wanted.iloc[::-1])
    found = ws.register.frame(name)
    if "geometry" in found:
        assert found.geometry.geom_equals(
            gpd.GeoSeries(wanted.pop("geometry"), crs=found.crs)
        ).all()
        found = pd.DataFrame(found).drop(columns="geometry")
    assert_frame_equal(found, wanted)


@pytest.mark.parametrize("name", sorted(STORED))
def test_an_empty_table_has_the_types_of_its_contract(tmp_path, name):
    ws = made_store.init_workspace(tmp_path / "w", "UTC")
    stored = STORED[name]
    found = ws.register.frame(name)
    expected = tables.empty(stored.table).dtypes.astype(str).to_dict()
    kinds = {n: str(t) for n, t in found.dtypes.items()}
    assert {n: t for n, t in kinds.items() if t != "geometry"} == {
        n: t for n, t in expected.items() if stored.table.column(n).kind != "geometry"
    }


def test_links_come_back_with_their_crs(tmp_path):
    ws = made_store.workspace(tmp_path / "w")
    links = ws.register.frame("links")
    assert isinstance(links, gpd.GeoDataFrame)
    assert links.crs == made_store.UTM32
    assert links.geometry.iloc[1].equals(shapely.LineString([(100, 0), (250, 0)]))
    assert links["roundabout"].tolist() == [True, None]


def test_a_network_without_a_code_keeps_its_crs(tmp_path):
    ws = made_store.init_workspace(tmp_path / "w", "UTC")
    nodes, links = made_store.roads()
    own = "+proj=tmerc +lat_0=48 +lon_0=9.3 +k=1 +x_0=0 +y_0=0 +ellps=GRS80 +units=m +type=crs"
    with ws.register.transaction() as writing:
        writing.add_network(nodes, links.set_crs(own, allow_override=True))
    assert ws.register.frame("links").crs.equals(own)
    assert gpd.read_file(ws.register.path, layer="links").crs.equals(own)


def test_put_changes_only_the_columns_that_are_there(tmp_path):
    ws = made_store.workspace(tmp_path / "w")
    with ws.register.transaction() as writing:
        writing.put("stations", pd.DataFrame({"station_id": ["S1", "S4"], "road": ["A1", "A4"]}))
    found = ws.register.frame("stations").set_index("station_id")
    assert found.loc["S1", ["name", "road", "lon"]].tolist() == ["Mill Lane", "A1", 9.0]
    assert found.loc["S4", "state"] == "unplaced"
    assert found["same_way"].tolist() == [True, None, None, None]


def test_replace_leaves_no_other_row(tmp_path):
    ws = made_store.workspace(tmp_path / "w")
    with ws.register.transaction() as writing:
        writing.replace("stations", made_store.stations().tail(1))
    assert ws.register.frame("stations")["station_id"].tolist() == ["S3"]


def test_rows_without_a_key_are_named_by_their_content(tmp_path):
    ws = made_store.workspace(tmp_path / "w")
    days = pd.DataFrame(
        {
            "first": pd.to_datetime(["2025-12-24", "2025-08-01"]).as_unit("us"),
            "last": pd.to_datetime(["2025-12-26", "2025-08-14"]).as_unit("us"),
            "kind": ["event", "closure"],
        }
    )
    with ws.register.transaction() as writing:
        writing.put("days", days)
        writing.put("days", days.iloc[::-1].assign(name=None))
    found = ws.register.frame("days")
    assert len(found) == 2
    assert found["day_id"].str.len().eq(12).all()


def test_a_filter_takes_one_value_or_several(tmp_path):
    ws = made_store.workspace(tmp_path / "w")
    assert ws.register.frame("stations", station_id="S2")["lat"].tolist() == [48.001]
    assert len(ws.register.frame("stations", station_id=["S1", "S3", "none"])) == 2
    assert len(ws.register.frame("stations", name=None)) == 1


def test_an_unknown_table_or_column_is_refused(tmp_path):
    ws = made_store.workspace(tmp_path / "w")
    with pytest.raises(NotFound, match="table 'station' is not in the register; it has annual, "):
        ws.register.frame("station")
    with pytest.raises(NotFound, match="stations has no column 'colour'"):
        ws.register.frame("stations", colour="red")


def test_a_broken_row_is_refused_and_nothing_is_changed(tmp_path):
    ws = made_store.workspace(tmp_path / "w")
    before = ws.register.frame("stations")
    bad = pd.DataFrame({"station_id": ["S9", "S8"], "lon": [9.0, 409.0], "lat": [48.0, 48.0]})
    with pytest.raises(InvalidInput) as caught, ws.register.transaction() as writing:  # noqa: PT012  # two puts
        writing.put("stations", made_store.stations().assign(road="new"))
        writing.put("stations", bad)
    assert str(caught.value) == "stations: lon must be at most 180, got '409.0' in row 1"
    assert_frame_equal(ws.register.frame("stations"), before)


def test_a_row_that_points_at_nothing_is_named(tmp_path):
    ws = made_store.workspace(tmp_path / "w")
    flag = pd.DataFrame({"survey_id": ["V1"], "station_id": ["S99"]})
    with pytest.raises(Conflict) as caught, ws.register.transaction() as writing:
        writing.put("surveys", flag)
    assert str(caught.value) == (
        "surveys V1 1.0: station_id 'S99' is not in stations; nothing was changed"
    )
    assert ws.register.frame("surveys").empty


def test_a_new_network_keeps_the_old_links(tmp_path):
    ws = made_store.workspace(tmp_path / "w")
    nodes, links = made_store.roads()
    with ws.register.transaction() as writing:
        assert writing.add_network(nodes.head(2), links.head(1), "next year") == "2"
    past = ws.register.frame("past_links", network_id="1")
    assert past["link_id"].tolist() == ["l0", "l1"]
    assert past.geometry.iloc[1].equals(links.geometry.iloc[1])
    assert ws.register.frame("links")["link_id"].tolist() == ["l0"]
    assert ws.register.frame("networks")["active"].tolist() == [False, True]


def test_only_one_transaction_writes(tmp_path, monkeypatch):
    monkeypatch.setattr("countmap.store.reading.BUSY_S", 0.05)
    ws = made_store.workspace(tmp_path / "w")
    with (
        ws.register.transaction(),
        pytest.raises(
            Conflict,
            match=r"^register.gpkg is being written by another process; try again when it is done$",
        ),
        ws.register.transaction(),
    ):
        pass


def test_a_full_disk_is_one_line_and_nothing_is_changed(tmp_path):
    ws = made_store.workspace(tmp_path / "w")
    many = pd.DataFrame({"station_id": [f"T{i:05d}" for i in range(5000)], "name": "x" * 100})
    with pytest.raises(Conflict) as caught, ws.register.transaction() as writing:  # noqa: PT012  # two steps
        writing.connection.execute("PRAGMA max_page_count = 100")
        writing.put("stations", many)
    assert str(caught.value) == "register.gpkg: database or disk is full; nothing was changed"
    assert len(ws.register.frame("stations")) == 3


def test_links_in_another_crs_are_projected(tmp_path):
    ws = made_store.workspace(tmp_path / "w")
    _, links = made_store.roads()
    with ws.register.transaction() as writing:
        writing.put("links", links.to_crs(25833))
    found = ws.register.frame("links").geometry.iloc[0]
    assert np.allclose(shapely.get_coordinates(found), [(0, 0), (100, 0)], atol=1e-3)
