"""A valid file of every kind that is read, damaged in many ways, and what may come of it."""

from __future__ import annotations

import random
import shutil
import signal
import traceback
import zlib
from collections.abc import Callable
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import made_crash
import made_store
import numpy as np
import pandas as pd
import shapely

from countmap.errors import CountmapError
from countmap.formats import gmns, propose, sheets, tmg_write
from countmap.jobs import annual, counts, days, roads, screenlines, stations, surveys
from countmap.jobs.common import open_workspace
from countmap.store import queries

LONGEST_S = 5
TOPICS = ("roads", "stations", "counts", "flags", "days", "declarations", "screenlines", "annual")
# What breaks readers: separators, quotes, ends, huge and odd numbers, dates that are none, formulas,
# paths, SQL, letters of several bytes, and the marks of other formats.
TOKENS = [
    b"", b",", b";", b"\t", b"|", b'"', b"'", b"\n", b"\r", b"\r\n\r\n", b"\x00", b"\xff\xfe", b"\xef\xbb\xbf",
    b"-1", b"0", b"1e308", b"-0", b"NaN", b"inf", b"99999999999999999999", b"1,234", b"0x10", b"1.5",
    b"2025-02-30", b"0000-00-00", b"9999-12-31T23:59", b"24:00", b"2025-03-30T02:30", b"2025-10-26T02:30",
    b"2025-03-04T07:00+99:00", b"=1+1", b"../../etc/passwd", b"'; DROP TABLE stations; --", b"<script>",
    "Ω".encode(), "ل".encode(), b"\xc3\x28", b"PK\x03\x04", b"PAR1", b"{", b"}", b"[", b"]", b"null", b"true",
    b"[" * 2000, b"A" * 5000, b"coordinates", b"EMPTY", b"POINT (", b"1" * 400,
]  # fmt: skip


@dataclass(frozen=True)
class Reader:
    """A kind of file: a valid one, and what reads it in a workspace."""

    name: str
    read: Callable[[Path, Path], object]


def _count(layout=None):
    return lambda ws, path: counts.import_(
        open_workspace(ws), [path], layout=layout and ws / layout
    )


def _settings(ws, path):
    shutil.copyfile(path, ws / "countmap.toml")
    return open_workspace(ws).register.frame("stations")


def _register(ws, path):
    shutil.copyfile(path, ws / "register.gpkg")
    found = open_workspace(ws)
    return [found.register.frame(name) for name in ("stations", "links", "files", "decisions")]


def _block(ws, path):
    found = open_workspace(ws)
    (block,) = found.register.frame("files")["block"].head(1)
    shutil.copyfile(path, ws / block)
    return queries.day_totals(found)


def _layout(ws, path):
    return counts.import_(
        open_workspace(ws), [ws.parent / "seeds" / "wide.csv"], layout=path, dry_run=True
    )


def _gmns(ws, path):
    folder = ws / "gmns"
    shutil.copytree(ws.parent / "seeds" / "gmns", folder, dirs_exist_ok=True)
    shutil.copyfile(path, folder / "link.csv")
    return roads.read(folder)


def _pulses(ws, path):
    from countmap.formats import pulses

    return list(pulses.chunks(path))


READERS = {
    "counts.csv": _count(),
    "wide.csv": _count("wide.toml"),
    "volume.txt": _count(),
    "speed.txt": _count(),
    "class.txt": _count(),
    "sheet.xlsx": _count("sheet.toml"),
    "foreign.csv": lambda _ws, path: propose.propose(path),
    "stations.csv": lambda ws, path: stations.import_(open_workspace(ws), path),
    "surveys.csv": lambda ws, path: surveys.import_(open_workspace(ws), path),
    "days.csv": lambda ws, path: days.import_(open_workspace(ws), path),
    "declare.csv": lambda ws, path: roads.declare(open_workspace(ws), path),
    "annual.csv": lambda ws, path: annual.import_(open_workspace(ws), path),
    "lines.geojson": lambda ws, path: screenlines.import_(open_workspace(ws), path),
    "roads.geojson": lambda ws, path: roads.import_(
        open_workspace(ws), path, replace=True, dry_run=True
    ),
    "roads.gpkg": lambda _ws, path: roads.read(path),
    "roads.parquet": lambda _ws, path: roads.read(path),
    "roads.osm": lambda _ws, path: roads.read(path),
    "gmns.csv": _gmns,
    "pulses.csv": _pulses,
    "pulses.parquet": _pulses,
    "layout.toml": _layout,
    "countmap.toml": _settings,
    "register.gpkg": _register,
    "block.parquet": _block,
}


def prepare(folder):
    """Make a workspace and a valid file for every reader; return their folders."""
    ws = made_crash.town(folder).path
    seeds = folder / "seeds"
    seeds.mkdir()
    made_crash.write_counts(seeds / "counts.csv", "B", [pd.Timestamp("2025-08-01")])
    hours = ",".join(f"h{h:02d}" for h in range(24))
    cells = ",".join(map(str, range(24)))
    (seeds / "wide.csv").write_text(
        f"site,day,dir,{hours}\nB,2025-08-02,with,{cells}\nC,2025-08-02,with,{cells}\n"
    )
    wide = '[columns]\nstation_id = "site"\ndate = "day"\ndirection = "dir"\n[hours]\npattern = "h{hour:02d}"\n'
    for place in (ws / "wide.toml", seeds / "layout.toml"):
        place.write_text(wide)
    (ws / "sheet.toml").write_text(
        '[columns]\nstation_id = "Site"\nstart = "Begin"\ncount = "N"\n[constants]\ndirection = "with"\nminutes = 60\n'
    )
    start = pd.date_range("2025-08-03", periods=6, freq="h")
    sheets.write(pd.DataFrame({"Site": "B", "Begin": start, "N": range(6)}), seeds / "sheet.xlsx")
    (seeds / "foreign.csv").write_text(
        "Site: B\n\nDate;Time;Cars;Trucks\n"
        + "".join(f"4.3.2025;{h:02d}:00;{h};1\n" for h in range(24))
    )
    _records(seeds)
    shutil.copyfile(folder / "stations.csv", seeds / "stations.csv")
    (seeds / "surveys.csv").write_text(
        "survey_id,station_id,counter_id,started,ended,width_m\nV1,B,K7,2025-05-05T11:00,2025-05-12T10:00,7.1\n"
    )
    (seeds / "days.csv").write_text(
        "first,last,kind,name,links\n2025-07-01,2025-07-09,closure,pipes,west east\n"
    )
    (seeds / "declare.csv").write_text(
        "kind,id,other_id,value,note\nquiet,side,,,lane\nside_access,east,,0.02,\n"
    )
    (seeds / "annual.csv").write_text(
        "station_id,sense,year,aadt,lower,upper,level,status\nC,both,2024,1200,1100,1300,0.95,estimated\n"
    )
    _maps(folder, ws, seeds)
    rng = np.random.default_rng(2)
    pulses = pd.DataFrame({"time_us": np.sort(rng.integers(0, 10**9, 40)), "tube": ["A", "B"] * 20})
    pulses.to_csv(seeds / "pulses.csv", index=False)
    pulses.to_parquet(seeds / "pulses.parquet")
    shutil.copyfile(ws / "countmap.toml", seeds / "countmap.toml")
    shutil.copyfile(ws / "register.gpkg", seeds / "register.gpkg")
    block = open_workspace(ws).register.frame("files")["block"].iloc[0]
    shutil.copyfile(ws / block, seeds / "block.parquet")
    return ws, seeds


def _records(seeds):
    day = pd.date_range("2025-08-04", periods=24, freq="h")
    base = pd.DataFrame(
        {"station_id": "B", "direction": "E", "start": day, "minutes": 60, "count": 5.0}
    )
    tmg_write.write_counts(base, seeds / "volume.txt", "volume", state="17")
    classed = base.head(2).merge(
        pd.DataFrame({"vehicle_class": [str(n) for n in range(1, 14)]}), how="cross"
    )
    tmg_write.write_counts(classed, seeds / "class.txt", "class", state="17", pipe=True)
    mile = 1.609344
    low = pd.DataFrame(
        {"speed_low_kmh": [0, 20 * mile, 25 * mile], "speed_high_kmh": [20 * mile, 25 * mile, None]}
    )
    tmg_write.write_counts(
        base.head(2).merge(low, how="cross"), seeds / "speed.txt", "speed", state="17"
    )


def _maps(folder, ws, seeds):
    shutil.copyfile(folder / "roads.geojson", seeds / "roads.geojson")
    frame = gpd.read_file(folder / "roads.geojson")
    frame.to_file(seeds / "roads.gpkg", layer="roads")
    frame.to_parquet(seeds / "roads.parquet")
    x, y = frame.geometry.iloc[0].centroid.coords[0]
    line = shapely.LineString([(x, y - 0.01), (x, y + 0.01)])
    gpd.GeoDataFrame(
        {"name": ["river"], "kind": ["screenline"]}, geometry=[line], crs=4326
    ).to_file(seeds / "lines.geojson")
    (seeds / "roads.osm").write_text(
        '<?xml version="1.0"?><osm version="0.6"><node id="1" lat="48.0" lon="9.0"/><node id="2" lat="48.001" '
        'lon="9.001"/><node id="3" lat="48.002" lon="9.0"/><way id="7"><nd ref="1"/><nd ref="2"/><nd ref="3"/>'
        '<tag k="highway" v="primary"/><tag k="maxspeed" v="50 mph"/><tag k="oneway" v="yes"/></way></osm>'
    )
    gmns.write(*made_store.roads(), seeds / "gmns")
    shutil.copyfile(seeds / "gmns" / "link.csv", seeds / "gmns.csv")


def damaged(data, others, rng):
    """Return a file's bytes with one to six changes."""
    out = bytearray(data)
    for _ in range(rng.choice([1, 1, 1, 2, 3, 6])):
        at = rng.randrange(len(out) + 1)
        to = min(len(out), at + rng.choice([1, 1, 2, 4, 8, 16, 64, 400]))
        act = rng.randrange(8)
        if act == 0 and out:
            out[min(at, len(out) - 1)] ^= 1 << rng.randrange(8)
        elif act == 1:
            del out[at:to]
        elif act == 2:
            out[at:at] = rng.choice(TOKENS)
        elif act == 3:
            out[at:to] = rng.choice(TOKENS)
        elif act == 4:
            out[at:at] = out[at:to]
        elif act == 5:
            del out[at:]
        elif act == 6:
            other = rng.choice(others)
            start = rng.randrange(len(other) + 1)
            out[at:to] = other[start : start + (to - at)]
        else:
            _swap_cells(out, rng)
    return bytes(out)


def _swap_cells(out, rng):
    """Put a token in the place of a cell of a line, so that the file still looks like itself."""
    lines = bytes(out).split(b"\n")
    line = rng.randrange(len(lines))
    for delimiter in (b",", b";", b"|", b"="):
        cells = lines[line].split(delimiter)
        if len(cells) > 1:
            cells[rng.randrange(len(cells))] = rng.choice(TOKENS)
            lines[line] = delimiter.join(cells)
            break
    out[:] = b"\n".join(lines)


class HangError(Exception):
    """A reader took longer than it may."""


@contextmanager
def bounded(seconds):
    """Raise HangError in a block that takes more processor time; other languages are let finish first."""

    def late(_number, _frame):
        raise HangError

    before = signal.signal(signal.SIGPROF, late)
    signal.setitimer(signal.ITIMER_PROF, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


OWN = ("countmap.toml", "register.gpkg", "block.parquet")
NO_WORKSPACE = ("foreign.csv", "roads.gpkg", "roads.parquet", "roads.osm", "gmns.csv", "pulses.csv")


class Attempts:
    """A workspace of its own, and the valid files to damage."""

    def __init__(self, folder):
        self.ws, self.seeds = prepare(folder)
        self.others = [path.read_bytes() for path in sorted(self.seeds.iterdir()) if path.is_file()]
        self.kept = {
            p: p.read_bytes() for p in (self.ws / "countmap.toml", self.ws / "register.gpkg")
        }
        self.kept |= {p: p.read_bytes() for p in (self.ws / "counts").iterdir()}
        self.before = self.state()

    def state(self):
        """Return what the register holds, as text."""
        register = open_workspace(self.ws).register
        return register.fingerprint(TOPICS) + f" {len(register.frame('decisions'))}"

    def restore(self):
        """Put the workspace back as it was made."""
        for path in [*self.ws.glob("register.gpkg-*"), *self.ws.glob("register-*")]:
            path.unlink()
        for path, data in self.kept.items():
            path.write_bytes(data)
        self.before = self.state()

    def attempt(self, name, seed):
        """Read one damaged file; return how it ended: "taken", "refused", or the fault as text."""
        rng = random.Random(zlib.crc32(f"{name}{seed}".encode()))
        place = self.ws.parent / "damaged" / name
        place.parent.mkdir(exist_ok=True)
        place.write_bytes(damaged((self.seeds / name).read_bytes(), self.others, rng))
        ended = self._ended(name, seed, place)
        if name in OWN or (ended == "taken" and name not in NO_WORKSPACE):
            self.restore()
        return ended

    def _ended(self, name, seed, place):
        try:
            with bounded(LONGEST_S):
                READERS[name](self.ws, place)
        except CountmapError as refused:
            if "\n" in str(refused) or not str(refused).strip():
                return f"{name} {seed}: not one line: {refused!r}"
            if name not in (*OWN, *NO_WORKSPACE) and self.state() != self.before:
                return f"{name} {seed}: refused, and yet the register changed"
            return "refused"
        except HangError:
            return f"{name} {seed}: took longer than {LONGEST_S} s"
        except BaseException as fault:  # noqa: BLE001  # whatever it is, it is a finding
            where = traceback.extract_tb(fault.__traceback__)
            ours = [f for f in where if "/countmap/" in f.filename][-1:] or where[-1:]
            spot = f"{Path(ours[0].filename).name}:{ours[0].lineno}"
            return f"{name} {seed}: {type(fault).__name__} at {spot}: {str(fault)[:120]}"
        return "taken"
