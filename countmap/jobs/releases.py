"""Jobs of releases: their id, their record, the data people keep, what changed between two."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import geopandas as gpd
import pandas as pd

from countmap import tables as contracts
from countmap.errors import InvalidInput, NotFound
from countmap.formats import geo, whole
from countmap.jobs.common import Document, Network, Workspace, latest, outside, records
from countmap.store import blocks, queries

if TYPE_CHECKING:
    from countmap.publish.compare import Release
    from countmap.publish.content import MapContent

Audience = Literal["public", "internal"]
FOLDER, RECORD = "releases", "record.json"
KEPT = ("stations", "annual", "links", "flows", "flags")
WORDS = {"latest": -1, "previous": -2}
_ALWAYS = frozenset({"stations", "annual", "flags", "links"})

TOPICS = (
    "annual", "counts", "days", "declarations", "flags", "roads", "screenlines", "settings", "stations",
)  # fmt: skip


def release_id(ws: Workspace, year: int) -> str:
    """Return the id of what would be published of a year: the same inputs and results, the same id.

    A hash over the fingerprints of all inputs, over those that the year's results rest on, and over
    the version of countmap. It does not depend on when or where it was made, nor on the audience.
    """
    from countmap import __version__

    status = ws.register.runs()
    status = status[status["year"].isna() | (status["year"] == year)]
    runs = ws.register.frame("runs")
    runs = runs[runs["run_id"].isin(status["run_id"])].sort_values(["kind", "fingerprint"])
    flags = ws.register.frame("flags").sort_values("flag_id")
    told = {
        "countmap": __version__,
        "year": year,
        "inputs": ws.register.fingerprint(TOPICS, year),
        "runs": records(runs, ["kind", "year", "fingerprint", "settings"]),
        "flags": records(flags, ["flag_id", "state", "reason"]),
    }
    return "r-" + hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()[:12]


def line(release: str, audience: str) -> str:
    """Return the line at the foot of a paper: the release, for whom, made by what."""
    from countmap import __version__

    return f"Release {release}, {audience}; countmap {__version__}"


def not_public(ws: Workspace) -> set[str]:
    """Return the stations whose place is nobody's business yet: planned ones, and where a counter stands.

    A place is public once it was counted: a short station that no count tells of, or whose first
    count comes from a survey without an end, is not.
    """
    stations = ws.register.frame("stations")
    short = set(stations.loc[stations["kind"].ne("permanent"), "station_id"])
    days = queries.day_totals(ws, exclusions=False)
    counted = days[days["minutes"] > 0].groupby("station_id")["date"].min()
    annual = ws.register.results("annual")
    known = set(counted.index) | set(annual.loc[annual["aadt"].notna(), "station_id"])
    standing = outside(ws.register.frame("surveys"))
    begun = pd.to_datetime(standing["started"].str[:10]).groupby(standing["station_id"]).min()
    hidden = {s for s in begun.index if s in counted.index and counted[s] >= begun[s]}
    return short - (known - hidden)


def data(
    ws: Workspace, *, year: int, audience: Audience = "public", out: Path | None = None
) -> Document:
    """Write the tables of a year; returns ``folder``, ``files``, ``release``. The release is recorded.

    Raises
    ------
    NotFound
        No annual averages of that year.
    """
    from countmap.publish import data as writing

    require_annual(ws, year)
    everything = _tables(ws, year)
    folder = out or ws.path / "published" / f"data-{year}"
    release = record(ws, year, everything)
    tables = without(everything, not_public(ws)) if audience == "public" else everything
    return writing.write_data(
        folder, tables, year=year, audience=audience, release=release, vehicles=_vehicles(ws, year)
    )


def require_annual(ws: Workspace, year: int) -> Document:
    """Return the run of a year's annual averages.

    Raises
    ------
    NotFound
        There is none.
    """
    run = latest(ws, "annual", year)
    if run is None:
        raise NotFound(
            f"there are no annual averages for {year}; run countmap annual estimate --year {year} first"
        )
    return run


def _vehicles(ws: Workspace, year: int) -> dict[str, Path]:
    """Return the vehicle records of the year's surveys, by the name they are published under."""
    files = ws.register.frame("files")
    there = files[files["name"].str.startswith(f"{blocks.VEHICLES}/")]
    there = there[(there["first_utc"].dt.year <= year) & (there["last_utc"].dt.year >= year)]
    return {name.replace("/", "-"): ws.path / name for name in there["name"]}


def _tables(ws: Workspace, year: int) -> dict[str, pd.DataFrame]:
    stations = ws.register.frame("stations")
    points = gpd.GeoDataFrame(
        stations, geometry=gpd.points_from_xy(stations["lon"], stations["lat"]), crs="EPSG:4326"
    )
    tables: dict[str, pd.DataFrame] = {
        "stations": points,
        "annual": ws.register.results("annual", year),
        "flags": ws.register.frame("flags"),
        "links": Network(ws).roads.wgs84(),
        "days": ws.register.frame("days"),
        "surveys": ws.register.frame("surveys"),
        "decisions": ws.register.frame("decisions"),
    }
    screenlines = ws.register.frame("screenlines")
    if len(screenlines):
        tables["screenlines"] = screenlines
    if latest(ws, "balance", year):
        tables["flows"] = ws.register.results("flows", year)
        tables["suspects"] = ws.register.results("suspects", year)
    return {name: frame for name, frame in tables.items() if len(frame) or name in _ALWAYS}


def without(tables: dict[str, pd.DataFrame], gone: set[str]) -> dict[str, pd.DataFrame]:
    """Return the tables without anything that tells of some stations."""
    if not gone:
        return tables
    kept = {
        name: frame[~frame["station_id"].isin(gone)] if "station_id" in frame.columns else frame
        for name, frame in tables.items()
    }
    for name, column in (("flows", "sources"), ("suspects", "set")):
        if name in kept:
            listed = kept[name][column].map(lambda ids: _fewer(ids, gone))
            kept[name] = kept[name].assign(**{column: listed})
    return kept


def _fewer(ids: Any, gone: set[str]) -> Any:
    return " ".join(i for i in ids.split() if i not in gone) if isinstance(ids, str) else ids


def public_content(ws: Workspace, content: MapContent) -> MapContent:
    """Return a public content without planned places and those where a counter stands now."""
    gone = not_public(ws) if content.audience == "public" else set()
    if not gone:
        return content
    kept = without(
        {
            "stations": content.stations, "annual": content.annual, "flags": content.flags,
            "flows": content.flows, "suspects": content.findings,
        },
        gone,
    )  # fmt: skip
    # A test that rests on such a count tells where it stands: by its members, its name and its place.
    places = content.junctions
    named = places["members"].map(lambda ids: bool(gone.intersection(ids.split()))).astype(bool)
    return replace(
        content, junctions=places[~named], stations=kept["stations"], annual=kept["annual"], flags=kept["flags"],
        flows=kept["flows"], findings=kept["suspects"],
    )  # fmt: skip


def record(ws: Workspace, year: int, tables: dict[str, pd.DataFrame] | None = None) -> str:
    """Keep what would be published of a year, so that later releases can be held against it.

    Parameters
    ----------
    tables : dict of DataFrame, optional
        What would be published, for the house; gathered where it is not given.

    Returns
    -------
    str
        The release's id. A release that is recorded already stays as it is.
    """
    release = release_id(ws, year)
    folder = ws.path / FOLDER / release
    if (folder / RECORD).is_file():
        return release
    tables = _tables(ws, year) if tables is None else tables
    whole.make_folder(folder)
    for name in KEPT:
        if name in tables:
            geo.write_parquet(pd.DataFrame(tables[name]).drop(columns="geometry", errors="ignore"),
                              folder / f"{name}.parquet")  # fmt: skip
    document = {
        "release": release,
        "year": year,
        "recorded": datetime.now(UTC).isoformat(timespec="microseconds"),
        "not_public": sorted(not_public(ws)),
    }
    whole.write(folder / RECORD, json.dumps(document, ensure_ascii=False).encode())
    return release


def recorded(ws: Workspace) -> list[Document]:
    """Return the records of all releases, the oldest first."""
    found = [json.loads(path.read_text("utf-8")) for path in (ws.path / FOLDER).glob(f"*/{RECORD}")]
    return sorted(found, key=lambda one: (one["recorded"], one["release"]))


def compare(
    ws: Workspace,
    old: str,
    new: str,
    *,
    audience: Audience = "public",
    html: bool = False,
    out: Path | None = None,
) -> Document:
    """Say what changed between two releases.

    Parameters
    ----------
    old, new : str
        A recorded release's id or the beginning of it; ``latest`` or ``previous``; or a folder that
        ``publish data`` wrote.
    html : bool
        Write it as a page as well.

    Raises
    ------
    NotFound
        No such release.
    InvalidInput
        The beginning of several ids, or a folder that is no whole release.
    """
    from countmap.publish import compare as comparing
    from countmap.publish import written

    releases = [load(ws, one, audience) for one in (old, new)]
    found = comparing.changes(*releases)
    document = {**found, "lines": comparing.summary(found), "files": []}
    if html or out is not None:
        path = (
            out
            or ws.path / "published" / f"compare-{releases[0].release}-{releases[1].release}.html"
        )
        page = comparing.compared(found, ws.settings.rounding)
        document["files"] = written.write(page, path)
    return document


def load(ws: Workspace, name: str, audience: Audience = "internal") -> Release:
    """Return a release by its id, the beginning of it, or the folder it was written to."""
    from countmap.publish.compare import Release

    folder, told = _find(ws, name)
    if audience == "public" and told.get("audience") == "internal":
        raise InvalidInput(
            f"{folder} was written for the house: it tells of places that are not public. Compare it "
            "with --audience internal, or name a recorded release by its id"
        )
    frames = {one: _frame(folder / f"{one}.parquet", one) for one in KEPT}
    if audience == "public":
        frames = without(frames, set(told.get("not_public", ())))
    return Release(str(told["release"]), int(told["year"]), **frames)


def _find(ws: Workspace, name: str) -> tuple[Path, Document]:
    records_ = recorded(ws)
    if name in WORDS:
        if len(records_) < -WORDS[name]:
            raise NotFound(
                f"there is no {name} release, {len(records_)} recorded; countmap publish data makes one"
            )
        one = records_[WORDS[name]]
        return ws.path / FOLDER / one["release"], one
    hits = [one for one in records_ if one["release"].startswith(name)]
    if len(hits) == 1:
        return ws.path / FOLDER / hits[0]["release"], hits[0]
    if len(hits) > 1:
        raise InvalidInput(
            f"{len(hits)} releases begin with {name!r}: {', '.join(h['release'] for h in hits[:5])}. "
            "Write more of it"
        )
    folder = Path(name)
    if not folder.is_dir():
        there = (
            ", ".join(one["release"] for one in records_[-5:])
            or "none; countmap publish data makes one"
        )
        raise NotFound(f"there is no release {name!r}; recorded are {there}")
    try:
        told = json.loads((folder / "release.json").read_text("utf-8"))
        about = {"release": str(told["release"]), "year": int(told["year"])}
        return folder, about | {"audience": told.get("audience")}
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InvalidInput(
            f"{folder} holds no whole release (no readable release.json); write it again with countmap publish data"
        ) from error


def _frame(path: Path, name: str) -> pd.DataFrame:
    """Return a table of a release; one that is not there is empty."""
    if not path.is_file():
        return contracts.empty(getattr(contracts, name.upper()))
    frame = pd.read_parquet(path)
    return frame.drop(columns="geometry", errors="ignore")
