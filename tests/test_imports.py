"""Imports run one way: the arrows of DEVELOPERS.md, walked in the source."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "countmap"
GROUND = {"errors", "contract", "tables", "clock", "compass", "rounding", "schemes"}
STAGES = ["roads", "tubes", "counts", "annual", "balance", "plan"]
EARLIER = {
    "roads": set(),
    "tubes": set(),
    "counts": {"tubes"},
    "annual": {"counts", "roads"},
    "balance": {"annual", "counts", "roads"},
    "plan": {"balance", "annual", "counts", "roads"},
}
MAY_IMPORT = {
    **dict.fromkeys(GROUND, GROUND),
    "formats": GROUND,
    "store": GROUND | {"formats"},
    "workspace": GROUND | {"formats", "store"},
    **{stage: GROUND | EARLIER[stage] for stage in STAGES},
    "publish": GROUND | {"formats"},
    "demo": GROUND,
    "jobs": GROUND | {"formats", "store", "workspace", "publish", "demo", *STAGES},
    "cli": {"errors", "jobs"},
    "__main__": {"cli"},
}
HOMES = {"folium": "publish", "branca": "publish", "sqlite3": "store", "duckdb": "store"}


def room(path: Path) -> str:
    """Return the room a module lies in: its folder, or its own name at the top."""
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return parts[0]


def imported(path: Path) -> set[str]:
    """Return every module name that ``path`` imports, at any depth of its code."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports are absolute"
            assert node.module is not None
            names.add(node.module)
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return names


MODULES = sorted(p for p in PACKAGE.rglob("*.py") if "vendor" not in p.parts)


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_run_one_way(path):
    here = room(path)
    if here == "__init__":
        return
    rooms = {name.split(".")[1] for name in imported(path) if name.startswith("countmap.")}
    rooms.discard("__version__")
    assert rooms - {here} <= MAY_IMPORT[here], (
        f"{path.name} may not import {rooms - MAY_IMPORT[here]}"
    )


@pytest.mark.parametrize(("library", "home"), HOMES.items())
def test_a_library_has_one_home(library, home):
    users = {room(p) for p in MODULES if library in {n.split(".")[0] for n in imported(p)}}
    assert users <= {home}


def test_modules_are_rooms_not_halls():
    long = {str(p): n for p in MODULES if (n := len(p.read_text().splitlines())) > 600}
    assert not long
