"""The committed files of the town are exactly what the generator writes."""

from __future__ import annotations

from pathlib import Path

import pytest

from countmap.demo import town

DATA = Path(__file__).parents[2] / "data"
NOT_GENERATED = {"README.md"}


def files(folder):
    return {str(p.relative_to(folder)) for p in folder.rglob("*") if p.is_file()} - NOT_GENERATED


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("town")
    town.write(folder)
    return folder


def test_the_same_files_are_there(written):
    assert files(written) == files(DATA)


def test_every_file_is_the_same_byte_for_byte(written):
    different = [
        name
        for name in sorted(files(written))
        if (written / name).read_bytes() != (DATA / name).read_bytes()
    ]
    assert not different, f"write them again with town.write('data'): {different}"


def test_the_files_stay_small():
    sizes = {name: (DATA / name).stat().st_size for name in files(DATA)}
    assert sum(sizes.values()) < 5e6
    assert max(sizes.values()) < 2e6
