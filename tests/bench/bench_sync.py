"""What an import asks of the kernel, in order: needs Linux and strace.

    python tests/bench/bench_sync.py

One short count is imported by the command line under strace. The table lists the calls that make
data last: syncs, renames, the writes of the register's log, and the line on the screen that
acknowledges. It shows what was asked and in which order, not what a disk does with it. The last
table lies in sync.txt.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

import made_crash

CALLS = "fsync,fdatasync,rename,renameat,renameat2,pwrite64,write"
CALL = re.compile(r"(?P<call>\w+)\((?P<rest>.*)\)\s+= \d+")


def told(line, place):
    """Return a call in a few words, or "" where it makes nothing last."""
    match = CALL.search(line)
    if not match:
        return ""
    call, rest = match["call"], match["rest"].replace(str(place), "")
    if call.startswith("rename"):
        return "rename to " + rest.rsplit('"', 2)[-2].split("/")[-1]
    name = re.sub(r".*/", "", rest.split("<", 1)[-1].split(">", 1)[0])
    name = re.sub(r"[0-9a-f]{12}", "…", name)
    if "sync" in call:
        return f"{call} {name}"
    if name == "register.gpkg-wal":
        return "write register.gpkg-wal"
    if "2 periods" in rest:
        return "the line that acknowledges"
    return ""


def main():
    """Print the table and keep it."""
    with tempfile.TemporaryDirectory() as place:
        ws = made_crash.town(Path(place) / "w")
        path = Path(place) / "new.csv"
        path.write_text(
            "station_id,direction,start,minutes,count\nB,with,2025-06-02T07:00,60,5\n"
            "B,with,2025-06-02T08:00,60,6\n"
        )
        command = [sys.executable, "-m", "countmap", "counts", "import", path, "-w", ws.path]
        trace = Path(place) / "trace"
        strace = [
            shutil.which("strace") or "strace",
            "-f",
            "-y",
            "-s",
            "80",
            "-e",
            f"trace={CALLS}",
        ]
        subprocess.run([*strace, "-o", trace, *command], check=True, env={**os.environ})
        steps = [told(line, place) for line in trace.read_text().splitlines()]
    steps = [s for s in steps if s]
    kept = [s for i, s in enumerate(steps) if i == 0 or s != steps[i - 1]]
    text = "\n".join(f"{i:>3}  {s}" for i, s in enumerate(kept, start=1)) + "\n"
    print(text)
    (Path(__file__).parent / "sync.txt").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
