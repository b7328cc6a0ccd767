"""Tables of vehicles, written as they come: Parquet in even row groups, or CSV."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv
import pyarrow.parquet as pq
from numpy.typing import NDArray

from countmap.formats import whole

ROWS = 1 << 17  # vehicles in a row group, however they arrive
SCHEMA = pa.schema(
    [
        ("survey_id", pa.string()),
        ("time_us", pa.int64()),
        ("sense", pa.string()),
        ("speed_kmh", pa.float64()),
        ("accelerating", pa.bool_()),
        ("axles", pa.int16()),
        ("spacings_m", pa.list_(pa.float64())),
        ("vehicle_class", pa.string()),
        ("scheme", pa.string()),
        ("confidence", pa.float64()),
    ]
)


def table(columns: dict[str, Any], spacings_m: NDArray[np.float64]) -> pa.Table:
    """Return vehicles as an Arrow table.

    Parameters
    ----------
    columns : dict
        Every column of SCHEMA but ``spacings_m``; arrays, or one value for all.
    spacings_m : ndarray
        All vehicles' spacings one after the other, ``axles - 1`` each.
    """
    counts = np.maximum(np.asarray(columns["axles"], np.int64) - 1, 0)
    offsets = np.concatenate([[0], np.cumsum(counts)]).astype(np.int32)
    lists = pa.ListArray.from_arrays(pa.array(offsets), pa.array(spacings_m, pa.float64()))
    arrays = []
    for field in SCHEMA:
        if field.name == "spacings_m":
            arrays.append(lists)
            continue
        values = columns[field.name]
        if isinstance(values, str):
            arrays.append(pa.repeat(pa.scalar(values, field.type), len(counts)))
        else:
            arrays.append(pa.array(values, field.type, from_pandas=True))
    return pa.Table.from_arrays(arrays, schema=SCHEMA)


class Writer:
    """Vehicles on their way into a file; the same bytes however they are cut into parts."""

    def __init__(self, file: pq.ParquetWriter | pacsv.CSVWriter, *, flat: bool) -> None:
        self._file, self._flat = file, flat
        self._waiting: list[pa.Table] = []
        self._rows = 0

    def add(self, vehicles: pa.Table) -> None:
        """Take vehicles that come after those before."""
        self._waiting.append(vehicles)
        self._rows += len(vehicles)
        while self._rows >= ROWS:
            together = pa.concat_tables(self._waiting)
            self._put(together.slice(0, ROWS))
            self._waiting = [together.slice(ROWS)]
            self._rows -= ROWS

    def finish(self) -> None:
        """Write what is left."""
        if self._rows:
            self._put(pa.concat_tables(self._waiting))
        self._waiting, self._rows = [], 0

    def _put(self, rows: pa.Table) -> None:
        rows = rows.combine_chunks()
        if not self._flat:
            self._file.write_table(rows, row_group_size=ROWS)
            return
        at = SCHEMA.get_field_index("spacings_m")
        texts = pc.binary_join(rows.column(at).cast(pa.list_(pa.string())), " ")
        self._file.write_table(rows.set_column(at, "spacings_m", texts))


@contextmanager
def writer(path: Path) -> Iterator[Writer]:
    """Open a file for vehicles: Parquet, or CSV by the name's ending.

    In CSV the spacings of a vehicle stand in one cell, separated by blanks.
    """
    if path.suffix.lower() == ".csv":
        flat = pa.schema(
            [pa.field(f.name, pa.string() if f.name == "spacings_m" else f.type) for f in SCHEMA]
        )
        options = pacsv.WriteOptions(quoting_style="needed")
        with pacsv.CSVWriter(path, flat, write_options=options) as file:
            into = Writer(file, flat=True)
            yield into
            into.finish()
        return
    with pq.ParquetWriter(path, SCHEMA, compression="zstd") as file:
        into = Writer(file, flat=False)
        yield into
        into.finish()


def copy(source: Path, target: Path) -> None:
    """Write a Parquet file of vehicles once more, in the format of the other name's ending."""
    with whole.replacing(target) as part, pq.ParquetFile(source) as file, writer(part) as into:
        for batch in file.iter_batches(ROWS):
            into.add(pa.Table.from_batches([batch], SCHEMA))
