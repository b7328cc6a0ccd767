"""Five hundred damaged files over all readers; twenty thousand are tests/bench/bench_fuzz.py."""

from __future__ import annotations

import warnings

import made_fuzz
import pytest


@pytest.fixture(scope="module")
def attempts(tmp_path_factory):
    return made_fuzz.Attempts(tmp_path_factory.mktemp("fuzz") / "w")


@pytest.mark.parametrize("name", list(made_fuzz.READERS))
def test_a_damaged_file_is_taken_or_refused_in_one_line(attempts, name):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a library's remark on a damaged file is no fault
        ended = [attempts.attempt(name, seed) for seed in range(1_000_000, 1_000_021)]
    assert [said for said in ended if said not in ("taken", "refused")] == []
    assert "refused" in ended


@pytest.mark.parametrize("name", list(made_fuzz.READERS))
def test_the_valid_file_is_taken(attempts, name):
    made_fuzz.READERS[name](attempts.ws, attempts.seeds / name)
    attempts.restore()


def test_the_test_would_see_a_fault(attempts, monkeypatch):
    def broken(_ws, _path):
        raise ZeroDivisionError

    monkeypatch.setitem(made_fuzz.READERS, "days.csv", broken)
    assert "ZeroDivisionError" in attempts.attempt("days.csv", 1)


def test_a_class_record_of_four_hundred_digits(attempts):
    assert attempts.attempt("class.txt", 649) == "refused"  # found by the bench
