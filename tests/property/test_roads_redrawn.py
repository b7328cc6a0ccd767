"""However a network is drawn, split and ordered, the roads, and what a station's senses mean, stay."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from made_roads import (
    EAST,
    NORTH,
    double_dual_crossing,
    dual_crossing,
    net,
    redrawn,
    roundabout,
)

from countmap.roads.along import coordinates, direction_deg, turn_deg
from countmap.roads.graph import Roads, build
from countmap.roads.junctions import internal, junctions, legs
from countmap.roads.place import place
from countmap.roads.replace import carry, crosswalk
from countmap.roads.sections import propose_pairs, sections


def grid(allowed, bow):
    """Return a 4 × 3 grid of bent streets; some corners are left with one or two links."""
    links, at = {}, 0
    for i in range(4):
        for j in range(3):
            for k, (x, y) in enumerate(((1, 0), (0, 1))):
                if i + x > 3 or j + y > 2 or allowed[at] == "none":
                    at = (at + 1) % len(allowed)
                    continue
                start, end = (150 * i, 150 * j), (150 * (i + x), 150 * (j + y))
                middle = (75 * (2 * i + x) + bow * y, 75 * (2 * j + y) + bow * x)
                name = f"Street {j}" if x else f"Avenue {i}"
                links[f"g{i}{j}{k}"] = (
                    [start, middle, end],
                    {"allowed": allowed[at], "name": name},
                )
                at = (at + 1) % len(allowed)
    return links


PLAIN = st.lists(
    st.sampled_from(["both", "both", "with", "against", "none"]), min_size=17, max_size=17
).filter(lambda allowed: sum(a != "none" for a in allowed) > 3)

NETWORKS = st.one_of(
    st.builds(grid, PLAIN, st.sampled_from([0, 6, 20])),
    st.sampled_from([dual_crossing(), double_dual_crossing()]),
    st.builds(
        lambda flag, radius: roundabout(flag=flag, radius=radius),
        st.booleans(),
        st.sampled_from([10.0, 18.0, 30.0]),
    ),
)


@st.composite
def redrawings(draw):
    """Return a network, and the same with links reversed, rows shuffled."""
    roads = net(**draw(NETWORKS))
    count = len(roads.links)
    flip = draw(st.sets(st.sampled_from(roads.links["link_id"].tolist())))
    order = draw(st.permutations(range(count)))
    return roads, redrawn(roads, flip, order), flip


def split(roads, link_ids, share):
    """Return the roads with links cut in two at a share of their length, under new ids."""
    rows = []
    for row in roads.links.to_dict("records"):
        line = row["geometry"]
        if row["link_id"] not in link_ids:
            rows.append(row)
            continue
        knot = shapely.line_interpolate_point(line, share, normalized=True)
        ends = row["from_node"], f"cut {row['link_id']}", row["to_node"]
        for part, (low, high) in enumerate(((0, share), (share, 1))):
            piece = shapely.ops.substring(line, low, high, normalized=True)
            assert piece.distance(knot) < 1e-6
            more = {
                "link_id": f"{row['link_id']}.{part}",
                "from_node": ends[part],
                "to_node": ends[part + 1],
            }
            rows.append({**row, **more, "geometry": piece})
    links = pd.DataFrame(rows)
    return build(type(roads.links)(links, geometry="geometry", crs=roads.crs))


def on_the_ground(roads, stations):
    """Return where each station stands and the bearing of its sense ``with`` by its link."""
    at = pd.Index(roads.links["link_id"]).get_indexer(stations["link_id"])
    lines = roads.links.geometry.to_numpy()[at]
    offset = stations["offset_m"].to_numpy(float)
    drawn = direction_deg(lines, offset)
    same = stations["same_way"].to_numpy(bool)
    allowed = roads.links["allowed"].to_numpy(object)[at]
    carries = {
        "with": (allowed == "both") | ((allowed == "with") == same),
        "against": (allowed == "both") | ((allowed == "with") != same),
    }
    return coordinates(lines, offset), np.where(same, drawn, (drawn + 180) % 360), carries


def scatter(roads, seed, **more):
    """Return stations on random links of the roads, well inside, placed."""
    rng = np.random.default_rng(seed)
    at = rng.integers(0, len(roads.links), 25)
    share = rng.choice([0.21, 0.38, 0.61, 0.83], 25)
    lines = roads.links.geometry.to_numpy()[at]
    points = shapely.get_coordinates(shapely.line_interpolate_point(lines, share, normalized=True))
    lon, lat = roads.to_wgs84(points[:, 0], points[:, 1])
    ids = [f"S{k:02}" for k in range(25)]
    named = roads.links["link_id"].to_numpy()[at]
    frame = pd.DataFrame({"station_id": ids, "lon": lon, "lat": lat, "link_id": named, **more})
    return place(roads, frame).placed


@given(redrawings(), st.integers(0, 99))
@settings(max_examples=15, deadline=None)
def test_reversing_and_shuffling_keep_what_the_senses_mean(networks, seed):
    roads, other, flip = networks
    stations = scatter(roads, seed)
    carried, lost = carry(stations, crosswalk(roads, other), roads, other)
    assert lost.empty
    assert carried["link_id"].tolist() == stations["link_id"].tolist()
    turned = stations["link_id"].isin(flip)
    assert (carried["same_way"] == (stations["same_way"] != turned)).all()
    before, after = on_the_ground(roads, stations), on_the_ground(other, carried)
    assert np.abs(before[0] - after[0]).max() < 1e-3
    assert turn_deg(before[1], after[1]).max() < 0.1
    for sense in ("with", "against"):
        assert (before[2][sense] == after[2][sense]).all()
    pd.testing.assert_series_equal(carried["bearing_deg"], stations["bearing_deg"])


@given(redrawings(), st.integers(0, 99), st.sampled_from([0.3, 0.5, 0.72]), st.data())
@settings(max_examples=12, deadline=None)
def test_splitting_keeps_what_the_senses_mean(networks, seed, share, data):
    roads, other, _ = networks
    cut = data.draw(st.sets(st.sampled_from(roads.links["link_id"].tolist()), min_size=1))
    stations = scatter(roads, seed)
    new = split(other, cut, share)
    table = crosswalk(roads, new)
    carried, lost = carry(stations, table, roads, new)
    assert lost.empty
    before, after = on_the_ground(roads, stations), on_the_ground(new, carried)
    assert np.abs(before[0] - after[0]).max() < 1e-3
    assert (
        turn_deg(before[1], after[1]).max() < 6.0
    )  # a 2 m chord on a ring of 10 m sees one side at a cut
    for sense in ("with", "against"):
        assert (before[2][sense] == after[2][sense]).all()
    origin = carried["link_id"].str.split(".").str[0]
    assert (origin == stations["link_id"]).all()
    # and back: the pieces merge again
    back, lost = carry(carried, crosswalk(new, roads), new, roads)
    assert lost.empty
    assert back["link_id"].tolist() == stations["link_id"].tolist()
    assert (back["same_way"] == stations["same_way"]).all()
    assert np.abs(back["offset_m"] - stations["offset_m"]).max() < 1e-3


@given(redrawings())
@settings(max_examples=15, deadline=None)
def test_junctions_sections_legs_and_pairs_do_not_depend_on_the_drawing(networks):
    roads, other, flip = networks
    here, there = junctions(roads), junctions(other)
    pd.testing.assert_frame_equal(here, there)
    first, second = sections(roads, here), sections(other, there)
    pd.testing.assert_frame_equal(first.drop(columns="forward"), second.drop(columns="forward"))
    chained = first["section_id"].notna()
    turned = first["link_id"].isin(flip) & chained
    assert (first["forward"] == (second["forward"] != turned)).all()
    mine, theirs = legs(roads, here), legs(other, there)
    assert mine["leg"].tolist() == theirs["leg"].tolist()
    assert mine["link_id"].tolist() == theirs["link_id"].tolist()
    assert turn_deg(mine["bearing_deg"], theirs["bearing_deg"]).max() < 1e-6
    assert (mine["inward_sense"].isna() == theirs["inward_sense"].isna()).all()
    proposed = propose_pairs(roads), propose_pairs(other)
    pd.testing.assert_frame_equal(*(p[["link_id", "pair_id", "other_id"]] for p in proposed))


@given(NETWORKS)
@settings(max_examples=15, deadline=None)
def test_each_link_is_in_one_section_or_inside_and_the_flow_is_the_same_along_it(links):
    roads = net(**links)
    knots = junctions(roads)
    table = sections(roads, knots)
    assert table["link_id"].is_unique
    assert set(table["link_id"]) == set(roads.links["link_id"])
    inside = set(roads.links["link_id"].to_numpy()[internal(roads, knots)])
    assert set(table.loc[table["section_id"].isna(), "link_id"]) == inside
    # Handshake: each bend joins two links, so it takes one from the number of pieces; a closed
    # loop of bends has as many bends as links.
    bends = (knots["kind"] == "bend").sum()
    chains = table[table["section_id"].notna()]
    by = chains.groupby("section_id")
    cluster_of = knots.set_index("node_id")
    is_bend = cluster_of["kind"].eq("bend")
    loops = by["start_junction"].first().map(is_bend.groupby(cluster_of["junction_id"]).any()).sum()
    assert len(by) == len(chains) - bends + loops
    for _, chain in by:
        rows = roads.links.set_index("link_id").loc[chain["link_id"]]
        ends = np.where(
            chain["forward"].to_numpy()[:, None],
            rows[["from_node", "to_node"]],
            rows[["to_node", "from_node"]],
        )
        assert (ends[1:, 0] == ends[:-1, 1]).all()
        along = np.where(rows["allowed"] == "both", "both", rows["allowed"])
        swap = {"with": "against", "against": "with", "both": "both"}
        senses = {a if f else swap[a] for a, f in zip(along, chain["forward"], strict=True)}
        assert len(senses) == 1
        assert senses <= {"with", "both"}
        assert np.allclose(chain["start_m"], np.cumsum(rows["length_m"]) - rows["length_m"])


@given(NETWORKS)
@settings(max_examples=12, deadline=None)
def test_legs_are_the_ends_that_leave_a_junction(links):
    roads = net(**links)
    knots = junctions(roads)
    table = legs(roads, knots)
    of_node = knots.set_index("node_id")
    bend = set(of_node.index[of_node["kind"] == "bend"])
    inside = internal(roads, knots)
    expected = set()
    for row, hidden in zip(roads.links.itertuples(), inside, strict=True):
        for end, node in (("from", row.from_node), ("to", row.to_node)):
            if not hidden and node not in bend:
                expected.add((of_node.loc[node, "junction_id"], row.link_id, end))
    assert set(table[["junction_id", "link_id", "end"]].itertuples(index=False, name=None)) == (
        expected
    )
    arcs = set(roads.arcs[["link_id", "sense"]].itertuples(index=False, name=None))
    told = [
        pair
        for column in ("inward_sense", "outward_sense")
        for pair in table[["link_id", column]].dropna().itertuples(index=False, name=None)
    ]
    assert set(told) <= arcs


@given(st.integers(0, 999), NETWORKS)
@settings(max_examples=15, deadline=None)
def test_every_station_is_placed_waits_or_is_refused(seed, links):
    roads = net(**links)
    rng = np.random.default_rng(seed)
    x, y = EAST + rng.uniform(-400, 800, 40), NORTH + rng.uniform(-400, 700, 40)
    lon, lat = roads.to_wgs84(x, y)
    bearing = rng.choice([np.nan, 0.0, 90.0, 181.0, 277.0], 40)
    ids = [f"S{k:02}" for k in range(40)]
    stations = pd.DataFrame({"station_id": ids, "lon": lon, "lat": lat, "bearing_deg": bearing})
    done = place(roads, stations)
    assert sorted(pd.concat([done.placed, done.ambiguous, done.refused])["station_id"]) == sorted(
        ids
    )
    if done.placed.empty:
        return
    _, bearing_with, carries = on_the_ground(roads, done.placed)
    assert (turn_deg(bearing_with, done.placed["bearing_deg"]) <= 70.0 + 1e-9).all()
    assert carries["with"].all()  # never with the bearing against a one-way
    assert (done.placed["distance_m"] <= 40.0).all()


def test_the_graph_is_what_the_redrawing_says():
    roads = net(**dual_crossing())
    other = redrawn(roads, ["in_w"], range(7))
    assert isinstance(other, Roads)
    key = ["link_id", "tail", "head"]
    one, two = (r.arcs[key].sort_values(key, ignore_index=True) for r in (roads, other))
    pd.testing.assert_frame_equal(one, two)
