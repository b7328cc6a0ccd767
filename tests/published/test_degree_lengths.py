"""Lengths of lines against the length of a degree on the WGS84 ellipsoid."""

from __future__ import annotations

import numpy as np
import pytest
from shapely.geometry import LineString

from countmap.publish.figures import lengths_m


@pytest.mark.parametrize(
    ("line", "metres"),
    [
        # A degree of longitude on the equator is π/180 × 6,378,137 m (NIMA TR8350.2, semi-major axis).
        (LineString([(0, 0), (1, 0)]), 111_319.49),
        # A degree of latitude from 0.5° S to 0.5° N: 110,574 m (from memory of geodesy tables).
        (LineString([(0, -0.5), (0, 0.5)]), 110_574.3),
    ],
)
def test_a_degree_has_its_length(line, metres):
    assert lengths_m([line])[0] == pytest.approx(metres, abs=0.5)


def test_lines_do_not_leak_into_one_another():
    lines = [
        LineString([(0, 0), (1, 0)]),
        LineString([(50, 40), (50, 40)]),
        LineString([(9, 9), (9, 10)]),
    ]
    alone = np.array([lengths_m([line])[0] for line in lines])
    assert lengths_m(lines) == pytest.approx(alone)
    assert lengths_m([]).shape == (0,)
