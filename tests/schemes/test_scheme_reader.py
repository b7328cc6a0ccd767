"""Schemes as data: what comes along is sourced, what a user adds is read or refused in one line."""

from __future__ import annotations

import numpy as np
import pytest

from countmap.errors import InvalidInput, NotFound
from countmap.schemes.reader import known, load, parse
from countmap.tubes.classify import classify, labels

OWN = """
name = "own"
title = "Cycles apart"
confusion = "Mopeds count as cycles."
[limits.cycle]
value = 4
unit = "ft"
source = "own survey"
mark = "measured"
[[classes]]
id = "cycle"
name = "cycle"
heavy = false
[[classes]]
id = "rest"
name = "all others"
heavy = true
[[rules]]
class = "cycle"
when = ["axles == 2", "wheelbase <= cycle"]
[[rules]]
class = "rest"
when = ["axles >= 2"]
"""


@pytest.mark.parametrize("name", known())
def test_each_limit_has_a_source_and_each_scheme_its_confusion(name):
    scheme = load(name)
    assert scheme.limits
    assert all(limit.source and limit.mark for limit in scheme.limits)
    assert len(scheme.confusion) > 60
    assert {rule.id for rule in scheme.rules} == {c.id for c in scheme.classes}


def test_a_user_adds_a_scheme_without_code(tmp_path):
    path = tmp_path / "own.toml"
    path.write_text(OWN, encoding="utf-8")
    scheme = load(path)
    found = classify(np.array([2, 2]), np.array([1.05, 2.6]), np.array([0, 1]), scheme)
    assert labels(found, scheme).tolist() == ["cycle", "rest"]
    assert scheme.heavy == {"rest"}


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('unit = "ft"', 'unit = "yd"', "own.toml: limit 'cycle' has unit 'yd'. Use m or ft"),
        ('source = "own survey"\n', "", "own.toml: limit 'cycle' needs source = \"…\", got None"),
        ("value = 4", "value = -4", "needs value = a positive number, got -4"),
        ("wheelbase <= cycle", "length <= cycle", "rule 1: 'length' is no term, no limit and no"),
        ("axles >= 2", "axles ≥ 2", "rule 2: condition 'axles ≥ 2' is not 'term op term'"),
        ('class = "rest"', 'class = "van"', "rule 2 gives class 'van', not among [[classes]]"),
        ('id = "rest"', 'id = "cycle"', "class 'cycle' is there twice"),
        ("heavy = true", 'heavy = "yes"', "class 'rest' needs heavy = true or false, got 'yes'"),
        ('title = "Cycles apart"', "titel = 1", "unknown key 'titel'"),
        ("[limits.cycle]", "[limits.axles]", "limit 'axles' has the name of a term"),
        ("[[rules]]", "[[rules", "no TOML"),
    ],
)
def test_a_faulty_scheme_gets_one_line(old, new, said):
    with pytest.raises(InvalidInput) as error:
        parse(OWN.replace(old, new), "own.toml")
    assert said in str(error.value)
    assert "\n" not in str(error.value)


def test_an_unknown_scheme_names_those_known():
    with pytest.raises(NotFound, match="no class scheme 'nosuch'; use austroads12, fhwa13"):
        load("nosuch")
