"""The chosen set against every set there is, in 200 small towns."""

from __future__ import annotations

from itertools import combinations

import made_plan
import numpy as np

from countmap.plan import choose

TOWNS = 200


def small(seed):
    """Return a small town's estimate and at most 20 candidates."""
    rng = np.random.default_rng([2012, seed])
    made = made_plan.town(
        seed, rows=int(rng.integers(3, 5)), columns=int(rng.integers(3, 5)), gates=0.5, driven=False
    )
    ids = made.section_truth().index.to_numpy()
    at = rng.choice(ids, int(rng.integers(0, len(ids) // 2)), replace=False)
    found = made.field_of(sorted(at))
    open_ = np.flatnonzero((found.units.of_arc >= 0).any(axis=1))
    return found, np.sort(rng.permutation(open_)[:20]), int(rng.integers(2, 5))


def best_of_all(found, candidates, budget):
    """Return the set that tells most and what it tells: all sets, from the dense covariance."""
    arcs = found.units.of_arc[candidates]
    there = (arcs >= 0).ravel()
    columns = found.factored.columns(arcs.ravel()[there])[arcs.ravel()[there]]
    noise = found.new_error**2 * np.array([[1, found.sense_share], [found.sense_share, 1]])
    error = np.kron(np.eye(len(arcs)), noise)
    whole = np.eye(len(there))  # a sense that carries no traffic tells nothing
    whole[np.ix_(there, there)] = columns + error[np.ix_(there, there)]
    lone = np.eye(len(there))
    lone[np.ix_(there, there)] = error[np.ix_(there, there)]
    sets = np.array(list(combinations(range(len(candidates)), budget)))
    at = np.stack([2 * sets, 2 * sets + 1], axis=-1).reshape(len(sets), -1)
    pick = (at[:, :, None], at[:, None, :])
    told = 0.5 * (np.linalg.slogdet(whole[pick])[1] - np.linalg.slogdet(lone[pick])[1])
    top = int(np.argmax(told))
    return set(sets[top].tolist()), float(told[top])


def test_the_choice_is_as_good_as_the_best_of_all_sets():
    # Bound for greedy alone: 1 − 1/e (Nemhauser, Wolsey & Fisher 1978).
    share, same = [], []
    for seed in range(TOWNS):
        found, candidates, budget = small(seed)
        cost = np.ones(len(candidates))
        chosen = choose.choose(found, choose.Wanted(candidates, cost, float(budget)))
        best, most = best_of_all(found, candidates, budget)
        assert len(chosen.rows) == budget
        share.append(float(chosen.information.sum()) / most)
        same.append(set(chosen.rows.tolist()) == best)
    print(f"least share {min(share):.4f}, the same set in {sum(same)} of {TOWNS}")
    assert min(share) >= 0.98
    assert np.mean(same) >= 0.95
