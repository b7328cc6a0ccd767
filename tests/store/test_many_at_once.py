"""Three writers and two readers at once; eight and four for a minute are tests/bench/bench_writers.py."""

from __future__ import annotations

import made_writers

from countmap.jobs.common import open_workspace


def test_all_wait_for_each_other_and_none_fails(tmp_path):
    ended = made_writers.run(tmp_path / "w", 3, 2, rounds=4)
    assert made_writers.faults(tmp_path / "w", ended) == []
    assert [one.acts for one in ended] == [12, 12, 12, 4, 4]


def test_the_test_would_see_a_gap(tmp_path):
    ended = made_writers.run(tmp_path / "w", 1, 0, rounds=2)
    ws = open_workspace(tmp_path / "w")
    with ws.register.transaction() as writing:
        writing.connection.execute("DELETE FROM changes WHERE decision_id = 2")
        writing.connection.execute("DELETE FROM decisions WHERE decision_id = 2")
    assert made_writers.faults(tmp_path / "w", ended)
