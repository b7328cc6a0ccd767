"""Files made to harm: bombs, paths, formulas, SQL, giants, nesting. Each by its name, each ends in one line."""

from __future__ import annotations

import csv
import sqlite3
import zipfile
from contextlib import closing

import geopandas as gpd
import made_store
import numpy as np
import openpyxl
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import shapely

from countmap.errors import InvalidInput, NotFound
from countmap.formats import counts_csv, gmns, layouts, limits, lines, osm, pulses, records, sheets
from countmap.jobs.common import open_workspace
from countmap.store import queries, verify
from countmap.store.settings import read_settings

OWN = "station_id,direction,start,minutes,count\n"


def refusal(act, *args, **options):
    with pytest.raises(InvalidInput) as refused:
        act(*args, **options)
    return str(refused.value)


def test_a_zip_bomb_in_the_dress_of_a_spreadsheet(tmp_path):
    path = tmp_path / "bomb.xlsx"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", "<workbook/>")
        archive.writestr("xl/worksheets/sheet1.xml", b"0" * 60_000_000)
    assert path.stat().st_size < 100_000
    said = refusal(counts_csv.read, path)
    assert said.startswith("bomb.xlsx: would unpack to 1,0")
    assert said.endswith(
        "times its size, more than 200. Save it anew, or raise ratio under [limits] in countmap.toml"
    )


def test_a_zip_that_states_more_than_it_may_unpack_to(tmp_path):
    path = tmp_path / "big.xlsx"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("xl/workbook.xml", np.random.default_rng(1).bytes(3_000_000))
    said = refusal(sheets.as_csv, path, limits=limits.Limits(unpacked_mb=2))
    assert said == (
        "big.xlsx: would unpack to 3 MB, more than 2. Split it, or raise unpacked_mb under [limits] "
        "in countmap.toml"
    )


def test_a_parquet_bomb(tmp_path):
    path = tmp_path / "bomb.parquet"
    rows = 2_000_000
    tubes = pa.DictionaryArray.from_arrays(pa.array(np.zeros(rows, "int32")), ["A"])
    pq.write_table(pa.table({"time_us": np.zeros(rows, "int64"), "tube": tubes}), path)
    assert path.stat().st_size < 50_000
    said = refusal(limits.check_parquet, path, limits.Limits(unpacked_mb=5))
    assert said.startswith("bomb.parquet: would unpack to 32 MB, more than 5.")
    damaged = tmp_path / "cut.parquet"
    damaged.write_bytes(path.read_bytes()[:-9])
    assert refusal(lambda: list(pulses.chunks(damaged))) == (
        "cut.parquet: is no whole Parquet file. Fetch it again"
    )


def test_a_path_that_leaves_its_archive(tmp_path):
    path = tmp_path / "roads.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("../../home/roads.geojson", "{}")
    assert refusal(lines.read, path) == (
        "roads.zip: names '../../home/roads.geojson', a place outside itself. Do not use this file"
    )


@pytest.mark.parametrize(
    "name", ["x;rm -rf ~.csv", "..%2f..%2fx.csv", "'; DROP TABLE files; --.csv", "..csv"]
)
def test_a_hostile_file_name_stays_a_name(tmp_path, name):
    ws = made_store.workspace(tmp_path / "w")
    made_store.add(ws, made_store.periods("2025-01-01", [1.0]), name)
    (block,) = (ws.path / "counts").iterdir()
    assert block.parent == ws.path / "counts"
    assert block.name[:-21].replace("-", "").isalnum()
    assert ws.register.frame("files")["name"].tolist() == [name]
    assert len(queries.periods(ws)) == 1
    assert verify.check(ws.register, ws.blocks) == []


def test_a_register_that_names_a_block_outside_its_folder(tmp_path):
    ws = made_store.workspace(tmp_path / "w")
    made_store.add(ws, made_store.periods("2025-01-01", [1.0]), "a.csv")
    for place in ("/etc/passwd", "../secret.parquet", "counts/../../x.parquet"):
        with closing(sqlite3.connect(ws.register.path)) as connection, connection:
            connection.execute("UPDATE files SET block = ?", (place,))
        said = refusal(queries.periods, ws)
        assert said.startswith(
            f"the register names {place!r} as the counts of a.csv, a place outside"
        )


def test_formulas_are_neutralised_where_a_spreadsheet_may_open_them(countmap, tmp_path):
    ws = made_store.workspace(tmp_path / "w")
    path = tmp_path / "c.csv"
    cells = ["=cmd|' /C calc'!A0", "+1+1", "@SUM(A1)", "-2+3"]
    path.write_text(
        OWN + "".join(f'S1,with,2025-03-04T0{i}:00,60,"{c}"\n' for i, c in enumerate(cells))
    )
    assert countmap("counts", "import", path, "-w", ws.path).code == 1
    with (ws.path / "rejects.csv").open(newline="") as file:
        written = [row["value"] for row in csv.DictReader(file)]
    assert written == [f"'{cell}" for cell in cells]


def test_a_formula_in_a_spreadsheet_of_ours_is_text(tmp_path):
    sheets.write(pd.DataFrame({"name": ["=1+1"]}), tmp_path / "x.xlsx")
    cell = openpyxl.load_workbook(tmp_path / "x.xlsx").active["A2"]
    assert (cell.data_type, cell.value) == ("s", "=1+1")


@pytest.mark.parametrize("layer", ['roads"; DROP TABLE stations; --', "roads' OR '1'='1", "a]b[c"])
def test_sql_in_a_layer_name_is_a_name(tmp_path, layer):
    line = shapely.LineString([(9, 48), (9.01, 48)])
    gpd.GeoDataFrame({"link_id": ["l1"]}, geometry=[line], crs=4326).to_file(
        tmp_path / "x.gpkg", layer=layer
    )
    assert lines.read(tmp_path / "x.gpkg")["link_id"].tolist() == ["l1"]
    assert lines.read(tmp_path / "x.gpkg", layer=layer)["link_id"].tolist() == ["l1"]
    with pytest.raises(NotFound, match="has no layer"):
        lines.read(tmp_path / "x.gpkg", layer="x'; --")


@pytest.mark.parametrize("name", ["'; DROP TABLE stations; --", 'a"b', "S1' OR '1'='1"])
def test_sql_in_an_id_is_an_id(tmp_path, name):
    ws = made_store.workspace(tmp_path / "w")
    with ws.register.transaction() as writing:
        writing.decide(
            "name", name, name, {"stations": pd.DataFrame({"station_id": [name], "name": [name]})}
        )
    made_store.add(ws, made_store.periods("2025-01-01", [7.0], station=name), "a.csv")
    assert queries.periods(ws, stations=[name])["count"].tolist() == [7.0]
    assert ws.register.frame("stations", station_id=[name])["name"].tolist() == [name]
    assert len(ws.register.frame("stations")) == 4


def test_a_giant_field(tmp_path):
    path = tmp_path / "c.csv"
    path.write_text(OWN + "S1,with,2025-03-04T07:00,60," + "9" * 3_000_000 + "\n")
    assert refusal(counts_csv.read, path) == (
        "c.csv:2: a line of 3,000,028 signs is no row of a table. Check the file, or raise field_chars "
        "under [limits] in countmap.toml"
    )


def test_more_columns_than_a_table_has(tmp_path):
    path = tmp_path / "c.csv"
    path.write_text(",".join(f"c{i}" for i in range(3000)) + "\n" + ",".join("1" * 3000) + "\n")
    assert refusal(records.read, path) == (
        "c.csv:1: has 3,000 columns, more than 2,000. Check that it is the right file, or raise columns "
        "under [limits] in countmap.toml"
    )


def test_limits_are_settings_with_one_clear_line(countmap, tmp_path):
    ws = made_store.workspace(tmp_path / "w")
    settings = ws.path / "countmap.toml"
    settings.write_text(settings.read_text().replace("[limits]", "[limits]\nfile_mb = 0.00001"))
    assert read_settings(settings).limits.file_mb == 0.00001
    (tmp_path / "c.csv").write_text(OWN + "S1,with,2025-03-04T07:00,60,5\n")
    ended = countmap("counts", "import", tmp_path / "c.csv", "-w", ws.path)
    assert (ended.code, ended.err) == (
        1,
        "countmap: c.csv: has 0 MB, more than 1e-05. Split it, or raise file_mb under [limits] in countmap.toml\n",
    )
    settings.write_text(settings.read_text().replace("file_mb = 0.00001", "ratio = 0.5"))
    assert "limits.ratio: Input should be greater than 1 (got 0.5)" in refusal(
        open_workspace, ws.path
    )


def test_nesting_without_end(tmp_path):
    deep = tmp_path / "deep.geojson"
    deep.write_text("[" * 100_000)
    assert "deep.geojson" in refusal(lines.read, deep)
    toml = tmp_path / "deep.toml"
    toml.write_text("a = " + "[" * 5000)
    assert refusal(layouts.load, toml) == "deep.toml: is nested too deeply. Correct it"


def test_entities_that_multiply(tmp_path):
    path = tmp_path / "lol.osm"
    entities = '<!ENTITY a0 "ha">' + "".join(
        f'<!ENTITY a{i} "{f"&a{i - 1};" * 10}">' for i in range(1, 12)
    )
    path.write_text(
        f'<?xml version="1.0"?><!DOCTYPE osm [{entities}]><osm version="0.6"><way id="1"><nd ref="1"/>'
        '<tag k="highway" v="&a11;"/></way></osm>'
    )
    assert refusal(osm.read, path).startswith("lol.osm: cannot be read as OpenStreetMap data")


def test_a_folder_of_another_standard_cannot_reach_outside_itself(tmp_path):
    gmns.write(*made_store.roads(), tmp_path / "g")
    text = (tmp_path / "g" / "link.csv").read_text()
    (tmp_path / "g" / "link.csv").write_text(text.replace("l0", "../../l0"))
    assert "../../l0" in set(gmns.read(tmp_path / "g")["link_id"])  # an id is an id, never a path


@pytest.mark.parametrize("number", ["9" * 20, "9" * 300, "3000000000"])
def test_a_number_no_counter_can_reach(countmap, tmp_path, number):
    ws = made_store.workspace(tmp_path / "w")
    (tmp_path / "c.csv").write_text(OWN + f"S1,with,2025-03-04T07:00,60,{number}\n")
    ended = countmap("counts", "import", tmp_path / "c.csv", "-w", ws.path)
    assert (ended.code, ended.err) == (
        1,
        f"countmap: c.csv:2: count {float(number):g} is more than any counter counts. Correct the row\n",
    )
    assert ws.register.frame("files").empty
