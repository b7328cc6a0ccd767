"""The command line in this process; and a skipped test is a failure."""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass

import pytest


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session, exitstatus):
    """Turn a run with skipped tests into a failed one."""
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if exitstatus == 0 and reporter and reporter.stats.get("skipped"):
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


@dataclass
class Ended:
    """How a command ended."""

    code: int
    out: str
    err: str

    @property
    def document(self):
        return json.loads(self.out)


@pytest.fixture
def countmap(monkeypatch, capsys):
    """Return a function that runs the command line and returns how it ended."""
    from countmap.cli.main import run

    def call(*words):
        monkeypatch.setattr(sys, "argv", ["countmap", *map(str, words)])
        with pytest.raises(SystemExit) as stop:
            run()
        captured = capsys.readouterr()
        return Ended(int(stop.value.code or 0), captured.out, captured.err)

    return call
