"""Every kind of job killed once, beside a second writer; two hundred kills are tests/bench/bench_crash.py."""

from __future__ import annotations

import random

import made_crash
import pytest


@pytest.fixture(scope="module")
def town(tmp_path_factory):
    folder = tmp_path_factory.mktemp("crash") / "w"
    made_crash.town(folder)
    return folder


def until(writers, writer, happened):
    """Listen until something holds of a writer; the waits are short, the test's patience is not."""
    for _ in range(6000):
        if happened(writer):
            return
        made_crash.wait(writers, 0.01)
    pytest.fail(f"{writer.own.name} never got there: {writer.doing}, {writer.done}")


def test_what_was_acknowledged_is_there_and_nothing_is_half_there(town):
    rng = random.Random(3)
    writers = []
    for number, operation in enumerate(made_crash.OPERATIONS):
        writer = made_crash.start(town, number, (operation,))
        writers.append(writer)
        alive = [w for w in writers if w.process.is_alive()]
        until(alive, writer, lambda w: w.done)
        made_crash.wait(alive, rng.uniform(0, writer.lasted[0][1]))
        if len(alive) > 1:  # the one before goes on while this one is at work
            made_crash.kill(alive[0])
        assert list(made_crash.faults(town, writers)) == []
    made_crash.kill(writers[-1])
    assert list(made_crash.faults(town, writers)) == []
    assert {name for w in writers for name, _ in w.done} == set(made_crash.OPERATIONS)


def test_the_test_would_see_a_loss(town):
    from countmap.jobs.common import open_workspace

    ws = open_workspace(town / "town")
    with ws.register.transaction() as writing:
        run = writing.frame("annual")["run_id"].iloc[-1]
        writing.delete("annual", [(run, "A", "both", made_crash.YEAR)])
    assert any(fault.startswith(run) for fault in made_crash.faults(town, []))
