"""Vehicles in files: the same bytes however they arrive."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from countmap.formats import vehicles


def made(n):
    rng = np.random.default_rng(1)
    axles = rng.integers(1, 6, n).astype(np.int16)
    columns = {
        "survey_id": "V1", "time_us": np.arange(n) * 10**6,
        "sense": rng.choice(["with", "against"], n).astype(object),
        "speed_kmh": np.where(rng.random(n) < 0.1, np.nan, rng.normal(50, 5, n).round(2)),
        "accelerating": rng.random(n) < 0.5, "axles": axles,
        "vehicle_class": np.full(n, "1", object), "scheme": "austroads12",
        "confidence": np.full(n, 0.999),
    }  # fmt: skip
    return columns, rng.uniform(1, 9, int((axles - 1).sum())).round(3)


def cut(columns, spacings, size):
    n = len(columns["time_us"])
    starts = np.concatenate([[0], np.cumsum(columns["axles"].astype(int) - 1)])
    for a in range(0, n, size):
        b = min(a + size, n)
        part = {k: v if isinstance(v, str) else v[a:b] for k, v in columns.items()}
        yield vehicles.table(part, spacings[starts[a] : starts[b]])


@pytest.mark.parametrize("ending", ["parquet", "csv"])
def test_parts_of_any_size_give_the_same_bytes(tmp_path, monkeypatch, ending):
    monkeypatch.setattr(vehicles, "ROWS", 100)
    columns, spacings = made(330)
    files = []
    for size in (1, 37, 330):
        path = tmp_path / f"{size}.{ending}"
        with vehicles.writer(path) as into:
            for part in cut(columns, spacings, size):
                into.add(part)
        files.append(path)
    assert files[0].read_bytes() == files[1].read_bytes() == files[2].read_bytes()
    if ending == "csv":
        return
    found = pd.read_parquet(files[0])
    assert np.concatenate(found["spacings_m"].tolist()).tolist() == spacings.tolist()
    assert found["speed_kmh"].isna().sum() == np.isnan(columns["speed_kmh"]).sum()
    copied = tmp_path / "copy.csv"
    vehicles.copy(files[0], copied)
    flat = pd.read_csv(copied, dtype={"spacings_m": str}, keep_default_na=False)
    assert [len(x.split()) for x in flat["spacings_m"]] == (columns["axles"] - 1).tolist()
