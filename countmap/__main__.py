"""``python -m countmap``."""

from countmap.cli.main import run

if __name__ == "__main__":  # processes that read files import this module too
    run()
