"""How much a file may hold before it is refused: against bombs, and against the wrong file."""

from __future__ import annotations

import zipfile
from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field

from countmap.errors import InvalidInput

_MB = 1_000_000


class Limits(BaseModel):
    """What a single input file may hold; the settings file may say otherwise under ``[limits]``."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    file_mb: float = Field(default=2000, gt=0)
    unpacked_mb: float = Field(default=4000, gt=0)
    ratio: float = Field(default=200, gt=1)
    columns: int = Field(default=2000, ge=1)
    field_chars: int = Field(default=20_000, ge=1)


DEFAULT = Limits()


def check_size(path: Path, limits: Limits = DEFAULT) -> None:
    """Refuse a file that is larger than ``file_mb``.

    Raises
    ------
    InvalidInput
    """
    size = path.stat().st_size
    if size > limits.file_mb * _MB:
        raise InvalidInput(
            f"{path.name}: has {size / _MB:,.0f} MB, more than {limits.file_mb:g}. Split it, or raise "
            "file_mb under [limits] in countmap.toml"
        )


def check_unpacked(name: str, packed: int, unpacked: int, limits: Limits = DEFAULT) -> None:
    """Refuse packed content that grows beyond all reason when it is unpacked.

    Parameters
    ----------
    name : str
        Of the file.
    packed, unpacked : int
        Bytes, as the file itself states them.
    limits : Limits
        A ratio counts only from a megabyte on: small content of one value packs well and harms nobody.

    Raises
    ------
    InvalidInput
    """
    if unpacked > limits.unpacked_mb * _MB:
        raise InvalidInput(
            f"{name}: would unpack to {unpacked / _MB:,.0f} MB, more than {limits.unpacked_mb:g}. Split it, "
            "or raise unpacked_mb under [limits] in countmap.toml"
        )
    if unpacked > _MB and unpacked > limits.ratio * max(packed, 1):
        raise InvalidInput(
            f"{name}: would unpack to {unpacked / max(packed, 1):,.0f} times its size, more than "
            f"{limits.ratio:g}. Save it anew, or raise ratio under [limits] in countmap.toml"
        )


def check_zip(path: Path, limits: Limits = DEFAULT) -> None:
    """Refuse an archive that unpacks beyond the limits, or that names a file outside itself.

    Raises
    ------
    InvalidInput
    """
    try:
        with zipfile.ZipFile(path) as archive:
            parts = archive.infolist()
    except (zipfile.BadZipFile, OSError, ValueError) as error:
        raise InvalidInput(f"{path.name}: is a damaged archive. Save it anew") from error
    for part in parts:
        if part.filename.startswith(("/", "\\")) or ".." in Path(part.filename).parts:
            raise InvalidInput(
                f"{path.name}: names {part.filename[:80]!r}, a place outside itself. Do not use this file"
            )
    packed = sum(part.compress_size for part in parts)
    check_unpacked(path.name, packed, sum(part.file_size for part in parts), limits)


def check_parquet(path: Path, limits: Limits = DEFAULT) -> None:
    """Refuse a Parquet file whose columns unpack beyond the limits, by its own account.

    Raises
    ------
    InvalidInput
        Also if it is no Parquet file.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        stated = pq.ParquetFile(path).metadata
    except (pa.ArrowException, OSError) as error:
        raise InvalidInput(f"{path.name}: is no whole Parquet file. Fetch it again") from error
    groups = [stated.row_group(i) for i in range(stated.num_row_groups)]
    unpacked = sum(group.total_byte_size for group in groups)
    # A column of one value takes no space in the file and eight bytes a row in memory.
    in_memory = 8 * stated.num_rows * stated.num_columns
    if in_memory > limits.unpacked_mb * _MB * 4:
        unpacked = in_memory
    check_unpacked(path.name, path.stat().st_size, unpacked, limits)
