"""Records of the US federal Traffic Monitoring Guide, written: what ``tmg`` reads comes back the same."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from countmap.compass import compass_deg
from countmap.errors import InvalidInput
from countmap.formats import tmg, whole

FULL = 99_999


def write_counts(
    raw: pd.DataFrame, path: str | Path, kind: str, *, state: str, pipe: bool = False
) -> None:
    """Write counts as volume, speed or class records.

    Parameters
    ----------
    raw : DataFrame
        RAW_COUNTS with ``start`` as local datetimes and compass words (or ``both``) as directions;
        volumes by the hour, the others by the hour, its quarters or its twelfths.
    kind : {"volume", "speed", "class"}
    state : str
        Two digits, the state's code.
    pipe : bool
        Part the fields by ``|``.

    Raises
    ------
    InvalidInput
        A count the records cannot hold: another period, above 99,999, a fraction, a station's name of
        more than six signs, a direction that is no compass point, an hour that is there twice.
    """
    name = Path(path).name
    frame = _coded(raw, name)
    lines = {"volume": _volumes, "speed": _speeds, "class": _classes}[kind](frame, state, name)
    _deliver(path, lines, kind, pipe=pipe)


def write_stations(
    stations: pd.DataFrame, path: str | Path, *, state: str, year: int, pipe: bool = False
) -> None:
    """Write a station record a station; its direction is that of sense ``with``, lane 0 is all lanes."""
    name = Path(path).name
    rows = []
    for station in stations.sort_values("station_id").to_dict("records"):
        bearing = station.get("bearing_deg")
        code = "9" if _null(bearing) else "12345678"[round(float(str(bearing)) / 45) % 8]
        cells = {
            "record": "S", "state": state, "station_id": _station(station["station_id"], name),
            "direction": code, "lane": "0", "year": str(year),
            "route": _text(station.get("road"), 60), "location": _text(station.get("name"), 50),
            "lat": _degrees(station.get("lat"), 8, name), "lon": _degrees(station.get("lon"), 9, name, west=True),
        }  # fmt: skip
        rows.append([cells.get(field, "") for field, _ in tmg.STATION])
    _deliver(path, rows, "station", pipe=pipe)


def _coded(raw: pd.DataFrame, name: str) -> pd.DataFrame:
    """Return the counts with the records' codes, refusing what they cannot hold."""
    frame = raw.copy()
    count = frame["count"].to_numpy(dtype="float64")
    beyond = np.isfinite(count) & ((count > FULL) | (count % 1 != 0) | (count < 0))
    if beyond.any():
        at = frame.iloc[int(np.flatnonzero(beyond)[0])]
        raise InvalidInput(
            f"{name}: count {at['count']:g} of station {at['station_id']} at {at['start']} does not fit "
            f"a record (whole numbers up to {FULL:,}). Leave it out"
        )
    frame["station_id"] = [_station(s, name) for s in frame["station_id"]]
    frame["code"] = [_code(d, name) for d in frame["direction"]]
    lane = frame["lane"] if "lane" in frame else pd.Series([None] * len(frame))
    frame["lane_code"] = ["0" if _null(v) else _lane(str(v), name) for v in lane]
    return frame


def _code(word: str, name: str) -> str:
    if word == "both":
        return "9"
    angle = compass_deg(word)
    if np.isnan(angle):
        raise InvalidInput(
            f"{name}: direction {word!r} is no compass point. Give the station a bearing"
        )
    return "12345678"[round(angle / 45) % 8]


def _lane(word: str, name: str) -> str:
    if len(word) != 1 or not word.isdecimal():
        raise InvalidInput(f"{name}: lane {word!r} does not fit a record (one digit)")
    return word


def _station(station: str, name: str) -> str:
    if len(station) > 6 or not station.isascii() or "|" in station:
        raise InvalidInput(f"{name}: station {station!r} does not fit a record (six plain signs)")
    return station


_WHERE = ["station_id", "code", "lane_code"]


def _volumes(frame: pd.DataFrame, state: str, name: str) -> Iterator[list[str]]:
    if (frame["minutes"] != 60).any() or (frame["start"].dt.minute != 0).any():
        raise InvalidInput(
            f"{name}: volume records hold whole hours. Sum the counts to hours first"
        )
    frame = frame.assign(date=frame["start"].dt.normalize(), hour=frame["start"].dt.hour)
    _refuse_twice(frame, [*_WHERE, "date", "hour"], name)
    for (station, code, lane, day), part in frame.groupby([*_WHERE, "date"], sort=True):
        hours = dict(zip(part["hour"], part["count"], strict=True))
        volumes = [_number(hours.get(hour)) for hour in range(24)]
        weekday = str((day.day_of_week + 1) % 7 + 1)
        yield ["3", state, "", station, code, lane, *_day(day), weekday, *volumes, "0"]


def _intervals(frame: pd.DataFrame, name: str) -> pd.DataFrame:
    codes = {pair: code for code, pair in tmg.INTERVALS.items() if code != "0"}
    pairs = zip(frame["start"].dt.minute, frame["minutes"], strict=True)
    found = [codes.get((int(m), int(n))) for m, n in pairs]
    if None in found:
        at = frame.iloc[found.index(None)]
        raise InvalidInput(
            f"{name}: a period of {at['minutes']} min at {at['start']} does not fit a record (hours, "
            "quarters and twelfths). Sum or leave out"
        )
    return frame.assign(interval=found)


def _speeds(frame: pd.DataFrame, state: str, name: str) -> Iterator[list[str]]:
    frame = _intervals(frame, name)
    _refuse_twice(frame, [*_WHERE, "start", "minutes", "speed_low_kmh"], name)
    first = tmg.FIRST_BIN_MPH["1"]
    frame = frame.sort_values("speed_low_kmh", kind="stable")
    for (station, code, lane, start, interval), part in _records(frame):
        edges = np.array([0, *(first + tmg.BIN_MPH * np.arange(len(part) - 1))]) * tmg.MILE_KM
        low = part["speed_low_kmh"].to_numpy(dtype="float64")
        high = part["speed_high_kmh"].to_numpy(dtype="float64")
        fits = np.allclose(low, edges, atol=0.01) and np.allclose(high[:-1], edges[1:], atol=0.01)
        if not fits or np.isfinite(high[-1]):
            raise InvalidInput(
                f"{name}: the speed bins of station {station} at {start} are not 5 mph wide from 20 mph "
                "on, the last one open. The records hold no others"
            )
        head = ["T", state, station, code, lane, *_day(start), f"{start.hour:02d}", interval, "1"]
        counts = list(part["count"])
        yield [*head, f"{len(part):02d}", _sum(counts), *map(_number, counts)]


def _classes(frame: pd.DataFrame, state: str, name: str) -> Iterator[list[str]]:
    frame = _intervals(frame, name)
    _refuse_twice(frame, [*_WHERE, "start", "minutes", "vehicle_class"], name)
    for (station, code, lane, start, interval), part in _records(frame):
        by = {str(k): v for k, v in zip(part["vehicle_class"], part["count"], strict=True)}
        wanted = [str(n + 1) for n in range(15 if by.keys() & {"14", "15"} else 13)]
        if strange := sorted(by.keys() - set(wanted)):
            raise InvalidInput(
                f"{name}: class {strange[0]!r} of station {station} is none of 1 to 15. "
                "Class records hold the federal classes"
            )
        counts = [by.get(k) for k in wanted]
        head = ["C", state, station, code, lane, *_day(start), f"{start.hour:02d}", interval]
        yield [*head, _sum(counts), "0", *map(_number, counts)]


def _records(frame: pd.DataFrame) -> Any:
    return frame.groupby([*_WHERE, "start", "interval"], sort=True)


def _refuse_twice(frame: pd.DataFrame, key: list[str], name: str) -> None:
    twice = frame[frame.duplicated(key)]
    if len(twice):
        at = twice.iloc[0]
        raise InvalidInput(
            f"{name}: station {at['station_id']} has two counts at {at['start']}, as when clocks go "
            "back. A record holds one: leave one out"
        )


def _day(day: pd.Timestamp) -> list[str]:
    return [f"{day.year:04d}", f"{day.month:02d}", f"{day.day:02d}"]


def _number(value: float | None) -> str:
    return "" if value is None or np.isnan(value) else f"{int(value):05d}"


def _sum(counts: list[float | None]) -> str:
    known = [c for c in counts if c is not None and not np.isnan(c)]
    total = int(sum(known))
    return f"{total:05d}" if len(known) == len(counts) and total <= FULL else ""


def _degrees(value: Any, width: int, name: str, *, west: bool = False) -> str:
    if _null(value):
        return ""
    millionths = round(float(value) * (-1e6 if west else 1e6))
    if millionths < 0:
        raise InvalidInput(
            f"{name}: a station lies at {float(value):g}°, {'east' if west else 'south'} of where the "
            "records reach (the north-west of the globe). Leave it out"
        )
    return f"{millionths:0{width}d}"


def _text(value: Any, length: int) -> str:
    plain = "" if _null(value) else str(value)
    return " ".join(plain.replace("|", " ").split())[:length]


def _null(value: Any) -> bool:
    return value is None or value is pd.NA or value != value  # noqa: PLR0124  # the test for NaN


def _deliver(path: str | Path, rows: Any, kind: str, *, pipe: bool) -> None:
    lengths = [length for _, length in tmg.FIELDS[kind]]
    lines = []
    for row in rows:
        if pipe:
            lines.append("|".join(row))
            continue
        width = [*lengths, *[tmg.REPEATED] * (len(row) - len(lengths))]
        lines.append("".join(cell.ljust(n) for cell, n in zip(row, width, strict=True)))
    whole.write(path, ("\n".join(lines) + "\n").encode())
