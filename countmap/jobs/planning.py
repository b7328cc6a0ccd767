"""The plan's numbers in ``countmap.toml``: one flat table, each name known to one room."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

from countmap.errors import InvalidInput
from countmap.plan.field import FieldSettings
from countmap.plan.reaches import ReachSettings
from countmap.plan.rounds import RoundSettings
from countmap.plan.seasons import SeasonSettings
from countmap.plan.spots import SpotSettings
from countmap.workspace import Workspace

ROOMS: dict[str, Any] = {
    "": FieldSettings,
    "reach_": ReachSettings,
    "spot_": SpotSettings,
    "season_": SeasonSettings,
    "round_": RoundSettings,
}
"""The settings of each room, with what its names begin with in the file."""


def prior(ws: Workspace) -> FieldSettings:
    """Return the stated prior of the joint estimate."""
    return FieldSettings(**_given(ws, ""))


def reach(ws: Workspace) -> ReachSettings:
    """Return when two sections share a count."""
    return ReachSettings(**_given(ws, "reach_"))


def spot(ws: Workspace) -> SpotSettings:
    """Return what a spot for tubes should have."""
    return SpotSettings(**_given(ws, "spot_"))


def season(ws: Workspace, full_days: int | None = None) -> SeasonSettings:
    """Return what a stay needs; ``full_days`` over the setting."""
    given = _given(ws, "season_")
    if full_days is not None:
        given |= {"full_days": full_days}
        given.setdefault("longest_days", max(full_days + 3, SeasonSettings().longest_days))
    return SeasonSettings(**given)


def round_(ws: Workspace) -> RoundSettings:
    """Return how crews work."""
    return RoundSettings(**_given(ws, "round_"))


def names() -> list[str]:
    """Return every name that ``[plan]`` may hold."""
    return sorted(prefix + one.name for prefix, room in ROOMS.items() for one in fields(room))


def _given(ws: Workspace, prefix: str) -> dict[str, float]:
    """Return the numbers of a room; refuse a name that no room knows.

    Raises
    ------
    InvalidInput
        A name that no room knows.
    """
    known = names()
    for name in sorted(ws.settings.plan):
        if name not in known:
            raise InvalidInput(
                f"countmap.toml: [plan] {name!r} is unknown; known are {', '.join(known)}"
            )
    own = {prefix + one.name: one.name for one in fields(ROOMS[prefix])}
    return {own[name]: value for name, value in ws.settings.plan.items() if name in own}
