"""OpenStreetMap files → place names and water, on a hand-drawn extract (tags as on the OpenStreetMap wiki)."""

from __future__ import annotations

import pytest

from countmap.errors import InvalidInput, NotFound
from countmap.formats import ground

NODES = {
    1: (6.90, 54.40), 2: (6.91, 54.40), 3: (6.91, 54.41), 4: (6.90, 54.41),
    5: (6.903, 54.403), 6: (6.906, 54.403), 7: (6.906, 54.406), 8: (6.903, 54.406),
    9: (6.88, 54.40), 10: (6.89, 54.402),
}  # fmt: skip
NAMED = {
    21: (6.905, 54.42, {"place": "town", "name": "Aune & <Weir>"}),
    22: (6.87, 54.39, {"place": "hamlet", "name": "Corrin"}),
    23: (6.88, 54.39, {"place": "island", "name": "Holm"}),
    24: (6.88, 54.39, {"place": "village"}),
}
WAYS = {
    100: ([1, 2, 3, 4, 1], {}),
    101: ([5, 6, 7, 8, 5], {}),
    102: ([9, 10], {"waterway": "river", "name": "Aune"}),
    103: ([9, 10], {"waterway": "ditch"}),
    104: ([9, 10], {"highway": "primary"}),
}


def write(path):
    from xml.sax.saxutils import quoteattr

    def tags(given):
        return "".join(f"<tag k={quoteattr(k)} v={quoteattr(v)}/>" for k, v in given.items())

    lines = ['<?xml version="1.0" encoding="UTF-8"?>', '<osm version="0.6">']
    lines += [f'<node id="{n}" version="1" lon="{x}" lat="{y}"/>' for n, (x, y) in NODES.items()]
    lines += [
        f'<node id="{n}" version="1" lon="{x}" lat="{y}">{tags(t)}</node>'
        for n, (x, y, t) in NAMED.items()
    ]
    for way, (refs, given) in WAYS.items():
        nodes = "".join(f'<nd ref="{ref}"/>' for ref in refs)
        lines.append(f'<way id="{way}" version="1">{nodes}{tags(given)}</way>')
    lines.append(
        '<relation id="1" version="1"><member type="way" ref="100" role="outer"/>'
        '<member type="way" ref="101" role="inner"/>'
        + tags({"type": "multipolygon", "natural": "water"})
        + "</relation></osm>"
    )
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def test_places_and_water_are_read_and_the_rest_is_left(tmp_path):
    places, water = ground.read(write(tmp_path / "town.osm"))
    assert places.to_dict("records") == [
        {"name": "Aune & <Weir>", "kind": "town", "lon": 6.905, "lat": 54.42},
        {"name": "Corrin", "kind": "hamlet", "lon": 6.87, "lat": 54.39},
    ]
    assert sorted(water.geom_type) == ["LineString", "Polygon"]
    lake = water.geometry[water.geom_type.eq("Polygon")].iloc[0]
    assert lake.area == pytest.approx(0.01 * 0.01 - 0.003 * 0.003)
    assert len(lake.interiors) == 1
    assert water.crs.to_epsg() == 4326


def test_what_cannot_be_read_is_told(tmp_path):
    with pytest.raises(NotFound, match=r"none\.osm: there is no such file\. Check the path"):
        ground.read(tmp_path / "none.osm")
    bad = tmp_path / "bad.osm"
    bad.write_text("<osm", encoding="utf-8")
    with pytest.raises(InvalidInput, match=r"bad\.osm: cannot be read as OpenStreetMap data"):
        ground.read(bad)
