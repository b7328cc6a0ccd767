"""The network of Ng (2012): how many counts tell every flow, how many such sets, and how well."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from countmap.plan.observe import Graph, cheapest, variances

# M. Ng, "Synergistic sensor location for link flow inference without path enumeration",
# Transportation Research B 46 (2012): 14 links, centroids 1, 2, 8, 9; the minimum number of counted
# links is links − non-centroid nodes [abstract]. The number of minimal sets and their variances were
# computed for this project by enumeration.
LINKS = ["13", "14", "23", "24", "35", "36", "45", "47", "56", "57", "68", "69", "78", "79"]
CENTROIDS = "1289"


def ng():
    number = dict.fromkeys(CENTROIDS, 0) | {c: i + 1 for i, c in enumerate("34567")}
    tail = np.array([number[link[0]] for link in LINKS])
    head = np.array([number[link[1]] for link in LINKS])
    return Graph(6, tail, head)


def minimal_sets(graph):
    for out in combinations(range(14), 5):
        counted = np.ones(14, dtype=bool)
        counted[list(out)] = False
        found = variances(graph, counted, np.ones(14))
        if found is not None:
            yield float(found.sum())


def test_nine_counts_tell_all_fourteen_flows():
    counted = cheapest(ng(), np.ones(14))
    assert counted.sum() == 9 == len(LINKS) - len("34567")
    assert variances(ng(), counted, np.ones(14)) is not None


def test_eight_never_do():
    graph = ng()
    for out in combinations(range(14), 6):
        counted = np.ones(14, dtype=bool)
        counted[list(out)] = False
        assert variances(graph, counted, np.ones(14)) is None


def test_six_hundred_sets_are_minimal_and_the_surest_is_found():
    spread = list(minimal_sets(ng()))
    assert len(spread) == 600
    assert (round(min(spread)), round(max(spread))) == (17, 27)
    counted = cheapest(ng(), np.ones(14))
    assert round(float(variances(ng(), counted, np.ones(14)).sum()), 9) == 17


def test_the_cheapest_set_is_the_cheapest_of_all():
    graph, rng = ng(), np.random.default_rng(7)
    for _ in range(5):
        cost = rng.integers(1, 9, 14).astype(float)
        least = min(
            float(cost.sum() - cost[list(out)].sum())
            for out in combinations(range(14), 5)
            if variances(graph, ~np.isin(np.arange(14), out), np.ones(14)) is not None
        )
        assert cost[cheapest(graph, cost)].sum() == least
