"""Junctions: kinds of nodes, clusters, legs."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from made_roads import double_dual_crossing, dual_crossing, net, node_at, roundabout

from countmap.errors import InvalidInput
from countmap.roads.declared import refused
from countmap.roads.junctions import internal, junctions, legs


def declare(*rows):
    columns = ["kind", "id", "other_id", "value", "note"]
    return pd.DataFrame([row + (None,) * (5 - len(row)) for row in rows], columns=columns)


def kind_at(roads, table, x, y):
    return table.set_index("node_id").loc[node_at(roads, x, y), "kind"]


def inside(roads, table):
    return set(roads.links["link_id"].to_numpy()[internal(roads, table)])


def test_kinds_of_nodes():
    roads = net(
        a=[(0, 0), (100, 0)],
        b=[(200, 0), (100, 0)],
        c=([(200, 0), (300, 0)], {"allowed": "with"}),
        d=([(400, 0), (300, 0)], {"allowed": "against"}),
        e=([(400, 0), (500, 0)], {"allowed": "against"}),
    )
    table = junctions(roads)
    kinds = [kind_at(roads, table, x, 0) for x in range(0, 600, 100)]
    # one-way from 200 on: both senses meet one; then two that follow, then two head on
    assert kinds == ["boundary", "bend", "junction", "bend", "junction", "boundary"]
    assert (table["junction_id"] == table["node_id"]).all()
    assert set(table["shape"]) == {"simple"}


def test_a_declared_generator_ends_a_bend():
    roads = net(a=[(0, 0), (100, 0)], b=[(100, 0), (200, 0)])
    table = junctions(roads, declare(("generator", node_at(roads, 100, 0))))
    assert kind_at(roads, table, 100, 0) == "generator"


def test_the_nodes_own_kind_counts():
    roads = net(a=[(0, 0), (100, 0)], b=[(100, 0), (200, 0)])
    roads.nodes["kind"] = pd.Series(["cul_de_sac", "bend", "bend"], dtype="str")
    assert junctions(roads)["kind"].tolist() == ["cul_de_sac", "bend", "boundary"]


@pytest.mark.parametrize("flag", [True, False])
def test_a_roundabout_with_four_roads_has_four_legs(flag):
    roads = net(**roundabout(flag=flag))
    table = junctions(roads)
    ring = table[table["shape"] == "roundabout"]
    assert len(ring) == 4
    assert set(ring["junction_id"]) == {ring["node_id"].min()}
    assert set(ring["kind"]) == {"junction"}
    assert inside(roads, table) == {"r0", "r1", "r2", "r3"}
    found = legs(roads, table)
    found = found[found["junction_id"] == ring["node_id"].min()]
    assert found["link_id"].tolist() == ["n", "e", "s", "w"]
    assert found["leg"].tolist() == [0, 1, 2, 3]
    assert found["bearing_deg"].round(6).tolist() == [0, 90, 180, 270]
    assert set(found["end"]) == {"from"}
    assert set(found["inward_sense"]) == {"against"}
    assert found["name"].tolist() == ["n road", "e road", "s road", "w road"]


def test_a_roundabout_whose_roads_split_before_it_has_four_legs():
    links = roundabout(flag=True)
    for road, (x, y) in {"e": (1, 0), "n": (0, 1), "w": (-1, 0), "s": (0, -1)}.items():
        name = {"name": f"{road} road"}
        fork = (60 * x, 60 * y)
        # the ring's own node takes the exit, a node further round the approach
        links[road] = ([fork, (200 * x, 200 * y)], name)
        links[f"{road}_out"] = ([(18 * x, 18 * y), fork], {"allowed": "with", **name})
    turn = {"r0": "n", "r1": "w", "r2": "s", "r3": "e"}  # each ring link ends at this road
    for ring, road in turn.items():
        coords, more = links.pop(ring)
        links[f"{ring}a"], links[f"{ring}b"] = (coords[:6], more), (coords[5:], more)
        fork = links[road][0][0]
        links[f"{road}_in"] = (
            [fork, coords[5]],
            {"allowed": "with", "name": f"{road} road"},
        )
    roads = net(**links)
    table = junctions(roads)
    ring = table.loc[table["shape"] == "roundabout", "junction_id"]
    assert len(ring) == 8
    found = legs(roads, table)
    found = found[found["junction_id"] == ring.iloc[0]]
    assert found["link_id"].str[0].tolist() == ["n", "n", "e", "e", "s", "s", "w", "w"]
    assert found["leg"].tolist() == [0, 0, 1, 1, 2, 2, 3, 3]


def test_a_one_way_block_is_no_roundabout():
    one_way = {"allowed": "with"}
    roads = net(
        south=([(0, 0), (70, 0)], one_way),
        south_on=([(70, 0), (150, 0)], one_way),
        east=([(70, 0), (70, 70)], one_way),
        east_on=([(70, 70), (70, 150)], one_way),
        north=([(70, 70), (0, 70)], one_way),
        north_on=([(0, 70), (-80, 70)], one_way),
        west=([(0, 70), (0, 0)], one_way),
        west_on=([(0, 0), (0, -80)], one_way),
    )
    assert set(junctions(roads)["shape"]) == {"simple"}


def test_a_large_or_slender_one_way_cycle_is_no_roundabout():
    for radius in (60.0, 18.0):
        links = roundabout(flag=False, radius=radius)
        if radius < 60:
            links = {
                name: ([(4 * x, y) for x, y in coords], more)
                for name, (coords, more) in links.items()
            }
        assert set(junctions(net(**links))["shape"]) == {"simple"}


def test_a_dual_carriageway_crossed_by_a_street_is_one_junction_with_four_legs():
    roads = net(**dual_crossing())
    table = junctions(roads)
    clustered = table[table["shape"] == "dual_crossing"]
    assert set(clustered["node_id"]) == {node_at(roads, 0, -6), node_at(roads, 0, 6)}
    assert set(clustered["junction_id"]) == {clustered["node_id"].min()}
    assert inside(roads, table) == {"mid"}
    found = legs(roads, table)
    found = found[found["junction_id"] == clustered["junction_id"].iloc[0]]
    by_leg = found.groupby("leg")["link_id"].agg(set).tolist()
    assert by_leg == [{"north"}, {"in_e", "out_e"}, {"south"}, {"in_w", "out_w"}]
    one_way = found.set_index("link_id")
    assert one_way.loc["in_w", "inward_sense"] == "with"
    assert pd.isna(one_way.loc["in_w", "outward_sense"])
    assert one_way.loc["south", ["inward_sense", "outward_sense"]].tolist() == ["with", "against"]


def test_two_dual_carriageways_that_cross_are_one_junction_of_four_nodes():
    roads = net(**double_dual_crossing())
    table = junctions(roads)
    clustered = table[table["shape"] == "dual_crossing"]
    assert len(clustered) == 4
    assert inside(roads, table) == {"mid_s", "mid_n", "mid_e", "mid_w"}
    found = legs(roads, table)
    found = found[found["junction_id"] == clustered["junction_id"].iloc[0]]
    by_leg = found.groupby("leg")["link_id"].agg(set).tolist()
    assert by_leg == [
        {"in_n", "out_n"},
        {"in_e", "out_e"},
        {"in_s", "out_s"},
        {"in_w", "out_w"},
    ]


def test_an_opening_to_turn_round_is_no_crossing():
    links = dual_crossing()
    del links["south"], links["north"]
    assert set(junctions(net(**links))["shape"]) == {"simple"}


def test_two_streets_of_different_names_are_no_carriageways():
    links = dual_crossing()
    for name in ("in_e", "out_w"):
        links[name] = (links[name][0], {**links[name][1], "name": "Canal Road"})
    assert set(junctions(net(**links))["shape"]) == {"simple"}


def test_declared_nodes_are_one_junction_under_their_name():
    roads = net(
        a=[(0, 0), (100, 0)],
        b=[(100, 0), (130, 0)],
        c=[(130, 0), (230, 0)],
        d=[(100, 0), (100, -90)],
        e=[(130, 0), (130, 90)],
    )
    at = node_at(roads, 100, 0), node_at(roads, 130, 0)
    table = junctions(roads, declare(*(("junction", node, "Mill Cross") for node in at)))
    named = table[table["junction_id"] == "Mill Cross"]
    assert set(named["node_id"]) == set(at)
    assert set(named["shape"]) == {"declared"}
    assert inside(roads, table) == {"b"}
    found = legs(roads, table).query("junction_id == 'Mill Cross'")
    assert found["link_id"].tolist() == ["e", "c", "d", "a"]


def test_a_declaration_takes_a_detected_cluster_apart():
    roads = net(**dual_crossing())
    table = junctions(roads, declare(("junction", node_at(roads, 0, 6))))
    assert (table["junction_id"] == table["node_id"]).all()
    assert kind_at(roads, table, 0, 6) == "junction"


def test_a_generator_in_a_cluster_makes_the_cluster_one():
    roads = net(**roundabout(flag=True))
    table = junctions(roads, declare(("generator", node_at(roads, 18, 0))))
    assert set(table.loc[table["shape"] == "roundabout", "kind"]) == {"generator"}


def test_a_road_that_leaves_a_junction_and_comes_back_is_not_inside():
    links = roundabout(flag=True)
    links["loop"] = [(18, 0), (120, 60), (120, 120), (0, 120), (0, 18)]
    roads = net(**links)
    table = junctions(roads)
    assert inside(roads, table) == {"r0", "r1", "r2", "r3"}
    found = legs(roads, table)
    assert (found["link_id"] == "loop").sum() == 2


def test_a_turning_loop_at_the_end_of_a_road_is_a_boundary():
    links = {k: v for k, v in roundabout(flag=True).items() if k not in "nws"}
    roads = net(**links)
    table = junctions(roads)
    assert set(table.loc[table["shape"] == "roundabout", "kind"]) == {"boundary"}


def test_unknown_ids_are_named():
    roads = net(a=[(0, 0), (100, 0)])
    table = declare(("generator", "n9"), ("pair", "a", "b"))
    with pytest.raises(InvalidInput) as caught:
        junctions(roads, table)
    assert str(caught.value) == (
        "declarations:1: generator 'n9' is no node of the network. Correct the id or withdraw "
        "the declaration; 1 more"
    )
    assert caught.value.rejects["value"].tolist() == ["n9", "b"]


def test_a_node_in_two_declared_junctions_is_refused():
    roads = net(a=[(0, 0), (100, 0)], b=[(100, 0), (200, 0)])
    node = node_at(roads, 100, 0)
    with pytest.raises(
        InvalidInput, match=r"declarations:2: node .* is declared in two junctions. Leave it"
    ):
        junctions(roads, declare(("junction", node, "A"), ("junction", node, "B")))
    other = node_at(roads, 0, 0)
    with pytest.raises(InvalidInput, match="is also a node that is not in it"):
        junctions(roads, declare(("junction", node, other)))


def test_bearings_meet_a_hand_drawn_star():
    # by hand: the legs end 3:4:5 away, so their bearings are arctan of the legs
    roads = net(a=[(0, 0), (30, 40)], b=[(40, -30), (0, 0)], c=[(0, 0), (-50, 0)])
    found = legs(roads, junctions(roads))
    found = found[found["junction_id"] == node_at(roads, 0, 0)]
    assert found["link_id"].tolist() == ["a", "b", "c"]
    assert found["bearing_deg"].round(3).tolist() == [36.87, 126.87, 270.0]
    assert found["end"].tolist() == ["from", "to", "from"]


def test_the_long_way_round_a_ring_is_inside():
    ring = {"allowed": "with", "roundabout": True}
    turn = np.radians(np.linspace(0, 360, 37))
    around = [(30 * np.cos(t), 30 * np.sin(t)) for t in turn]
    roads = net(
        short=(around[:7], ring),
        long=([*around[6:-1], around[0]], ring),
        east=[around[0], (200, 0)],
        north=[around[6], (100, 170)],
    )
    assert inside(roads, junctions(roads)) == {"short", "long"}


def test_a_small_loop_at_a_junction_is_a_leg():
    roads = net(
        a=[(0, 0), (90, 0)], b=[(0, 0), (-90, 0)], loop=[(0, 0), (5, 5), (0, 7), (-5, 5), (0, 0)]
    )
    table = junctions(roads)
    assert inside(roads, table) == set()
    found = legs(roads, table)
    assert found.loc[found["link_id"] == "loop", "end"].tolist() == ["from", "to"]


def test_refused_declarations_carry_the_line_of_their_file():
    roads = net(a=[(0, 0), (100, 0)], b=[(100, 0), (200, 0)])
    table = declare(
        ("quiet", "a"), ("pair", "a", "a"), ("pair", "a", "b"), ("pair", "a", None), ("quiet", "z")
    ).assign(row=[2, 4, 5, 9, 11])
    found = refused(roads, table, file="declare.csv")
    assert found[["file", "row", "column", "value"]].to_numpy().tolist() == [
        ["declare.csv", 4, "other_id", "a"],
        ["declare.csv", 9, "other_id", ""],
        ["declare.csv", 11, "id", "z"],
    ]
    assert found["why"].tolist() == [
        "link 'a' is paired with itself. Name the other carriageway",
        "pair 'a': other_id is empty. Fill it in",
        "quiet 'z' is no link of the network. Correct the id or withdraw the declaration",
    ]
    assert refused(roads, table.iloc[[0, 2]]).empty
