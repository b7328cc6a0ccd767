"""Cells of text as typed values, with a mask and a sentence for each kind of offence."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from countmap import clock
from countmap.tables import Column

if TYPE_CHECKING:
    from numpy.typing import NDArray

_NUMBER = r"^[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?$"
_ISO_DATE = r"^\d{4}-\d{2}-\d{2}$"
_TRUE, _FALSE = ("true", "yes", "y", "1"), ("false", "no", "n", "0")
THOUSANDS = r"^[+-]?\d{1,3}([.,]\d{3})+$"
AMBIGUOUS = "may be thousands or decimals. Write it without separators"
_DEGREES = 1000.0
"""No slip of a sign or of a digit makes degrees of this size."""
_METRES = "Name the columns x and y and give --crs"
_Faults = list[tuple["NDArray[np.bool_]", str]]


def nulls(column: Column, size: int) -> pd.Series:
    """Return ``size`` nulls in the type of ``column``."""
    types = {"date": "datetime64[us]", "time": "datetime64[us, UTC]", "bool": "object"}
    types |= {"float": "float64", "int": "float64"}
    return pd.Series([None] * size, dtype=types.get(column.kind, "str"))


def mask(values: Any) -> NDArray[np.bool_]:
    """Return an Arrow array of truth values for numpy."""
    return np.asarray(values.to_numpy(), dtype=bool)


def convert(
    text: pa.ChunkedArray, column: Column, *, decimal_comma: bool, tz: str
) -> tuple[pd.Series, _Faults]:
    """Return the typed values and, for each kind of offence, its mask and sentence."""
    empty = mask(pc.equal(text, ""))
    faults: _Faults = [] if column.nullable else [(empty, "{name} is empty. Fill it in")]
    makers: dict[str, Callable[[], tuple[pd.Series, _Faults]]] = {
        "float": lambda: _numbers(text, empty, column, decimal_comma),
        "int": lambda: _numbers(text, empty, column, decimal_comma),
        "bool": lambda: _bools(text, empty),
        "date": lambda: _dates(text, empty),
        "time": lambda: _times(text, empty, tz),
    }
    values, more = makers.get(column.kind, lambda: _texts(text, empty, column))()
    return values, [(where, why) for where, why in [*faults, *more] if where.any()]


def numbers(
    text: pa.ChunkedArray, *, decimal_comma: bool
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return the numbers of ``text`` (NaN where empty) and where it is not a number.

    Examples
    --------
    >>> numbers(pa.chunked_array([["12", "1,5", "", "x"]]), decimal_comma=True)
    (array([12. ,  1.5,  nan,  nan]), array([False, False, False,  True]))
    """
    if decimal_comma:
        text = pc.if_else(pc.match_substring(text, "."), text, pc.replace_substring(text, ",", "."))
    is_number = pc.match_substring_regex(text, _NUMBER)
    values = pc.if_else(is_number, text, pa.scalar(None, pa.string())).cast(pa.float64())
    array = np.array(values.to_numpy(), dtype=np.float64)
    wrong = ~mask(is_number) & ~mask(pc.equal(text, "")) | np.isinf(array)
    return array, wrong


def _numbers(
    text: pa.ChunkedArray, empty: NDArray[np.bool_], column: Column, decimal_comma: bool
) -> tuple[pd.Series, _Faults]:
    values, wrong = numbers(text, decimal_comma=decimal_comma)
    said = "{name} {value!r} is not a number. Correct the row"
    if wrong.any() and not decimal_comma and _looks_decimal_comma(text, wrong):
        said += ' (a decimal comma needs ";" between the columns)'
    faults: _Faults = [(wrong, said)]
    with np.errstate(invalid="ignore"):
        if column.kind == "int":
            faults.append(
                (np.mod(values, 1) > 0, "{name} {value} is not a whole number. Correct the row")
            )
        if column.unit == "°":
            metres = np.abs(values) > _DEGREES
            faults.append((metres, "{name} {value} looks like metres, not degrees. " + _METRES))
        if column.minimum is not None:
            below = f"is below {column.minimum:g} {column.unit}".rstrip()
            below = "is negative" if column.minimum == 0 else below
            low = values < column.minimum
            faults.append((low, "{name} {value} " + below + ". Correct the row"))
        if column.maximum is not None:
            above = f"{{name}} {{value}} is above {column.maximum:g}"
            faults.append((values > column.maximum, above + ". Correct the row"))
    if column.allowed:
        faults.append((~np.isin(values, column.allowed) & ~empty & ~wrong, _allowed(column)))
    return pd.Series(values), faults


def _looks_decimal_comma(text: pa.ChunkedArray, wrong: NDArray[np.bool_]) -> bool:
    return bool(mask(pc.match_substring_regex(text, r"^-?\d+,\d+$"))[wrong].all())


def _allowed(column: Column) -> str:
    names = ", ".join(str(a) for a in column.allowed)
    return f"{{name}} {{value!r}} is unknown. Use one of {names}"


def _texts(
    text: pa.ChunkedArray, empty: NDArray[np.bool_], column: Column
) -> tuple[pd.Series, _Faults]:
    values = pd.Series(
        pc.if_else(pa.array(empty), pa.scalar(None, pa.string()), text).to_pandas(), dtype="str"
    )
    if not column.allowed:
        return values, []
    proper = {str(a).casefold(): str(a) for a in column.allowed}
    values = values.str.casefold().map(proper).astype("str")
    return values, [(values.isna().to_numpy() & ~empty, _allowed(column))]


def _bools(text: pa.ChunkedArray, empty: NDArray[np.bool_]) -> tuple[pd.Series, _Faults]:
    lower = pc.utf8_lower(text)
    yes, no = mask(pc.is_in(lower, pa.array(_TRUE))), mask(pc.is_in(lower, pa.array(_FALSE)))
    values = pd.Series(yes, dtype="object").where(yes | no, None)
    if not empty.any() and (yes | no).all():
        values = values.astype(bool)
    return values, [
        (~(yes | no | empty), "{name} {value!r} is neither true nor false. Correct the row")
    ]


def _dates(text: pa.ChunkedArray, empty: NDArray[np.bool_]) -> tuple[pd.Series, _Faults]:
    shaped = pc.match_substring_regex(text, _ISO_DATE)
    only = pc.if_else(shaped, text, pa.scalar(None, pa.string())).to_pandas()
    values = pd.to_datetime(pd.Series(only), format="%Y-%m-%d", errors="coerce").dt.as_unit("us")
    wrong = values.isna().to_numpy() & ~empty
    return values, [(wrong, "{name} {value!r} is not a date. Write it as 2025-03-04")]


def _times(text: pa.ChunkedArray, empty: NDArray[np.bool_], tz: str) -> tuple[pd.Series, _Faults]:
    utc, naive, wrong = clock.instants(pd.Series(text.to_pandas(), dtype="str"))
    faults: _Faults = [
        (wrong, "{name} {value!r} is not a time. Write it as 2025-03-04T07:15+01:00")
    ]
    if naive.notna().any():
        local = naive.notna().to_numpy()
        if not tz:
            faults.append(
                (local, "{name} {value!r} has no offset. Write it as 2025-03-04T07:15+01:00")
            )
        else:
            found, _, impossible, _ = clock.localize(naive, tz)
            utc = utc.where(~pd.Series(local), found)
            said = (
                f"{{name}} {{value!r}} does not exist in {tz} (clocks go forward). Correct the row"
            )
            faults.append((impossible, said))
    return utc, faults
