"""From a `MapContent` to what the page carries: text for the head, packed tables for the rest."""

from __future__ import annotations

import itertools
import json
import math
from collections.abc import Mapping
from datetime import date
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from countmap.errors import InvalidInput
from countmap.publish import figures
from countmap.publish.answers import answers
from countmap.publish.attention import by_member, told
from countmap.publish.content import MapContent
from countmap.publish.figure import libraries
from countmap.publish.ground import ground
from countmap.publish.packed import Column, Lines, Numbers, Text
from countmap.publish.records import installed, mixes
from countmap.rounding import CHARTS
from countmap.tables import SENSES

Frames = dict[str, dict[str, Column]]
EPOCH = date(1970, 1, 1)
# Who counted is nobody's business on a public map; matched on whole words of a column or key.
PERSONS = frozenset(
    {"crew", "person", "people", "observer", "surveyor", "counted", "operator", "who", "user"}
    | {"email", "mail", "phone", "signature", "initials", "driver"}
)


def is_personal(name: str) -> bool:
    """Return whether a column or key names a person.

    >>> is_personal("crew_name"), is_personal("set up by"), is_personal("counted_days")
    (True, True, False)
    """
    words = name.lower().replace("_", " ").replace("-", " ").split()
    counted_by = words[-1:] == ["by"]
    return counted_by or bool((PERSONS - {"counted"}) & set(words))


def script_json(value: Any) -> str:
    r"""Return JSON that may stand inside a script element, whatever text it holds.

    >>> script_json({"name": "</script>&"})
    '{"name":"\\u003c/script\\u003e\\u0026"}'
    """
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for sign in ("<", ">", "&", "\u2028", "\u2029"):
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text


def head(content: MapContent, links: pd.DataFrame) -> dict[str, Any]:
    """Return the page's own words: title, questions and answers, notes, licences; how it rounds."""
    bands = CHARTS[content.rounding] if isinstance(content.rounding, str) else content.rounding
    return {
        "title": content.title,
        "year": content.year,
        "release": content.release,
        "audience": content.audience,
        "rounding": [[None if math.isinf(b) else b, step] for b, step in bands],
        "questions": answers(content, links),
        "notes": list(content.notes),
        "credits": list(content.credits),
        "licences": [
            {"name": f"{lib.name} {lib.version}", "licence": lib.licence, "text": lib.text}
            for lib in libraries()
        ],
    }


def link_rows(content: MapContent) -> pd.DataFrame:
    """Return one row a link in drawing order, with its figures as shown.

    Order follows a space-filling curve, so that differences between neighbours stay small.
    """
    links = content.links.sort_values("link_id").reset_index(drop=True)
    single = shapely.get_type_id(links.geometry.to_numpy()) == 1
    empty = shapely.is_empty(links.geometry.to_numpy())
    if not (single & ~empty).all():
        odd = links[~single | empty].iloc[0]
        raise InvalidInput(
            f"link {odd['link_id']} has a {odd.geometry.geom_type if odd.geometry else 'null'} "
            "geometry that is no single line; explode it into links of their own"
        )
    if len(links):
        order = links.hilbert_distance().to_numpy()
        links = links.iloc[np.lexsort((links.index, order))].reset_index(drop=True)
    one_way = links.set_index("link_id")["allowed"].isin(SENSES)
    figure = figures.headline(content.flows, "link_id", "flow", content.year, one_way)
    rows = links.join(figure, on="link_id")
    rows["status"] = rows["status"].astype("object").where(rows["status"].notna(), "unobservable")
    rows["length_m"] = figures.lengths_m(rows.geometry)
    rows["pair"] = rows["link_id"].map(_pair_of(content))
    return _shown(rows, content)


def pair_rows(content: MapContent) -> pd.DataFrame:
    """Return one row a pair by id: ``pair_id, links``, figures as shown, ``rel``."""
    pairs = content.pairs.sort_values("pair_id").reset_index(drop=True)
    figure, lower, upper = (pairs[name].astype("float64") for name in ("flow", "lower", "upper"))
    wider = np.maximum(upper - figure, figure - lower)
    rows = pairs.assign(
        figure=figure, lower=lower, upper=upper, rel=wider / figure.where(figure > 0)
    )
    for name in ("figure", "lower", "upper"):
        rows[name] = figures.shown(rows[name], content.rounding)
    return rows


def _pair_of(content: MapContent) -> dict[str, int]:
    """Return the row of its pair by link id."""
    rows = pair_rows(content)["links"]
    return {link: row for row, links in enumerate(rows) for link in links.split()}


def station_rows(content: MapContent, links: pd.DataFrame) -> pd.DataFrame:
    """Return one row a station by id, with its figures as shown and its number of findings."""
    stations = content.stations.sort_values("station_id").reset_index(drop=True)
    row_of = pd.Series(links.index.to_numpy(), index=links["link_id"])
    link = _column(stations, "link_id")
    stations["link"] = link.map(row_of)
    stations["one_way"] = link.map(links.set_index("link_id")["allowed"].isin(SENSES))
    one_way = stations.set_index("station_id")["one_way"]
    rows = stations.join(
        figures.headline(content.annual, "station_id", "aadt", content.year, one_way),
        on="station_id",
    )
    serious = told(content.flags)
    serious = serious[serious["look"].eq(other=True)]
    for name, frame in (
        ("findings", by_member(content.findings)),
        ("flags", serious),
        ("fails", serious[serious["severity"].eq("fail")]),
    ):
        rows[name] = rows["station_id"].map(frame["station_id"].value_counts()).fillna(0)
    return _shown(rows, content)


def _shown(rows: pd.DataFrame, content: MapContent) -> pd.DataFrame:
    names = ("figure", "lower", "upper")
    for name in (*names, *(f"{s}_{n}" for s in SENSES for n in names), "aawt", "counted"):
        rows[name] = figures.shown(rows[name], content.rounding)
    return rows


def _column(frame: pd.DataFrame, name: str) -> pd.Series:
    if name in frame.columns:
        return frame[name]
    return pd.Series(None, index=frame.index, dtype="object")


def _text(frame: pd.DataFrame, *names: str) -> dict[str, Column]:
    return {name: Text(_column(frame, name).astype("object").tolist()) for name in names}


def _number(frame: pd.DataFrame, scale: float, *names: str) -> dict[str, Column]:
    return {
        name: Numbers(pd.to_numeric(_column(frame, name)).astype("float64").to_numpy(), scale)
        for name in names
    }


def _rounded(frame: pd.DataFrame, content: MapContent, *names: str) -> dict[str, Column]:
    return {
        name: Numbers(figures.shown(_column(frame, name).astype("float64"), content.rounding))
        for name in names
    }


def _days(frame: pd.DataFrame, *names: str) -> dict[str, Column]:
    """Return dates and times as text to the minute, days without a clock."""
    columns: dict[str, Column] = {}
    for name in names:
        values = pd.to_datetime(_column(frame, name))
        text = [
            None
            if pd.isna(v)
            else v.strftime("%Y-%m-%d" if v == v.normalize() else "%Y-%m-%d %H:%M")
            for v in values
        ]
        columns[name] = Text(text)
    return columns


def _spans(flags: pd.DataFrame, timezone: str) -> dict[str, Column]:
    """Return the first local day of each flag and its span in words, whole days without a clock."""
    days: list[str] = []
    said: list[str] = []
    for first, last in zip(flags["first_utc"], flags["last_utc"], strict=True):
        begin, end = (t.tz_convert(timezone).tz_localize(None) for t in (first, last))
        days.append(f"{begin:%Y-%m-%d}")
        if begin == begin.normalize() and end == end.normalize() and end > begin:
            final = end - pd.Timedelta(days=1)
            same = final <= begin
            said.append(f"{begin:%Y-%m-%d}" if same else f"{begin:%Y-%m-%d} to {final:%Y-%m-%d}")
        elif begin.normalize() == end.normalize():
            said.append(f"{begin:%Y-%m-%d %H:%M} to {end:%H:%M}")
        else:
            said.append(f"{begin:%Y-%m-%d %H:%M} to {end:%Y-%m-%d %H:%M}")
    return {"day": Text(days), "when": Text(said)}


def _figure_columns(rows: pd.DataFrame) -> dict[str, Column]:
    names = ("figure", "lower", "upper")
    return {
        **_number(rows, 1, *names, *(f"{s}_{n}" for s in SENSES for n in names)),
        **_number(rows, 1000, "rel"),
        **_number(rows, 100, "level"),
        **_number(rows, 10, "days"),
        **_text(rows, "status", "basis", "method"),
    }


def network(content: MapContent, links: pd.DataFrame, stations: pd.DataFrame) -> Frames:
    """Return the tables every view draws from."""
    due = content.due if content.audience == "internal" else content.due.iloc[:0]
    years = content.annual[
        (content.annual["sense"] == "both")
        & content.annual["station_id"].isin(stations["station_id"])
    ].sort_values(["station_id", "year"])
    findings = by_member(content.findings).sort_values(
        ["station_id", "alone", "sense", "hypothesis"], ascending=[True, False, True, True]
    )
    flags = told(content.flags)
    pairs = pair_rows(content)
    shapes = gpd.GeoSeries(content.screenlines["geometry"])
    polygon = shapes.geom_type.isin(("Polygon", "MultiPolygon")) if len(shapes) else shapes
    lines = shapes.where(~polygon, shapes.boundary) if len(shapes) else shapes
    return {
        "links": {
            "shape": Lines(links.geometry.to_numpy()),
            **_text(links, "link_id", "name", "road_class", "allowed", "sources"),
            **_number(links, 1, "length_m", "counted", "pair"),
            **_clusters(links),
            **_number(links, 100, "z"),
            **_figure_columns(links),
        },
        "stations": {
            **_text(stations, "station_id", "name", "road", "kind", "name_with", "name_against"),
            **_text(stations, "group", "reason"),
            **_number(stations, 1e6, "lon", "lat"),
            **_number(stations, 1, "link", "findings", "flags", "fails", "aawt", "bearing_deg", "same_way"),
            **_days(stations, "valid_from", "valid_to"),
            **_figure_columns(stations),
        },
        "years": {**_text(years, "station_id", "status"), **_number(years, 1, "year"), **_rounded(years, content, "aadt", "lower", "upper")},
        "findings": {
            **_text(findings, "station_id", "sense", "hypothesis", "set", "evidence"),
            **_number(findings, 1, "alone"),
            **_number(findings, 1000, "size", "z", "min_detectable_bias"),
        },
        "flags": {
            **_text(flags, "station_id", "sense", "rule", "severity", "why", "state", "reason"),
            **_number(flags, 1, "look"),
            **_spans(flags, content.timezone),
        },
        "junctions": {
            **_text(content.junctions, "junction_id", "name", "verdict", "members", "why"),
            **_number(content.junctions, 1e6, "lon", "lat"),
            **_number(content.junctions, 100, "z", "disagreement", "se"),
        },
        "screenlines": {
            "shape": Lines(_single_lines(lines)),
            **_text(content.screenlines, "name", "verdict", "missing", "why"),
            **_rounded(content.screenlines, content, "total", "lower", "upper"),
        },
        "pairs": {
            **_text(pairs, "pair_id", "links"),
            **_number(pairs, 1, "figure", "lower", "upper"),
            **_number(pairs, 1000, "rel"),
        },
        **ground(content, links),
        "due": _text(due, "station_id", "link_id", "why", "visit"),
    }  # fmt: skip


def _clusters(links: pd.DataFrame) -> dict[str, Column]:
    """Return a number for the junction of several nodes that each end of a link lies in, or null."""
    ends = [_column(links, name).astype("object") for name in ("from_cluster", "to_cluster")]
    names = sorted({name for end in ends for name in end.dropna()})
    number = {name: float(k) for k, name in enumerate(names)}
    return {
        str(end.name or name): Numbers(end.map(number).astype("float64").to_numpy())
        for name, end in zip(("from_cluster", "to_cluster"), ends, strict=True)
    }


def _single_lines(shapes: gpd.GeoSeries) -> Any:
    merged = [shapely.line_merge(shape) for shape in shapes]
    for shape in merged:
        if shape.geom_type not in ("LineString", "LinearRing"):
            raise InvalidInput(f"a screenline is {shape.geom_type}; draw it as one line")
    return np.array([shapely.LineString(shape.coords) for shape in merged], dtype=object)


def details(content: MapContent, stations: pd.DataFrame) -> Frames:
    """Return what the station panel alone needs: profiles, day series, the chain of numbers.

    Stations stand in the order of the network's table; a series is its station's row, first day
    (days since 1970) and number of days, its values follow one another in ``series_values``.
    """
    order = {station: row for row, station in enumerate(stations["station_id"])}
    profiles: list[tuple[int, str, str]] = []
    hours: list[float] = []
    for station, row in order.items():
        for kind, senses in sorted(content.profiles.get(station, {}).items()):
            for sense, values in sorted(senses.items()):
                if len(values) != 24:
                    raise InvalidInput(
                        f"the {kind} profile of station {station}, sense {sense}, has "
                        f"{len(values)} values; give 24, one an hour"
                    )
                profiles.append((row, kind, sense))
                hours.extend(np.nan if value is None else value for value in values)
    series = [
        (row, days) for station, row in order.items() if (days := content.day_series.get(station))
    ]
    first, lengths, counts, excluded = _laid_out([days for _, days in series])
    steps = [
        (row, str(label), str(value))
        for station, row in order.items()
        for label, value in _chain(content.explanations.get(station, {}), content.audience)
    ]
    return {
        **installed(content, order),
        **mixes(content, order),
        "design": {"words": Text([content.design_hours.get(station) for station in order])},
        "profiles": {
            "station": Numbers([float(row) for row, _, _ in profiles]),
            "day": Text([kind for _, kind, _ in profiles]),
            "sense": Text([sense for _, _, sense in profiles]),
        },
        "profile_values": {"value": Numbers(hours)},
        "series": {
            "station": Numbers([float(row) for row, _ in series]),
            "first": Numbers(first),
            "days": Numbers(lengths),
        },
        "series_values": {"count": Numbers(counts), "excluded": Numbers(excluded)},
        "steps": {
            "station": Numbers([float(row) for row, _, _ in steps]),
            "label": Text([label for _, label, _ in steps]),
            "value": Text([value for _, _, value in steps]),
        },
    }


def _laid_out(series: list[Any]) -> tuple[NDArray[np.float64], ...]:
    """Lay lists of (date, count, excluded) out on every day from each one's first to its last.

    Returns the first day (days since 1970) and the number of days of each, then all counts (NaN on
    a day that is not listed) and whether they are excluded, one series after the other.
    """
    if not series:
        return (np.zeros(0),) * 4
    sizes = np.array([len(days) for days in series])
    starts = np.cumsum(sizes) - sizes
    every = list(itertools.chain.from_iterable(series))
    at = np.fromiter((day.toordinal() for day, _, _ in every), np.int64, len(every))
    at -= EPOCH.toordinal()
    first, last = np.minimum.reduceat(at, starts), np.maximum.reduceat(at, starts)
    lengths = last - first + 1
    place = at - np.repeat(first - np.cumsum(lengths) + lengths, sizes)
    counts, excluded = np.full(lengths.sum(), np.nan), np.zeros(lengths.sum())
    counts[place] = np.array([count for _, count, _ in every], dtype=np.float64)
    excluded[place] = [out for _, _, out in every]
    return first.astype(np.float64), lengths.astype(np.float64), counts, excluded


def _chain(
    explanation: Mapping[str, Any], audience: str, prefix: str = ""
) -> list[tuple[str, str]]:
    """Flatten an explanation into labels and values, in its order."""
    steps: list[tuple[str, str]] = []
    for key, value in explanation.items():
        if audience == "public" and is_personal(str(key)):
            continue
        label = f"{prefix}{str(key).replace('_', ' ')}"
        if isinstance(value, Mapping):
            steps += _chain(value, audience, f"{label}: ")
        elif value is not None and not (isinstance(value, float) and np.isnan(value)):
            steps.append((label, _said(value)))
    return steps


def _said(value: Any) -> str:
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, float | np.floating):
        number = float(value)
        return f"{number:,.0f}" if abs(number) >= 1000 else f"{number:.4g}"
    if isinstance(value, list | tuple):
        return ", ".join(_said(item) for item in value)
    return str(value)
