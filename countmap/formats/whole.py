"""Files that are there whole or not at all, also after a power cut."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def replacing(path: str | Path) -> Iterator[Path]:
    """Yield the path of a file to write that takes the place of ``path`` in one step at the end.

    It lies in a temporary folder beside ``path``; nothing is replaced when the block raises. Its
    content is synced before it takes the place, the folder after: a reader, also after a power cut,
    finds the old file or the new one.
    """
    path = Path(path)
    folder = Path(tempfile.mkdtemp(prefix=f".{path.name}.", dir=path.parent))
    try:
        part = folder / path.name
        yield part
        sync(part)
        part.replace(path)
        sync(path.parent)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def write(path: str | Path, data: bytes) -> None:
    """Write a file whole or not at all; folders that are missing are made."""
    make_folder(Path(path).parent)
    with replacing(path) as part:
        part.write_bytes(data)


def make_folder(folder: Path) -> None:
    """Make a folder and those above it, each entered on disk in the one that holds it."""
    if folder.is_dir():
        return
    make_folder(folder.parent)
    folder.mkdir(exist_ok=True)
    sync(folder.parent)


def sync(path: Path) -> None:
    """Bring a file's content, or a folder's list of names, to the disk.

    Where the system cannot open a folder (Windows), its names are left to the system.
    """
    if path.is_dir() and not hasattr(os, "O_DIRECTORY"):
        return
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
