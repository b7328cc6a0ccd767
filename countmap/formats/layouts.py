"""How a foreign count file is laid out, described once in a small TOML file."""

from __future__ import annotations

import re
import string
import tomllib
from pathlib import Path
from typing import Any, Literal, Self, get_args

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from countmap.errors import InvalidInput, NotFound

_CODES = {"%d": r"\d{1,2}", "%m": r"\d{1,2}", "%Y": r"\d{4}", "%y": r"\d{2}", "%H": r"\d{1,2}"}
_CODES |= {"%M": r"\d{1,2}", "%S": r"\d{1,2}", "%I": r"\d{1,2}", "%p": "[AaPp][Mm]", "%f": r"\d+"}
_CODES |= {"%b": r"\w{3}", "%B": r"\w+", "%j": r"\d{3}", "%z": r"[+-]\d\d:?\d\d", "%%": "%"}
_KNOWN = {"hour": 0, "minute": 0, "next": 1}
_NO_LAYOUT = "there is no such layout. Check the path"
_PLACEHOLDERS = "known are {hour}, {minute} and {next}"


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class FileShape(_Part):
    """How the text is cut into cells.

    ``missing`` lists the marks that stand for no observation, beside the empty cell. A number such
    as −1 is a missing mark only if it stands here. ``sheet`` names one of a spreadsheet; the first
    that is not empty where nothing is stated.
    """

    encoding: str = "utf-8"
    skip_lines: int = Field(default=0, ge=0)
    header: bool = True
    delimiter: Literal["", ",", ";", "\t", "|"] = ""
    decimal: Literal["", ".", ","] = ""
    missing: tuple[str, ...] = ()
    sheet: str = ""


class Columns(_Part):
    """Where each thing stands: a name in the header, or a number (1 is the first column)."""

    station_id: str | int | None = None
    direction: str | int | None = None
    start: str | int | None = None
    date: str | int | None = None
    time: str | int | None = None
    minutes: str | int | None = None
    count: str | int | None = None
    survey_id: str | int | None = None
    lane: str | int | None = None
    quantity: str | int | None = None
    vehicle_class: str | int | None = None
    scheme: str | int | None = None


class Constants(_Part):
    """What holds for every row. ``{stem}`` in a text is the file's name without its ending."""

    station_id: str | None = None
    direction: str | None = None
    date: str | None = None
    minutes: int | None = Field(default=None, ge=1, le=1440)
    survey_id: str | None = None
    lane: str | None = None
    quantity: Literal["vehicles", "axles", "axle_pairs"] | None = None
    vehicle_class: str | None = None
    scheme: str | None = None


class Times(_Part):
    """How times are written: ``strftime`` codes, ISO 8601 where nothing is stated.

    ``stamp`` says whether a time marks the start or the end of its period. ``zone`` is ``local``
    (the workspace's), ``utc``, a tz database name or a fixed offset such as ``+01:00``.
    """

    date: str = "%Y-%m-%d"
    time: str = "%H:%M"
    start: str = ""
    stamp: Literal["start", "end"] = "start"
    zone: str = "local"


class Hours(_Part):
    """One column an hour (or a shorter period): names in order, or a pattern.

    A pattern knows ``{hour}`` and ``{minute}`` at which the column begins and ``{next}``, the hour
    after: ``"H{next}"`` is H1 … H24. ``first`` and ``last`` are the hours covered.
    """

    columns: tuple[str | int, ...] = ()
    pattern: str = ""
    first: int = Field(default=0, ge=0, le=23)
    last: int = Field(default=23, ge=0, le=23)
    minutes: Literal[60, 30, 20, 15, 10, 5] = 60

    @field_validator("pattern")
    @classmethod
    def _filled(cls, text: str) -> str:
        try:
            used = [name for _, name, _, _ in string.Formatter().parse(text) if name is not None]
        except ValueError as error:
            raise ValueError(f"the braces do not match; {_PLACEHOLDERS}") from error
        for name in used:
            if name not in _KNOWN:
                raise ValueError(f"the placeholder {{{name}}} is unknown; {_PLACEHOLDERS}")
        try:
            text.format(**_KNOWN)
        except ValueError as error:
            raise ValueError(f"a placeholder's form is not understood ({error})") from error
        return text

    def cells(self) -> tuple[Cell, ...]:
        """Return each column with the minute of the day at which it begins."""
        if self.columns:
            starts = [self.first * 60 + i * self.minutes for i in range(len(self.columns))]
            names: list[str | int] = list(self.columns)
        else:
            starts = list(range(self.first * 60, self.last * 60 + 60, self.minutes))
            names = [
                self.pattern.format(hour=at // 60, next=at // 60 + 1, minute=at % 60)
                for at in starts
            ]
        return tuple(Cell(column=name, minute=at) for name, at in zip(names, starts, strict=True))


class Cell(_Part):
    """One column of counts and what its cells are counts of."""

    column: str | int
    direction: str | None = None
    lane: str | None = None
    vehicle_class: str | None = None
    speed_low_kmh: float | None = Field(default=None, ge=0)
    speed_high_kmh: float | None = Field(default=None, ge=0)
    minute: int | None = Field(default=None, ge=0, le=1439)


class Layout(_Part):
    """A foreign layout of period counts.

    The counts stand in one column (``columns.count``) or are spread over several: by hour
    (``hours``), by direction (``directions``: word → column), by class (``classes``: class →
    column), or freely (``cells``).

    Examples
    --------
    >>> Layout.model_validate({
    ...     "columns": {"station_id": "Site", "date": "Day"},
    ...     "constants": {"direction": "both"},
    ...     "hours": {"pattern": "H{hour:02d}"},
    ...     "times": {"date": "%d/%m/%Y"},
    ... }).spread()[23].column
    'H23'
    """

    file: FileShape = FileShape()
    columns: Columns = Columns()
    constants: Constants = Constants()
    times: Times = Times()
    hours: Hours | None = None
    directions: dict[str, str | int] = {}
    classes: dict[str, str | int] = {}
    cells: tuple[Cell, ...] = ()
    direction_words: dict[str, str] = {}
    preamble: dict[Literal["station_id", "direction", "survey_id", "lane", "date"], str] = {}

    @model_validator(mode="after")
    def _complete(self) -> Self:
        ways = [bool(self.columns.count is not None), self.hours is not None]
        ways += [bool(self.directions), bool(self.classes), bool(self.cells)]
        if sum(ways) != 1:
            raise ValueError(
                "say once where the counts stand: columns.count, hours, directions, classes or cells"
            )
        if self.hours and not (self.hours.columns or "{" in self.hours.pattern):
            raise ValueError("hours needs columns, or a pattern with {hour}")
        if self.hours:
            names = [cell.column for cell in self.hours.cells()]
            if twice := [name for name in names if names.count(name) > 1]:
                raise ValueError(f"hours names the column {twice[0]!r} for several times")
        by_hour = all(cell.minute is not None for cell in self.spread()) and bool(self.spread())
        has_date = any([self.columns.date, self.constants.date, self.preamble.get("date")])
        if self.columns.start is None and not has_date:
            raise ValueError("say when: columns.start, or columns.date with columns.time or hours")
        if self.columns.start is None and self.columns.time is None and not by_hour:
            raise ValueError("columns.date needs columns.time or hours beside it")
        if not self._given("minutes") and self.hours is None:
            raise ValueError("say how long a period is: columns.minutes or constants.minutes")
        if not self._given("station_id"):
            raise ValueError("say which station: columns.station_id or constants.station_id")
        of_cells = bool(self.directions) or (all(c.direction for c in self.cells) and self.cells)
        if not self._given("direction") and not of_cells:
            raise ValueError("say which direction: columns.direction, constants.direction or cells")
        self._check_formats()
        return self

    def _given(self, name: str) -> bool:
        return (
            getattr(self.columns, name, None) is not None
            or getattr(self.constants, name, None) is not None
            or name in self.preamble
        )

    def _check_formats(self) -> None:
        for name in ("date", "time", "start"):
            pattern(getattr(self.times, name))
        for text in self.preamble.values():
            if re.compile(text).groups != 1:
                raise ValueError(f"preamble {text!r} needs exactly one group in brackets")

    def spread(self) -> tuple[Cell, ...]:
        """Return the columns of counts where a row holds several; empty for ``columns.count``."""
        if self.hours:
            return self.hours.cells()
        if self.directions:
            return tuple(Cell(column=c, direction=d) for d, c in self.directions.items())
        if self.classes:
            return tuple(Cell(column=c, vehicle_class=k) for k, c in self.classes.items())
        return self.cells


def pattern(form: str) -> re.Pattern[str]:
    """Return the regular expression of a ``strftime`` form; the hour is the group ``hour``.

    Raises
    ------
    ValueError
        For a code that is not understood.
    """
    out = ""
    for part in re.findall(r"%.|[^%]+", form):
        if part.startswith("%") and part not in _CODES:
            raise ValueError(f"time code {part} in {form!r} is not understood")
        body = _CODES.get(part, re.escape(part))
        out += f"(?P<hour>{body})" if part == "%H" else body
    return re.compile(out)


def load(path: str | Path) -> Layout:
    """Read a layout from a TOML file.

    Raises
    ------
    NotFound
        If there is no such file.
    InvalidInput
        If it is not TOML, holds an unknown key, or leaves open where the counts, the times, the
        station or the direction stand.
    """
    path = Path(path)
    if not path.is_file():
        kind = "is a folder. Name the file in it" if path.is_dir() else _NO_LAYOUT
        raise NotFound(f"{path}: {kind}")
    try:
        document = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except RecursionError as error:
        raise InvalidInput(f"{path.name}: is nested too deeply. Correct it") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InvalidInput(f"{path.name}: is not TOML ({error}). Correct it") from error
    return parse(document, path.name)


def parse(document: dict[str, Any], name: str = "layout") -> Layout:
    """Return ``document`` as a Layout; raise InvalidInput with its first fault."""
    try:
        return Layout.model_validate(document)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        if first["type"] == "extra_forbidden":
            raise InvalidInput(
                f"{name}: the key {where!r} is unknown; known {_beside(first['loc'])}."
                " Remove or rename it"
            ) from error
        said = str(first["msg"]).removeprefix("Value error, ")
        place = f"{where} = {first['input']!r}: " if where else ""
        raise InvalidInput(f"{name}: {place}{said}") from error


def _beside(place: tuple[str | int, ...]) -> str:
    """Return the keys that may stand where an unknown one stands, in words."""
    model: type[BaseModel] = Layout
    names = [part for part in place if isinstance(part, str)]
    for name in names[:-1]:
        kind = model.model_fields[name].annotation
        model = next(
            part
            for part in (kind, *get_args(kind))
            if isinstance(part, type) and issubclass(part, BaseModel)
        )
    where = f"under {'.'.join(names[:-1])} are " if names[:-1] else "are "
    return where + ", ".join(model.model_fields)
