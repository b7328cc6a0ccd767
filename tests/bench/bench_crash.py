"""Two hundred kills: is what was acknowledged there, and is nothing half there?

    python tests/bench/bench_crash.py [KILLS]

Three writers do real jobs on one workspace (import, decide, annual, balance, publish; and migrate,
each on a copy of an older register). One of them is killed (SIGKILL) at a random moment of a job that
is chosen in turn; then the register, the blocks and what was published are compared with all that
was acknowledged, while the other two go on. A kill is no power cut: the order of syncs is another
test (tests/crash/test_sync_order.py). The last table lies in crash.txt.
"""

from __future__ import annotations

import random
import sys
import tempfile
from pathlib import Path
from time import perf_counter

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

import made_crash

SEED, WRITERS = 8, 3


def struck(writers, operation, rng, lasted):
    """Wait for a writer to be at ``operation`` and some way into it; return that writer."""
    while True:
        at_it = [w for w in writers if w.doing[0] == operation]
        if at_it:
            writer = rng.choice(at_it)
            made_crash.wait(writers, rng.uniform(0, np.median(lasted[operation] or [0.5])))
            if writer.doing[0] == operation:
                return writer
        else:
            made_crash.wait(writers, 0.01)


def main(kills):
    """Print the table and keep it."""
    rng = random.Random(SEED)
    began = perf_counter()
    lasted = {name: [] for name in made_crash.OPERATIONS}
    killed = dict.fromkeys(made_crash.OPERATIONS, 0)
    acknowledged = dict.fromkeys(made_crash.OPERATIONS, 0)
    wrong: list[str] = []
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "w"
        made_crash.town(folder)
        writers = [made_crash.start(folder, n) for n in range(WRITERS)]
        gone = []
        for number in range(kills):
            operation = made_crash.OPERATIONS[number % len(made_crash.OPERATIONS)]
            writer = struck(writers, operation, rng, lasted)
            made_crash.kill(writer)
            killed[operation] += 1
            found = list(made_crash.faults(folder, [*writers, *gone]))
            wrong += [f"kill {number} ({operation}): {fault}" for fault in found]
            for w in (writer, *writers):
                for name, seconds in w.lasted:
                    lasted[name].append(seconds)
                    acknowledged[name] += 1
                w.lasted.clear()
            gone = [*gone, writer]
            writers[writers.index(writer)] = made_crash.start(folder, WRITERS + number)
            print(f"\rkill {number + 1}/{kills}, {len(wrong)} faults", end="", file=sys.stderr)
        for writer in writers:
            made_crash.kill(writer)
        wrong += list(made_crash.faults(folder, [*writers, *gone]))
    lines = [f"{'job':<10}{'killed':>8}{'acknowledged':>14}{'median s':>10}"]
    for name in made_crash.OPERATIONS:
        middle = np.median(lasted[name]) if lasted[name] else np.nan
        lines.append(f"{name:<10}{killed[name]:>8}{acknowledged[name]:>14}{middle:>10.2f}")
    lines.append(
        f"{kills} kills, {WRITERS} writers, {perf_counter() - began:.0f} s: {len(wrong)} faults"
    )
    text = "\n".join(lines + wrong[:20]) + "\n"
    print("\n" + text)
    (Path(__file__).parent / "crash.txt").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
