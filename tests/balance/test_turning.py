"""Turning counts fitted to the reconciled legs of a junction."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest
from made_balance import CROSS, CROSS_COUNTS, given, two_way
from made_roads import net, node_at

from countmap.balance.assess import assess
from countmap.balance.inputs import Settings


def turning(junction, counts):
    rows = [
        (junction, a, b, pd.Timestamp("2025-05-06T07:00Z"), 60, n) for (a, b), n in counts.items()
    ]
    names = ["junction_id", "from_link", "to_link", "start", "minutes", "count"]
    return pd.DataFrame(rows, columns=names)


# Every street to every other, in the order n, e, s, w.
COUNTS = {
    (a, b): float(10 + 7 * i + 3 * j)
    for i, a in enumerate("nesw")
    for j, b in enumerate("nesw")
    if a != b
}


def test_movements_fit_the_reconciled_legs():
    roads = net(**CROSS)
    uneven = CROSS_COUNTS | {"E": ("e", 500, two_way(3400, 3300))}
    inputs = given(roads, uneven, settings=Settings(access_per_km=0.0))
    result = assess(replace(inputs, turns=turning(node_at(roads, 0, 0), COUNTS)))
    (found,) = result.document["turns"]
    assert found["reason"] is None
    assert found["name"] == "Mill Lane / North Road"
    # The legs are reconciled before: what enters leaves, so nothing is rescaled.
    assert found["rescaled"] == 1.0
    flow = pd.DataFrame(found["movements"]).pivot_table("flow", "from_link", "to_link")
    for leg in found["legs"]:
        assert flow.loc[leg["link_id"]].sum() == pytest.approx(leg["in"], rel=1e-8)
        assert flow[leg["link_id"]].sum() == pytest.approx(leg["out"], rel=1e-8)
    said = {(r["link_id"], r["sense"]): r["reconciled"] for r in result.document["reconciled"]}
    assert found["legs"][0]["in"] == pytest.approx(said["e", "with"])
    # Fitting keeps the odds of the turning counts: (n→e · s→w) / (n→w · s→e).
    odds = COUNTS["n", "e"] * COUNTS["s", "w"] / (COUNTS["n", "w"] * COUNTS["s", "e"])
    kept = flow.loc["n", "e"] * flow.loc["s", "w"] / (flow.loc["n", "w"] * flow.loc["s", "e"])
    assert kept == pytest.approx(odds, rel=1e-6)


def test_legs_that_side_accesses_keep_apart_are_rescaled_aloud():
    roads = net(**CROSS)
    uneven = CROSS_COUNTS | {"E": ("e", 500, two_way(3400, 3300))}
    inputs = given(roads, uneven, declared=[("side_access", "e", 0.3)])
    (found,) = assess(replace(inputs, turns=turning(node_at(roads, 0, 0), COUNTS))).document[
        "turns"
    ]
    into = sum(leg["in"] for leg in found["legs"])
    out = sum(leg["out"] for leg in found["legs"])
    assert found["rescaled"] == pytest.approx(into / out)
    assert abs(found["rescaled"] - 1.0) > 1e-3


def test_a_junction_with_an_uncounted_leg_says_so():
    roads = net(**CROSS)
    counts = {k: v for k, v in CROSS_COUNTS.items() if k != "W"}
    inputs = given(roads, counts)
    (found,) = assess(replace(inputs, turns=turning(node_at(roads, 0, 0), COUNTS))).document[
        "turns"
    ]
    assert found["reason"] == "no flow to fit: link w not counted"
    assert {m["flow"] for m in found["movements"]} == {None}
    assert found["movements"][0]["counted"] == COUNTS["e", "n"]


def test_a_leg_from_which_no_turn_was_seen_says_so():
    roads = net(**CROSS)
    few = {k: v for k, v in COUNTS.items() if k[0] != "w"}
    inputs = given(roads, CROSS_COUNTS)
    (found,) = assess(replace(inputs, turns=turning(node_at(roads, 0, 0), few))).document["turns"]
    assert found["reason"].startswith("turns: 2,5")
    assert "vehicles enter by leg w, but every turn there is forbidden" in found["reason"]


@pytest.mark.parametrize(
    ("junction", "counts", "said"),
    [
        (None, COUNTS | {("old", "e"): 5.0}, "link old is no leg here any more"),
        ("n999", {("n", "e"): 5.0}, "link e, n is no leg here any more"),
    ],
)
def test_turns_of_a_link_or_a_junction_that_is_gone_are_kept_and_say_so(junction, counts, said):
    """A network may be replaced after the turns were counted."""
    roads = net(**CROSS)
    inputs = given(roads, CROSS_COUNTS)
    turns = turning(junction or node_at(roads, 0, 0), counts)
    (found,) = assess(replace(inputs, turns=turns)).document["turns"]
    assert found["reason"] == f"no flow to fit: {said}"
    assert {(m["from_link"], m["to_link"]): m["counted"] for m in found["movements"]} == counts
    assert all(movement["flow"] is None for movement in found["movements"])
