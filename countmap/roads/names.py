"""Road names compared as text: case, accents, punctuation and usual abbreviations do not count."""

from __future__ import annotations

import re
import unicodedata
from difflib import SequenceMatcher
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from numpy.typing import NDArray

_LETTERS = str.maketrans({"ø": "o", "ł": "l", "đ": "d", "æ": "ae", "œ": "oe", "ı": "i", "þ": "th"})
"""Letters that Unicode does not decompose into a base letter and an accent."""

_ABBREVIATIONS = {
    "ave": "avenue",
    "av": "avenue",
    "blvd": "boulevard",
    "bd": "boulevard",
    "dr": "drive",
    "hwy": "highway",
    "ln": "lane",
    "mt": "mount",
    "pl": "place",
    "rd": "road",
    "sq": "square",
    "st": "street",
    "str": "strasse",
}
"""Common practice on signs and plans; "st" for saint falls together with street on both sides."""


def normalise(name: object) -> str:
    """Return a name in lower case without accents and punctuation, abbreviations written out.

    Examples
    --------
    >>> normalise("Ŝtrand  Rd.") == normalise("strand road"), normalise("Hauptstr. 3"), normalise(None)
    (True, 'hauptstrasse 3', '')
    """
    if not isinstance(name, str):
        return ""
    plain = unicodedata.normalize("NFKD", name.casefold()).translate(_LETTERS)
    plain = "".join(letter for letter in plain if not unicodedata.combining(letter))
    words = re.findall(r"[^\W_]+", plain)
    return " ".join(
        _ABBREVIATIONS.get(word, re.sub(r"(?<=\w{3})str$", "strasse", word)) for word in words
    )


def similarity(first: object, second: object) -> float:
    """Return how alike two names are, 0..1; NaN where either is missing.

    A name that lists several (``"E12; Harbour Road"``) counts with the one that fits best.

    Examples
    --------
    >>> similarity("Harbour Road", "E12;HARBOUR RD"), similarity("Mill Lane", None)
    (1.0, nan)
    >>> similarity("Mill Lane", "Harbour Road") < 0.5
    True
    """
    ours, theirs = _parts(first), _parts(second)
    if not ours or not theirs:
        return float("nan")
    return max(_ratio(a, b) for a in ours for b in theirs)


def similarities(first: pd.Series, second: pd.Series) -> NDArray[np.float64]:
    """Return ``similarity`` row by row; each distinct pair of names is compared once."""
    missing = ""  # NaN is no key: it differs from itself
    pairs = list(zip(first.fillna(missing), second.fillna(missing), strict=True))
    known = {pair: similarity(*pair) for pair in set(pairs)}
    return np.array([known[pair] for pair in pairs], dtype=np.float64)


def compatible(first: pd.Series, second: pd.Series) -> NDArray[np.bool_]:
    """Return where two names could belong to one road: alike, or one of them missing."""
    alike = similarities(first, second)
    return np.asarray(np.isnan(alike) | (alike > SAME))


SAME = 0.85
"""Names at least this alike are taken for one road (one or two letters in ten differ)."""


def _parts(name: object) -> list[str]:
    if not isinstance(name, str):
        return []
    return [part for part in (normalise(piece) for piece in re.split(r"[;/|]", name)) if part]


def _ratio(first: str, second: str) -> float:
    if first == second:
        return 1.0
    low, high = sorted((first, second))  # the matcher is not symmetric by itself
    return SequenceMatcher(None, low, high, autojunk=False).ratio()
