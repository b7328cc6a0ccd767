"""Files of pulses, ``time_us`` and ``tube``: CSV or Parquet, in chunks."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv
import pyarrow.parquet as pq
from numpy.typing import NDArray

from countmap.errors import InvalidInput, NotFound
from countmap.formats import limits

COLUMNS = ("time_us", "tube")
ROLLOVER_US = 1 << 32  # a counter of 32 bits starts again after 71.6 minutes
LATEST_US = 1 << 62
Chunk = tuple[NDArray[np.int64], NDArray[np.int8]]


def chunks(path: str | Path) -> Iterator[Chunk]:
    """Yield stamps (µs) and tubes (0 A, 1 B) in file order, a million rows or so at a time.

    A step back of more than half of 2³² µs in stamps below 2³² is a counter's clock that started
    again: 2³² is added from there on.

    Raises
    ------
    NotFound
        If there is no such file.
    InvalidInput
        If it lacks a column, or a row has no whole stamp or a tube other than A and B; the line
        names the row.
    """
    path = Path(path)
    if not path.is_file():
        raise NotFound(f"{path}: there is no such file")
    row = 2 if path.suffix.lower() == ".csv" else 1
    last, added = -1, 0
    for batch in _batches(path):
        times, tubes = _columns(batch, path.name, row)
        row += len(times)
        if len(times) == 0:
            continue
        steps = np.diff(times, prepend=last if last >= 0 else times[0])
        again = (steps < -(ROLLOVER_US // 2)) & (times < ROLLOVER_US)
        again &= times - steps < ROLLOVER_US
        last = int(times[-1])
        turns = np.cumsum(again) * ROLLOVER_US + added
        added = int(turns[-1])
        yield times + turns, tubes


def _batches(path: Path) -> Iterator[pa.RecordBatch]:
    try:
        if path.suffix.lower() == ".parquet":
            limits.check_parquet(path)
            with pq.ParquetFile(path) as file:
                _require(file.schema_arrow.names, path.name)
                yield from file.iter_batches(batch_size=1 << 20, columns=list(COLUMNS))
            return
        options = pacsv.ConvertOptions(
            column_types={"time_us": pa.string(), "tube": pa.string()}, include_columns=COLUMNS
        )
        with path.open("rb") as handle:
            head = handle.readline().decode("utf-8-sig", "replace").strip()
        _require([name.strip() for name in head.split(",")], path.name)
        with pacsv.open_csv(
            path, pacsv.ReadOptions(block_size=1 << 24), convert_options=options
        ) as file:
            yield from file
    except (pa.ArrowInvalid, pa.ArrowKeyError, OSError) as error:
        why = str(error).splitlines()[0]
        raise InvalidInput(f"{path.name}: cannot be read as pulses: {why}. Correct it") from error


def _require(names: list[str], file: str) -> None:
    missing = [c for c in COLUMNS if c not in names]
    if missing:
        raise InvalidInput(
            f"{file}:1: pulses need the columns 'time_us', 'tube'; the header has "
            f"{', '.join(map(repr, names[:6]))}. Rename or add {missing[0]!r}"
        )


def _columns(batch: pa.RecordBatch, file: str, row: int) -> Chunk:
    times = batch.column("time_us")
    text = pc.utf8_upper(pc.utf8_trim_whitespace(batch.column("tube").cast(pa.string())))
    is_b = pc.equal(text, "B")
    good = pc.fill_null(pc.or_(is_b, pc.equal(text, "A")), False).to_numpy(zero_copy_only=False)
    _refuse(good, batch.column("tube"), "tube", "is neither A nor B", file, row)
    if pa.types.is_string(times.type):
        trimmed = pc.utf8_trim_whitespace(times)
        whole = pc.fill_null(pc.match_substring_regex(trimmed, r"^-?[0-9]{1,18}$"), False)
        _refuse(
            whole.to_numpy(zero_copy_only=False), times, "time_us",
            "is no whole number of microseconds", file, row,
        )  # fmt: skip
        times = trimmed.cast(pa.int64())
    elif times.null_count or not pa.types.is_integer(times.type):
        where = int(np.flatnonzero(times.is_null())[0]) if times.null_count else 0
        raise InvalidInput(
            f"{file}:{row + where}: time_us is {times[where]} ({times.type}), no whole number of "
            "microseconds. Correct the row"
        )
    return (
        times.cast(pa.int64()).to_numpy(zero_copy_only=False),
        is_b.to_numpy(zero_copy_only=False).astype(np.int8),
    )


def _refuse(good: Any, values: Any, name: str, why: str, file: str, row: int) -> None:  # noqa: PLR0917  # what, where, why
    if good.all():
        return
    bad = np.flatnonzero(~good)
    more = f"; {len(bad) - 1:,} more in this part of the file" if len(bad) > 1 else ""
    raise InvalidInput(
        f"{file}:{row + bad[0]}: {name} {values[int(bad[0])].as_py()!r} {why}. "
        f"Correct the row{more}"
    )
