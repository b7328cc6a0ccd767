"""A layout proposed for a foreign count file: TOML to read, correct and keep, with what is not certain."""

from __future__ import annotations

import json
import re
import tomllib
from dataclasses import dataclass, field
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

from countmap.errors import InvalidInput
from countmap.formats import guess, layouts
from countmap.formats.guess import Grid
from countmap.formats.layouts import Layout
from countmap.formats.limits import DEFAULT, Limits

_ABOVE = {
    "station_id": r"(?im)^\W*(?:site|station|location|counter|z(?:ä|ae)hlstelle|messstelle)[^:;,\t\n]*[:;,\t]\s*\"?([^;,\t\"\n]+)",
    "direction": r"(?im)^\W*(?:direction|heading|richtung|sens)[^:;,\t\n]*[:;,\t]\s*\"?([^;,\t\"\n]+)",
}


@dataclass(frozen=True, slots=True)
class Proposal:
    """A layout, as TOML and as read, and a sentence on each thing that the file leaves open."""

    toml: str
    layout: Layout
    doubts: tuple[str, ...]


@dataclass(slots=True)
class _Draft:
    """The parts of the TOML, by table, while it is being written."""

    tables: dict[str, dict[str, Any]] = field(default_factory=dict)
    cells: list[dict[str, Any]] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)
    used: set[int] = field(default_factory=set)

    def say(self, table: str, key: str, value: Any) -> None:
        self.tables.setdefault(table, {})[key] = value


def propose(path: Path, limits: Limits = DEFAULT) -> Proposal:
    """Return the layout that the file seems to have.

    Raises
    ------
    InvalidInput
        No table, no time or no count is to be seen in it.
    """
    seen = guess.grid(path, limits)
    draft = _Draft()
    _shape(seen, draft)
    for index, name in enumerate(seen.header):
        role = guess.role(name)
        if role and role not in draft.tables.get("columns", {}) and role != "minutes":
            draft.say("columns", role, seen.name(index))
            draft.used.add(index)
    wide = _hours(seen, draft)
    _times(seen, draft, path.name, wide=wide)
    if not wide:
        _minutes(seen, draft)
        _counts(seen, draft, path.name)
    _marks(seen, draft)
    _who(seen, draft)
    toml = _toml(draft)
    return Proposal(toml, layouts.parse(tomllib.loads(toml), path.name), tuple(draft.doubts))


def _shape(seen: Grid, draft: _Draft) -> None:
    if seen.encoding != "utf-8":
        draft.say("file", "encoding", seen.encoding)
        draft.doubts.append(
            f"the text is no UTF-8; it is read as {seen.encoding}: look at names with accents"
        )
    if seen.skip:
        draft.say("file", "skip_lines", seen.skip)
    if not seen.named:
        draft.say("file", "header", False)
        draft.doubts.append("no line names the columns; they are called by their number")
    if seen.delimiter != ",":
        draft.say("file", "delimiter", seen.delimiter)


def _hours(seen: Grid, draft: _Draft) -> bool:
    """Take columns that are hours of the day (or shorter periods)."""
    free = [i for i in range(len(seen.header)) if i not in draft.used and seen.named]
    for size in range(len(free), 11, -1):
        for first in range(len(free) - size + 1):
            run = free[first : first + size]
            found = guess.hours([seen.header[i] for i in run])
            if found is None or not all(guess.is_count(seen.column(i) or ["0"]) for i in run):
                continue
            starts, step, doubt = found
            if starts[0] % 60 == 0:
                draft.say("hours", "columns", [seen.name(i) for i in run])
                draft.say("hours", "first", starts[0] // 60)
                draft.say("hours", "minutes", step)
            draft.used.update(run)
            draft.doubts += [doubt] if doubt else []
            return True
    return False


def _times(seen: Grid, draft: _Draft, file: str, *, wide: bool) -> None:
    forms = {
        i: form
        for i in range(len(seen.header))
        if i not in draft.used and (form := guess.date_form(seen.column(i)))
    }
    whole = [i for i, form in forms.items() if "%d" in form and ":" in form]
    days = [i for i, form in forms.items() if "%d" in form and ":" not in form]
    clocks = [i for i, form in forms.items() if "%d" not in form]
    if whole and not wide:
        index = whole[0]
        draft.say("columns", "start", seen.name(index))
        if not re.match(r"%Y-%m-%d[ T]%H:%M", forms[index]):
            draft.say("times", "start", forms[index])
        used = [index]
    elif days and (wide or clocks):
        used = [days[0], *([] if wide else clocks[:1])]
        draft.say("columns", "date", seen.name(days[0]))
        if forms[days[0]] != "%Y-%m-%d":
            draft.say("times", "date", forms[days[0]])
        if not wide:
            draft.say("columns", "time", seen.name(clocks[0]))
            if forms[clocks[0]] != "%H:%M":
                draft.say("times", "time", forms[clocks[0]])
    else:
        raise InvalidInput(
            f"{file}: no time is to be seen in it: no column reads as dates and times. Describe it in a layout"
        )
    draft.used.update(whole + days + clocks)
    _doubtful_dates(seen, draft, used[0], forms[used[0]])
    if not wide:
        _stamp(seen, draft, used)
    draft.say("times", "zone", "local")
    draft.doubts.append(
        'the file does not say which clock its times keep: "local" goes forward and back with the town\'s; '
        'a counter left on standard time needs its offset, such as zone = "+01:00"'
    )


def _doubtful_dates(seen: Grid, draft: _Draft, index: int, form: str) -> None:
    """Where days and months may change places, take the order in which the days follow each other."""
    if not form.startswith(("%d/", "%d-")) or max(guess.ambiguous_parts(seen.column(index))) > 12:
        return
    other = form.replace("%d", "%_").replace("%m", "%d").replace("%_", "%m")
    gaps = {f: _largest_gap(seen.column(index), f) for f in (form, other)}
    taken = min(gaps, key=lambda f: gaps[f])
    key = "start" if ":" in form else "date"
    draft.say("times", key, taken)
    left = other if taken == form else form
    which = "first" if taken == form else "second"
    why = "so the days follow each other" if gaps[taken] != gaps[left] else "nothing in it decides"
    draft.doubts.append(
        f"every date of {seen.header[index]!r} reads as {form.split(' ', maxsplit=1)[0]} and as "
        f"{other.split(' ')[0]}: the {which} is taken, {why}"
    )


def _largest_gap(cells: list[str], form: str) -> int:
    """Return the most days that lie between two successive dates."""
    day = form.split(" ", maxsplit=1)[0].split("T", maxsplit=1)[0]
    dates = [datetime.strptime(re.split("[ T]", c)[0], day).date() for c in cells]  # noqa: DTZ007  # civil days
    return max((abs((b - a).days) for a, b in pairwise(dates)), default=0)


def _clock_minutes(seen: Grid, used: list[int]) -> list[int]:
    """Return the minute of the day that each row names."""
    found = []
    for row in seen.rows:
        match = re.search(r"(\d{1,2}):(\d{2})(?::\d{2})?(?: ([AaPp])[Mm])?$", row[used[-1]])
        if match:
            hour = int(match[1])
            if match[3]:
                hour = hour % 12 + 12 * (match[3].lower() == "p")
            found.append(60 * hour + int(match[2]))
    return found


def _stamp(seen: Grid, draft: _Draft, used: list[int]) -> None:
    minutes = _clock_minutes(seen, used)
    name = guess.plain(seen.header[used[-1]])
    step = _step(minutes)
    why = ""
    if 1440 in minutes:
        why = "24:00 is written, which only an end can be"
    elif re.search(r"(end|ending|bis|to)$", name):
        why = f"the column is called {seen.header[used[-1]]!r}"
    elif step and minutes and minutes[0] == step and minutes[-1] == 0:
        why = f"they begin at {step // 60:02d}:{step % 60:02d} and end at 00:00"
    if why:
        draft.say("times", "stamp", "end")
        draft.doubts.append(f"the times are read as the end of their period: {why}")


def _step(minutes: list[int]) -> int:
    steps = [(b - a) % 1440 for a, b in pairwise(minutes) if (b - a) % 1440]
    found = max(set(steps), key=steps.count) if steps else 0
    return found if found in guess.STEPS or found in (120, 180, 360, 720, 0) else 0


def _minutes(seen: Grid, draft: _Draft) -> None:
    for index, name in enumerate(seen.header):
        cells = seen.column(index)
        numbers = [int(c) for c in cells if c.isdecimal()]
        if (
            guess.role(name) == "minutes"
            and cells
            and len(numbers) == len(cells)
            and max(numbers) <= 1440
        ):
            draft.say("columns", "minutes", seen.name(index))
            draft.used.add(index)
            return
    columns = draft.tables["columns"]
    at = [
        i
        for i in range(len(seen.header))
        if seen.name(i) == columns.get("time", columns.get("start"))
    ]
    step = _step(_clock_minutes(seen, at))
    draft.say("constants", "minutes", step or 60)
    if step:
        draft.doubts.append(
            f"a period is taken to be {step} minutes long, as far as the times lie apart"
        )
    else:
        draft.doubts.append(
            "how long a period is cannot be told from the times; 60 minutes are taken"
        )


def _counts(seen: Grid, draft: _Draft, file: str) -> None:
    free = [
        i for i in range(len(seen.header)) if i not in draft.used and guess.is_count(seen.column(i))
    ]
    names = {i: seen.header[i] for i in free}
    speeds = {i: limits for i in free if (limits := guess.speed_limits(names[i]))}
    classes = {
        i: match for i in free if (match := guess.CLASSES.match(names[i].casefold().strip()))
    }
    senses = {i: word for i in free if (word := guess.direction_of(names[i]))}
    lanes = {i: lane for i in free if (lane := guess.lane_of(names[i]))}
    taken: list[int]
    if len(speeds) > 2:
        taken = list(speeds)
        for i, (low, high) in speeds.items():
            cell = {"column": seen.name(i), "speed_low_kmh": round(low, 3)}
            draft.cells.append(cell | ({} if high is None else {"speed_high_kmh": round(high, 3)}))
        draft.doubts.append(
            "the limits of the speed bins are taken from the columns' names, as km/h unless they say mph"
        )
    elif len(classes) > 1:
        taken = list(classes)
        for i, match in classes.items():
            draft.say("classes", match[1] or guess.plain(names[i]), seen.name(i))
        draft.doubts.append(
            "which class scheme the classes are of is not said; add scheme under [constants]"
        )
    elif len(senses) > 1 and len(set(senses.values())) == len(senses):
        taken = list(senses)
        for i, word in senses.items():
            draft.say("directions", word, seen.name(i))
    elif len(lanes) > 1:
        taken = list(lanes)
        draft.cells += [{"column": seen.name(i), "lane": lane} for i, lane in lanes.items()]
    else:
        liked = [i for i in free if guess.plain(names[i]) in guess.COUNTS]
        taken = (liked or [i for i in free if guess.plain(names[i]) in guess.TOTALS] or free)[:1]
        if not taken:
            raise InvalidInput(
                f"{file}: no count is to be seen in it: no column holds numbers alone. Describe it in a layout"
            )
        draft.say("columns", "count", seen.name(taken[0]))
        if not liked and len(free) > 1:
            draft.doubts.append(
                f"{names[taken[0]]!r} is taken for the count among {', '.join(map(repr, names.values()))}"
            )
    draft.used.update(taken)
    if left := [names[i] for i in free if i not in taken and guess.plain(names[i]) in guess.TOTALS]:
        draft.doubts.append(f"{left[0]!r} is left out: it repeats the sum of the others")


def _marks(seen: Grid, draft: _Draft) -> None:
    cells = [c for i in draft.used for c in seen.column(i) if guess.is_count(seen.column(i))]
    if seen.delimiter != ";" and any(re.fullmatch(r"\d+,\d+", c) for c in cells):
        draft.say("file", "decimal", ",")
    marks = sorted({c for c in cells if c.casefold() in guess.MISSING})
    if marks:
        draft.say("file", "missing", marks)
        listed = ", ".join(f"{m!r} ({cells.count(m)} times)" for m in marks)
        draft.doubts.append(f"{listed}: read as missing, never as a count")


def _who(seen: Grid, draft: _Draft) -> None:
    """Say which station and which direction: by a column, by the lines above, or by what is taken."""
    above = "\n".join(seen.above)
    columns = draft.tables.get("columns", {})
    for name, expression in _ABOVE.items():
        told = re.search(expression, above)
        if name in columns or (name == "direction" and draft.tables.get("directions")):
            continue
        if told:
            draft.say("preamble", name, expression)
            draft.doubts.append(
                f"the {name.removesuffix('_id')} is taken from the lines above: {told[1].strip()!r}"
            )
        elif name == "station_id":
            draft.say("constants", "station_id", "{stem}")
            draft.doubts.append(
                "the station is not named in the file; its name without the ending is taken"
            )
        else:
            draft.say("constants", "direction", "both")
            draft.doubts.append('the direction is not named in the file; "both" is taken')


def _toml(draft: _Draft) -> str:
    order = ("file", "columns", "constants", "times", "hours", "directions", "classes", "preamble")
    lines = []
    for table in order:
        if table not in draft.tables:
            continue
        lines.append(f"[{table}]")
        lines += [f"{_key(key)} = {_value(value)}" for key, value in draft.tables[table].items()]
        lines.append("")
    for cell in draft.cells:
        lines.append("[[cells]]")
        lines += [f"{key} = {_value(value)}" for key, value in cell.items()]
        lines.append("")
    return "\n".join(lines).rstrip() + "\n"


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _value(name)


def _value(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False)
