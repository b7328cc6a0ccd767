"""Writers that do real jobs on one workspace until they are killed, and what must hold afterwards."""

from __future__ import annotations

import hashlib
import json
import multiprocessing
import random
import shutil
import sqlite3
import time
import zlib
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from multiprocessing import connection as pipes
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

YEAR = 2025
OPERATIONS = ("import", "decide", "annual", "balance", "publish", "migrate")
ROADS = {"west": (0, 0, 700, 0), "east": (700, 0, 1400, 0), "side": (700, 0, 700, 450)}
# Children are forked from a server that has the libraries loaded: a kill costs no import.
PROCESSES = multiprocessing.get_context("forkserver")
PROCESSES.set_forkserver_preload(
    [
        "made_crash",
        *(f"countmap.jobs.{name}" for name in ("annual", "balance", "counts", "publish")),
        "countmap.balance.assess",
        "countmap.publish.map",
        "countmap.publish.data",
        "pyarrow.parquet",
        "numba",
    ]
)


def day_of_counts(station, day):
    """Return a day's counts.csv lines: the same day is always counted the same."""
    rng = np.random.default_rng(int(hashlib.sha256(f"{station}{day}".encode()).hexdigest()[:8], 16))
    shape = 30 + 200 * np.exp(-(((np.arange(24) - 14) / 5) ** 2))
    return [
        f"{station},{sense},{day}T{hour:02d}:00,60,{count}"
        for sense in ("with", "against")
        for hour, count in enumerate(rng.poisson(shape))
    ]


def write_counts(path, station, days, survey=""):
    lines = ["station_id,direction,start,minutes,count,survey_id"]
    for day in days:
        lines += [f"{line},{survey}" for line in day_of_counts(station, f"{day:%Y-%m-%d}")]
    path.write_text("\n".join(lines) + "\n")


def town(folder):
    """Make a town of three streets with a permanent station, short counts and first results."""
    from countmap.jobs import annual, balance, counts, register, roads, stations
    from countmap.jobs.common import open_workspace

    folder.mkdir(parents=True)
    lines = [shapely.LineString([(a, b), (c, d)]) for a, b, c, d in ROADS.values()]
    metres = gpd.GeoDataFrame({"link_id": list(ROADS)}, geometry=lines, crs=25832)
    metres = metres.set_geometry(metres.translate(560_000, 5_300_000))
    streets = metres.to_crs(4326).assign(road_class="primary", oneway="no")
    streets.to_file(folder / "roads.geojson")
    middle = metres.geometry.interpolate(0.5, normalized=True).to_crs(4326)
    pd.DataFrame(
        {
            "station_id": ["A", "B", "C"],
            "lon": middle.x,
            "lat": middle.y,
            "bearing_deg": [90, 90, 0],
            "kind": ["permanent", "short", "short"],
        }
    ).to_csv(folder / "stations.csv", index=False)
    register.init(folder / "town", timezone="UTC")
    ws = open_workspace(folder / "town")
    roads.import_(ws, folder / "roads.geojson")
    stations.import_(ws, folder / "stations.csv")
    write_counts(folder / "a.csv", "A", pd.date_range(f"{YEAR}-01-01", f"{YEAR}-12-31"))
    for name in ("B", "C"):
        write_counts(folder / f"{name}.csv", name, pd.date_range(f"{YEAR}-05-05", periods=7))
    counts.import_(ws, [folder / "a.csv", folder / "B.csv", folder / "C.csv"])
    annual.estimate(ws, year=YEAR)
    balance.run(ws, year=YEAR)
    shutil.copytree(ws.path, folder / "older")
    older(folder / "older" / "register.gpkg")
    return ws


def older(register):
    """Take from a register what came later, so that opening it brings it up to date."""
    with closing(sqlite3.connect(register)) as connection, connection:
        for column in ("air_c", "used_spacing_ab_m", "used_spacing_ba_m"):
            connection.execute(f"ALTER TABLE surveys DROP COLUMN {column}")
        connection.execute("ALTER TABLE stations DROP COLUMN candidates")
        connection.execute("DROP TABLE turns")
        connection.execute("DELETE FROM gpkg_contents WHERE table_name = 'turns'")


def write_for_ever(folder, number, operations, pipe):
    """Do jobs in a random order without end; say what begins and what is done."""
    from countmap.jobs.common import open_workspace

    rng = random.Random(number)
    own = folder / f"writer-{number}"
    own.mkdir()
    ws = open_workspace(folder / "town")
    for turn in range(100_000):
        name = rng.choice(operations)
        pipe.send(("begins", name, f"{number}-{turn}"))
        said = _DO[name](ws, own, f"{number}-{turn}")
        pipe.send(("done", name, said))


def _import(ws, own, mark):
    from countmap.jobs import counts

    day = pd.Timestamp(f"{YEAR}-01-01") + pd.Timedelta(days=zlib.crc32(mark.encode()) % 364)
    for part in ("one", "two"):
        write_counts(own / f"{mark}-{part}.csv", "B", [day], mark)
        day += pd.Timedelta(days=1)
    counts.import_(ws, [own / f"{mark}-one.csv", own / f"{mark}-two.csv"])
    return mark


def _decide(ws, own, mark):
    from countmap.jobs import stations

    path = own / f"names-{mark}.csv"
    at = pd.read_csv(ws.path.parent / "stations.csv")
    at[at["station_id"] != "A"].assign(name=mark).to_csv(path, index=False)
    stations.import_(ws, path)
    return mark


def _annual(ws, _own, mark):
    from countmap.jobs import annual

    annual.estimate(ws, year=YEAR)
    return len(ws.register.frame("runs", kind="annual"))


def _balance(ws, _own, mark):
    from countmap.jobs import balance

    balance.run(ws, year=YEAR)
    return len(ws.register.frame("runs", kind="balance"))


def _publish(ws, own, mark):
    from countmap.jobs import publish, releases

    chart = publish.map_(ws, year=YEAR, out=own / "map.html")
    release = releases.data(ws, year=YEAR, out=own / "data")["release"]
    return own.name, hashlib.sha256(Path(chart["path"]).read_bytes()).hexdigest(), release


def _migrate(ws, own, mark):
    from countmap.jobs.common import open_workspace

    folder = own / f"old-{mark}"
    shutil.copytree(ws.path.parent / "older", own / "copy", dirs_exist_ok=True)
    (own / "copy").rename(folder)
    open_workspace(folder)
    return str(folder)


_DO = {
    "import": _import,
    "decide": _decide,
    "annual": _annual,
    "balance": _balance,
    "publish": _publish,
    "migrate": _migrate,
}


@dataclass
class Writer:
    """One process, what it is about, and what it said it had done."""

    process: multiprocessing.Process
    pipe: pipes.Connection
    own: Path
    doing: tuple[str, str] = ("", "")
    since: float = 0.0
    done: list[tuple[str, object]] = field(default_factory=list)
    lasted: list[tuple[str, float]] = field(default_factory=list)

    def hear(self):
        """Take everything that is waiting."""
        try:
            while self.pipe.poll():
                what, name, said = self.pipe.recv()
                now = time.perf_counter()
                if what == "begins":
                    self.doing, self.since = (name, said), now
                else:
                    self.done.append((name, said))
                    self.lasted.append((name, now - self.since))
                    self.doing = ("", "")
        except (EOFError, OSError):  # a word cut in two was never said
            pass


def start(folder, number, operations=OPERATIONS):
    ours, theirs = PROCESSES.Pipe(duplex=False)
    process = PROCESSES.Process(target=write_for_ever, args=(folder, number, operations, theirs))
    process.start()
    theirs.close()
    return Writer(process, ours, folder / f"writer-{number}")


def wait(writers, seconds):
    """Listen to the writers for a time."""
    end = time.perf_counter() + seconds
    while (left := end - time.perf_counter()) > 0:
        alive = [w.pipe for w in writers if w.process.is_alive()]
        assert alive, "every writer ended by itself"
        if pipes.wait(alive, left):
            for writer in writers:
                writer.hear()


def kill(writer):
    """End a writer as a power cut would, and take what it said before."""
    writer.process.kill()
    writer.process.join()
    assert writer.process.exitcode == -9, f"{writer.own.name} had ended: {writer.doing}"
    writer.hear()


def faults(folder, writers) -> Iterator[str]:
    """Yield what is lost or half there, given what the writers acknowledged so far."""
    from countmap.jobs import register
    from countmap.jobs.common import open_workspace

    for writer in writers:
        writer.hear()
    said = [(name, what) for writer in writers for name, what in writer.done]
    ws = open_workspace(folder / "town")
    yield from (f"check: {f}" for f in register.check(ws)["findings"])
    files = set(ws.register.frame("files")["name"])
    begun = {name.rsplit("-", 1)[0] for name in files if name.endswith(("-one.csv", "-two.csv"))}
    for mark in begun | {what for name, what in said if name == "import"}:
        if not {f"{mark}-one.csv", f"{mark}-two.csv"} <= files:
            yield f"import {mark}: one of its files is not there"
    log = ws.register.frame("decisions", kind="edit station")
    by = log["reason"].value_counts()
    for mark in (what for name, what in said if name == "decide"):
        if by.get(f"from names-{mark}.csv") != 2:
            yield f"decide {mark}: not in the log"
    if (by != 2).any():
        yield f"decide: {by[by != 2].index[0]} is half there"
    names = ws.register.frame("stations", station_id=["B", "C"])["name"].fillna("")
    if len(set(names)) > 1:
        yield f"decide: stations are called {list(names)}"
    for kind, table in (("annual", "annual"), ("balance", "flows")):
        runs = ws.register.frame("runs", kind=kind)
        least = max((what for name, what in said if name == kind), default=0)
        if len(runs) < least:
            yield f"{kind}: {least} runs were acknowledged, {len(runs)} are there"
        rows = ws.register.frame(table)["run_id"].value_counts()
        whole = rows[runs["run_id"].iloc[0]]  # of the town itself: every run has as many
        for run in runs["run_id"]:
            if rows.get(run, 0) != whole:
                yield f"{run}: {rows.get(run, 0)} rows of {whole}"
    for writer in writers:
        yield from _published(writer)
        yield from _migrated(writer, folder)


def _published(writer) -> Iterator[str]:
    page, data = writer.own / "map.html", writer.own / "data" / "release.json"
    last = [what for name, what in writer.done if name == "publish"][-1:]
    if last and not page.exists():
        yield f"publish: {page} is gone"
    if page.exists() and not page.read_text().rstrip().endswith("</html>"):
        yield f"publish: {page} is half there"
    if writer.process.is_alive():
        return  # the folder may be between two releases
    for _, digest, release in last:
        untouched = writer.doing[0] != "publish"
        if untouched and hashlib.sha256(page.read_bytes()).hexdigest() != digest:
            yield f"publish: {page} is not what was acknowledged"
        if untouched and json.loads(data.read_text())["release"] != release:
            yield f"publish: {data} is not what was acknowledged"
    if data.exists():  # a folder without it is no release
        for file in json.loads(data.read_text())["files"]:
            content = (data.parent / file["name"]).read_bytes()
            if hashlib.sha256(content).hexdigest() != file["sha256"]:
                yield f"publish: {file['name']} is not of the release beside it"


def _migrated(writer, folder) -> Iterator[str]:
    from countmap.jobs.common import open_workspace

    if writer.process.is_alive():
        return
    whole = open_workspace(folder / "town").register.frame("links")
    for path in sorted(writer.own.glob("old-*")):
        if ("migrate", str(path)) in writer.done and not (path / "register-v1.gpkg").exists():
            yield f"migrate: {path} has no backup"
        ws = open_workspace(path)
        if len(ws.register.frame("links")) != len(whole) or len(ws.register.frame("turns")):
            yield f"migrate: {path} has not its rows"
        shutil.rmtree(path)
