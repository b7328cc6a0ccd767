"""The command line in this process, the demo town worked through; and a skipped test is a failure."""

from __future__ import annotations

import json
import shutil
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


@pytest.fixture(scope="session")
def worked(tmp_path_factory):
    """Return the demo's folder and its document, made once for all tests; read only."""
    from countmap.jobs import demo

    folder = tmp_path_factory.mktemp("demo") / "town"
    return folder, demo.run(folder)


@pytest.fixture
def town(worked, tmp_path):
    """Return a workspace of one's own, worked through as the demo does."""
    from countmap.jobs.common import open_workspace

    return open_workspace(shutil.copytree(worked[0], tmp_path / "town"))
