"""Records of the US federal Traffic Monitoring Guide: stations, volumes, speeds and classes, read.

Positions are those of the guide of 2013, chapter 7 (fixed width); a file with ``|`` between the same
fields, in the same order, is read as well. What is marked *memory* here could not be checked against
the guide's own tables.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from countmap import tables
from countmap.errors import InvalidInput
from countmap.formats import records

if TYPE_CHECKING:
    from numpy.typing import NDArray

Fault = tuple[str, int, str, str, str]

KINDS = {"S": "station", "3": "volume", "T": "speed", "C": "class"}
MILE_KM = 1.609344
BIN_MPH = 5
# Clockwise from north; 9 and 0 are both senses of a north–south and of an east–west road [memory
# beyond 1, 5 and 9].
DIRECTIONS = dict(zip("12345678", ("N", "NE", "E", "SE", "S", "SW", "W", "NW"), strict=True))
BOTH = "90"
# Quarters of an hour and twelfths; blank or 0 is the whole hour [memory].
INTERVALS = {"": (0, 60), "0": (0, 60)}
INTERVALS |= {str(n + 1): (15 * n, 15) for n in range(4)}
INTERVALS |= {letter: (5 * n, 5) for n, letter in enumerate("ABCDEFGHIJKL")}
# The upper limit of the first speed bin, by its code, in miles an hour [memory]. Any other is refused.
FIRST_BIN_MPH = {"1": 20}
CLASSES = {13: "fhwa13", 15: "fhwa13"}

_DATE = "year:4 month:2 day:2"


def _fields(text: str) -> tuple[tuple[str, int], ...]:
    pairs = (part.split(":") for part in text.split())
    return tuple((name, int(length)) for name, length in pairs)


# Name and length of each field, from position 1 on; the last of the variable kinds repeats.
VOLUME = _fields(
    f"record:1 state:2 functional_class:2 station_id:6 direction:1 lane:1 {_DATE} weekday:1 "
    + " ".join(f"h{hour}:5" for hour in range(24))
    + " restriction:1"
)
SPEED = _fields(
    f"record:1 state:2 station_id:6 direction:1 lane:1 {_DATE} hour:2 interval:1 first_bin:1 "
    "bins:2 total:5"
)
CLASS = _fields(
    f"record:1 state:2 station_id:6 direction:1 lane:1 {_DATE} hour:2 interval:1 total:5 "
    "restriction:1"
)
# Fields between the lanes (18) and the sensor (31), and those after the county, are from memory; the
# anchors 1–18, 31, 33, 34, 94, 102, 110, 129, 137 and 164 are the guide's.
STATION = _fields(
    "record:1 state:2 station_id:6 direction:1 lane:1 year:4 functional_class:2 lanes:1 sample:1 "
    "lanes_volume:1 method_volume:1 lanes_class:1 method_class:1 algorithm_class:1 classes:2 "
    "lanes_weight:1 method_weight:1 calibration:1 retrieval:1 sensor:1 sensor_second:1 purpose:1 "
    "route:60 point:8 lat:8 lon:9 ltpp:4 previous_id:6 established:4 discontinued:4 county:3 "
    "sample_type:1 sample_id:12 nhs:1 signing:2 signed_route:8 location:50"
)
FIELDS = {"station": STATION, "volume": VOLUME, "speed": SPEED, "class": CLASS}
WIDTHS = {kind: sum(length for _, length in fields) for kind, fields in FIELDS.items()}
REPEATED = 5


@dataclass(frozen=True, slots=True)
class Found:
    """What a file holds: RAW_COUNTS, REJECTS and sentences on what was read how."""

    raw: pd.DataFrame
    rejects: pd.DataFrame
    notes: tuple[str, ...] = ()


@dataclass(slots=True)
class _Page:
    """The lines of one file cut into fields, and what is wrong with them."""

    file: str
    kind: str
    cells: pd.DataFrame
    rows: NDArray[np.int64]
    repeated: list[list[str]]
    faults: list[Fault] = field(default_factory=list)
    good: NDArray[np.bool_] = field(default_factory=lambda: np.array([], dtype=bool))

    def refuse(self, where: NDArray[np.bool_], column: str, values: pd.Series, why: str) -> None:
        """Refuse the lines ``where`` that are still good; ``{value!r}`` stands for the offence."""
        for i in np.flatnonzero(where & self.good):
            value = str(values.iloc[i])
            self.faults.append(
                (self.file, int(self.rows[i]), column, value, why.format(value=value))
            )
        self.good &= ~where


def sniff(line: str) -> str:
    """Return the kind of record that a file's first line is, or "".

    Examples
    --------
    >>> sniff("3172R01710A902012042540004600022"), sniff("T|17|000123|1|1|2025|03|04|07"), sniff("a,b")
    ('volume', 'speed', '')
    """
    line = line.rstrip()
    if re.match(r"[3TC]\|\d{1,2}\|", line) or re.match(r"S\|\d{1,2}\|", line):
        return KINDS[line[0]]
    if re.match(r"3\d{2}[\w ]{2}[\w ]{6}\d\d(19|20)\d{6}[1-7 ][\d ]{5}", line) and len(line) <= 143:
        return "volume"
    if re.match(r"[TC]\d{2}[\w ]{6}\d\d(19|20)\d{8}", line):
        return KINDS[line[0]]
    if re.match(r"S\d{2}[\w ]{6}\d[\d ](19|20)\d{2}\w{2}", line) and len(line) <= 213:
        return "station"
    return ""


def read_counts(path: str | Path, data: bytes | None = None) -> Found:
    """Read a file of volume, speed or class records.

    A blank hour is missing. Lane 0 is all lanes of the direction. Times are local, as the guide has
    them. Speeds become km/h.

    Raises
    ------
    InvalidInput
        The file holds stations, several kinds of record, or stations of several states.
    """
    page = _page(Path(path), data)
    if page.kind == "station":
        raise InvalidInput(
            f"{page.file}: holds stations, not counts. Read it with countmap stations import"
        )
    _check_common(page)
    frame = {"volume": _volumes, "speed": _speeds, "class": _classes}[page.kind](page)
    notes = _restricted(page)
    for name in tables.RAW_COUNTS.names:
        if name not in frame:
            frame[name] = pd.Series([None] * len(frame), dtype="str")
    frame["file"] = page.file
    frame["minutes"] = frame["minutes"].astype("int64")
    raw = frame[list(tables.RAW_COUNTS.names)].reset_index(drop=True)
    return Found(raw, records.rejects_frame(sorted(page.faults, key=lambda f: f[1])), notes)


def read_stations(path: str | Path) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Read station records: one row a station, in the columns of STATIONS and ``row``.

    A station has a record a direction and lane; the first gives its place, the first direction its
    bearing. Longitudes are west of Greenwich, as the guide has them.
    """
    page = _page(Path(path))
    if page.kind != "station":
        raise InvalidInput(f"{page.file}: holds counts, not stations. Use countmap counts import")
    _one_state(page)
    cells = page.cells
    for name in ("lat", "lon"):
        page.refuse(
            ~cells[name].str.fullmatch(r"\d*").to_numpy(dtype=bool), name, cells[name],
            f"{name} {{value!r}} is not a number of millionths of a degree. Correct the row",
        )  # fmt: skip
    lat, lon = (pd.to_numeric(cells[n], errors="coerce") / 1e6 for n in ("lat", "lon"))
    bearing = cells["direction"].map({code: 45.0 * i for i, code in enumerate(DIRECTIONS)})
    frame = pd.DataFrame(
        {
            "station_id": cells["station_id"],
            "name": cells["location"].where(cells["location"] != "", None),
            "road": cells["route"].where(cells["route"] != "", None),
            "lon": -lon.where(lon != 0),
            "lat": lat.where(lat != 0),
            "bearing_deg": bearing,
            "row": page.rows,
        }
    )[page.good]
    frame = frame.drop_duplicates("station_id").reset_index(drop=True)
    return frame, records.rejects_frame(sorted(page.faults, key=lambda f: f[1]))


def _page(path: Path, data: bytes | None = None) -> _Page:
    text = (records.read_bytes(path) if data is None else data).decode("utf-8")
    lines = text.split("\n")
    rows = np.array([i for i, line in enumerate(lines, start=1) if line.strip()], dtype=np.int64)
    kept = [lines[i - 1] for i in rows]
    letters = {line[0] for line in kept}
    if len(letters) > 1 or not letters <= set(KINDS):
        first = next(i for i, line in zip(rows, kept, strict=True) if line[0] != kept[0][0])
        raise InvalidInput(
            f"{path.name}:{first}: a {KINDS.get(lines[first - 1][0], 'strange')} record in a file of "
            f"{KINDS.get(kept[0][0], 'strange')} records. Keep one kind a file"
        )
    kind = KINDS[kept[0][0]]
    cells, repeated = _cut(kept, kind)
    page = _Page(path.name, kind, cells, rows, repeated)
    page.good = np.ones(len(cells), dtype=bool)
    return page


def _cut(lines: list[str], kind: str) -> tuple[pd.DataFrame, list[list[str]]]:
    fields = FIELDS[kind]
    names = [name for name, _ in fields]
    rows: list[list[str]] = []
    for line in lines:
        if "|" in line:
            rows.append([cell.strip() for cell in line.split("|")])
            continue
        at, row = 0, []
        for _, length in fields:
            row.append(line[at : at + length].strip())
            at += length
        row += [line[i : i + REPEATED].strip() for i in range(at, len(line), REPEATED)]
        rows.append(row)
    head = [(row + [""] * len(names))[: len(names)] for row in rows]
    return pd.DataFrame(head, columns=names, dtype="str"), [row[len(names) :] for row in rows]


def _check_common(page: _Page) -> None:
    _one_state(page)
    cells = page.cells
    page.refuse(
        (cells["station_id"] == "").to_numpy(), "station_id", cells["station_id"],
        "the station is empty. Fill it in",
    )  # fmt: skip
    known = cells["direction"].isin([*DIRECTIONS, *BOTH]).to_numpy()
    page.refuse(
        ~known, "direction", cells["direction"], "direction {value!r} is unknown. Use 0 to 9"
    )
    written = cells["year"] + "-" + cells["month"].str.zfill(2) + "-" + cells["day"].str.zfill(2)
    day = pd.to_datetime(written, format="%Y-%m-%d", errors="coerce")
    page.refuse(
        day.isna().to_numpy(), "day", written, "the day {value} does not exist. Correct the row"
    )
    page.cells["date"] = day
    if page.kind == "volume":
        sunday_first = (day.dt.day_of_week + 1) % 7 + 1
        said = pd.to_numeric(cells["weekday"], errors="coerce")
        page.refuse(
            (said.notna() & (said != sunday_first)).to_numpy(), "weekday", cells["weekday"],
            "weekday {value!r} is not that of the day (1 is Sunday). Correct the row",
        )  # fmt: skip


def _one_state(page: _Page) -> None:
    states = sorted(set(page.cells["state"]))
    if len(states) > 1:
        raise InvalidInput(
            f"{page.file}: holds stations of the states {', '.join(states)}, whose ids may be alike. "
            "Split it by state"
        )


def _base(page: _Page) -> pd.DataFrame:
    cells = page.cells
    word = cells["direction"].map({**DIRECTIONS, **dict.fromkeys(BOTH, "both")})
    lane = cells["lane"].where(~cells["lane"].isin(["", "0"]), None)
    columns = {"row": page.rows, "station_id": cells["station_id"], "direction": word, "lane": lane}
    return pd.DataFrame(columns)


def _volumes(page: _Page) -> pd.DataFrame:
    hours = [f"h{hour}" for hour in range(24)]
    for hour, name in enumerate(hours):
        page.refuse(
            ~page.cells[name].str.fullmatch(r"\d*").to_numpy(dtype=bool), name, page.cells[name],
            f"the volume {{value!r}} of hour {hour} is not a number. Correct the row",
        )  # fmt: skip
    base = _base(page)[page.good]
    size = len(base)
    long = base.loc[base.index.repeat(24)].reset_index(drop=True)
    text = page.cells.loc[page.good, hours].to_numpy(dtype=object).ravel()
    long["count"] = pd.to_numeric(pd.Series(text, dtype="str"), errors="coerce").astype("float64")
    day = np.repeat(page.cells.loc[page.good, "date"].to_numpy("datetime64[us]"), 24)
    long["start"] = pd.Series(day + np.tile(np.arange(24).astype("timedelta64[h]"), size))
    long["column"] = pd.Series(np.tile(np.array(hours, dtype=object), size), dtype="str")
    return long.assign(minutes=60)


def _timed(page: _Page) -> tuple[pd.Series, pd.Series]:
    """Return start and minutes of each record."""
    cells = page.cells
    hour = pd.to_numeric(cells["hour"], errors="coerce")
    page.refuse(
        ~hour.between(0, 23).to_numpy(), "hour", cells["hour"],
        "hour {value!r} is not 00 to 23. Correct the row",
    )  # fmt: skip
    known = cells["interval"].isin(list(INTERVALS)).to_numpy()
    page.refuse(
        ~known, "interval", cells["interval"],
        "interval {value!r} is unknown. Use blank for the hour, 1 to 4 or A to L",
    )  # fmt: skip
    at = [INTERVALS.get(code, (0, 60)) for code in cells["interval"]]
    offset = pd.to_timedelta(
        [60 * h + pair[0] for h, pair in zip(hour.fillna(0), at, strict=True)], "min"
    )
    start = (cells["date"] + offset).dt.as_unit("us")
    return start, pd.Series([pair[1] for pair in at])


def _long(page: _Page, width: pd.Series, why: str) -> tuple[pd.DataFrame, NDArray[np.int64]]:
    """Return a row for each repeated count of each good record, and the count's number from 0."""
    start, minutes = _timed(page)
    counts: list[list[float]] = []
    bad, off = np.zeros(len(page.rows), dtype=bool), np.zeros(len(page.rows), dtype=bool)
    said = []
    total = pd.to_numeric(page.cells["total"], errors="coerce").to_numpy(dtype="float64")
    for i, cells in enumerate(page.repeated):
        wanted = int(width.iloc[i]) if np.isfinite(width.iloc[i]) else 0
        row = [*cells, *[""] * wanted][:wanted]
        bad[i] = any(cell and not cell.isdecimal() for cell in row) or len(cells) > wanted
        numbers = [float(cell) if cell.isdecimal() else np.nan for cell in row]
        off[i] = bool(
            np.isfinite(total[i]) and np.isfinite(numbers).all() and sum(numbers) != total[i]
        )
        said.append(f"{sum(numbers):g} against {total[i]:g}")
        counts.append(numbers)
    texts = pd.Series([" ".join(cells) for cells in page.repeated], dtype="str")
    page.refuse(
        bad, "counts", texts, f"{why} {{value!r}} are not numbers, or too many. Correct the row"
    )
    page.refuse(
        off, "total", pd.Series(said), f"{why} and the total disagree: {{value}}. Correct the row"
    )
    base = _base(page).assign(start=start, minutes=minutes)[page.good]
    lists = [counts[i] for i in np.flatnonzero(page.good)]
    sizes = np.array([len(numbers) for numbers in lists], dtype=np.int64)
    long = base.loc[base.index.repeat(sizes)].reset_index(drop=True)
    long["count"] = np.array([n for numbers in lists for n in numbers], dtype="float64")
    number = (
        np.concatenate([np.arange(size) for size in sizes]) if len(sizes) else np.array([], int)
    )
    return long, number.astype(np.int64)


def _speeds(page: _Page) -> pd.DataFrame:
    cells = page.cells
    known = cells["first_bin"].isin(list(FIRST_BIN_MPH)).to_numpy()
    page.refuse(
        ~known, "first_bin", cells["first_bin"],
        "the first speed bin {value!r} is not known here (1: to 20 mph). Describe the file by a layout",
    )  # fmt: skip
    bins = pd.to_numeric(cells["bins"], errors="coerce")
    page.refuse(
        ~bins.between(1, 99).to_numpy(), "bins", cells["bins"],
        "{value!r} is not a number of speed bins. Correct the row",
    )  # fmt: skip
    long, number = _long(page, bins, "speed bins")
    first = FIRST_BIN_MPH["1"]
    last = long.groupby("row")["row"].transform("size").to_numpy() - 1
    low = np.where(number == 0, 0, first + BIN_MPH * (number - 1)) * MILE_KM
    high = np.where(number == last, np.nan, (first + BIN_MPH * number) * MILE_KM)
    column = pd.Series([f"bin {n + 1}" for n in number], dtype="str")
    return long.assign(speed_low_kmh=low.round(3), speed_high_kmh=high.round(3), column=column)


def _classes(page: _Page) -> pd.DataFrame:
    # Trailing blanks are missing counts, which an editor may have cut off: the longest record counts.
    most = max(map(len, page.repeated), default=0)
    long, number = _long(page, pd.Series(np.full(len(page.rows), float(most))), "classes")
    size = long.groupby("row")["row"].transform("size")
    scheme = size.map(CLASSES).astype("str").where(size.isin(list(CLASSES)), None)
    vehicle_class = pd.Series([str(n + 1) for n in number], dtype="str")
    column = pd.Series([f"class {n + 1}" for n in number], dtype="str")
    return long.assign(vehicle_class=vehicle_class, scheme=scheme, column=column)


def _restricted(page: _Page) -> tuple[str, ...]:
    """Say which records the sender marked as restricted; their counts are taken as they stand."""
    if "restriction" not in page.cells:
        return ()
    marked = page.good & ~page.cells["restriction"].isin(["", "0"]).to_numpy()
    if not marked.any():
        return ()
    first = int(page.rows[np.flatnonzero(marked)[0]])
    n = int(marked.sum())
    they_are = "record is" if n == 1 else "records are"
    said = f"{n:,} {they_are} marked as restricted by the sender (first: {page.file}:{first}); "
    return (said + "look at those days before they are used",)
