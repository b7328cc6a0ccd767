"""Words for a direction: a sense, a compass point, or what the locals call it."""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from countmap.compass import compass_deg

# A compass word belongs to a sense if it lies within this angle of it and of it alone.
NEAR_DEG = 60.0
_BOTH = {"both", "bothways", "bothdirections", "twoway", "total", "combined", "all"}


@dataclass(frozen=True, slots=True)
class Reading:
    """What a direction word means at a station: a basis, or why it means none."""

    sense: str = ""
    why: str = ""
    note: str = ""


def plain(text: str) -> str:
    """Return ``text`` folded for comparison: case, width, spaces and punctuation do not count.

    Examples
    --------
    >>> plain("North-bound"), plain("  Towards the  Bridge ")
    ('northbound', 'towardsthebridge')
    """
    folded = unicodedata.normalize("NFKC", text).casefold()
    return re.sub(r"[\s\-–_./()]+", "", folded)


def read(word: str, station: Mapping[str, object], only_sense: str = "") -> Reading:
    """Return what ``word`` means at ``station``.

    Parameters
    ----------
    word : str
        As written in the file.
    station : mapping
        A row of STATIONS: ``station_id``, ``bearing_deg`` (of sense ``with``), ``name_with``,
        ``name_against``; nulls allowed.
    only_sense : str
        ``with`` or ``against`` on a one-way road, else ``""``.

    Returns
    -------
    Reading
        ``sense`` is with, against or both; empty if the word cannot be told, and ``why`` says so.

    Examples
    --------
    >>> read("NB", {"station_id": "S1", "bearing_deg": 40.0}).sense
    'with'
    """
    folded = plain(word)
    named = [
        sense for sense in ("with", "against") if folded in _names(station.get(f"name_{sense}"))
    ]
    if len(named) == 2:
        return Reading(why=_both_possible(word, station, "both senses carry that name"))
    if named:
        return _on_one_way(word, named[0], only_sense, station)
    if folded in ("with", "against"):
        return _on_one_way(word, folded, only_sense, station)
    if folded in _BOTH:
        return Reading(only_sense or "both")
    angle = compass_deg(word)
    if math.isnan(angle):
        return _unknown(word, station, only_sense)
    return _by_compass(word, angle, station, only_sense)


def _names(name: object) -> set[str]:
    if not isinstance(name, str) or not name.strip():
        return set()
    folded = plain(name)
    bare = {folded.removeprefix(start) for start in ("towards", "toward", "to")}
    return bare | {"towards" + b for b in bare} | {"to" + b for b in bare}


def _on_one_way(word: str, sense: str, only_sense: str, station: Mapping[str, object]) -> Reading:
    if only_sense and sense != only_sense:
        return Reading(
            why=f"direction {word!r} runs against the one-way road at station"
            f" {station['station_id']}, whose only sense is {only_sense}. Correct the row,"
            " or the road's allowed senses"
        )
    return Reading(sense)


def _by_compass(word: str, angle: float, station: Mapping[str, object], only_sense: str) -> Reading:
    bearing = station.get("bearing_deg")
    if bearing is None or pd.isna(bearing):
        if only_sense:
            return Reading(only_sense)
        why = "the station has no bearing"
        return Reading(why=_both_possible(word, station, why))
    away = abs((angle - float(str(bearing)) + 180) % 360 - 180)
    if away <= NEAR_DEG:
        return _on_one_way(word, "with", only_sense, station)
    if away >= 180 - NEAR_DEG:
        return _on_one_way(word, "against", only_sense, station)
    if only_sense:
        return Reading(only_sense)
    return Reading(why=_both_possible(word, station, f"it lies {away:.0f}° from the one"))


def _both_possible(word: str, station: Mapping[str, object], because: str) -> str:
    return (
        f"direction {word!r} is ambiguous at station {station['station_id']}: {because};"
        f" it could be {_candidate('with', station)} or {_candidate('against', station)}."
        " Write with or against"
    )


def _candidate(sense: str, station: Mapping[str, object]) -> str:
    name, bearing = station.get(f"name_{sense}"), station.get("bearing_deg")
    said = []
    if isinstance(name, str) and name:
        said.append(repr(name))
    if bearing is not None and not pd.isna(bearing):
        turn = 0 if sense == "with" else 180
        said.append(f"{(float(str(bearing)) + turn) % 360:.0f}°")
    return f"{sense} ({', '.join(said)})" if said else sense


def _unknown(word: str, station: Mapping[str, object], only_sense: str) -> Reading:
    if only_sense:
        note = f"direction {word!r} at station {station['station_id']} was read as {only_sense},"
        return Reading(only_sense, note=f"{note} the only sense of its one-way road")
    names = [
        str(name) for s in ("with", "against") if isinstance(name := station.get(f"name_{s}"), str)
    ]
    known = ", ".join(["with", "against", "both", "a compass point", *map(repr, names)])
    return Reading(
        why=f"direction {word!r} is unknown at station {station['station_id']}. Use one of {known}"
    )
