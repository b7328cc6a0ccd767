"""Releases: an id of the inputs, what is public, what changed between two."""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest

from countmap.errors import InvalidInput, NotFound
from countmap.jobs import annual, balance, flags, publish, releases, stations
from countmap.publish import compare as comparing
from countmap.store import queries

PARQUET_MAGIC = b"PAR1"  # Apache Parquet format, "File Format"


def test_the_id_is_of_the_inputs_and_of_what_rests_on_them(town, worked):
    before = releases.release_id(town, 2025)
    from countmap.jobs.common import open_workspace

    assert releases.release_id(open_workspace(worked[0]), 2025) == before, "wherever it lies"
    assert releases.release_id(town, 2024) != before
    flag = town.register.frame("flags", state="open").iloc[0]["flag_id"]
    flags.decide(town, flag, "accepted", reason="known")
    after = releases.release_id(town, 2025)
    assert after != before
    flags.decide(town, flag, "excluded", reason="known")
    assert releases.release_id(town, 2025) not in (before, after)


def test_the_data_come_as_parquet_by_its_standard(town, tmp_path):
    """GeoParquet 1.1: the key `geo` of the file's metadata names version, column, encoding, CRS."""
    import pyarrow.parquet as pq

    done = releases.data(town, year=2025, out=tmp_path / "out")
    file = tmp_path / "out" / "links.parquet"
    assert file.read_bytes()[:4] == file.read_bytes()[-4:] == PARQUET_MAGIC
    told = json.loads(pq.read_schema(file).metadata[b"geo"])
    assert told["version"] == "1.1.0"
    assert told["primary_column"] == "geometry"
    assert told["columns"]["geometry"]["encoding"] == "WKB"
    assert told["columns"]["geometry"]["crs"]["id"] == {"authority": "EPSG", "code": 4326}
    assert gpd.read_parquet(file).total_bounds == pytest.approx(
        gpd.read_file(tmp_path / "out" / "links.geojson").total_bounds, abs=1e-6
    )
    assert done["release"] == releases.release_id(town, 2025)
    assert [one["release"] for one in releases.recorded(town)] == [done["release"]]


PLANNED = {"station_id": "S99", "name": "Secret Lane", "kind": "short", "lon": 6.87, "lat": 54.4}
OUTSIDE = {
    "survey_id": "S98-26", "epoch": 1.0, "station_id": "S98", "counter_id": "T7",
    "started": "2026-01-12T09:00", "ended": None,
}  # fmt: skip


def put(town, table, *records):
    known = town.register.frame(table)
    rows = pd.DataFrame(list(records)).reindex(columns=known.columns).astype(known.dtypes)
    with town.register.transaction() as tx:
        tx.put(table, rows)


@pytest.fixture
def with_plans(town):
    """Return a town with a station that was never counted and one where a counter stands now."""
    put(town, "stations", PLANNED | {"state": "placed"},
        PLANNED | {"state": "placed", "station_id": "S98", "name": "Standing Row"})  # fmt: skip
    put(town, "surveys", OUTSIDE)
    return town


def test_public_data_say_nothing_of_planned_and_current_places_nor_of_people(with_plans, tmp_path):
    assert releases.not_public(with_plans) == {"S98", "S99"}
    public = releases.data(with_plans, year=2025, out=tmp_path / "public")
    whole = b"".join(
        f.read_bytes() for f in (tmp_path / "public").iterdir() if f.suffix != ".parquet"
    )
    for secret in (b"S98", b"S99", b"Secret Lane", b"Standing Row", b"T7"):
        assert secret not in whole, secret
    assert {"surveys", "decisions"} <= set(public["left_out"])
    releases.data(with_plans, year=2025, audience="internal", out=tmp_path / "own")
    own = pd.read_csv(tmp_path / "own" / "stations.csv")
    assert {"S98", "S99"} <= set(own["station_id"])
    assert "T7" in set(pd.read_csv(tmp_path / "own" / "surveys.csv")["counter_id"])
    decisions = pd.read_csv(tmp_path / "own" / "decisions.csv")
    assert decisions["who"].notna().all()


def test_a_public_map_holds_no_test_that_names_a_place_where_a_counter_stands(town):
    """Of a count taken in an open survey even the sums that it enters tell where it is."""
    content = publish.map_content(town, year=2025)
    inside = next(i for i in content.junctions["members"].str.split().explode() if i[0] == "S")
    beside = content.junctions["members"].str.split().map(lambda ids: inside in ids)
    begun = queries.day_totals(town, stations=[inside])["date"].min()
    put(town, "surveys", OUTSIDE | {"station_id": inside, "started": f"{begun:%Y-%m-%d}T00:00"})
    assert inside in releases.not_public(town)
    public = releases.public_content(town, content)
    assert beside.any()
    assert public.junctions["junction_id"].tolist() == (
        content.junctions.loc[~beside, "junction_id"].tolist()
    )
    own = publish.map_content(town, year=2025, audience="internal")
    assert len(releases.public_content(town, own).junctions) == len(content.junctions)


def test_a_folder_written_for_the_house_is_not_compared_in_public(with_plans, tmp_path):
    releases.data(with_plans, year=2025, audience="internal", out=tmp_path / "own")
    own = f"{tmp_path / 'own'}"
    with pytest.raises(InvalidInput, match="was written for the house") as refused:
        releases.compare(with_plans, own, "latest")
    assert "S98" not in str(refused.value)
    found = releases.compare(with_plans, own, "latest", audience="internal")
    assert found["stations"]["moved"] == []


def test_vehicle_records_are_for_the_house_alone(town, tmp_path):
    from countmap.store import queries

    records = town.path / "vehicles" / "s33-25-0a1b2c.parquet"
    records.parent.mkdir()
    records.write_bytes(b"every vehicle by itself")
    rows = queries.periods(town, "2025-09-10", "2025-09-17", ["S33"])
    block = town.blocks.write(rows, "S33-25.csv")
    with town.register.transaction() as tx:
        tx.add_file("vehicles/s33-25-0a1b2c.parquet", "0" * 64, None, block)
    out = tmp_path / "out"
    own = releases.data(town, year=2025, audience="internal", out=out)
    kept = out / "vehicles-s33-25-0a1b2c.parquet"
    assert kept.read_bytes() == records.read_bytes()
    assert kept.name in {file["name"] for file in own["files"]}
    public = releases.data(town, year=2025, out=out)
    assert not kept.exists(), "what the release before left in the folder goes as well"
    assert kept.name in public["left_out"]


def test_compare_finds_what_was_decided_retired_and_moved(town):
    first = releases.record(town, 2025)
    excluded = town.register.frame("flags", state="excluded", rule="zero_run")
    for flag_id in excluded["flag_id"]:
        flags.decide(town, flag_id, "accepted", reason="the road was closed: zeros are right")
    stations.retire(town, "S12", on="2025-12-01", reason="closed")
    annual.estimate(town, year=2025)
    balance.run(town, year=2025)
    second = releases.record(town, 2025)
    found = releases.compare(town, first, second, html=True)
    assert found["retired"] == [{"id": "S12", "last": "1 Dec 2025"}]
    told = {(one["flag_id"], one["old"], one["new"]) for one in found["decisions"]}
    assert told == {(flag_id, "excluded", "accepted") for flag_id in excluded["flag_id"]}
    moved = {one["id"]: one for one in found["stations"]["moved"]}
    one = moved[excluded["station_id"].iloc[0]]
    assert one["new"] < one["old"], "zeros that count move the average"
    assert one["beyond"] == (not one["old_lower"] <= one["new"] <= one["old_upper"])
    assert "Retired: S12." in found["lines"]
    assert one["id"] in Path(found["files"][0]).read_text("utf-8")
    assert releases.compare(town, second, second)["stations"]["moved"] == []


def test_a_release_is_found_by_its_beginning_or_its_folder(town, tmp_path):
    done = releases.data(town, year=2025, out=tmp_path / "out")
    whole = done["release"]
    by_folder = releases.compare(town, whole[:6], str(tmp_path / "out"))
    assert by_folder["new"]["release"] == whole
    assert by_folder["stations"]["moved"] == []
    assert by_folder["links"]["moved"] == []
    with pytest.raises(NotFound, match=f"there is no release 'r-none'; recorded are {whole}"):
        releases.compare(town, "r-none", whole)
    (tmp_path / "out" / "release.json").unlink()
    with pytest.raises(InvalidInput, match=r"holds no whole release \(no readable release.json\)"):
        releases.compare(town, whole, str(tmp_path / "out"))


def release(name, annual_rows):
    """Return a release with stations alone, by hand: id, figure, lower, upper, status."""
    ids = [row[0] for row in annual_rows]
    figures = pd.DataFrame(
        annual_rows, columns=["station_id", "aadt", "lower", "upper", "status"]
    ).assign(sense="both", year=2025)
    places = pd.DataFrame({"station_id": ids, "name": ids, "link_id": "L", "valid_to": pd.NaT})
    links = pd.DataFrame({"link_id": [], "name": [], "allowed": []})
    flows = pd.DataFrame(columns=["link_id", "sense", "year", "flow", "lower", "upper", "status"])
    flag_rows = pd.DataFrame(
        columns=["flag_id", "station_id", "state", "first_utc", "why", "reason"]
    )
    return comparing.Release(name, 2025, places, figures, links, flows, flag_rows)


def test_beyond_and_apart_by_hand():
    old = release("r-a", [("in", 1000, 900, 1100, "estimated"), ("out", 1000, 900, 1100, "estimated"),
                          ("far", 1000, 900, 1100, "estimated"), ("bare", 1000, None, None, "unadjusted"),
                          ("same", 50, 40, 60, "measured"), ("gone", 7, 6, 8, "measured")])  # fmt: skip
    new = release("r-b", [("in", 1090, 990, 1190, "estimated"), ("out", 1150, 1050, 1250, "measured"),
                          ("far", 700, 650, 750, "estimated"), ("bare", 1100, 1000, 1200, "estimated"),
                          ("same", 50, 40, 60, "measured"), ("fresh", 9, 8, 10, "estimated")])  # fmt: skip
    found = comparing.changes(old, new)
    moved = {one["id"]: (one["beyond"], one["apart"]) for one in found["stations"]["moved"]}
    assert moved == {
        "in": (False, False), "out": (True, False), "far": (True, True), "bare": (None, None),
    }  # fmt: skip
    assert found["new_stations"] == found["stations"]["gained"] == ["fresh"]
    assert found["gone_stations"] == found["stations"]["lost"] == ["gone"]
    assert {one["id"] for one in found["stations"]["status"]} == {"out", "bare"}
    assert comparing.summary(found)[0] == (
        "5 stations with a figure in both: 2 changed beyond the earlier interval, 1 within it, "
        "1 had no interval, 1 stayed the same."
    )
