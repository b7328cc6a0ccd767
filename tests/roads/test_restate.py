"""Declarations said again of a new network."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd
import pytest
from shapely import LineString

from countmap.roads import graph, restate
from countmap.roads.replace import crosswalk


def network(lines):
    raw = gpd.GeoDataFrame(
        {"link_id": list(lines)}, geometry=[LineString(c) for c in lines.values()], crs="EPSG:3067"
    )
    return graph.build(raw)


@pytest.fixture
def old():
    return network(
        {"a": [(0, 0), (400, 0)], "b": [(400, 0), (400, 300)], "c": [(0, 30), (400, 30)]}
    )


@pytest.fixture
def new():
    return network(
        {
            "n1": [(0, 1), (150, 1)],
            "n2": [(150, 1), (400, 1)],
            "n3": [(400, 31), (0, 31)],
        }
    )


def stated(*rows):
    columns = ["kind", "id", "other_id", "value", "note"]
    frame = pd.DataFrame(rows, columns=columns)
    return frame.astype({c: "str" for c in columns if c != "value"} | {"value": "float64"})


def test_links_and_nodes_are_found_again(old, new):
    node = old.links.set_index("link_id").loc["a", "from_node"]
    found, lost = restate.declarations(
        stated(
            ("generator", node, None, None, "depot"),
            ("quiet", "a", None, None, None),
            ("side_access", "a", None, 0.05, None),
            ("pair", "a", "c", None, None),
        ),
        crosswalk(old, new),
        old,
        new,
    )
    assert lost.empty
    moved = new.links.set_index("link_id").loc["n1", "from_node"]
    assert found["id"].tolist() == [moved, "n2", "n1", "n2", "n2"]
    assert found["kind"].tolist() == ["generator", "quiet", "quiet", "side_access", "pair"]
    assert found["other_id"].iloc[4] == "n3"
    assert found["value"].iloc[3] == 0.05


def test_what_is_gone_is_said(old, new):
    node = old.links.set_index("link_id").loc["b", "to_node"]
    found, lost = restate.declarations(
        stated(("generator", node, None, None, None), ("quiet", "b", None, None, None)),
        crosswalk(old, new),
        old,
        new,
    )
    assert found.empty
    assert lost["why"].tolist() == [
        f"nothing in the new network answers to {i}" for i in (node, "b")
    ]


def test_lists_of_links_are_carried(old, new):
    text = pd.Series(["a b", None], dtype="str")
    assert restate.links(text, crosswalk(old, new)).tolist()[0] == "n2 n1 b"
    assert restate.links(text, crosswalk(old, new)).isna().tolist() == [False, True]
