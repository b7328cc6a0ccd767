"""Job of the report: what the map shows, with what it rests on and what changed."""

from __future__ import annotations

import platform
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import pandas as pd

from countmap.jobs import publish, releases
from countmap.jobs.common import Document, Network, Workspace, outside, records
from countmap.store import queries

if TYPE_CHECKING:
    from countmap.publish.content import MapContent
    from countmap.publish.report import Grounds

Audience = Literal["public", "internal"]
LIBRARIES = ("numpy", "scipy", "pandas", "duckdb")


def report(
    ws: Workspace,
    *,
    year: int,
    audience: Audience = "public",
    title: str = "",
    pdf: bool = False,
    xlsx: bool = False,
    out: Path | None = None,
) -> Document:
    """Write the report of a year as HTML, and as PDF and spreadsheet where asked; record the release.

    Returns
    -------
    dict
        ``files``, ``release``, ``since`` (the release before, or None), ``stations``.

    Raises
    ------
    NotFound
        No annual averages of that year.
    MissingExtra
        A PDF or a spreadsheet without its library.
    """
    from countmap.publish import report as drawing
    from countmap.publish import written

    content = releases.public_content(
        ws, publish.map_content(ws, year=year, audience=audience, title=title)
    )
    release = releases.record(ws, year)
    before = [one for one in releases.recorded(ws) if one["release"] != release]
    grounds = _grounds(ws, content, release, before[-1]["release"] if before else "")
    path = out or ws.path / "published" / f"report-{year}.html"
    files = written.write(drawing.report(content, grounds), path, pdf=pdf, xlsx=xlsx)
    return {
        "files": files,
        "release": release,
        "since": before[-1]["release"] if before else None,
        "stations": len(content.stations),
        "audience": audience,
    }


def _grounds(ws: Workspace, content: MapContent, release: str, before: str) -> Grounds:
    from countmap.publish import compare
    from countmap.publish.report import Grounds

    roads = Network(ws).roads
    changes = None
    if before:
        old, new = (releases.load(ws, one, content.audience) for one in (before, release))
        changes = compare.changes(old, new)
    return Grounds(
        facts=tuple(_facts(ws, content)),
        excluded=_excluded(ws, content),
        roads=[
            (tuple(map(tuple, line.coords)), link)
            for link, line in zip(roads.links["link_id"], roads.links.geometry, strict=True)
        ],
        places=_places(content, roads),
        changes=changes,
        release=releases.line(release, content.audience),
        outside=_outside(ws) if content.audience == "internal" else (),
    )


def _outside(ws: Workspace) -> list[tuple[str, str, str | None, str]]:
    """Return the surveys that have begun and not ended: station, survey, counter, since."""
    there = outside(ws.register.frame("surveys"))
    return [
        (one["station_id"], one["survey_id"], one["counter_id"], one["started"].replace("T", " "))
        for one in records(there.sort_values(["started", "survey_id"]))
    ]


def _places(content: MapContent, roads: Any) -> dict[str, tuple[float, float]]:
    """Return where the stations lie, in the working system of the roads."""
    there = content.stations.dropna(subset=["lon", "lat"])
    x, y = roads.to_working(there["lon"].to_numpy(), there["lat"].to_numpy())
    return dict(zip(there["station_id"], zip(x, y, strict=True), strict=True))


def _facts(ws: Workspace, content: MapContent) -> list[tuple[str, str | None]]:
    """Return the box's lines: dates, sensors, exclusions, factors, versions."""
    from importlib.metadata import version

    from countmap import __version__

    year, settings = content.year, ws.settings
    days = queries.day_totals(ws, f"{year}-01-01", f"{year}-12-31")
    days = days[days["station_id"].isin(content.stations["station_id"]) & (days["minutes"] > 0)]
    dates = days["date"].drop_duplicates()
    annual = content.annual[content.annual["year"] == year]
    annual = annual.drop_duplicates("station_id")
    flags = content.flags
    facts: list[tuple[str, str | None]] = [
        ("Counted", None if dates.empty else f"{dates.min():%Y-%m-%d} to {dates.max():%Y-%m-%d}"),
        ("Station days", f"{len(days[['station_id', 'date']].drop_duplicates()):,}"),
        ("Count files", f"{len(ws.register.frame('files')):,}"),
        ("Sensors", _sensors(ws, content)),
        ("Left out by decisions", f"{int(flags['state'].eq('excluded').sum()):,} findings"),
        ("Open findings", f"{int(flags['state'].eq('open').sum()):,}"),
        ("Stations by status", _counts(annual["status"])),
        ("Methods", _counts(annual["method"])),
        ("Factor groups", f"{annual['group'].nunique():,}"),
        ("Permanent stations", f"{int(content.stations['kind'].eq('permanent').sum()):,}"),
        ("Rounding", str(settings.rounding)),
        ("Holidays", settings.holidays or "none set"),
        ("Time zone", settings.timezone),
        ("Results", content.release),
        ("countmap", f"{__version__}, Python {platform.python_version()}"),
        ("Libraries", ", ".join(f"{name} {version(name)}" for name in LIBRARIES)),
    ]
    return facts


def _sensors(ws: Workspace, content: MapContent) -> str | None:
    surveys = ws.register.frame("surveys")
    surveys = surveys[surveys["station_id"].isin(content.stations["station_id"])]
    return _counts(surveys.drop_duplicates("survey_id")["sensor"].fillna("not recorded"))


def _counts(values: pd.Series) -> str | None:
    """Return ``49 estimated, 10 measured``, the most frequent first."""
    found = values.dropna().value_counts().sort_index(kind="stable")
    ordered = found.sort_values(ascending=False, kind="stable")
    return ", ".join(f"{number:,} {name}" for name, number in ordered.items()) or None


def _excluded(ws: Workspace, content: MapContent) -> list[tuple[str, str, str, str]]:
    from countmap.jobs.sheets import when

    flags = content.flags[content.flags["state"] == "excluded"]
    tz = ws.settings.timezone
    return [
        (
            one.station_id, when(one.first_utc.tz_convert(tz), one.last_utc.tz_convert(tz)), one.why,
            one.reason if isinstance(one.reason, str) else "no reason given",
        )
        for one in flags.sort_values(["station_id", "first_utc", "flag_id"]).itertuples()
    ]  # fmt: skip
