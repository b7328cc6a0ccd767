"""The demo town, worked through once for all tests of the jobs."""

from __future__ import annotations

import shutil

import pytest

from countmap.jobs import demo
from countmap.jobs.common import open_workspace


@pytest.fixture(scope="session")
def worked(tmp_path_factory):
    """Return the demo's folder and its document; read only."""
    folder = tmp_path_factory.mktemp("demo") / "town"
    return folder, demo.run(folder)


@pytest.fixture
def town(worked, tmp_path):
    """Return a workspace of one's own, worked through as the demo does."""
    return open_workspace(shutil.copytree(worked[0], tmp_path / "town"))
