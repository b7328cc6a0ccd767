"""Job of the survey sheet: gather what was counted at a station and write it for keeping."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import pandas as pd

from countmap import clock
from countmap.counts import week
from countmap.errors import Conflict, InvalidInput, NotFound
from countmap.jobs import releases, tubes
from countmap.jobs.common import Document, Workspace, cell, day, outside, records, station_row
from countmap.schemes import reader
from countmap.store import queries
from countmap.tables import BASES

if TYPE_CHECKING:
    from countmap.publish.sheet import SheetContent

Audience = Literal["public", "internal"]
LONGEST_DAYS = 35
SPEEDS_KMH = (50.0, 80.0, 110.0)
_SITE = (
    "spacing_entered_m", "spacing_near_m", "spacing_middle_m", "spacing_far_m", "lead_a_m", "lead_b_m",
    "width_m", "stretch_a_m", "stretch_b_m", "skew_deg", "dead_time_ms", "air_c",
)  # fmt: skip


def sheet(
    ws: Workspace,
    station_id: str,
    *,
    first: str = "",
    last: str = "",
    audience: Audience = "public",
    pdf: bool = False,
    xlsx: bool = False,
    out: Path | None = None,
) -> Document:
    """Write the survey sheet of a station as HTML, and as PDF and spreadsheet where asked.

    Parameters
    ----------
    first, last : str
        Civil days YYYY-MM-DD; empty: the last survey, or the last whole week that was counted.
    out : Path, optional
        The HTML file; the others lie beside it under the same name.

    Returns
    -------
    dict
        ``station_id, first, last, files``, the averages, peaks, shares and reasons.

    Raises
    ------
    NotFound
        No such station, or no counts on these days.
    InvalidInput
        Days that are no dates, in the wrong order, or more than 35.
    Conflict
        A public sheet of a counter that stands outside now.
    MissingExtra
        A PDF or a spreadsheet without its library.
    """
    from countmap.publish import sheet as drawing
    from countmap.publish import written
    from countmap.publish.paper import file_name

    content = sheet_content(ws, station_id, first=first, last=last, audience=audience)
    page = drawing.sheet(content)
    path = out or ws.path / "published" / file_name("sheet", station_id, ".html")
    files = written.write(page, path, pdf=pdf, xlsx=xlsx)
    return {"files": files, **_document(content)}


def sheet_content(
    ws: Workspace, station_id: str, *, first: str = "", last: str = "", audience: Audience
) -> SheetContent:
    """Gather everything a sheet shows."""
    from countmap.publish.sheet import SheetContent

    station = records(station_row(ws, station_id))[0]
    surveys = ws.register.frame("surveys", station_id=station_id)
    if audience == "public" and station["kind"] != "permanent":
        _no_counter_outside(surveys)
    begin, end = _days(ws, station_id, surveys, first, last)
    asked = (begin, end, [station_id])
    hours = queries.hour_cells(ws, *asked)
    as_counted = queries.hour_cells(ws, *asked, exclusions=False)
    if as_counted["count"].notna().sum() == 0:
        raise NotFound(
            f"station {station_id!r} has no counts from {begin} to {end}; "
            f"countmap counts show {station_id} lists its days"
        )
    by_class = queries.periods(ws, *asked, told_by="class")
    by_speed = queries.periods(ws, *asked, told_by="speed")
    senses = [s for s in BASES if s in set(as_counted["sense"])]
    mean5 = week.mean_by_hour(hours, week.WORKDAYS)
    mean7 = week.mean_by_hour(hours)
    excluded, findings = _flags(ws, station_id, begin, end)
    schemes = {name: reader.load(name).heavy for name in reader.known()}
    return SheetContent(
        station=station,
        first=begin,
        last=end,
        hours=hours,
        as_counted=as_counted,
        mean5=mean5.reindex(columns=senses),
        mean7=mean7.reindex(columns=senses),
        total5=week.day_mean(mean5),
        total7=week.day_mean(mean7),
        whole5=week.whole_days(hours, week.WORKDAYS),
        whole7=week.whole_days(hours),
        peaks=week.peaks(week.mean_by_hour(hours, week.WORKDAYS, every=False)),
        heavy=week.heavy_shares(by_class, schemes, ws.settings.class_scheme),
        speed85=week.percentile_speeds(by_speed),
        annual=_annual(ws, station_id, sorted({begin.year, end.year})),
        surveys=_surveys(ws, surveys, begin, end),
        conditions=_conditions(ws, station, begin, end),
        excluded=excluded,
        findings=findings,
        files=_files(ws, station_id, begin, end),
        timezone=ws.settings.timezone,
        rounding=ws.settings.rounding,
        audience=audience,
        release=releases.line(releases.release_id(ws, end.year), audience),
        notes=_notes(hours),
    )


def _no_counter_outside(surveys: pd.DataFrame) -> None:
    out = outside(surveys)
    if len(out):
        raise Conflict(
            f"survey {out['survey_id'].iloc[0]} has no end: its counter stands outside now, and a "
            "public sheet would say where. Import its end, or use --audience internal"
        )


def _days(
    ws: Workspace, station_id: str, surveys: pd.DataFrame, first: str, last: str
) -> tuple[date, date]:
    if bool(first) != bool(last):
        raise InvalidInput("give --first and --last together, or neither")
    if first:
        begin, end = day(first, "--first").date(), day(last, "--last").date()
        if end < begin:
            raise InvalidInput(f"--last {last} is before --first {first}; swap them")
    else:
        begin, end = _last_stay(ws, station_id, surveys)
    if (end - begin).days >= LONGEST_DAYS:
        raise InvalidInput(
            f"{begin} to {end} is {(end - begin).days + 1} days; a sheet holds {LONGEST_DAYS}. "
            "Give --first and --last"
        )
    return begin, end


def _last_stay(ws: Workspace, station_id: str, surveys: pd.DataFrame) -> tuple[date, date]:
    """Return the days of the last survey with counts; else the last whole week counted."""
    totals = queries.day_totals(ws, stations=[station_id], exclusions=False)
    counted = totals[totals["minutes"] > 0]["date"].dt.date
    if counted.empty:
        raise NotFound(
            f"station {station_id!r} has no counts; countmap counts import FILE adds them"
        )
    end = counted.max()
    stays = surveys.dropna(subset=["started", "ended"])
    spans = sorted(
        (date.fromisoformat(str(b)[:10]), date.fromisoformat(str(e)[:10]))
        for b, e in zip(stays["started"], stays["ended"], strict=True)
    )
    for begin, finish in reversed(spans):
        if any(begin <= d <= finish for d in set(counted)) and (finish - begin).days < LONGEST_DAYS:
            return begin, finish
    sunday = end - timedelta(days=(end.weekday() + 1) % 7)
    monday = sunday - timedelta(days=6)
    if any(monday <= d <= sunday for d in set(counted)):
        return monday, sunday
    return max(counted.min(), end - timedelta(days=6)), end


def _annual(ws: Workspace, station_id: str, years: list[int]) -> list[Document]:
    """Return the station's annual rows, unrounded: both first."""
    found: list[Document] = []
    for year in years:
        rows = ws.register.results("annual", year)
        rows = rows[(rows["station_id"] == station_id) & (rows["year"] == year)]
        by = {one["sense"]: one for one in records(rows)}
        found += [by[s] | {"figure": by[s]["aadt"]} for s in ("both", "with", "against") if s in by]
    return found


def _surveys(ws: Workspace, surveys: pd.DataFrame, begin: date, end: date) -> list[Document]:
    found = []
    for one in records(surveys.sort_values(["survey_id", "epoch"])):
        starts = (one["started"] or f"{begin}")[:10]
        ends = (one["ended"] or f"{end}")[:10]
        if starts <= f"{end}" and ends >= f"{begin}":
            found.append(one | {"budget": budget_of(one)})
    return found


def budget_of(survey: Document) -> Document | None:
    """Return the error budget of an installation, None where its spacing was not recorded."""
    site = {name: survey.get(name) for name in _SITE}
    if site["spacing_entered_m"] is None:
        return None
    return tubes.budget(site, {}, SPEEDS_KMH)


def _flags(
    ws: Workspace, station_id: str, begin: date, end: date
) -> tuple[list[tuple[str, str, str, str]], list[tuple[str, str, str]]]:
    """Return what decisions left out of these days, and what the checks found open."""
    tz = ws.settings.timezone
    flags = ws.register.frame("flags", station_id=station_id)
    first = flags["first_utc"].dt.tz_convert(tz)
    last = flags["last_utc"].dt.tz_convert(tz)
    low, high = (pd.Timestamp(d).tz_localize(tz) for d in (begin, end + timedelta(days=1)))
    here = flags[(first < high) & (last > low)].sort_values(["first_utc", "flag_id"])
    excluded, findings = [], []
    for one in here.itertuples():
        said = when(one.first_utc.tz_convert(tz), one.last_utc.tz_convert(tz))
        sense = "both" if pd.isna(one.sense) else one.sense
        if one.state == "excluded":
            excluded.append((said, sense, one.why, cell(one.reason) or "no reason given"))
        elif one.state == "open":
            findings.append((said, sense, one.why))
    return excluded, findings


def when(first: pd.Timestamp, last: pd.Timestamp) -> str:
    """Return a span of civil time in words; the end is exclusive."""
    from countmap.publish.sheet import span

    if first == first.normalize() and last == last.normalize():
        return span(first.date(), (last - pd.Timedelta(minutes=1)).date())
    return f"{first:%Y-%m-%d %H:%M} to {last:%Y-%m-%d %H:%M}"


def _conditions(ws: Workspace, station: Document, begin: date, end: date) -> list[tuple[str, str]]:
    from countmap.publish.sheet import span

    days = ws.register.frame("days")
    touches = (days["first"].dt.date <= end) & (days["last"].dt.date >= begin)
    found = []
    for one in days[touches].sort_values(["first", "kind"]).itertuples():
        where = cell(one.links)
        if where and station.get("link_id") not in where.split():
            continue
        what = one.kind.replace("_", " ") + (f": {one.name}" if cell(one.name) else "")
        found.append((max(one.first.date(), begin), min(one.last.date(), end), what))
    holidays = clock.public_holidays(ws.settings.holidays, sorted({begin.year, end.year}))
    found += [
        (when, when, f"public holiday: {name}")
        for when, name in holidays.items()
        if begin <= when <= end
    ]
    return [(span(first, last), what) for first, last, what in sorted(found)]


def _files(ws: Workspace, station_id: str, begin: date, end: date) -> list[str]:
    files = ws.register.frame("files")
    low, high = (pd.Timestamp(d, tz="UTC") for d in (begin, end + timedelta(days=2)))
    here = files[
        files["stations"].map(lambda listed: station_id in listed).astype(bool)
        & (files["last_utc"] >= low)
        & (files["first_utc"] <= high)
    ]
    return sorted(set(here["name"]))


def _notes(hours: pd.DataFrame) -> list[str]:
    others = sorted(set(hours["quantity"]) - {"vehicles"})
    return [f"The counter counted {', '.join(others).replace('_', ' ')}, not vehicles."] * bool(
        others
    )


def _document(content: SheetContent) -> Document:
    """Return the sheet's figures, unrounded."""
    return {
        "station_id": content.station["station_id"],
        "first": f"{content.first}",
        "last": f"{content.last}",
        "audience": content.audience,
        "release": content.release,
        "averages": {
            sense: {
                "five_day": cell(content.total5.get(sense)),
                "seven_day": cell(content.total7.get(sense)),
                "whole_weekdays": _whole_days(content.whole5, sense),
                "whole_days": _whole_days(content.whole7, sense),
            }
            for sense in content.mean5.columns
        },
        "peaks": [_fields(p, ("sense", "half", "hour", "volume", "reason")) for p in content.peaks],
        "heavy": [_fields(s, ("sense", "value", "of", "beside", "reason")) for s in content.heavy],
        "speed85_kmh": [_fields(s, ("sense", "value", "of", "reason")) for s in content.speed85],
        "annual": list(content.annual),
        "excluded": [list(one) for one in content.excluded],
    }


def _whole_days(whole: pd.DataFrame, sense: str) -> Document:
    return {
        "days": int(whole["days"].get(sense, 0)),
        "mean": cell(whole["mean"].get(sense)),
    }


def _fields(record: Any, names: tuple[str, ...]) -> Document:
    return {name: cell(getattr(record, name)) for name in names}
