"""Blocks are immutable, compact and the same bytes for the same periods."""

from __future__ import annotations

import hashlib

import made_store
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from countmap import tables
from countmap.errors import Conflict, InvalidInput
from countmap.store import blocks


@pytest.fixture
def ws(tmp_path):
    return made_store.workspace(tmp_path / "w", with_roads=False)


def mixed():
    rng = np.random.default_rng(1)
    return pd.concat(
        [
            made_store.periods("2025-01-01", rng.poisson(20, 50).astype(float), station=s, sense=d, lane=lane)
            for s in ("S2", "S1") for d in ("with", "against") for lane in ("2", "1")
        ]
    )  # fmt: skip


def test_the_same_periods_in_any_order_are_the_same_bytes(ws):
    one = ws.blocks.write(mixed(), "Straße 1 (north).CSV")
    two = ws.blocks.write(mixed().sample(frac=1, random_state=2), "Straße 1 (north).CSV")
    assert one == two
    path = ws.path / one.path
    assert one.path == f"counts/stra-e-1-north-{one.sha256[:12]}.parquet"
    assert hashlib.sha256(path.read_bytes()).hexdigest() == one.sha256
    assert [p.name for p in path.parent.iterdir()] == [path.name]


def test_a_block_tells_what_it_holds(ws):
    block = ws.blocks.write(mixed(), "a.csv")
    assert (block.rows, block.stations) == (400, ("S1", "S2"))
    assert block.first == pd.Timestamp("2025-01-01T00:00Z")
    assert block.last == pd.Timestamp("2025-01-03T02:00Z")


def test_types_are_compact_and_rows_sorted(ws):
    """Read back with pyarrow, the reference reader of the format."""
    block = ws.blocks.write(mixed(), "a.csv")
    found = pq.read_table(ws.path / block.path)
    assert found.column_names == list(tables.PERIODS.names)
    kinds = {
        n: str(found.schema.field(n).type)
        for n in ("start_utc", "minutes", "count", "utc_offset_min")
    }
    assert kinds == {
        "start_utc": "timestamp[us, tz=UTC]", "minutes": "int16", "count": "int32", "utc_offset_min": "int16",
    }  # fmt: skip
    frame = found.to_pandas()
    assert (
        frame[["station_id", "sense", "start_utc"]]
        .astype(str)
        .agg(" ".join, axis=1)
        .is_monotonic_increasing
    )
    assert (
        pq.ParquetFile(ws.path / block.path).metadata.row_group(0).column(0).compression == "ZSTD"
    )


def test_halves_and_nulls_stay(ws):
    frame = made_store.periods("2025-01-01", [0.5, None, 0.0])
    block = ws.blocks.write(frame, "a.csv")
    found = pq.read_table(ws.path / block.path)["count"]
    assert found.to_pylist() == [0.5, None, 0.0]


def test_an_empty_or_broken_frame_is_refused(ws):
    with pytest.raises(InvalidInput, match=r"^a.csv holds no period; nothing to store$"):
        ws.blocks.write(tables.empty(tables.PERIODS), "a.csv")
    with pytest.raises(
        InvalidInput, match=r"periods: count must be at least 0, got '-3\.0' in row 1"
    ):
        ws.blocks.write(made_store.periods("2025-01-01", [1.0, -3.0]), "a.csv")
    assert not list((ws.path / blocks.FOLDER).iterdir())


def test_one_source_is_imported_once(ws):
    made_store.add(ws, mixed(), "a.csv")
    with pytest.raises(
        Conflict, match=r"^a.csv was imported as a.csv on 20\d\d-\d\d-\d\d; nothing was changed$"
    ):
        made_store.add(ws, mixed(), "a.csv")
    files = ws.register.frame("files")
    assert files[["name", "rows", "seq"]].to_numpy().tolist() == [["a.csv", 400, 1]]
    assert files["stations"].tolist() == [["S1", "S2"]]


def test_a_part_left_by_a_crash_is_in_nobodys_way(ws):
    block = ws.blocks.write(mixed(), "a.csv")
    path = ws.path / block.path
    part = path.with_name(path.name + ".part")
    part.write_bytes(b"half")
    path.unlink()
    assert ws.blocks.write(mixed(), "a.csv") == block
    assert path.read_bytes() != part.read_bytes()
