"""The helper that finds open data in pinned wheels, on a wheel made here."""

from __future__ import annotations

import zipfile

import opendata
import pytest


@pytest.fixture(autouse=True)
def wheel(tmp_path, monkeypatch):
    monkeypatch.setenv("COUNTMAP_OPENDATA", str(tmp_path))
    path = tmp_path / "Some_Data-1.2-py3-none-any.whl"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("some/a/roads.txt", "roads")
        archive.writestr("some/a/twice.txt", "1")
        archive.writestr("some/b/twice.txt", "2")
    return path


def test_a_file_is_found_by_its_path_or_the_end_of_it(wheel):
    assert opendata.wheel("some-data==1.2") == wheel
    got = opendata.member("some-data==1.2", "roads.txt")
    assert got == wheel.parent / "Some_Data-1.2" / "some" / "a" / "roads.txt"
    assert got.read_text(encoding="utf-8") == "roads"
    assert opendata.member("some-data==1.2", "some/b/twice.txt").read_text(encoding="utf-8") == "2"


def test_a_file_is_extracted_once():
    got = opendata.member("some-data==1.2", "roads.txt")
    got.write_text("kept", encoding="utf-8")
    assert opendata.member("some-data==1.2", "roads.txt").read_text(encoding="utf-8") == "kept"


def test_what_is_not_clear_is_refused():
    with pytest.raises(FileNotFoundError, match=r"'twice\.txt' is in Some_Data-1\.2-\S+ 2 times"):
        opendata.member("some-data==1.2", "twice.txt")
    with pytest.raises(ValueError, match=r"'some-data' is not pinned; write name==version"):
        opendata.wheel("some-data")
