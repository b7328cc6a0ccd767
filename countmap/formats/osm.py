"""OpenStreetMap extracts (.osm, .pbf, packed or not) as raw links, read by pyosmium.

What is a road for motor traffic, which way it runs and what is left out is stated in the tables of
this module; they follow the OpenStreetMap wiki (Key:highway, Key:oneway, Key:access, Key:maxspeed).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from countmap.errors import InvalidInput, MissingExtra, NotFound

if TYPE_CHECKING:
    from numpy.typing import NDArray

ROAD_CLASSES = {
    "motorway": "motorway",
    "motorway_link": "ramp",
    "trunk": "trunk",
    "trunk_link": "ramp",
    "primary": "primary",
    "primary_link": "primary",
    "secondary": "secondary",
    "secondary_link": "secondary",
    "tertiary": "tertiary",
    "tertiary_link": "tertiary",
    "unclassified": "local",
    "residential": "local",
    "living_street": "local",
    "road": "local",
    "service": "service",
}
"""highway=* that carries motor traffic → road_class. Every other value is left out."""

PRIVATE_SERVICE = frozenset({"driveway", "parking_aisle", "drive-through", "emergency_access"})
"""service=* of a highway=service that leads to one house, car park or counter: left out."""

ACCESS_TAGS = ("motorcar", "motor_vehicle", "vehicle", "access")
"""The most specific of these that a way carries decides whether motor traffic may use it."""

NO_ACCESS = frozenset({"no", "private", "agricultural", "forestry", "emergency", "military"})
"""Values of it with which a way is left out; destination, permissive, customers … stay."""

ONE_WAY = {
    "yes": "with",
    "true": "with",
    "1": "with",
    "-1": "against",
    "reverse": "against",
    "no": "both",
    "false": "both",
    "0": "both",
    "reversible": "both",
    "alternating": "both",
}
"""oneway=* → allowed; over a day a reversible lane carries both senses. Other words say nothing."""

IMPLIED_ONE_WAY = frozenset({"motorway", "motorway_link"})
"""highway=* that runs one way unless oneway=* says otherwise; so does every ring of RINGS."""

RINGS = frozenset({"roundabout", "circular"})
"""junction=* that marks the ring of a roundabout."""

KMH = {"": 1.0, "km/h": 1.0, "kmh": 1.0, "kph": 1.0, "mph": 1.609344, "knots": 1.852}

_NUMBER = re.compile(r"^(\d+(?:\.\d+)?)\s*(.*)$")


def read(path: str | Path) -> gpd.GeoDataFrame:
    """Read the drivable ways of an OpenStreetMap file as links, split where they share a node.

    Parameters
    ----------
    path : path
        What pyosmium reads: ``.osm``, ``.osm.bz2``, ``.osm.gz``, ``.osm.pbf``.

    Returns
    -------
    GeoDataFrame
        Raw links in WGS84, in the order of ``link_id``: ``link_id, from_node, to_node, name,
        road_class, allowed, lanes, speed_kmh, roundabout, level, geometry``. ``link_id`` is ``w``
        + way id + ``-`` + the place of its first node in the way (from 0): it stays when other
        ways are joined to this one or the extract is cut elsewhere. Nodes are ``n`` + node id.
        ``name`` falls back to ``ref``; ``level`` is ``layer``, else 1 on bridges, −1 in tunnels.

    Raises
    ------
    NotFound
        There is no such file.
    MissingExtra
        pyosmium is not installed.
    InvalidInput
        The file cannot be read, or holds no drivable way.

    Notes
    -----
    Left out: areas (``area=yes``), ways that motor traffic may not use (``ACCESS_TAGS``,
    ``NO_ACCESS``), private service roads, and the stretches of a way whose nodes the extract lacks.
    A node repeated without a step between is read once.
    """
    path = Path(path)
    if path.is_dir():
        raise InvalidInput(f"{path}: is a folder. Name the file in it")
    if not path.is_file():
        raise NotFound(f"{path}: there is no such file. Check the path")
    ways, refs, places, sizes = _ways(path)
    if not ways:
        raise InvalidInput(
            f"{path.name}: holds no way with a drivable highway tag. Check the extract"
        )
    links = _links(pd.DataFrame(ways), refs, places, sizes)
    if links.empty:
        raise InvalidInput(
            f"{path.name}: holds {len(ways)} drivable ways and none of their nodes. Make the "
            "extract again with the nodes of its ways"
        )
    return links


def allowed(tags: Any) -> str:
    """Return the senses of a way that carry traffic, ``with`` being its drawn direction.

    Examples
    --------
    >>> allowed({"highway": "motorway"}), allowed({"highway": "motorway", "oneway": "no"})
    ('with', 'both')
    >>> allowed({"highway": "primary", "oneway": "-1"}), allowed({"junction": "roundabout"})
    ('against', 'with')
    """
    said = ONE_WAY.get(tags.get("oneway", "").strip().lower())
    if said:
        return said
    implied = tags.get("highway") in IMPLIED_ONE_WAY or tags.get("junction") in RINGS
    return "with" if implied else "both"


def speed_kmh(maxspeed: str) -> float:
    """Return a ``maxspeed`` in km/h; NaN for words such as ``none``, ``signals``, ``DE:urban``.

    Examples
    --------
    >>> speed_kmh("50"), round(speed_kmh("30 mph"), 2), speed_kmh("none")
    (50.0, 48.28, nan)
    """
    found = _NUMBER.match(maxspeed.strip().lower())
    return float(found[1]) * KMH.get(found[2], np.nan) if found else np.nan


def level(tags: Any) -> float:
    """Return the vertical level: ``layer``, else 1 on a bridge, −1 in a tunnel, 0 elsewhere.

    A building passage and a covered street lie at grade.
    """
    layer = _number(tags.get("layer", ""))
    if not np.isnan(layer):
        return layer
    if tags.get("bridge", "no") != "no":
        return 1.0
    return -1.0 if tags.get("tunnel", "no") not in ("no", "building_passage") else 0.0


def is_drivable(tags: Any) -> bool:
    """Return whether a way is a road that the public may drive on; the rules of ``read``."""
    if tags.get("highway") not in ROAD_CLASSES or tags.get("area") == "yes":
        return False
    if tags.get("highway") == "service" and tags.get("service") in PRIVATE_SERVICE:
        return False
    access = next((tags.get(name) for name in ACCESS_TAGS if tags.get(name)), "yes")
    return access not in NO_ACCESS


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return np.nan


def _attributes(way: Any) -> dict[str, Any]:
    tags = way.tags
    return {
        "way": way.id,
        "name": tags.get("name") or tags.get("ref"),
        "road_class": ROAD_CLASSES[tags.get("highway")],
        "allowed": allowed(tags),
        "lanes": _number(tags.get("lanes", "")),
        "speed_kmh": speed_kmh(tags.get("maxspeed", "")),
        "roundabout": tags.get("junction") in RINGS,
        "level": level(tags),
    }


def _ways(
    path: Path,
) -> tuple[list[dict[str, Any]], NDArray[np.int64], NDArray[np.float64], NDArray[np.int64]]:
    """Return the drivable ways, their nodes' ids and places (NaN: absent), and nodes per way."""
    ways: list[dict[str, Any]] = []
    refs: list[int] = []
    places: list[tuple[float, float]] = []
    sizes: list[int] = []
    absent = (np.nan, np.nan)
    with reading(path) as osmium:
        source = (
            osmium.FileProcessor(str(path))
            .with_locations()
            .with_filter(osmium.filter.EntityFilter(osmium.osm.WAY))
            .with_filter(osmium.filter.KeyFilter("highway"))
        )
        for way in source:
            if way.deleted or not is_drivable(way.tags):
                continue
            nodes = list(way.nodes)
            ways.append(_attributes(way))
            sizes.append(len(nodes))
            refs.extend(node.ref for node in nodes)
            places.extend(
                (node.lon, node.lat) if node.location.valid() else absent for node in nodes
            )
    return ways, np.array(refs, np.int64), np.array(places).reshape(-1, 2), np.array(sizes)


@contextmanager
def reading(path: Path) -> Iterator[Any]:
    """Yield pyosmium to read a file with; what it cannot read is refused in one line.

    Raises
    ------
    MissingExtra
        pyosmium is not installed.
    InvalidInput
        The file cannot be read.
    """
    try:
        import osmium
    except ImportError as error:
        raise MissingExtra(
            f"{path.name}: reading OpenStreetMap needs pyosmium; install it by "
            "pip install 'countmap[osm]'"
        ) from error
    try:
        yield osmium
    except (RuntimeError, ValueError, osmium.InvalidLocationError) as error:
        said = " ".join(str(error).replace(str(path), path.name).split())[:120]
        raise InvalidInput(
            f"{path.name}: cannot be read as OpenStreetMap data ({said}). Check that the name "
            "ends in .osm or .osm.pbf and fetch the file again if it is cut off"
        ) from error


def _links(
    ways: pd.DataFrame,
    refs: NDArray[np.int64],
    places: NDArray[np.float64],
    sizes: NDArray[np.int64],
) -> gpd.GeoDataFrame:
    """Cut the ways at shared nodes and where nodes are absent; one row a piece."""
    way = np.repeat(np.arange(len(sizes)), sizes)
    place = np.arange(len(refs)) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    again = np.zeros(len(refs), bool)
    again[1:] = (refs[1:] == refs[:-1]) & (way[1:] == way[:-1])
    way, place, refs, places = way[~again], place[~again], refs[~again], places[~again]

    known = ~np.isnan(places[:, 0])
    step = (way[1:] == way[:-1]) & known[1:] & known[:-1]  # from node i to node i + 1
    _, which, uses = np.unique(refs, return_inverse=True, return_counts=True)
    shared = uses[which] > 1
    begins = step & (shared[:-1] | ~np.append(False, step[:-1]))
    first = np.flatnonzero(begins)
    piece = np.cumsum(begins) - 1  # of each step
    steps = np.bincount(piece[step], minlength=len(first))
    last = first + steps
    at = np.repeat(first - np.append(0, np.cumsum(steps + 1)[:-1]), steps + 1)
    at = at + np.arange(len(at))
    lines = shapely.linestrings(places[at], indices=np.repeat(np.arange(len(first)), steps + 1))

    links = ways.iloc[way[first]].reset_index(drop=True)
    ids = [f"w{w}-{i}" for w, i in zip(links.pop("way"), place[first], strict=True)]
    links.insert(0, "link_id", ids)
    links.insert(1, "from_node", [f"n{ref}" for ref in refs[first]])
    links.insert(2, "to_node", [f"n{ref}" for ref in refs[last]])
    links = links.astype({"name": "str"})
    frame = gpd.GeoDataFrame(links, geometry=lines, crs="EPSG:4326")
    return frame.sort_values("link_id", ignore_index=True)
