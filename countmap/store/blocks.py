"""Blocks: immutable Parquet files of period counts, whole on disk before a row names them."""

from __future__ import annotations

import hashlib
import io
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from countmap import tables
from countmap.errors import InvalidInput
from countmap.formats import whole
from countmap.store import rows

FOLDER = "counts"
VEHICLES = "vehicles"
SORTED_BY = ("station_id", "sense", "start_utc", "lane", "vehicle_class", "speed_low_kmh")


@dataclass(frozen=True, slots=True)
class Block:
    """A written block.

    Parameters
    ----------
    path : str
        Within the workspace, with ``/``.
    sha256 : str
    rows : int
    first, last : Timestamp, UTC
        The first start and the last end.
    stations : tuple of str
        Sorted.
    """

    path: str
    sha256: str
    rows: int
    first: pd.Timestamp
    last: pd.Timestamp
    stations: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Blocks:
    """The blocks of a workspace, in its folder ``counts``."""

    workspace: Path

    def write(self, periods: pd.DataFrame, name: str) -> Block:
        """Write periods as one block that outlives a power cut, and return it.

        Parameters
        ----------
        periods : DataFrame
            PERIODS, at least one row.
        name : str
            The file that they came from; its stem begins the block's name.

        Returns
        -------
        Block
            The same periods in any order give the same bytes under the same pyarrow. The block
            exists for the register only when a transaction adds its row to ``files``.

        Raises
        ------
        InvalidInput
            If there are no rows, or they break the contract.
        """
        if not len(periods):
            raise InvalidInput(f"{name} holds no period; nothing to store")
        frame = tables.require(rows.conform(periods, tables.PERIODS), tables.PERIODS)
        data = serialise(frame)
        sha256 = hashlib.sha256(data).hexdigest()
        stem = re.sub(r"[^a-z0-9]+", "-", Path(name).stem.lower()).strip("-")[:40] or "block"
        path = f"{FOLDER}/{stem}-{sha256[:12]}.parquet"
        whole.write(self.workspace / path, data)
        return described(frame, path, sha256)

    def keep_vehicles(self, part: Path, survey_id: str) -> tuple[str, str]:
        """Give a written file of vehicles the name of its content; return path and sha256.

        It is the source of the counts made from it: the row of these in ``files`` bears its hash,
        and its path as the name. Without that row it does not exist.
        """
        with part.open("rb") as handle:
            sha256 = hashlib.file_digest(handle, "sha256").hexdigest()
        path = f"{vehicles_stem(survey_id)}{sha256[:12]}.parquet"
        whole.sync(part)
        part.replace(self.workspace / path)
        whole.sync((self.workspace / path).parent)
        return path, sha256


def vehicles_stem(survey_id: str) -> str:
    """Return how the paths of a survey's vehicles begin."""
    plain = re.sub(r"[^a-z0-9]+", "-", survey_id.lower()).strip("-")[:40] or "survey"
    mark = hashlib.sha256(survey_id.encode()).hexdigest()[:6]  # ids may differ by signs alone
    return f"{VEHICLES}/{plain}-{mark}-"


def described(frame: pd.DataFrame, path: str, sha256: str) -> Block:
    """Return what the register keeps of a block that holds PERIODS."""
    ends = frame["start_utc"] + pd.to_timedelta(frame["minutes"], unit="min")
    return Block(
        path=path,
        sha256=sha256,
        rows=len(frame),
        first=frame["start_utc"].min(),
        last=ends.max(),
        stations=tuple(sorted(frame["station_id"].unique())),
    )


def serialise(frame: pd.DataFrame) -> bytes:
    """Return PERIODS as the bytes of a zstd Parquet file, sorted, in compact types."""
    import pyarrow.parquet as pq

    sink = io.BytesIO()
    pq.write_table(arrow(frame), sink, compression="zstd", row_group_size=1 << 20)
    return sink.getvalue()


def arrow(frame: pd.DataFrame) -> Any:
    """Return PERIODS as an Arrow table of all their columns, sorted, in compact types."""
    import pyarrow as pa

    full = frame.reindex(columns=list(tables.PERIODS.names))
    first = [*SORTED_BY, *(name for name in tables.PERIODS.names if name not in SORTED_BY)]
    full = full.sort_values(first, ignore_index=True)
    arrays = [_array(full[c.name], c, pa) for c in tables.PERIODS.columns]
    return pa.Table.from_arrays(arrays, names=list(tables.PERIODS.names))


def _array(values: pd.Series, column: tables.Column, pa: Any) -> Any:
    if column.kind == "text":
        texts = [v if isinstance(v, str) else None for v in values.to_numpy(dtype=object)]
        return pa.array(texts, pa.string()).dictionary_encode()
    if column.kind == "time":
        return pa.array(values, pa.timestamp("us", tz="UTC"))
    if column.kind == "int":
        return pa.array(values.to_numpy(), pa.int16())
    numbers = values.to_numpy(dtype="float64")
    null = np.isnan(numbers)
    if column.name == "count" and (np.where(null, 0, numbers) % 1 == 0).all():
        return pa.array(np.where(null, 0, numbers).astype("int64"), pa.int32(), mask=null)
    return pa.array(numbers, pa.float64(), mask=null)
