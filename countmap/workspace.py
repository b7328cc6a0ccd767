"""A workspace: a folder with settings, a register and blocks of counts."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from countmap.errors import Conflict, NotFound
from countmap.formats import whole
from countmap.store import blocks, migrations, places
from countmap.store import register as registers
from countmap.store import settings as stored_settings
from countmap.store.blocks import Blocks
from countmap.store.register import Register
from countmap.store.settings import Settings

__all__ = ["Settings", "Workspace", "init_workspace", "open_workspace"]

SETTINGS = "countmap.toml"
REGISTER = "register.gpkg"


@dataclass(frozen=True, slots=True)
class Workspace:
    """An open workspace. It holds no open file and may be passed to other processes."""

    path: Path
    settings: Settings
    register: Register
    blocks: Blocks


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
    stored_settings.known_zone(timezone)
    stored_settings.known_calendar(holidays)
    if (folder / SETTINGS).exists() or (folder / REGISTER).exists():
        raise Conflict(f"{folder} is a workspace already; nothing was changed")
    whole.make_folder(folder)
    places.require_local(folder)
    whole.make_folder(folder / blocks.FOLDER)
    registers.create(folder / REGISTER)
    text = stored_settings.text(timezone, holidays)
    whole.write(folder / SETTINGS, text.encode())
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
    settings = stored_settings.read_settings(folder / SETTINGS)
    register = Register(folder / REGISTER, settings.model_dump_json())
    if register.path.is_file():
        migrations.migrate(register.path)
    return Workspace(folder, settings, register, Blocks(folder))
