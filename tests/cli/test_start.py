"""The command line starts light and says everything in its help."""

from __future__ import annotations

import subprocess
import sys

import pytest

HEAVY = (
    "numpy",
    "pandas",
    "geopandas",
    "scipy",
    "duckdb",
    "folium",
    "networkx",
    "pyarrow",
    "numba",
)


def test_help_imports_nothing_heavy():
    code = (
        "import sys; sys.argv = ['countmap', '--help']\n"
        "from countmap.cli.main import run\n"
        "try:\n    run()\nexcept SystemExit:\n    pass\n"
        "print('LOADED', sorted(sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = done.stdout.split("LOADED", 1)[1]
    assert not [name for name in HEAVY if f"'{name}'" in loaded]


def test_public_names_are_there():
    import countmap

    for name in countmap.__all__:
        assert getattr(countmap, name) is not None
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        countmap.nothing  # noqa: B018


@pytest.mark.parametrize(
    "group",
    [
        "",
        "roads",
        "stations",
        "surveys",
        "tubes",
        "days",
        "counts",
        "flags",
        "annual",
        "balance",
        "screenlines",
        "turns",
        "plan",
        "publish",
    ],
)
def test_every_group_has_help(countmap, group):
    ended = countmap(*([group] if group else []), "--help")
    assert ended.code == 0
    assert "Commands:" in ended.out


def test_jobs_are_found_by_name():
    import countmap

    assert callable(countmap.jobs.annual.estimate)
    assert "annual" in dir(countmap.jobs)
    with pytest.raises(AttributeError, match="has no attribute 'nothing'"):
        countmap.jobs.nothing  # noqa: B018


def test_work_that_takes_long_says_so_on_a_terminal(monkeypatch):
    import io
    import time

    from countmap.cli.common import progress

    class Terminal(io.StringIO):
        def isatty(self):
            return True

    monkeypatch.setattr(sys, "stderr", seen := Terminal())
    monkeypatch.setenv("TERM", "xterm")
    with progress("Counting") as step:
        step(1, 2)
    assert seen.getvalue() == "", "quick work says nothing"
    with progress("Counting") as step:
        step(1, 2)
        deadline = time.monotonic() + 20
        while "Counting" not in seen.getvalue() and time.monotonic() < deadline:
            time.sleep(0.05)
    assert "Counting" in seen.getvalue()
