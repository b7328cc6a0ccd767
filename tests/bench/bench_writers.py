"""Eight writers and four readers on one workspace for a minute: waits, but no error.

    python tests/bench/bench_writers.py [SECONDS]

Writers put a pair of stations, decide about it and import a day, over and over. Readers open the
workspace, look at the pairs and at the log, and query the counts. The last table lies in writers.txt.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

import made_writers


def main(seconds):
    """Print the table and keep it."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "w"
        ended = made_writers.run(folder, 8, 4, seconds=seconds)
        wrong = made_writers.faults(folder, ended)
    lines = [f"{'':<12}{'acts':>8}{'longest s':>12}{'errors':>8}"]
    lines += [
        f"{one.who:<12}{one.acts:>8}{one.longest_s:>12.2f}{len(one.errors):>8}" for one in ended
    ]
    lines.append(f"{seconds} s: {len(wrong)} faults")
    text = "\n".join(lines + wrong[:20]) + "\n"
    print(text)
    (Path(__file__).parent / "writers.txt").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 60)
