"""``countmap days``: closures, events, school terms."""

from countmap.cli.records import importing

app = importing(
    "days",
    "day range",
    "Closures, events, school terms.",
    "Read days.csv: first, last, kind, name, links.",
)
