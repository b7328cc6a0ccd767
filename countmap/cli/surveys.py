"""``countmap surveys``: stays of a counter at a station."""

from countmap.cli.records import importing

app = importing("surveys", "survey", "Stays of a counter at a station.", "Read surveys.csv.")
