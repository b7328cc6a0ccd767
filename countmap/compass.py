"""Compass words: the bearing that a direction's name states."""

from __future__ import annotations

import math
import re
import unicodedata

_POINTS = [
    "N",
    "NNE",
    "NE",
    "ENE",
    "E",
    "ESE",
    "SE",
    "SSE",
    "S",
    "SSW",
    "SW",
    "WSW",
    "W",
    "WNW",
    "NW",
    "NNW",
]
_LETTERS = {"N": "north", "E": "east", "S": "south", "W": "west"}
_LETTERED = {
    point.casefold() + bound: 22.5 * i
    for i, point in enumerate(_POINTS)
    for bound in ("", "b", "bound")
}
_SPELLED = {"".join(_LETTERS[c] for c in point): 22.5 * i for i, point in enumerate(_POINTS)}
_SMALL_WORDS = frozenset(
    ("", "to", "the", "in", "direction", "heading", "going", "traffic", "bound")
)


def compass_deg(text: object) -> float:
    """Return the bearing that a direction's name states; NaN where it states none or several.

    Only small words may stand beside the compass point ("to the north"): "towards North Cross" names
    a place. Letters (``N``, ``NB``) count only where they are the whole name. Case, punctuation and
    the width of letters do not count. Degrees need their sign or ``deg``.

    Examples
    --------
    >>> [compass_deg(t) for t in ("N", "northbound", "to the South-West", "S.W.", "NB", "270°")]
    [0.0, 0.0, 225.0, 225.0, 0.0, 270.0]
    >>> [compass_deg(t) for t in ("towards North Cross", "north and south", "uphill", None)]
    [nan, nan, nan, nan]
    """
    if not isinstance(text, str):
        return math.nan
    folded = unicodedata.normalize("NFKC", text).casefold().strip()
    degrees = re.fullmatch(r"(\d{1,3}(?:\.\d+)?)\s*(?:°|deg)", folded)
    if degrees:
        stated = float(degrees.group(1))
        return stated % 360 if stated <= 360 else math.nan
    words = re.findall(r"[^\W_]+", folded)
    whole = "".join(words)
    if whole in _LETTERED:
        return _LETTERED[whole]
    stems = (re.sub(r"(bound|wards?|ern)$", "", word) for word in words)
    said = [stem for stem in stems if stem not in _SMALL_WORDS]
    once = "".join(dict.fromkeys(said))  # "North (northbound)" says it twice
    return _SPELLED.get("".join(said), _SPELLED.get(once, math.nan))
