"""What is written is read back the same, whatever it holds: CSV, spreadsheet, federal records, blocks, maps."""

from __future__ import annotations

import geopandas as gpd
import made_store
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal

from countmap import tables
from countmap.formats import counts_file, csv_table, geo, gmns, sheets, tmg, tmg_write
from countmap.formats.layouts import parse
from countmap.store import blocks

LIGHT = settings(
    max_examples=15,
    derandomize=True,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
TEXT = (
    st.text(st.characters(exclude_categories=["Cs", "Cc"]), min_size=1, max_size=8)
    .map(str.strip)
    .filter(bool)
)
COUNT = st.one_of(st.none(), st.integers(0, 99_999))
STATION = st.text("ABCDEFGHJKLMNP0123456789", min_size=1, max_size=6)
POINT = st.sampled_from(["N", "NE", "E", "SE", "S", "SW", "W", "NW", "both"])
DAY = st.dates(pd.Timestamp("1996-02-28").date(), pd.Timestamp("2029-01-01").date())


def number(counts):
    return np.array([np.nan if c is None else c for c in counts], dtype="float64")


@LIGHT
@given(station=STATION, direction=POINT, lane=st.sampled_from([None, "1", "9"]), day=DAY,
       counts=st.lists(COUNT, min_size=24, max_size=24), pipe=st.booleans())  # fmt: skip
def test_volume_records(tmp_path, station, direction, lane, day, counts, pipe):
    start = pd.date_range(day, periods=24, freq="h").as_unit("us")
    raw = pd.DataFrame(
        {"station_id": station, "direction": direction, "lane": lane, "start": start}
    )
    raw = raw.assign(minutes=60, count=number(counts))
    tmg_write.write_counts(raw, tmp_path / "v.txt", "volume", state="17", pipe=pipe)
    assert counts_file.recognised(tmp_path / "v.txt") == "tmg volume"
    back = tmg.read_counts(tmp_path / "v.txt")
    assert back.rejects.empty
    same(back.raw, raw, ["station_id", "direction", "lane", "start", "minutes", "count"])


@LIGHT
@given(station=STATION, direction=POINT, day=DAY, hour=st.integers(0, 23),
       slot=st.sampled_from([(0, 60), (15, 15), (45, 15), (55, 5)]),
       counts=st.lists(COUNT, min_size=13, max_size=13), pipe=st.booleans())  # fmt: skip
def test_class_records(tmp_path, station, direction, day, hour, slot, counts, pipe):
    start = pd.Timestamp(day) + pd.Timedelta(hours=hour, minutes=slot[0])
    raw = pd.DataFrame(
        {
            "station_id": station,
            "direction": direction,
            "start": start.as_unit("us"),
            "minutes": slot[1],
            "count": number(counts),
            "vehicle_class": [str(n + 1) for n in range(13)],
            "scheme": "fhwa13",
        }
    )
    tmg_write.write_counts(raw, tmp_path / "c.txt", "class", state="06", pipe=pipe)
    back = tmg.read_counts(tmp_path / "c.txt")
    assert back.rejects.empty
    same(back.raw, raw, list(raw.columns))


@LIGHT
@given(station=STATION, direction=POINT, day=DAY, hour=st.integers(0, 23),
       counts=st.lists(COUNT, min_size=2, max_size=25), pipe=st.booleans())  # fmt: skip
def test_speed_records(tmp_path, station, direction, day, hour, counts, pipe):
    edges = np.array([0, *(20 + 5 * np.arange(len(counts) - 1))]) * tmg.MILE_KM
    raw = pd.DataFrame(
        {
            "station_id": station,
            "direction": direction,
            "start": (pd.Timestamp(day) + pd.Timedelta(hours=hour)).as_unit("us"),
            "minutes": 60,
            "count": number(counts),
            "speed_low_kmh": edges.round(3),
            "speed_high_kmh": [*edges[1:].round(3), np.nan],
        }
    )
    tmg_write.write_counts(raw, tmp_path / "t.txt", "speed", state="06", pipe=pipe)
    back = tmg.read_counts(tmp_path / "t.txt")
    assert back.rejects.empty
    same(back.raw, raw, list(raw.columns))


def same(back, raw, columns):
    left = back[columns].reset_index(drop=True)
    assert_frame_equal(left, raw[columns].astype(left.dtypes.to_dict()), check_dtype=False)


@LIGHT
@given(rows=st.lists(st.tuples(TEXT, st.one_of(st.none(), st.floats(-1e6, 1e6)), st.integers(-(2**40), 2**40),
                               st.datetimes(pd.Timestamp("1990-01-01"), pd.Timestamp("2040-01-01"))),
                     min_size=1, max_size=6))  # fmt: skip
def test_spreadsheets(tmp_path, rows):
    frame = pd.DataFrame(rows, columns=["word", "value", "whole", "at"])
    frame["at"] = frame["at"].dt.floor("s")
    sheets.write(frame, tmp_path / "x.xlsx")
    text = sheets.as_csv(tmp_path / "x.xlsx").decode()
    (tmp_path / "x.csv").write_text(text)
    back = pd.read_csv(tmp_path / "x.csv", keep_default_na=False, dtype={"word": "str"})
    assert back["word"].tolist() == frame["word"].tolist()
    assert back["whole"].tolist() == frame["whole"].tolist()
    assert pd.to_datetime(back["at"], format="ISO8601").tolist() == frame["at"].tolist()
    assert np.allclose(
        pd.to_numeric(back["value"], errors="coerce"),
        frame["value"].astype("float64"),
        rtol=1e-15,
        equal_nan=True,
    )


@LIGHT
@given(
    counts=st.lists(COUNT, min_size=1, max_size=8),
    station=TEXT,
    offset=st.sampled_from([0, 60, -300]),
)
def test_our_own_counts_csv(tmp_path, counts, station, offset):
    start = pd.date_range("2025-03-04", periods=len(counts), freq="h", tz="UTC")
    frame = pd.DataFrame(
        {"station_id": station, "direction": "with", "start": start, "minutes": 60}
    )
    frame["count"] = number(counts)
    frame["start"] = frame["start"].dt.tz_convert(
        f"{'-' if offset < 0 else '+'}{abs(offset) // 60:02d}:00"
    )
    csv_table.write(frame, tmp_path / "c.csv")
    found = counts_file.read(tmp_path / "c.csv")
    assert found.rejects.empty
    assert found.raw["station_id"].tolist() == frame["station_id"].tolist()
    assert_frame_equal(found.raw[["count"]], frame[["count"]])
    assert pd.to_datetime(found.raw["start"], utc=True).tolist() == start.tolist()


@LIGHT
@given(counts=st.lists(COUNT, min_size=24, max_size=24))
def test_a_layout_reads_what_was_spread_by_hour(tmp_path, counts):
    wide = pd.DataFrame([["S1", "2025-03-04", "with", *number(counts)]])
    wide.columns = ["site", "day", "dir", *(f"h{h}" for h in range(24))]
    csv_table.write(wide, tmp_path / "w.csv")
    layout = parse(
        {
            "columns": {"station_id": "site", "date": "day", "direction": "dir"},
            "hours": {"pattern": "h{hour}"},
        }
    )
    raw = counts_file.read(tmp_path / "w.csv", layout).raw
    assert np.array_equal(raw["count"], number(counts), equal_nan=True)


@LIGHT
@given(counts=st.lists(COUNT, min_size=1, max_size=30), lane=st.sampled_from([None, "1"]))
def test_blocks(tmp_path, counts, lane):
    frame = made_store.periods("2025-03-04", counts, lane=lane)
    data = blocks.serialise(tables.require(frame, tables.PERIODS))
    (tmp_path / "b.parquet").write_bytes(data)
    back = pd.read_parquet(tmp_path / "b.parquet")
    assert np.array_equal(back["count"].astype("float64"), frame["count"], equal_nan=True)
    assert back["start_utc"].tolist() == frame["start_utc"].tolist()


@pytest.mark.parametrize("seed", range(3))
def test_roads_through_gmns(tmp_path, seed):
    rng = np.random.default_rng(seed)
    nodes, links = made_store.roads()
    links = links.assign(lanes=rng.integers(1, 4, 2).astype(float), name=["Ω lane", 'say "so"'])
    gmns.write(nodes, links, tmp_path / "g")
    back = gmns.read(tmp_path / "g")
    for column in ("link_id", "from_node", "to_node", "allowed", "lanes", "name"):
        assert back[column].tolist() == links[column].tolist()
    assert back.crs == links.crs


@LIGHT
@given(names=st.lists(TEXT, min_size=1, max_size=4, unique=True))
def test_names_survive_geojson_and_geopackage(tmp_path, names):
    shapes = [
        shapely.LineString([(9, 48 + i / 100), (9.1, 48 + i / 100)]) for i in range(len(names))
    ]
    frame = gpd.GeoDataFrame({"name": names, "kind": "screenline"}, geometry=shapes, crs=4326)
    geo.write_geojson(frame, tmp_path / "x.geojson")
    geo.write_geopackage({"x": frame}, tmp_path / "x.gpkg")
    for name in ("x.geojson", "x.gpkg"):
        back = geo.read_screenlines(tmp_path / name)
        assert back["name"].tolist() == [n.strip() for n in names]
        assert back.geometry.geom_equals_exact(frame.geometry, 1e-7).all()
