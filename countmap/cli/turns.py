"""``countmap turns``: turning counts at junctions."""

from countmap.cli.records import importing

app = importing(
    "turns",
    "turning count",
    "Turning counts at junctions.",
    "Read turns.csv: junction_id, from_link, to_link, start, minutes, count.",
)
