"""Twenty thousand damaged files over all readers: no traceback, no hang, and a refusal changes nothing.

    python tests/bench/bench_fuzz.py [NUMBER] [PROCESSES]

Every file that can be read is damaged in one to six ways, by a seed that its number gives: what fails can
be repeated by name and number (``made_fuzz.Attempts.attempt``). A hang is more than 5 s of processor time.
The last table lies in fuzz.txt.
"""

from __future__ import annotations

import multiprocessing
import sys
import tempfile
from pathlib import Path
from time import process_time

sys.path.insert(0, str(Path(__file__).parent.parent))

import made_fuzz

NAMES = tuple(made_fuzz.READERS)


def work(first, number, step, pipe):
    """Try every ``step``-th number; say how each ended."""
    with tempfile.TemporaryDirectory() as place:
        attempts = made_fuzz.Attempts(Path(place) / "w")
        for i in range(first, number, step):
            name = NAMES[i % len(NAMES)]
            began = process_time()
            pipe.send((name, attempts.attempt(name, i // len(NAMES)), process_time() - began))
    pipe.close()


def main(number, processes):
    """Print the table and keep it."""
    ended = {name: {"taken": 0, "refused": 0} for name in NAMES}
    wrong: list[str] = []
    longest = dict.fromkeys(NAMES, 0.0)
    pipes = []
    # An odd step, so that each process tries every kind of file.
    context = multiprocessing.get_context("spawn")
    for first in range(processes):
        ours, theirs = context.Pipe(duplex=False)
        context.Process(target=work, args=(first, number, processes, theirs), daemon=True).start()
        theirs.close()
        pipes.append(ours)
    done = 0
    while pipes:
        for pipe in multiprocessing.connection.wait(pipes):
            try:
                name, said, seconds = pipe.recv()
            except EOFError:
                pipes.remove(pipe)
                continue
            done += 1
            longest[name] = max(longest[name], seconds)
            if said in ended[name]:
                ended[name][said] += 1
            else:
                wrong.append(said)
                print(said, file=sys.stderr, flush=True)
            if done % 500 == 0:
                deliver(done, ended, longest, wrong)
    deliver(done, ended, longest, wrong)


def deliver(done, ended, longest, wrong):
    """Print the table so far and keep it."""
    lines = [f"{'file':<18}{'taken':>8}{'refused':>9}{'longest processor s':>21}"]
    for name, by in ended.items():
        lines.append(f"{name:<18}{by['taken']:>8}{by['refused']:>9}{longest[name]:>21.2f}")
    lines.append(f"{done:,} files: {len(wrong)} faults")
    text = "\n".join(lines + wrong[:40]) + "\n"
    print(text, flush=True)
    (Path(__file__).parent / "fuzz.txt").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    main(*[*given, *(20_000, 1)[len(given) :]])
