"""The data people keep: plain files, a dictionary from the contracts, an id from the contents."""

from __future__ import annotations

import csv
import json

import geopandas as gpd
import pytest
from made_town import town

from countmap import tables
from countmap.errors import InvalidInput
from countmap.publish.data import dictionary, inert, write_data


@pytest.fixture(scope="module")
def content():
    return town(rows=8, columns=10, stations=40)


@pytest.fixture
def given(content):
    return {
        "stations": content.stations.assign(crew="A. Person", colour="red"),
        "annual": content.annual, "flows": content.flows, "flags": content.flags,
        "links": content.links.assign(from_node="n", to_node="m", length_m=1.0), "due": content.due,
    }  # fmt: skip


def rows(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_a_public_release_has_every_table_but_the_private(tmp_path, given):
    done = write_data(tmp_path, given, year=2025, about="from the tests")
    names = {p.name for p in tmp_path.iterdir()}
    assert names == {
        "stations.csv", "annual.csv", "flows.csv", "flags.csv", "links.csv", "links.geojson",
        "dictionary.csv", "countmap.gpkg", "release.json", "stations.parquet", "annual.parquet",
        "flows.parquet", "flags.parquet", "links.parquet",
    }  # fmt: skip
    assert done["left_out"] == ["due", "stations.crew", "stations.colour"]
    assert json.loads((tmp_path / "release.json").read_text())["release"] == done["release"]
    assert len(rows(tmp_path / "flows.csv")) == len(given["flows"])
    assert set(gpd.list_layers(tmp_path / "countmap.gpkg")["name"]) == {
        "annual", "dictionary", "flags", "flows", "links", "stations",
    }  # fmt: skip
    assert len(gpd.read_file(tmp_path / "countmap.gpkg", layer="links")) == len(given["links"])
    assert len(gpd.read_file(tmp_path / "links.geojson")) == len(given["links"])


def test_an_internal_release_keeps_people_and_plans(tmp_path, given):
    done = write_data(tmp_path, given, year=2025, audience="internal")
    assert done["left_out"] == []
    assert rows(tmp_path / "stations.csv")[0]["crew"] == "A. Person"
    assert (tmp_path / "due.csv").exists()


def test_the_figures_come_back_exactly(tmp_path, given):
    write_data(tmp_path, given, year=2025)
    read = {
        (row["station_id"], row["sense"], int(row["year"])): float(row["aadt"])
        for row in rows(tmp_path / "annual.csv")
    }
    assert read == given["annual"].set_index(["station_id", "sense", "year"])["aadt"].to_dict()


def test_the_id_is_a_hash_of_the_contents(tmp_path, given):
    first = write_data(tmp_path / "a", given, year=2025)
    turned = {name: frame.iloc[::-1] for name, frame in reversed(given.items())}
    assert write_data(tmp_path / "b", turned, year=2025)["release"] == first["release"]
    changed = given | {"annual": given["annual"].assign(aadt=given["annual"]["aadt"] + 1)}
    assert write_data(tmp_path / "c", changed, year=2025)["release"] != first["release"]
    assert write_data(tmp_path / "d", given, year=2024)["release"] != first["release"]


def test_what_an_earlier_release_left_is_removed_and_the_rest_stays(tmp_path, given):
    (tmp_path / "mine.txt").write_text("keep")
    write_data(tmp_path, given, year=2025)
    write_data(tmp_path, {"annual": given["annual"]}, year=2025)
    assert {p.name for p in tmp_path.iterdir()} == {
        "annual.csv", "annual.parquet", "dictionary.csv", "countmap.gpkg", "release.json",
        "mine.txt",
    }  # fmt: skip


def test_the_dictionary_says_what_the_contract_says(given):
    found = dictionary(given).set_index(["table", "column"])
    sense = found.loc[("flows", "sense")]
    assert sense["allowed"] == "with against both"
    assert bool(sense["key"])
    assert found.loc[("annual", "aadt"), "unit"] == "vehicles/day"
    assert found.loc[("stations", "colour"), "meaning"] == "beyond the contract"
    for name, table in (("annual", tables.ANNUAL), ("flows", tables.FLOWS)):
        present = set(given[name].columns) & set(table.names)
        assert {c for t, c in found.index if t == name} >= present


# OWASP, "CSV Injection": = + - @ tab and carriage return at the start of a cell (from memory).
@pytest.mark.parametrize(
    "cell", ["=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "\t=1", "\r=1", "＝1"]
)
def test_no_cell_is_a_formula(tmp_path, given, cell):
    assert inert(cell) == f"'{cell}"
    stations = given["stations"].assign(name=cell, colour=None)
    write_data(tmp_path, {"stations": stations}, year=2025)
    assert {row["name"] for row in rows(tmp_path / "stations.csv")} == {
        f"'{cell}".replace("\r", "\n")
    }


@pytest.mark.parametrize("cell", ["-3.5", "+12", "-4,5", "Mill Street", "a=b", ""])
def test_numbers_and_plain_words_stay(cell):
    assert inert(cell) == cell


def test_refusals(tmp_path, given):
    with pytest.raises(InvalidInput, match=r"table name '\.\./x' cannot be a file name"):
        write_data(tmp_path, {"../x": given["annual"]}, year=2025)
    with pytest.raises(InvalidInput, match="there is no table to write for this audience"):
        write_data(tmp_path, {"due": given["due"]}, year=2025)
    with pytest.raises(InvalidInput, match="audience must be public or internal, got 'all'"):
        write_data(tmp_path, given, year=2025, audience="all")
