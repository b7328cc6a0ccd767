"""Flows from a prior: what they are learned from, what they never touch, how often they are right."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from made_balance import given, two_way
from made_roads import net

from countmap.balance.assess import assess
from countmap.balance.inputs import Settings
from countmap.balance.modelled import LEAST_LINKS

LEVEL = {"primary": 9000.0, "secondary": 3000.0, "residential": 400.0}


def town(seed, counted, n=150, **settings):
    """Return streets that touch nowhere, three classes, counted in part, with their true flows."""
    rng = np.random.default_rng(seed)
    kind = rng.choice(list(LEVEL), n)
    at = rng.uniform(0, 8000, (n, 2))
    lines = {
        f"r{i:03d}": (
            [tuple(at[i]), tuple(at[i] + [120.0, 15.0])],
            {"road_class": kind[i], "lanes": 2.0 if kind[i] == "primary" else 1.0},
        )
        for i in range(n)
    }
    trend = 0.5 * np.sin(at[:, 0] / 2500)
    truth = np.exp(np.log([LEVEL[k] for k in kind]) + trend + rng.normal(0, 0.35, n))
    chosen = np.sort(rng.permutation(n)[:counted])
    counts = {f"S{i:03d}": (f"r{i:03d}", 60, two_way(truth[i], truth[i] * 1.02)) for i in chosen}
    return given(net(**lines), counts, settings=Settings(**settings)), pd.Series(truth, index=lines)


def test_streets_without_a_count_take_what_their_class_and_place_make_likely():
    inside, whole, off = 0, 0, []
    for seed in range(4):
        inputs, truth = town(seed, 60)
        flows = assess(inputs).flows
        rows = flows.loc[flows["status"].eq("modelled") & flows["sense"].eq("with")]
        assert len(rows) == 90
        assert rows["method"].unique().tolist() == ["prior learned from 60 counted links"]
        x = truth.loc[rows["link_id"]].to_numpy()
        inside += int(((rows["lower"] <= x) & (x <= rows["upper"])).sum())
        whole += len(rows)
        off.append(np.median(np.abs(np.log(rows["flow"] / x))))
    # Streets scatter by ± 35 % about class and place: half of them within 0.24 of it in ln.
    assert 0.90 <= inside / whole <= 0.98
    assert np.mean(off) < 0.32


def test_a_prior_never_touches_a_figure_of_the_balance():
    inputs, _ = town(1, 60)
    one, two = assess(inputs), assess(replace(inputs, settings=Settings(modelled=False)))
    known = two.flows["status"].ne("unobservable")
    pd.testing.assert_frame_equal(one.flows[known], two.flows[known])
    assert one.document == two.document
    assert set(one.flows.loc[~known, "status"]) == {"modelled"}


def test_both_senses_are_modelled_together():
    inputs, _ = town(1, 60)
    flows = assess(inputs).flows
    both = flows.loc[flows["status"].eq("modelled") & flows["sense"].eq("both")]
    wide = flows.pivot_table(index="link_id", columns="sense", values=["flow", "lower", "upper"])
    for name in ("flow", "lower", "upper"):
        parts = (wide[name, "with"] + wide[name, "against"]).loc[both["link_id"]]
        np.testing.assert_allclose(both[name], parts)


@pytest.mark.parametrize("counted", [0, LEAST_LINKS - 1])
def test_too_few_counts_teach_nothing(counted):
    inputs, _ = town(2, counted)
    flows = assess(inputs).flows
    assert "modelled" not in set(flows["status"])
    assert flows.loc[flows["status"].eq("unobservable"), "flow"].isna().all()


def test_a_street_declared_quiet_is_not_modelled():
    inputs, _ = town(3, 60)
    free = min(set(inputs.roads.links["link_id"]) - set(inputs.stations["link_id"]))
    said = pd.DataFrame(
        [("quiet", free, None, 50.0, None)], columns=["kind", "id", "other_id", "value", "note"]
    )
    flows = assess(replace(inputs, declarations=said)).flows
    rows = flows.loc[flows["link_id"].eq(free) & flows["sense"].ne("both")]
    assert rows["status"].unique().tolist() == ["unobservable"]
    assert rows["method"].unique().tolist() == ["declared quiet"]
