"""A workspace: a folder with settings, a register and blocks of counts."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, PositiveFloat, ValidationError

from countmap import clock
from countmap.errors import Conflict, InvalidInput, NotFound
from countmap.rounding import CHARTS
from countmap.store import blocks, migrations, places
from countmap.store import register as registers
from countmap.store.blocks import Blocks
from countmap.store.register import Register

SETTINGS = "countmap.toml"
REGISTER = "register.gpkg"


def _zone(name: str) -> str:
    clock.zone(name)
    return name


def _chart(name: str) -> str:
    if name not in CHARTS:
        raise InvalidInput(f"rounding {name!r} is unknown; use one of {', '.join(CHARTS)}")
    return name


def _calendar(name: str) -> str:
    if name:
        clock.public_holidays(name, [2025])
    return name


class Settings(BaseModel):
    """What ``countmap.toml`` says. Keys that are not here are refused."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    timezone: Annotated[str, AfterValidator(_zone)]
    holidays: Annotated[str, AfterValidator(_calendar)] = ""
    units: Literal["metric", "imperial"] = "metric"
    class_scheme: str = ""
    rounding: Annotated[str, AfterValidator(_chart)] = "stepped"
    checks: dict[str, dict[str, float | bool]] = {}
    cycle_years: dict[str, PositiveFloat] = {}


@dataclass(frozen=True, slots=True)
class Workspace:
    """An open workspace. It holds no open file and may be passed to other processes."""

    path: Path
    settings: Settings
    register: Register
    blocks: Blocks


_TEMPLATE = """\
# Settings of this workspace. A key that countmap does not know is refused.

# Time zone of the counters' clocks, a name of the tz database.
timezone = "{timezone}"

# Calendar of public holidays, a country or a country and its part: "DE", "DE-BY". Empty: none.
holidays = "{holidays}"

# Units to show: "metric" or "imperial". Stored figures are metric.
units = "metric"

# Class scheme of classified counts that name none. Empty: classes are summed, not interpreted.
class_scheme = ""

# How coarsely figures are published: {charts}. The unrounded figure is always kept.
rounding = "stepped"

# Limits of the checks, by rule: [checks.RULE], then NAME = NUMBER. What is absent keeps its default.
[checks]

# Years between counts by road class, over the defaults (main roads 3, others 6, local on request).
[cycle_years]
"""


def init_workspace(path: str | Path, timezone: str, holidays: str = "") -> Workspace:
    """Make a workspace in a folder, which may exist, and return it open.

    Parameters
    ----------
    path : path
        The folder.
    timezone : str
        A name of the tz database.
    holidays : str
        A holiday calendar such as ``DE-BY``; empty: none.

    Raises
    ------
    InvalidInput
        If the zone or the calendar is unknown.
    Conflict
        If there is a workspace already, or the folder lies on a network file system.
    """
    folder = Path(path)
    _zone(timezone)
    _calendar(holidays)
    if (folder / SETTINGS).exists() or (folder / REGISTER).exists():
        raise Conflict(f"{folder} is a workspace already; nothing was changed")
    folder.mkdir(parents=True, exist_ok=True)
    places.require_local(folder)
    (folder / blocks.FOLDER).mkdir(exist_ok=True)
    registers.create(folder / REGISTER)
    charts = ", ".join(f'"{name}"' for name in CHARTS)
    text = _TEMPLATE.format(timezone=timezone, holidays=holidays, charts=charts)
    blocks.write_whole(folder / SETTINGS, text.encode())
    return open_workspace(folder)


def open_workspace(path: str | Path = ".") -> Workspace:
    """Open a workspace; a register of an older schema is backed up and brought up to date.

    Raises
    ------
    NotFound
        If the folder is not a workspace.
    InvalidInput
        If the settings cannot be read, or hold an unknown key or value.
    Conflict
        If the register is newer than this countmap, or lies on a network file system.
    """
    folder = Path(path)
    if not (folder / SETTINGS).is_file():
        raise NotFound(f"{folder} is not a workspace (no {SETTINGS}); make one with countmap init")
    places.require_local(folder)
    settings = read_settings(folder / SETTINGS)
    register = Register(folder / REGISTER, settings.model_dump_json())
    if register.path.is_file():
        migrations.migrate(register.path)
    return Workspace(folder, settings, register, Blocks(folder))


def read_settings(path: Path) -> Settings:
    """Read ``countmap.toml``; the first thing wrong with it becomes one line."""
    try:
        return Settings.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InvalidInput(f"{path}: not TOML ({error}); correct it") from error
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(map(str, first["loc"]))
        if first["type"] == "extra_forbidden":
            known = ", ".join(Settings.model_fields)
            raise InvalidInput(f"{path}: key {key!r} is unknown; known are {known}") from error
        if first["type"] == "missing":
            raise InvalidInput(f"{path}: key {key!r} is missing; add it") from error
        why = first["msg"].removeprefix("Value error, ")
        raise InvalidInput(f"{path}: {key}: {why} (got {first['input']!r})") from error
