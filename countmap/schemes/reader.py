"""Class schemes as data: a TOML file names limits and rules; the first rule that matches wins.

    name = "mine"
    title = "Light and heavy"
    confusion = "What this scheme cannot tell apart."

    [limits.light]          # each limit with its source and mark
    value = 3.2
    unit = "m"
    source = "our own survey of 2024"
    mark = "measured"

    [[classes]]
    id = "L"
    name = "light"
    heavy = false

    [[rules]]
    class = "L"
    when = ["axles == 2", "d1 <= light"]

A condition is ``term op term``. Terms: ``axles``, ``groups``, ``wheelbase`` (first to last axle),
``shortest``, ``longest`` (spacing), ``d1`` … ``d12`` (spacings from the front; a spacing that is not
there fulfils nothing), a limit's name, a number (metres). ``any`` holds lists of conditions of which
one list has to be fulfilled, beside ``when``. The limit called ``group`` parts axle groups: axles
closer than it are one group.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

from countmap.errors import InvalidInput, NotFound

METRES = {"m": 1.0, "ft": 0.3048}  # international foot
OPERATORS = ("<=", ">=", "==", "<", ">")
SPACINGS = 12
TERMS = (
    "axles",
    "groups",
    "wheelbase",
    "shortest",
    "longest",
    *(f"d{n + 1}" for n in range(SPACINGS)),
)
MARKS = ("official", "secondary", "memory", "practice", "derived", "measured", "own")
UNCLASSIFIED = "unclassified"

_CONDITION = re.compile(r"^\s*([\w.]+)\s*(<=|>=|==|<|>)\s*([\w.]+)\s*$")


@dataclass(frozen=True, slots=True)
class Limit:
    """A limit of a scheme in metres, where it is from and how well that is known."""

    name: str
    value_m: float
    source: str
    mark: str


@dataclass(frozen=True, slots=True)
class VehicleClass:
    """One class: its id, its name, and whether it counts as heavy."""

    id: str
    name: str
    heavy: bool


@dataclass(frozen=True, slots=True)
class Condition:
    """``left op right``; a side is a term's name or metres."""

    left: str | float
    op: str
    right: str | float


@dataclass(frozen=True, slots=True)
class Rule:
    """A class and what a vehicle must be like: one of the lists of conditions, whole."""

    id: str
    either: tuple[tuple[Condition, ...], ...]


@dataclass(frozen=True, slots=True)
class Scheme:
    """A class scheme: limits, classes, rules in order, and what it confuses."""

    name: str
    title: str
    source: str
    confusion: str
    limits: tuple[Limit, ...]
    classes: tuple[VehicleClass, ...]
    rules: tuple[Rule, ...]

    @property
    def group_m(self) -> float:
        """Axles closer than this are one group; 0 where the scheme knows no groups."""
        return next((x.value_m for x in self.limits if x.name == "group"), 0.0)

    @property
    def heavy(self) -> frozenset[str]:
        """The ids of the heavy classes."""
        return frozenset(x.id for x in self.classes if x.heavy)


def known() -> tuple[str, ...]:
    """Return the names of the schemes that come with countmap.

    Examples
    --------
    >>> known()
    ('austroads12', 'fhwa13', 'wheelbase')
    """
    home = files("countmap.schemes")
    return tuple(sorted(p.name[:-5] for p in home.iterdir() if p.name.endswith(".toml")))


def load(scheme: str | Path) -> Scheme:
    """Return a scheme by its name, or from a TOML file of the user's own.

    Raises
    ------
    NotFound
        If it is neither a scheme's name nor a file.
    InvalidInput
        If the file is no scheme; the line says which part and what to write.

    Examples
    --------
    >>> load("wheelbase").classes[1].name
    'heavy'
    """
    if str(scheme) in known():
        text = files("countmap.schemes").joinpath(f"{scheme}.toml").read_text(encoding="utf-8")
        return parse(text, f"{scheme}.toml")
    path = Path(scheme)
    if not path.is_file():
        raise NotFound(
            f"there is no class scheme {str(scheme)!r}; use {', '.join(known())} or a TOML file"
        )
    try:
        return parse(path.read_text(encoding="utf-8"), path.name)
    except UnicodeDecodeError as error:
        raise InvalidInput(f"{path.name}: byte {error.start} is not UTF-8. Save it so") from error


def parse(text: str, file: str) -> Scheme:
    """Return the scheme written in ``text``; ``file`` names it in errors.

    Raises
    ------
    InvalidInput
        As ``load``.
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InvalidInput(f"{file}: no TOML: {error}. Correct the file") from error
    strange = set(data) - {"name", "title", "source", "confusion", "limits", "classes", "rules"}
    if strange:
        raise InvalidInput(f"{file}: unknown key {min(strange)!r}. Remove it")
    limits = tuple(_limit(n, x, file) for n, x in _table(data, "limits", dict, file).items())
    classes = tuple(_class(x, file) for x in _table(data, "classes", list, file))
    ids = [c.id for c in classes]
    twice = next((i for i in ids if ids.count(i) > 1), None)
    if twice is not None:
        raise InvalidInput(f"{file}: class {twice!r} is there twice. Keep one")
    values = {x.name: x.value_m for x in limits}
    rules = tuple(
        _rule(n + 1, x, ids, values, file) for n, x in enumerate(_table(data, "rules", list, file))
    )
    if not rules:
        raise InvalidInput(f"{file}: a scheme needs [[rules]]. Write at least one")
    return Scheme(
        _text(data, "name", file, "the scheme"),
        _text(data, "title", file, "the scheme"),
        str(data.get("source", "")),
        _text(data, "confusion", file, "the scheme"),
        limits,
        classes,
        rules,
    )


def _table(data: dict[str, Any], key: str, kind: type, file: str) -> Any:
    found = data.get(key, kind())
    if not isinstance(found, kind):
        raise InvalidInput(f"{file}: {key} must be written as [{key}.…] or [[{key}]]. Correct it")
    return found


def _text(entry: Any, key: str, file: str, where: str) -> str:
    value = entry.get(key) if isinstance(entry, dict) else None
    if not isinstance(value, str) or not value.strip():
        raise InvalidInput(f'{file}: {where} needs {key} = "…", got {value!r}. Add it')
    return value


def _limit(name: str, entry: Any, file: str) -> Limit:
    where = f"limit {name!r}"
    if name in TERMS:
        raise InvalidInput(f"{file}: {where} has the name of a term. Choose another")
    source, mark = _text(entry, "source", file, where), _text(entry, "mark", file, where)
    unit = _text(entry, "unit", file, where)
    if unit not in METRES:
        raise InvalidInput(f"{file}: {where} has unit {unit!r}. Use m or ft")
    if mark not in MARKS:
        raise InvalidInput(f"{file}: {where} has mark {mark!r}. Use one of {', '.join(MARKS)}")
    value = entry.get("value")
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < 1000:
        raise InvalidInput(
            f"{file}: {where} needs value = a positive number, got {value!r}. Add it"
        )
    return Limit(name, round(float(value) * METRES[unit], 9), source, mark)


def _class(entry: Any, file: str) -> VehicleClass:
    name = _text(entry, "id", file, "each class")
    heavy = entry.get("heavy")
    if not isinstance(heavy, bool):
        raise InvalidInput(f"{file}: class {name!r} needs heavy = true or false, got {heavy!r}")
    if name == UNCLASSIFIED:
        raise InvalidInput(f"{file}: class {name!r} is kept for what no rule matches. Rename it")
    return VehicleClass(name, _text(entry, "name", file, f"class {name!r}"), heavy)


def _rule(number: int, entry: Any, ids: list[str], limits: dict[str, float], file: str) -> Rule:
    where = f"rule {number}"
    name = _text(entry, "class", file, where)
    if name not in ids:
        raise InvalidInput(f"{file}: {where} gives class {name!r}, not among [[classes]]. Add it")
    always = _conditions(entry.get("when", []), limits, file, where)
    either = entry.get("any", [])
    if not isinstance(either, list) or not (always or either):
        raise InvalidInput(f'{file}: {where} needs when = ["axles == 2", …]. Add it')
    lists = [_conditions(x, limits, file, where) for x in either] or [()]
    return Rule(name, tuple((*always, *some) for some in lists))


def _conditions(
    entry: Any, limits: dict[str, float], file: str, where: str
) -> tuple[Condition, ...]:
    if not isinstance(entry, list):
        raise InvalidInput(f"{file}: {where} needs a list of conditions, got {entry!r}. Correct it")
    return tuple(_condition(text, limits, file, where) for text in entry)


def _condition(text: Any, limits: dict[str, float], file: str, where: str) -> Condition:
    parts = _CONDITION.match(text) if isinstance(text, str) else None
    if parts is None:
        raise InvalidInput(
            f"{file}: {where}: condition {text!r} is not 'term op term' with op one of "
            f"{' '.join(OPERATORS)}. Correct it"
        )
    left, op, right = parts.groups()
    return Condition(_side(left, limits, file, where), op, _side(right, limits, file, where))


def _side(word: str, limits: dict[str, float], file: str, where: str) -> str | float:
    if word in TERMS:
        return word
    if word in limits:
        return limits[word]
    try:
        return float(word)
    except ValueError:
        raise InvalidInput(
            f"{file}: {where}: {word!r} is no term, no limit and no number. Correct it"
        ) from None
