"""``countmap turns``: turning movements."""

from countmap.cli.records import importing

app = importing("turns", "turning count", "Turning movements.", "Read turns.csv.")
