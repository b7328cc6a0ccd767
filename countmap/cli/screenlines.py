"""``countmap screenlines``: lines across the network."""

from countmap.cli.records import importing

app = importing(
    "screenlines",
    "screenline",
    "Lines across the network.",
    "Read screenlines and cordons from GeoJSON.",
)
