"""Sections and pairs."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest
from made_roads import dual_crossing, net, node_at, raw, redrawn, roundabout

from countmap.errors import InvalidInput
from countmap.roads.graph import build
from countmap.roads.junctions import junctions
from countmap.roads.sections import cul_de_sacs, pairs, propose_pairs, sections


def cut(roads, declarations=None):
    return sections(roads, junctions(roads, declarations)).set_index("link_id")


def paired(*couples):
    rows = [("pair", a, b, None, None) for a, b in couples]
    return pd.DataFrame(rows, columns=["kind", "id", "other_id", "value", "note"])


def test_a_chain_of_links_is_one_section_with_chainage():
    roads = net(
        c=[(0, 0), (100, 0)],
        b=[(150, 0), (100, 0)],
        a=[(150, 0), (150, 200)],
        d=[(150, 200), (150, 300)],
        e=[(150, 200), (50, 200)],
    )
    table = cut(roads)
    chain = table.loc[["c", "b", "a"]]
    assert chain["section_id"].tolist() == ["a", "a", "a"]
    assert chain["seq"].tolist() == [0, 1, 2]
    assert chain["start_m"].tolist() == [0.0, 100.0, 150.0]
    assert chain["forward"].tolist() == [True, False, True]
    assert set(chain["start_junction"]) == {node_at(roads, 0, 0)}
    assert set(chain["end_junction"]) == {node_at(roads, 150, 200)}
    assert table["section_id"].nunique() == 3


def test_a_cul_de_sac_is_every_link_up_to_its_declared_end():
    roads = net(
        m=[(0, 0), (500, 0)],
        n=[(500, 0), (900, 0)],
        p=[(500, 0), (500, 80)],
        q=[(500, 160), (500, 80)],
    )
    cut_off = junctions(roads)
    assert cul_de_sacs(sections(roads, cut_off), cut_off) == frozenset()
    end = node_at(roads, 500, 160)
    kind = roads.nodes["node_id"].map({end: "cul_de_sac"}).astype("str")
    roads = replace(roads, nodes=roads.nodes.assign(kind=kind))
    closed = junctions(roads)
    assert cul_de_sacs(sections(roads, closed), closed) == {"p", "q"}


def test_a_change_to_one_way_ends_a_section():
    roads = net(a=[(0, 0), (100, 0)], b=([(100, 0), (200, 0)], {"allowed": "with"}))
    assert cut(roads)["section_id"].tolist() == ["a", "b"]


def test_a_one_way_section_runs_with_the_traffic():
    for allowed, coords in (
        ("with", [(200, 0), (0, 0)]),
        ("against", [(0, 0), (200, 0)]),
    ):
        roads = net(
            a=(coords, {"allowed": allowed}), b=[(200, 0), (300, 0)], c=[(200, 0), (200, 99)]
        )
        row = cut(roads).loc["a"]
        assert row["start_junction"] == node_at(roads, 200, 0)
        assert row["forward"] == (allowed == "with")


def test_loops_are_sections():
    ring = [(0, 0), (100, 0), (100, 100), (0, 100), (0, 0)]
    alone = net(a=ring)  # no junction at all
    row = cut(alone).loc["a"]
    assert row["start_junction"] == row["end_junction"] == alone.nodes["node_id"].iloc[0]
    assert row["forward"]
    assert not cut(net(a=ring[::-1])).loc["a", "forward"]  # counter-clockwise, however drawn
    halves = cut(net(b=ring[:3], a=ring[2:]))
    assert halves["section_id"].tolist() == ["a", "a"]
    assert halves["seq"].tolist() == [1, 0] or halves["seq"].tolist() == [0, 1]
    stem = net(a=ring[:3], b=ring[2:], s=[(0, 0), (-80, 0)])
    table = cut(stem)
    assert table.loc[["a", "b"], "section_id"].tolist() == ["a", "a"]
    assert table.loc["a", "start_junction"] == table.loc["a", "end_junction"]


def test_links_inside_a_cluster_are_in_no_section():
    table = cut(net(**roundabout(flag=True)))
    assert table.loc[["r0", "r1", "r2", "r3"], "section_id"].isna().all()
    assert table.loc[list("ensw"), "section_id"].tolist() == list("ensw")
    ring = table.loc["r0", "start_junction"]
    assert ((table["start_junction"] == ring) | (table["end_junction"] == ring)).all()


def test_sections_do_not_depend_on_rows_or_drawing():
    links = {
        **dual_crossing(),
        "x1": [(200, -6), (260, 0)],
        "x2": [(200, 6), (260, 0)],
        "x3": [(260, 0), (400, 0)],
        "x4": [(400, 0), (500, 50)],
    }
    roads = net(**links)
    other = redrawn(roads, ["mid", "in_w", "x3", "north"], [5, 3, 1, 0, 2, 4, 6, 10, 9, 8, 7])
    here, there = cut(roads), cut(other)
    pd.testing.assert_frame_equal(here.drop(columns="forward"), there.drop(columns="forward"))
    changed = here.index[here["forward"] != there["forward"]]
    assert set(changed) == {"in_w", "x3", "north"}  # "mid" is inside


def test_declared_pairs():
    table = pairs(net(**dual_crossing()), paired(("out_e", "in_e"), ("in_e", "out_e")))
    assert table.to_numpy().tolist() == [["in_e", "in_e", "out_e"], ["out_e", "in_e", "in_e"]]
    assert pairs(net(**dual_crossing()), None).empty


def test_contradictory_pairs_are_refused():
    roads = net(**dual_crossing())
    with pytest.raises(InvalidInput) as caught:
        pairs(roads, paired(("in_e", "out_e"), ("in_e", "in_w")))
    assert str(caught.value) == (
        "declarations:2: link 'in_e' is paired with 'in_w' and with 'out_e'. Withdraw one"
    )
    with pytest.raises(InvalidInput, match="declarations:1: link 'in_e' is paired with itself"):
        pairs(roads, paired(("in_e", "in_e")))


def test_carriageways_of_one_road_are_proposed():
    table = propose_pairs(net(**dual_crossing()))
    assert table["link_id"].tolist() == ["in_e", "out_e", "in_w", "out_w"]
    assert table["other_id"].tolist() == ["out_e", "in_e", "out_w", "in_w"]
    assert set(table["shape"]) == {"dual"}
    assert table["distance_m"].round(6).tolist() == [12.0] * 4
    assert table["overlap"].tolist() == [1.0] * 4
    assert table["why"].iloc[0] == (
        "two carriageways: opposite directions 12 m apart, side by side for 100% of the shorter, "
        "of one name"
    )


def test_one_way_couples_are_proposed_and_grids_of_local_streets_are_not():
    first = {"allowed": "with", "road_class": "secondary", "name": "East Street"}
    second = {"allowed": "against", "road_class": "secondary", "name": "West Street"}
    links = {"a": ([(0, 0), (300, 0)], first), "b": ([(0, 90), (300, 90)], second)}
    table = propose_pairs(build(raw(**links)))
    assert table["link_id"].tolist() == ["a", "b"]
    assert set(table["shape"]) == {"couple"}
    for link in links.values():
        link[1]["road_class"] = "residential"
    assert propose_pairs(build(raw(**links))).empty


def test_links_that_run_the_same_way_are_no_pair():
    one_way = {"allowed": "with", "name": "Bank Road"}
    roads = net(a=([(0, 0), (300, 0)], one_way), b=([(0, 9), (300, 9)], one_way))
    assert propose_pairs(roads).empty


def test_links_that_part_at_an_angle_are_no_pair():
    one_way = {"allowed": "with", "name": "Bank Road"}
    roads = net(a=([(0, 0), (60, 0)], one_way), b=([(60, 10), (25, 40)], one_way))
    assert propose_pairs(roads).empty
