"""A small workspace for the tests of the store: two links, three stations, some counts."""

from __future__ import annotations

import hashlib

import geopandas as gpd
import pandas as pd
import shapely

from countmap.workspace import init_workspace, open_workspace

UTM32 = 25832


def roads():
    """Return nodes and links of three points in a row."""
    nodes = pd.DataFrame({"node_id": ["n0", "n1", "n2"], "x": [0.0, 100.0, 250.0], "y": [0.0] * 3})
    links = gpd.GeoDataFrame(
        {
            "link_id": ["l0", "l1"],
            "from_node": ["n0", "n1"],
            "to_node": ["n1", "n2"],
            "allowed": ["both", "with"],
            "roundabout": [True, None],
            "length_m": [100.0, 150.0],
        },
        geometry=[
            shapely.LineString([(0, 0), (100, 0)]),
            shapely.LineString([(100, 0), (250, 0)]),
        ],
        crs=UTM32,
    )
    return nodes, links


def stations():
    """Return three stations, the last without a position."""
    return pd.DataFrame(
        {
            "station_id": ["S1", "S2", "S3"],
            "name": ["Mill Lane", None, "Quay"],
            "lon": [9.0, 9.001, None],
            "lat": [48.0, 48.001, None],
            "same_way": [True, None, None],
            "valid_from": pd.Series(pd.to_datetime(["2024-01-01", None, None])).astype(
                "datetime64[us]"
            ),
        }
    )


def workspace(folder, timezone="Europe/Berlin", *, with_roads=True):
    """Return a workspace with roads and stations."""
    ws = init_workspace(folder, timezone)
    with ws.register.transaction() as writing:
        if with_roads:
            writing.add_network(*roads(), "made_store")
        writing.put("stations", stations())
    return ws


def periods(start, counts, *, minutes=60, station="S1", sense="with", offset=60, **more):
    """Return consecutive periods; ``None`` is a missing count, ``start`` is UTC."""
    frame = pd.DataFrame(
        {
            "station_id": station,
            "sense": sense,
            "start_utc": pd.date_range(start, periods=len(counts), freq=f"{minutes}min", tz="UTC"),
            "utc_offset_min": offset,
            "minutes": minutes,
            "count": pd.array(counts, dtype="float64"),
            "quantity": "vehicles",
            **more,
        }
    )
    return frame.astype({"start_utc": "datetime64[us, UTC]"})


def add(ws, frame, name="counts.csv"):
    """Store a file of periods and return its id."""
    block = ws.blocks.write(frame, name)
    with ws.register.transaction() as writing:
        return writing.add_file(name, hashlib.sha256(name.encode()).hexdigest(), None, block)


def write_for_ever(folder, start, pipe):
    """Put, decide and import without end, and say so after each commit."""
    ws = open_workspace(folder)
    for i in range(start, start + 100_000):
        pair = pd.DataFrame({"station_id": [f"P{i:06d}a", f"P{i:06d}b"], "name": str(i)})
        with ws.register.transaction() as writing:
            writing.put("stations", pair)
        pipe.send(("put", i))
        with ws.register.transaction() as writing:
            writing.decide("name", str(i), "", {"stations": pair.assign(road="decided")})
        pipe.send(("decide", i))
        add(ws, periods("2025-01-01", [float(i)] * 24, station=f"P{i:06d}a"), f"{i}.csv")
        pipe.send(("file", i))
