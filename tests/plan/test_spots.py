"""Spots for tubes: away from junctions and bends, on straight road, each rule with its source."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pandas as pd
import pytest
from made_roads import EAST, NORTH, net

from countmap.errors import InvalidInput
from countmap.plan import spots
from countmap.roads.junctions import junctions
from countmap.tables import DECLARATIONS, empty


def found(links, on, **more):
    roads = net(**links)
    return spots.spots(roads, junctions(roads, empty(DECLARATIONS)), on, **more)


CROSS = {
    "a": ([(-600, 0), (0, 0)], {"speed_kmh": 50.0, "lanes": 2.0}),
    "n": [(0, 0), (0, 300)],
    "e": [(0, 0), (300, 0)],
}


def test_the_best_spot_is_far_from_the_junction_on_straight_road():
    best = found(CROSS, ["a"])
    assert len(best) == 3
    assert best["fit"].all()
    assert (best["to_junction_m"] >= 100).all()
    assert (best["score"] == 1).all()
    places = best[["x", "y"]].to_numpy()
    assert min(np.hypot(*(places[i] - places[j])) for i in range(3) for j in range(i)) >= 40
    assert "m from the next junction; straight for 120 m" in best["why"].iloc[0]


def test_a_fast_road_needs_more_room():
    fast = CROSS | {"a": ([(-260, 0), (0, 0)], {"speed_kmh": 90.0})}
    best = found(fast, ["a"]).iloc[0]
    assert best["to_junction_m"] == pytest.approx(200, abs=1) or not best["fit"]
    short = CROSS | {"a": ([(-90, 0), (0, 0)], {"speed_kmh": 50.0})}
    best = found(short, ["a"]).iloc[0]
    assert not best["fit"]
    assert "but only" in best["why"] or best["why"].startswith("only")


def test_a_bend_is_told_by_its_radius():
    turn = np.linspace(0, np.pi / 2, 60)
    bend = [(80 * np.sin(t), 80 * np.cos(t) - 80) for t in turn]
    best = found({"b": (bend, {}), "x": [(0, 0), (-300, 0)]}, ["b"]).iloc[0]
    assert best["radius_m"] == pytest.approx(80, rel=0.05)
    assert "on a bend of about 8" in best["why"] or "on a bend of about 7" in best["why"]


def test_lanes_and_what_is_avoided_count():
    wide = CROSS | {"a": ([(-600, 0), (0, 0)], {"lanes": 4.0})}
    assert "4 lanes; a pair of tubes counts 2" in found(wide, ["a"])["why"].iloc[0]
    school = pd.DataFrame({"kind": ["a school"], "x": [EAST - 300.0], "y": [NORTH + 5.0]})
    near = found(CROSS, ["a"], avoid=school)
    assert (np.hypot(near["x"] - EAST + 300, near["y"] - NORTH - 5) >= 25).all()
    with pytest.raises(InvalidInput, match="there is no link to lay tubes on"):
        found(CROSS, ["zz"])


def test_every_rule_has_a_source():
    names = {f.name for f in fields(spots.SpotSettings)}
    assert set(spots.SOURCES) <= names
    assert all(spots.SOURCES.values())
