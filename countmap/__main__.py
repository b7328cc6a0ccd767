"""``python -m countmap``."""

from countmap.cli.main import run

run()
