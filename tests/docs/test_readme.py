"""The README's commands, run as they stand there on the files of data/."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent
BLOCK = re.compile(r"```sh\n(.*?)```", re.DOTALL)


def commands():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    return [line for block in BLOCK.findall(text) for line in block.splitlines()]


def words(line):
    """Split a line as a shell does, with its globs."""
    for word in shlex.split(line):
        found = sorted(map(str, Path().glob(word))) if "*" in word else []
        yield from found or [word]


def test_the_walks_run_as_they_are_written(countmap, tmp_path, monkeypatch):
    (tmp_path / "data").symlink_to(ROOT / "data")
    monkeypatch.chdir(tmp_path)
    ran = 0
    for line in commands():
        if line.startswith("cd "):
            monkeypatch.chdir(line.removeprefix("cd "))
        elif line.startswith("countmap "):
            ended = countmap(*list(words(line))[1:])
            assert (ended.code, ended.err) == (0, ""), line
            assert ended.out.strip(), line
            ran += 1
    assert ran > 20


def test_two_commands_do_everything():
    given = [line for line in commands() if line.startswith("sh ")]
    assert given == ["sh .ci/demo", "sh .ci/test"]
    assert all((ROOT / line.split()[1]).is_file() for line in given)
    assert "sh .ci/test" in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def test_the_developers_page_names_rooms_that_are_there():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    doors = re.findall(r"`((?:roads|counts|store|annual|balance|publish)\.\w+)\.", text)
    assert len(doors) > 10
    for door in doors:
        assert (ROOT / "countmap" / f"{door.replace('.', '/')}.py").is_file(), door
    table = text.split("## The rooms")[1].split("The doors")[0]
    for room in re.findall(r"^\| `(\w+)/`", table, re.MULTILINE):
        assert (ROOT / "countmap" / room).is_dir(), room
