"""What a foreign count file seems to hold: where its table begins, and what each column is by its look.

Nothing here is taken for true: it feeds a proposal that a person reads (`propose`).
"""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from countmap.compass import compass_deg
from countmap.errors import InvalidInput
from countmap.formats import records
from countmap.formats.limits import DEFAULT, Limits

SAMPLE = 2000
STEPS = (5, 10, 15, 20, 30, 60)
MISSING = (
    "-",
    "--",
    "na",
    "n/a",
    "nan",
    "null",
    "none",
    "x",
    "*",
    "missing",
    "-1",
    "-9",
    "-99",
    "-999",
)
NAMES = {
    "station_id": "station stationid site siteid sitename location locationid point pointid counter "
    "counterid zählstelle zaehlstelle zst messstelle id",
    "direction": "direction dir sense heading channel bound carriageway richtung fahrtrichtung sens",
    "lane": "lane laneno lanenumber fahrstreifen spur voie",
    "minutes": "minutes interval intervalmin period periodmin duration",
    "vehicle_class": "class vehicleclass vehclass klasse category",
}
TOTALS = ["total", "totals", "sum", "all", "summe", "gesamt"]
COUNTS = [
    "count",
    "counts",
    "volume",
    "vol",
    "vehicles",
    "vehicle",
    "flow",
    "traffic",
    "anzahl",
    "kfz",
    "number",
    "qty",
    "n",
]
CLASSES = re.compile(
    r"^(?:(?:cl|cls|class|klasse|kl|f)\W*(\d{1,2})|(cars?|vans?|lgvs?|hgvs?|trucks?|lorry|lorries|bus(?:es)?|"
    r"coach(?:es)?|motorcycles?|mcs?|bicycles?|cycles?|pkw|lkw|krad|rad|tractors?|light|heavy|other)s?)$"
)
_SPEEDS = re.compile(
    r"^(?:[<≤]\s*(\d+)|(\d+)\s*[-–]\s*(\d+)|[>≥]\s*(\d+)|(\d+)\s*\+)\s*(km/?h|kph|mph)?$"
)
_NUMBER = re.compile(r"^[+-]?\d+([.,]\d+)?$")
_HOUR = re.compile(
    r"^(?:h|hour|hr|std|heure)?\W*(\d{1,2})(?:[:.h](\d{2}))?(?:\s*(?:[-–]|to|bis)\s*(\d{1,2})(?:[:.h](\d{2}))?)?"
    r"(?:\s*(?:h|uhr))?$"
)


@dataclass(frozen=True, slots=True)
class Grid:
    """The cells of a file as they seem to lie: lines above, a header, a sample of rows."""

    encoding: str
    delimiter: str
    skip: int
    named: bool
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    above: tuple[str, ...]

    def column(self, index: int) -> list[str]:
        """Return the cells of a column that are not empty."""
        return [row[index] for row in self.rows if row[index]]

    def name(self, index: int) -> str | int:
        """Return how a layout names the column."""
        return self.header[index] if self.named else index + 1


def grid(path: Path, limits: Limits = DEFAULT) -> Grid:
    """Return the cells of a file as they seem to lie.

    Raises
    ------
    InvalidInput
        It is no text, or no two of its lines have alike many fields.
    """
    encoding, text = _text(path, limits)
    lines = text.split("\n")[:SAMPLE]
    delimiter, width = _delimiter(lines, path.name)
    cells = [
        [c.strip() for c in next(csv.reader([line], delimiter=delimiter), [])] for line in lines
    ]
    wide = [i for i, row in enumerate(cells) if len(row) == width and sum(map(bool, row)) > 1]
    if not wide:
        raise InvalidInput(
            f"{path.name}: no table is to be seen in it: its fields are empty. Check the file"
        )
    first = wide[0]
    body = [tuple(row) for row in cells[first:] if len(row) == width and any(row)]
    named = len(body) < 2 or _looks(body[0]) != _looks(body[1])
    header = body[0] if named else tuple(str(i + 1) for i in range(width))
    rows = tuple(body[1:] if named else body)
    if not rows:
        raise InvalidInput(f"{path.name}: has a header and no rows. Export it again")
    return Grid(encoding, delimiter, first, named, header, rows, tuple(lines[:first]))


def _looks(row: tuple[str, ...]) -> str:
    """Return a letter a cell: n number, t time or date, w word, or a dot where it is empty."""
    return "".join(
        "." if not c else "n" if _NUMBER.match(c) else "t" if date_form([c]) else "w" for c in row
    )


def _text(path: Path, limits: Limits) -> tuple[str, str]:
    try:
        return "utf-8", records.read_bytes(path, limits=limits).decode("utf-8")
    except InvalidInput as refused:
        with path.open("rb") as file:
            head = file.read(1 << 16)
        marked = head[:2] in (b"\xff\xfe", b"\xfe\xff")
        other = "utf-16" if marked else "" if b"\x00" in head else "cp1252"
        if not other or "UTF" not in str(refused):
            raise
        return other, records.read_bytes(path, other, limits=limits).decode("utf-8")


def _delimiter(lines: list[str], file: str) -> tuple[str, int]:
    """Return the delimiter that cuts most lines into alike many fields, and how many."""
    best = (0, ",", 0)
    for delimiter in (*records.DELIMITERS, "|"):
        widths = Counter(
            len(row)
            for row in csv.reader(io.StringIO("\n".join(lines)), delimiter=delimiter)
            if row
        )
        width, times = max(
            ((w, n) for w, n in widths.items() if w > 1), key=lambda p: p[0] * p[1], default=(0, 0)
        )
        best = max(best, (width * times, delimiter, width), key=lambda b: b[0])
    if not best[0]:
        raise InvalidInput(
            f"{file}: no table is to be seen in it: no line has several fields. Check the file"
        )
    return best[1], best[2]


def plain(name: str) -> str:
    """Return a column's name folded for comparison."""
    return re.sub(r"[\W_]+", "", name.casefold())


def role(name: str) -> str:
    """Return what a column's name says it is, or ""."""
    folded = plain(name)
    return next((role for role, words in NAMES.items() if folded in words.split()), "")


def is_count(cells: list[str]) -> bool:
    """Tell whether cells are numbers, but for marks of missing ones."""
    return bool(cells) and all(_NUMBER.match(c) or c.casefold() in MISSING for c in cells)


def date_form(cells: list[str]) -> str:
    """Return the ``strftime`` form of dates, times or both that fits every cell, or "".

    Where days and months could change places, the day is written first; `ambiguous` tells.

    Examples
    --------
    >>> date_form(["04/03/2025 07:15"]), date_form(["2025-03-04", "2025-12-31"]), date_form(["7:15 PM"])
    ('%d/%m/%Y %H:%M', '%Y-%m-%d', '%I:%M %p')
    """
    for form in _FORMS:
        if cells and all(_FORMS[form].fullmatch(c) for c in cells):
            return _ordered(form, cells)
    return ""


_DAYS = {
    "%Y-%m-%d": r"\d{4}-\d{1,2}-\d{1,2}",
    "%Y/%m/%d": r"\d{4}/\d{1,2}/\d{1,2}",
    "%d.%m.%Y": r"\d{1,2}\.\d{1,2}\.\d{4}",
    "%d/%m/%Y": r"\d{1,2}/\d{1,2}/\d{4}",
    "%d-%m-%Y": r"\d{1,2}-\d{1,2}-\d{4}",
    "%d.%m.%y": r"\d{1,2}\.\d{1,2}\.\d{2}",
    "%d/%m/%y": r"\d{1,2}/\d{1,2}/\d{2}",
    "%Y%m%d": r"(19|20)\d{2}[01]\d[0-3]\d",
}
_CLOCKS = {
    "%H:%M": r"([01]?\d|2[0-4]):[0-5]\d",
    "%H:%M:%S": r"([01]?\d|2[0-4]):[0-5]\d:[0-5]\d",
    "%I:%M %p": r"(0?\d|1[0-2]):[0-5]\d [AaPp][Mm]",
    "%I:%M:%S %p": r"(0?\d|1[0-2]):[0-5]\d:[0-5]\d [AaPp][Mm]",
}
_FORMS = {form: re.compile(shape) for form, shape in (*_DAYS.items(), *_CLOCKS.items())}
_FORMS |= {
    f"{day}{gap}{clock}": re.compile(f"{a}{gap}{b}")
    for day, a in _DAYS.items()
    for clock, b in _CLOCKS.items()
    for gap in (" ", "T")
}


def _ordered(form: str, cells: list[str]) -> str:
    """Put the month first where no other reading is possible."""
    if not form.startswith(("%d/", "%d-")):
        return form
    first, second = ambiguous_parts(cells)
    return (
        form.replace("%d", "%_").replace("%m", "%d").replace("%_", "%m")
        if second > 12 >= first
        else form
    )


def ambiguous_parts(cells: list[str]) -> tuple[int, int]:
    """Return the largest first and second number of dates such as 04/03/2025."""
    pairs = [re.split(r"[/.-]", cell, maxsplit=2)[:2] for cell in cells]
    return max(int(a) for a, _ in pairs), max(int(b) for _, b in pairs)


def hours(names: list[str]) -> tuple[list[int], int, str] | None:
    """Return at which minute each of several columns begins, how long it is, and what is not certain.

    Examples
    --------
    >>> hours([f"{h:02d}:00" for h in range(24)])[1:]
    (60, '')
    >>> hours(["a", "b"]) is None
    True
    """
    found = [_HOUR.match(name.casefold().strip()) for name in names]
    if len(names) < 12 or not all(found):
        return None
    starts = [60 * int(m[1]) + int(m[2] or 0) for m in found if m]
    steps = {b - a for a, b in pairwise(starts)}
    if starts[-1] == 0 and len(starts) > 1:
        steps = {b - a for a, b in pairwise(starts[:-1])}
    if len(steps) != 1 or (step := steps.pop()) not in STEPS:
        return None
    if starts[0] == 0:
        return starts, step, ""
    if starts[0] == step and starts[-1] in (0, 1440):
        said = (
            f"the columns run from {names[0]} to {names[-1]}, so each names the end of its period"
        )
        return [step * i for i in range(len(names))], step, said
    return starts, step, f"the columns begin with {names[0]}, read as the start of their period"


def speed_limits(name: str) -> tuple[float, float | None] | None:
    """Return the limits in km/h that a column's name states; the upper is None for an open bin.

    Examples
    --------
    >>> speed_limits("30-40 km/h"), speed_limits("> 100"), speed_limits("Speed")
    ((30.0, 40.0), (100.0, None), None)
    """
    match = _SPEEDS.match(name.casefold().strip())
    if not match:
        return None
    factor = 1.609344 if match[6] == "mph" else 1.0
    if match[1]:
        return 0.0, int(match[1]) * factor
    if match[2]:
        return int(match[2]) * factor, int(match[3]) * factor
    return int(match[4] or match[5]) * factor, None


def direction_of(name: str) -> str:
    """Return the direction that a column of counts is named after, or "".

    Examples
    --------
    >>> direction_of("NB"), direction_of("Direction 1"), direction_of("Volume southbound"), direction_of("Cars")
    ('NB', '1', 'southbound', '')
    """
    words = re.findall(r"[^\W_]+", name)
    numbered = re.fullmatch(
        r"(?:dir|direction|richtung|ri|channel|ch|sens)\W*(\d)", name.casefold().strip()
    )
    if numbered:
        return numbered[1]
    if plain(name) in ("with", "against"):
        return plain(name)
    for word in (name, *words):
        if compass_deg(word) == compass_deg(word):  # the test for NaN
            return word
    return ""


def lane_of(name: str) -> str:
    """Return the lane that a column of counts is named after, or ""."""
    match = re.fullmatch(
        r"(?:lane|ln|fahrstreifen|fs|spur|voie)\W*(\d{1,2})", name.casefold().strip()
    )
    return match[1] if match else ""
