"""A workspace is made once, opened anywhere on this host, and says in one line what is wrong."""

from __future__ import annotations

import pickle
from pathlib import Path

import pytest

from countmap import open_workspace
from countmap.errors import Conflict, InvalidInput, NotFound
from countmap.store import places
from countmap.workspace import Settings, init_workspace


@pytest.fixture
def ws(tmp_path):
    return init_workspace(tmp_path / "my town", "Europe/Berlin", "DE-BY")


def test_init_makes_what_open_reads(ws):
    assert sorted(p.name for p in ws.path.iterdir()) == ["countmap.toml", "counts", "register.gpkg"]
    again = open_workspace(str(ws.path))
    assert again == ws
    assert again.settings == Settings(timezone="Europe/Berlin", holidays="DE-BY")
    assert pickle.loads(pickle.dumps(again)) == ws


def test_every_setting_stands_in_the_file_with_a_word_on_it(ws):
    lines = (ws.path / "countmap.toml").read_text().splitlines()
    for name in Settings.model_fields:
        (at,) = (i for i, line in enumerate(lines) if line.startswith((f"{name} =", f"[{name}]")))
        assert lines[at - 1].startswith("# ")


def test_a_second_init_changes_nothing(ws):
    before = (ws.path / "register.gpkg").read_bytes()
    with pytest.raises(Conflict, match="my town is a workspace already; nothing was changed"):
        init_workspace(ws.path, "UTC")
    assert (ws.path / "register.gpkg").read_bytes() == before


@pytest.mark.parametrize(
    ("zone", "holidays", "said"),
    [
        (
            "Europe/Nowhere",
            "",
            "time zone 'Europe/Nowhere' is unknown; use a tz database name such as Europe/Berlin",
        ),
        ("UTC", "XX", "holiday calendar 'XX' is unknown; use a code such as DE, DE-BY or US"),
    ],
)
def test_init_refuses_an_unknown_zone_or_calendar(tmp_path, zone, holidays, said):
    with pytest.raises(InvalidInput) as caught:
        init_workspace(tmp_path / "w", zone, holidays)
    assert str(caught.value) == said
    assert not (tmp_path / "w").exists()


def test_a_folder_without_settings_is_not_a_workspace(tmp_path):
    with pytest.raises(NotFound) as caught:
        open_workspace(tmp_path)
    assert str(caught.value) == (
        f"{tmp_path} is not a workspace (no countmap.toml); make one with countmap init"
    )


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            'timezone = "UTC"\ncolour = 1',
            "key 'colour' is unknown; known are timezone, holidays, class_scheme, rounding, checks",
        ),
        ("holidays = ''", "key 'timezone' is missing; add it"),
        (
            'timezone = "Mars/Crater"',
            "time zone 'Mars/Crater' is unknown; use a tz database name such as Europe/Berlin",
        ),
        (
            'timezone = "UTC"\n[limits]\nratio = 0.5',
            "limits.ratio: Input should be greater than 1 (got 0.5)",
        ),
        (
            'timezone = "UTC"\nrounding = "up"',
            "rounding 'up' is unknown; use one of stepped, coarse, none",
        ),
        ("timezone = UTC", "not TOML (Invalid value (at line 1, column 12)); correct it"),
        ('timezone = "UTC"\n[checks.zeros]\nhours = "many"', "checks.zeros.hours.float: "),
    ],
)
def test_wrong_settings_are_one_line(ws, text, said):
    (ws.path / "countmap.toml").write_text(text)
    with pytest.raises(InvalidInput) as caught:
        open_workspace(ws.path)
    line = str(caught.value)
    assert "\n" not in line
    assert said in line


def test_limits_of_checks_are_read(ws):
    path = ws.path / "countmap.toml"
    path.write_text(path.read_text() + "[checks.zeros]\nhours = 9\n")
    assert open_workspace(ws.path).settings.checks == {"zeros": {"hours": 9.0}}


def test_a_lost_register_is_named(ws):
    ws.register.path.unlink()
    with pytest.raises(
        NotFound, match=r"register.gpkg is not there; restore it or start over with countmap init"
    ):
        open_workspace(ws.path).register.frame("stations")


def test_a_network_file_system_is_refused(tmp_path):
    """Lines of mountinfo as proc(5) prints them, with a space in a mount point as ``\\040``."""
    mounts = tmp_path / "mountinfo"
    mounts.write_text(
        "23 1 8:1 / / rw,relatime shared:1 - ext4 /dev/sda1 rw\n"
        r"40 23 0:35 / /net\040share rw,relatime shared:9 - nfs4 server:/share rw" "\n"
    )  # fmt: skip
    with pytest.raises(Conflict) as caught:
        places.require_local(Path("/net share/town"), mounts)
    assert str(caught.value) == (
        "/net share/town lies on a network file system (nfs4), where two hosts could damage the "
        "register; use a local folder and share what publish writes"
    )
    places.require_local(Path("/net share 2/town"), mounts)
    places.require_local(Path("/home/town"), mounts)
    places.require_local(Path("/home/town"), tmp_path / "none")
