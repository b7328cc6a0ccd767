"""What the contract of a table is: columns, key, rules of a row; and whether a frame honours it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

from countmap.errors import InvalidInput

if TYPE_CHECKING:
    import pandas as pd

Kind = Literal["text", "int", "float", "bool", "date", "time", "list", "geometry"]


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table.

    ``time`` is ``datetime64[us, UTC]``, ``date`` is ``datetime64[us]`` at midnight of a civil day.
    Numbers are float64 unless they can never be null. Missing is null (NaN, NaT, None), never 0.
    """

    name: str
    kind: Kind
    unit: str = ""
    required: bool = True
    nullable: bool = False
    allowed: tuple[Any, ...] = ()
    minimum: float | None = None
    maximum: float | None = None
    doc: str = ""


@dataclass(frozen=True, slots=True)
class Order:
    """A rule of a row: ``low`` does not lie beyond ``high``. Null lies beyond nothing."""

    low: str
    high: str


@dataclass(frozen=True, slots=True)
class Moment:
    """A rule of a row: the text ``column`` is a date or a time by ISO 8601, or null."""

    column: str


@dataclass(frozen=True, slots=True)
class Where:
    """A rule of a row: where ``column`` says ``word``, ``holds`` is the contract of its column."""

    column: str
    word: str
    holds: Column


@dataclass(frozen=True, slots=True)
class Table:
    """A named table: its key, columns and rules. Columns beyond the contract are allowed."""

    name: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    doc: str = ""
    rules: tuple[Order | Moment | Where, ...] = ()
    names: tuple[str, ...] = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "names", tuple(c.name for c in self.columns))

    def column(self, name: str) -> Column:
        """Return the column called ``name``; ``KeyError`` if the table has none."""
        for column in self.columns:
            if column.name == name:
                return column
        raise KeyError(name)


def offences(frame: pd.DataFrame, table: Table) -> pd.DataFrame:
    """Return every breach of ``table``'s contract, one row each: ``row``, ``column``, ``value``, ``why``.

    ``row`` is the position in the frame (0-based). Absent columns have row −1. Values are compared
    as they are: nothing is converted.
    """
    import numpy as np
    import pandas as pd

    found: list[tuple[int, str, str, str]] = []

    def report(mask: Any, column: Column, why: str) -> None:
        found.extend(
            (int(row), column.name, str(frame[column.name].iloc[row]), why)
            for row in np.flatnonzero(np.asarray(mask, dtype=bool))
        )

    for column in table.columns:
        if column.name not in frame.columns:
            if column.required:
                found.append(
                    (-1, column.name, "", f"{table.name} needs the column {column.name!r}")
                )
            continue
        values = frame[column.name]
        null = values.isna().to_numpy() if column.kind != "list" else np.zeros(len(frame), bool)
        if not column.nullable:
            report(null, column, f"{column.name} must not be empty")
        if not _has_kind(values, column.kind, null):
            found.append(
                (-1, column.name, str(values.dtype), f"{column.name} must be {column.kind}")
            )
            continue
        if column.allowed:
            wrong = ~values.isin(column.allowed).to_numpy() & ~null
            report(
                wrong, column, f"{column.name} must be one of {', '.join(map(str, column.allowed))}"
            )
        if column.minimum is not None:
            low = (values < column.minimum).fillna(value=False).to_numpy() & ~null
            report(low, column, f"{column.name} must be at least {column.minimum:g}")
        if column.maximum is not None:
            high = (values > column.maximum).fillna(value=False).to_numpy() & ~null
            report(high, column, f"{column.name} must be at most {column.maximum:g}")
    broken = {c for r, c, *_ in found if r < 0}
    if table.rules and not broken:
        found.extend((i, c, str(frame[c].iloc[i]), w) for i, c, w in broken_rules(frame, table))
    if table.key and set(table.key) <= set(frame.columns):
        twice = frame.duplicated(list(table.key)).to_numpy()
        key = "+".join(table.key)
        found.extend(
            (
                int(row),
                key,
                " ".join(str(frame[name].iloc[row]) for name in table.key),
                f"{key} must be unique",
            )
            for row in np.flatnonzero(twice)
        )
    return pd.DataFrame(found, columns=["row", "column", "value", "why"])


def broken_rules(frame: pd.DataFrame, table: Table) -> list[tuple[int, str, str]]:
    """Return where rows break a rule of ``table``: the position in the frame, the column, and why.

    Rules whose columns the frame lacks hold. Columns have the types of the contract.

    Examples
    --------
    >>> import pandas as pd
    >>> from countmap.tables import SURVEYS
    >>> broken_rules(pd.DataFrame({"started": ["2025-03-04"], "ended": ["2025-03-01"]}), SURVEYS)
    [(0, 'ended', 'ended 2025-03-01 is before started 2025-03-04')]
    """
    found: list[tuple[int, str, str]] = []
    for rule in table.rules:
        if isinstance(rule, Order) and {rule.low, rule.high} <= set(frame.columns):
            found += _disordered(frame[rule.low], frame[rule.high])
        elif isinstance(rule, Moment) and rule.column in frame.columns:
            values = frame[rule.column]
            wrong = values.notna() & _instants(values, "T00:00").isna()
            said = f"{rule.column} {{!r}} is not a time. Write it as 2025-03-04T07:15"
            found += [
                (i, rule.column, said.format(values.iloc[i])) for i in _positions(wrong.to_numpy())
            ]
        elif isinstance(rule, Where) and {rule.column, rule.holds.name} <= set(frame.columns):
            at = _positions(frame[rule.column].eq(rule.word).fillna(value=False).to_numpy())
            values = frame[rule.holds.name]
            strict = Table(table.name, (), (rule.holds,))
            part = frame.iloc[at][[rule.holds.name]]
            for row, column, value, why in offences(part, strict).itertuples(index=False):
                got = "" if row < 0 or values.isna().iloc[at[row]] else f", got {value}"
                found.append((at[row], column, f"{why} where {rule.column} is {rule.word}{got}"))
    return found


def _disordered(low: pd.Series, high: pd.Series) -> list[tuple[int, str, str]]:
    import numpy as np
    import pandas as pd

    number = pd.api.types.is_numeric_dtype(low.dtype)
    first, last = low, high
    if number:
        last = high + 1e-9 * np.abs(high)
    elif not pd.api.types.is_datetime64_any_dtype(low.dtype):
        first, last = _instants(low, "T00:00"), _instants(high, "T23:59:59")
    beyond = (first > last).fillna(value=False).to_numpy(dtype=bool)
    wrong, other, word = (low, high, "above") if number else (high, low, "before")
    return [
        (
            i,
            str(wrong.name),
            f"{wrong.name} {_shown(wrong.iloc[i])} is {word} {other.name} {_shown(other.iloc[i])}",
        )
        for i in _positions(beyond)
    ]


def _instants(text: pd.Series, of_day: str) -> pd.Series:
    """Return ISO 8601 texts as times, ``of_day`` where one is a date; offsets are left aside."""
    from countmap import clock

    text = text.astype("str")
    text = text.where(~text.str.fullmatch(r"\d{4}-\d\d-\d\d").fillna(value=False), text + of_day)
    utc, local, _ = clock.instants(text)
    return utc.dt.tz_localize(None).fillna(local)


def _positions(mask: Any) -> list[int]:
    import numpy as np

    return [int(i) for i in np.flatnonzero(mask)]


def _shown(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:.10g}"
    return str(value.date()) if hasattr(value, "date") else str(value)


def require(frame: pd.DataFrame, table: Table) -> pd.DataFrame:
    """Return ``frame`` unchanged if it honours ``table``'s contract.

    Raises
    ------
    InvalidInput
        Names the first offence and how many more there are; all of them are in ``rejects``.

    Examples
    --------
    >>> import pandas as pd
    >>> from countmap.tables import PAIRS
    >>> require(pd.DataFrame({"link_id": ["a"], "pair_id": ["p"], "other_id": ["b"]}), PAIRS).shape
    (1, 3)
    """
    found = offences(frame, table)
    if found.empty:
        return frame
    first = found.iloc[0]
    where = f"row {first['row']}" if first["row"] >= 0 else "the table"
    more = f"; {len(found) - 1} more" if len(found) > 1 else ""
    raise InvalidInput(
        f"{table.name}: {first['why']}, got {first['value']!r} in {where}{more}", found
    )


def empty(table: Table) -> pd.DataFrame:
    """Return a frame with ``table``'s columns and types and no rows."""
    import pandas as pd

    return pd.DataFrame({c.name: pd.Series([], dtype=_DTYPES[c.kind]) for c in table.columns})


_DTYPES: dict[Kind, str] = {
    "text": "str",
    "int": "int64",
    "float": "float64",
    "bool": "bool",
    "date": "datetime64[us]",
    "time": "datetime64[us, UTC]",
    "list": "object",
    "geometry": "object",
}


def _has_kind(values: pd.Series, kind: Kind, null: Any) -> bool:
    import pandas as pd

    if bool(null.all()) or kind in ("list", "geometry"):
        return True
    is_type = pd.api.types
    if kind == "text":
        return bool(is_type.is_string_dtype(values))
    if kind == "int":
        return bool(is_type.is_integer_dtype(values))
    if kind == "float":
        return bool(is_type.is_numeric_dtype(values) and not is_type.is_bool_dtype(values))
    if kind == "bool":
        return bool(is_type.is_bool_dtype(values) or values[~null].isin([True, False]).all())
    if kind == "date":
        return bool(is_type.is_datetime64_dtype(values))
    return isinstance(values.dtype, pd.DatetimeTZDtype) and str(values.dtype.tz) == "UTC"
