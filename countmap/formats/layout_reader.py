"""A count file read through its layout: cells to raw period counts."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from countmap import clock, tables
from countmap.errors import InvalidInput
from countmap.formats import cells, records
from countmap.formats.layouts import Cell, Layout, pattern
from countmap.formats.limits import DEFAULT, Limits

if TYPE_CHECKING:
    from numpy.typing import NDArray


def read(path: Path, layout: Layout, limits: Limits = DEFAULT) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Read ``path`` through ``layout``; returns RAW_COUNTS and REJECTS."""
    shape = layout.file
    spread = layout.spread()
    known = {str(c).casefold() for c in _named(layout)}
    found = records.read(
        path,
        delimiter=shape.delimiter,
        known=known,
        encoding=shape.encoding,
        skip_lines=shape.skip_lines,
        header=shape.header,
        sheet=shape.sheet,
        limits=limits,
    )
    reader = _Reader(found, layout, _preamble(path, layout, limits))
    base = reader.base()
    counts = layout.columns.count
    columns = spread or (Cell(column=counts if counts is not None else ""),)
    raw, bad = reader.long(base, columns, wide=bool(spread))
    if layout.times.zone != "local":
        raw, impossible = _in_zone(raw, layout.times.zone)
        bad = pd.concat([bad, impossible], ignore_index=True)
    bad = bad.drop_duplicates(["row", "column", "why"])
    return raw[list(tables.RAW_COUNTS.names)], records.joined(found.rejects, bad)


def _named(layout: Layout) -> list[str | int]:
    columns = [c for c in layout.columns.model_dump().values() if c is not None]
    return [*columns, *(cell.column for cell in layout.spread())]


def _preamble(path: Path, layout: Layout, limits: Limits) -> dict[str, str]:
    """Return what stands in the skipped lines above the table."""
    if not layout.preamble:
        return {}
    data = records.read_bytes(path, layout.file.encoding, sheet=layout.file.sheet, limits=limits)
    head = "\n".join(data.decode("utf-8").split("\n")[: layout.file.skip_lines])
    given: dict[str, str] = {}
    for name, expression in layout.preamble.items():
        match = re.search(expression, head)
        if match is None:
            raise InvalidInput(
                f"{path.name}: {name} was not found above the table ({expression!r} matches nothing"
                f" in the first {layout.file.skip_lines} lines). Correct the layout"
            )
        given[name] = match.group(1).strip()
    return given


class _Reader:
    """The records of one file read through a layout; knows where each thing stands."""

    def __init__(self, found: records.Records, layout: Layout, given: dict[str, str]) -> None:
        self.found, self.layout, self.given = found, layout, given
        marks = [m.strip() for m in layout.file.missing]
        self.missing = pa.array(sorted({"", *marks}), pa.string())
        sign = layout.file.decimal or ("," if found.delimiter == ";" else ".")
        self.decimal_comma = sign == ","

    def text(self, column: str | int) -> pa.ChunkedArray:
        """Return the cells of a column, called by its name or its number."""
        found = self.found
        if isinstance(column, int):
            if 1 <= column <= len(found.header):
                return found.cells[column - 1]
        elif column.casefold().strip() in found.header:
            return found.column(column.casefold().strip())
        seen = ", ".join(repr(h) for h in found.header[:12])
        line = self.layout.file.skip_lines + 1
        raise InvalidInput(
            f"{found.file}:{line}: the layout's column {column!r} is not there; the header has {seen}."
            " Correct the layout"
        )

    def value(self, name: str) -> pd.Series:
        """Return one field for every record as text: from its column, the preamble or a constant."""
        column = getattr(self.layout.columns, name, None)
        size = len(self.found.rows)
        if column is not None:
            text = pd.Series(self.text(column).to_pandas(), dtype="str")
            return text.where(text != "")
        constant = self.given.get(name, getattr(self.layout.constants, name, None))
        if constant is None:
            return pd.Series([None] * size, dtype="str")
        stem = Path(self.found.file).stem
        return pd.Series([str(constant).replace("{stem}", stem)] * size, dtype="str")

    def base(self) -> pd.DataFrame:
        """Return what every cell of a record shares; ``day`` and ``moment`` make its time."""
        names = (
            "station_id",
            "direction",
            "survey_id",
            "lane",
            "quantity",
            "vehicle_class",
            "scheme",
        )
        frame = pd.DataFrame({name: self.value(name) for name in names})
        words = {k.casefold(): v for k, v in self.layout.direction_words.items()}
        if words:
            frame["direction"] = frame["direction"].map(lambda w: words.get(str(w).casefold(), w))
        frame["file"], frame["row"] = self.found.file, self.found.rows
        frame["minutes"], frame["minutes_text"] = self._minutes()
        frame["start"], frame["when"], frame["time_text"] = self._times()
        frame["stamp"] = self.layout.times.stamp
        return frame

    def _minutes(self) -> tuple[pd.Series, pd.Series]:
        if self.layout.hours is not None:
            minutes = pd.Series([float(self.layout.hours.minutes)] * len(self.found.rows))
            return minutes, minutes.astype("str")
        text = self.value("minutes")
        return pd.to_numeric(text, errors="coerce"), text

    def _times(self) -> tuple[pd.Series, pd.Series, pd.Series]:
        """Return times, the form each was read by, and the text."""
        times, columns = self.layout.times, self.layout.columns
        if columns.start is not None:
            text = self.value("start")
            return stamps(text, times.start), text, text
        day = self.value("date")
        read = stamps(day, times.date)
        if columns.time is None:
            return read, day, day
        clock_text = self.value("time")
        both = day + " " + clock_text
        return stamps(both, f"{times.date} {times.time}"), both, both

    def long(
        self, base: pd.DataFrame, columns: Sequence[Cell], *, wide: bool
    ) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Return a row for each record and column of counts, and what cannot be taken.

        The cells of a record follow each other in the order of their time, then of the layout.
        """
        columns = sorted(columns, key=lambda cell: cell.minute or 0)
        size, width = len(base), len(columns)
        text = self._cells(columns, size)
        missing = cells.mask(pc.is_in(text, self.missing))
        number, wrong = cells.numbers(
            pc.if_else(pa.array(missing), "", text), decimal_comma=self.decimal_comma
        )
        frame = base.take(np.repeat(np.arange(size), width)).reset_index(drop=True)
        frame["count"] = number
        names = [str(cell.column) for cell in columns]
        frame["column"] = _tiled(names if wide else [None] * width, size)
        for name in ("direction", "lane", "vehicle_class"):
            said = _tiled([getattr(cell, name) for cell in columns], size)
            frame[name] = said.where(said.notna(), frame[name])
        for name in ("speed_low_kmh", "speed_high_kmh"):
            limits = np.array([getattr(cell, name) for cell in columns], dtype=np.float64)
            frame[name] = np.tile(limits, size)
        minute = np.array([cell.minute or 0 for cell in columns], dtype="timedelta64[m]")
        if minute.any():
            frame["start"] = frame["start"] + np.tile(minute.astype("timedelta64[us]"), size)
        thousands = cells.mask(pc.match_substring_regex(text, cells.THOUSANDS)) & ~missing
        labels = [name or "count" for name in names]
        return self._sorted_out(frame, text, labels, self._faults(frame, wrong, thousands))

    def _cells(self, columns: Sequence[Cell], size: int) -> pa.ChunkedArray:
        """Return the text of all counts, record by record."""
        by_column = [self.text(cell.column) for cell in columns]
        if len(by_column) == 1:
            return by_column[0]
        joined = pa.chunked_array([part for text in by_column for part in text.chunks], pa.string())
        order = np.arange(len(joined)).reshape(len(columns), size).T.ravel()
        return pa.chunked_array([joined.combine_chunks().take(pa.array(order))])

    def _faults(
        self, frame: pd.DataFrame, wrong: NDArray[np.bool_], thousands: NDArray[np.bool_]
    ) -> list[tuple[NDArray[np.bool_], str, str, str]]:
        """Return the offences, the graver first: where, the column, of which values, the sentence.

        A column ``""`` is that of the count, values ``""`` are its text.
        """
        minutes, quantity = frame["minutes"], frame["quantity"]
        whole = (minutes >= 1) & (minutes <= tables.PERIODS.column("minutes").maximum)
        whole &= minutes % 1 == 0
        unknown = quantity.notna() & ~quantity.isin(tables.QUANTITIES)
        mark = "Correct the row, or name it as a missing mark"
        said: list[tuple[Any, str, str, str]] = [
            (
                frame["station_id"].isna(),
                "station_id",
                "station_id",
                "the station is empty. Fill it in",
            ),
            (
                frame["direction"].isna(),
                "direction",
                "direction",
                "the direction is empty. Fill it in",
            ),
            (
                frame["start"].isna(),
                "start",
                "time_text",
                f"the time {{value!r}} does not read as {self._form()}. Correct the row or the layout",
            ),
            (
                ~whole,
                "minutes",
                "minutes_text",
                "minutes {value!r} is not a whole number from 1 to 1440. Correct the row",
            ),
            (
                unknown,
                "quantity",
                "quantity",
                "quantity {value!r} is unknown. Use one of vehicles, axles, axle_pairs",
            ),
            (wrong, "", "", f"count {{value!r}} is not a number. {mark}"),
            (thousands, "", "", f"count {{value!r}} {cells.AMBIGUOUS}"),
            (frame["count"] < 0, "", "", f"count {{value}} is negative. {mark} in the layout"),
        ]
        return [(np.asarray(at, dtype=bool), name, values, why) for at, name, values, why in said]

    def _form(self) -> str:
        times, columns = self.layout.times, self.layout.columns
        if columns.start is not None:
            return times.start or "the layout's form"
        return f"{times.date} {times.time}" if columns.time is not None else times.date

    def _sorted_out(
        self,
        frame: pd.DataFrame,
        text: pa.ChunkedArray,
        labels: Sequence[str],
        faults: Sequence[tuple[NDArray[np.bool_], str, str, str]],
    ) -> tuple[pd.DataFrame, pd.DataFrame]:
        bad = np.zeros(len(frame), dtype=bool)
        lines: list[tuple[int, tuple[str, int, str, str, str]]] = []
        for mask, column, values, why in faults:
            for i in map(int, np.flatnonzero(mask & ~bad)):
                value = frame[values].iloc[i] if values else text[i].as_py()
                said = "" if pd.isna(value) else str(value)
                name = column or labels[i % len(labels)]
                row = int(self.found.rows[i // len(labels)])
                lines.append((i, (self.found.file, row, name, said, why.format(value=said))))
            bad |= mask
        good = frame[~bad].reset_index(drop=True)
        good["minutes"] = good["minutes"].astype("int64")
        return good, records.rejects_frame([line for _, line in sorted(lines)])


def _tiled(words: Sequence[str | None], size: int) -> pd.Series:
    """Return one word a column of counts, over and over for each of ``size`` records."""
    return pd.Series(pd.array(list(words), dtype="str").take(np.tile(np.arange(len(words)), size)))


def stamps(text: pd.Series, form: str) -> pd.Series:
    """Read times by a ``strftime`` form, ISO 8601 where it is empty; 24:00 ends its day.

    Returns
    -------
    Series of datetime64[us]
        UTC-aware if the form carries an offset; NaT where the text does not fit.

    Examples
    --------
    >>> read = stamps(pd.Series(["04/03/2025 24:00", "31/02/2025 01:00"]), "%d/%m/%Y %H:%M")
    >>> [str(t) for t in read]
    ['2025-03-05 00:00:00', 'NaT']
    """
    if not form:
        utc, local, _ = clock.instants(text)
        return utc if utc.notna().any() and local.isna().all() else local
    shape = pattern(form)
    fits = text.str.fullmatch(shape.pattern.replace("?P<hour>", "?:")).fillna(value=False)
    late = pd.Series(False, index=text.index)
    if shape.groups:
        hour = text.str.extract(f"^{shape.pattern}$")["hour"]
        late = (hour == "24").fillna(value=False)
        if late.any():
            text = text.where(~late, _at_midnight(text, shape))
    read = pd.to_datetime(text.where(fits), format=form, errors="coerce", utc="%z" in form)
    read = read.dt.as_unit("us")
    if late.any():
        read = read.where(~(late & (read != read.dt.normalize())))
        read = read + pd.to_timedelta(late.astype("int64"), unit="D")
    return read


def _at_midnight(text: pd.Series, shape: re.Pattern[str]) -> pd.Series:
    before, after = shape.pattern.split("(?P<hour>" + r"\d{1,2})")
    return text.str.replace(f"^({before})24({after})$", r"\g<1>00\g<2>", regex=True)


def _in_zone(raw: pd.DataFrame, zone: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Fix the times of a counter whose clock does not keep the workspace's zone."""
    if isinstance(raw["start"].dtype, pd.DatetimeTZDtype):
        return raw, records.rejects_frame([])
    offset = re.fullmatch(r"([+-])(\d{2}):?(\d{2})", zone)
    if zone.lower() == "utc" or offset:
        minutes = 0
        if offset:
            sign, hours, rest = offset.groups()
            minutes = (int(hours) * 60 + int(rest)) * (-1 if sign == "-" else 1)
        start = (raw["start"] - pd.Timedelta(minutes=minutes)).dt.tz_localize("UTC")
        return raw.assign(start=start), records.rejects_frame([])
    names = ["station_id", "direction", "lane", "vehicle_class", "speed_low_kmh", "survey_id"]
    groups = raw.groupby(names, dropna=False, sort=False).ngroup()
    utc, _, impossible, _ = clock.localize(raw["start"], zone, groups)
    bad = raw[impossible]
    lines = [
        (
            f,
            int(r),
            "start",
            str(t),
            f"the time {t} does not exist in {zone} (clocks go forward). Correct the row",
        )
        for f, r, t in zip(bad["file"], bad["row"], bad["start"], strict=True)
    ]
    good = raw.assign(start=utc)[~impossible].reset_index(drop=True)
    return good, records.rejects_frame(lines)
