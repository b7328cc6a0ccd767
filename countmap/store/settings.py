"""The settings of a workspace: ``countmap.toml``, unknown keys refused."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, PositiveFloat, ValidationError

from countmap import clock
from countmap.errors import InvalidInput
from countmap.formats.limits import Limits
from countmap.rounding import CHARTS


def known_zone(name: str) -> str:
    """Return the name of a zone that exists; InvalidInput if it does not."""
    clock.zone(name)
    return name


def _chart(name: str) -> str:
    if name not in CHARTS:
        raise InvalidInput(f"rounding {name!r} is unknown; use one of {', '.join(CHARTS)}")
    return name


def known_calendar(name: str) -> str:
    """Return the code of a holiday calendar that exists, or ""; InvalidInput if it does not."""
    if name:
        clock.public_holidays(name, [2025])
    return name


class Settings(BaseModel):
    """What ``countmap.toml`` says. Keys that are not here are refused."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    timezone: Annotated[str, AfterValidator(known_zone)]
    holidays: Annotated[str, AfterValidator(known_calendar)] = ""
    class_scheme: str = ""
    rounding: Annotated[str, AfterValidator(_chart)] = "stepped"
    checks: dict[str, dict[str, float | bool]] = {}
    cycle_years: dict[str, PositiveFloat] = {}
    axles_per_vehicle: dict[str, PositiveFloat] = {}
    limits: Limits = Limits()
    plan: dict[str, float] = {}


_TEMPLATE = """\
# Settings of this workspace. A key that countmap does not know is refused.

# Time zone of the counters' clocks, a name of the tz database.
timezone = "{timezone}"

# Calendar of public holidays, a country or a country and its part: "DE", "DE-BY". Empty: none.
holidays = "{holidays}"

# Class scheme of classified counts that name none. Empty: classes are summed, not interpreted.
class_scheme = ""

# How coarsely figures are published: {charts}. The unrounded figure is always kept.
rounding = "stepped"

# Limits of the checks, by rule: [checks.RULE], then NAME = NUMBER. What is absent keeps its default.
[checks]

# Years between counts by road class, over the defaults (main roads 3, others 6, local on request).
[cycle_years]

# What a file may hold before it is refused: file_mb, unpacked_mb, ratio, columns, field_chars.
[limits]

# Axles per vehicle at stations that count axles or axle pairs: STATION = NUMBER, from classified counts nearby.
[axles_per_vehicle]

# Numbers of the plan: NAME = NUMBER. What is absent keeps its default; an unknown name is listed with the known.
[plan]
"""


def text(timezone: str, holidays: str) -> str:
    """Return the settings file of a new workspace, with a word on each key."""
    charts = ", ".join(f'"{name}"' for name in CHARTS)
    return _TEMPLATE.format(timezone=timezone, holidays=holidays, charts=charts)


def read_settings(path: Path) -> Settings:
    """Read ``countmap.toml``; the first thing wrong with it becomes one line."""
    try:
        return Settings.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except RecursionError as error:
        raise InvalidInput(f"{path}: is nested too deeply; correct it") from error
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
