"""Several processes on one workspace at once: writers that put, decide and import, readers that look."""

from __future__ import annotations

import multiprocessing
import time
from dataclasses import dataclass

import made_store
import pandas as pd

from countmap.store import queries, verify
from countmap.workspace import open_workspace

PROCESSES = multiprocessing.get_context("forkserver")
PROCESSES.set_forkserver_preload(["made_writers", "pyarrow.parquet"])


@dataclass(frozen=True)
class Ended:
    """What one process did: how often, the longest wait for one act, and every error as text."""

    who: str
    acts: int
    longest_s: float
    errors: tuple[str, ...]
    said: tuple[int, ...] = ()


def write(folder, number, rounds, seconds, pipe):
    """Put a pair of stations, decide about it, import a day; for some rounds or seconds."""
    until, longest, errors, said = time.monotonic() + seconds, 0.0, [], []
    ws = open_workspace(folder)
    acts = 0
    for turn in range(rounds):
        if time.monotonic() > until:
            break
        name = f"{number}-{turn}"
        pair = pd.DataFrame({"station_id": [f"{name}a", f"{name}b"], "name": name})
        day = made_store.periods("2025-01-01", [float(turn)] * 24, station=f"{name}a")
        for act in (
            lambda pair=pair: _put(ws, pair),
            lambda pair=pair, name=name: said.append(_decide(ws, name, pair)),
            lambda day=day, name=name: made_store.add(ws, day, f"{name}.csv"),
        ):
            began = time.monotonic()
            try:
                act()
            except Exception as error:  # noqa: BLE001  # any error is a finding
                errors.append(f"{type(error).__name__}: {error}")
            longest = max(longest, time.monotonic() - began)
            acts += 1
    pipe.send(Ended(f"writer {number}", acts, longest, tuple(errors), tuple(said)))


def _put(ws, pair):
    with ws.register.transaction() as writing:
        writing.put("stations", pair)


def _decide(ws, name, pair):
    with ws.register.transaction() as writing:
        return writing.decide("name", name, "", {"stations": pair.assign(road="decided")})


def read(folder, number, rounds, seconds, pipe):
    """Look at the register and the counts; nothing that was there may be gone, or be half there."""
    until, longest, errors = time.monotonic() + seconds, 0.0, []
    seen, acts = 0, 0
    for _ in range(rounds):
        if time.monotonic() > until:
            break
        began = time.monotonic()
        try:
            ws = open_workspace(folder)
            stations = ws.register.frame("stations")
            pairs = stations[stations["name"].str.contains("-", na=False)]
            if len(pairs) % 2 or pairs.groupby("name")["road"].nunique(dropna=False).max() > 1:
                errors.append("half a pair was seen")
            decisions = ws.register.frame("decisions")
            if decisions["decision_id"].tolist() != list(range(1, max(seen, len(decisions)) + 1)):
                errors.append(f"the log has {len(decisions)} entries, it had {seen}")
            seen = len(decisions)
            queries.day_totals(ws, stations=["0-0a"])
        except Exception as error:  # noqa: BLE001  # any error is a finding
            errors.append(f"{type(error).__name__}: {error}")
        longest = max(longest, time.monotonic() - began)
        acts += 1
    pipe.send(Ended(f"reader {number}", acts, longest, tuple(errors)))


def run(folder, writers, readers, *, rounds=1_000_000, seconds=1e9):
    """Run all of them to their end and return what each did."""
    made_store.workspace(folder, with_roads=False)
    parts = []
    for act, number in (
        *((write, n) for n in range(writers)),
        *((read, n) for n in range(readers)),
    ):
        ours, theirs = PROCESSES.Pipe(duplex=False)
        process = PROCESSES.Process(target=act, args=(folder, number, rounds, seconds, theirs))
        process.start()
        theirs.close()
        parts.append((process, ours))
    ended = [ours.recv() for _, ours in parts]
    for process, _ in parts:
        process.join()
    return ended


def faults(folder, ended):
    """Return what is wrong with the register afterwards, given what the writers said."""
    ws = open_workspace(folder)
    log = ws.register.frame("decisions")
    files = ws.register.frame("files")
    said = sorted(number for one in ended for number in one.said)
    found = [error for one in ended for error in one.errors]
    if (
        log["decision_id"].tolist() != list(range(1, len(log) + 1))
        or said != log["decision_id"].tolist()
    ):
        found.append("the numbers of the decisions have a gap, or not all are acknowledged once")
    if sorted(files["seq"]) != list(range(1, len(files) + 1)):
        found.append("the numbers of the files have a gap")
    if not ws.register.frame("changes").groupby("decision_id").size().eq(2).all():
        found.append("a decision has lost a row")
    writers = [one for one in ended if one.who.startswith("writer")]
    if sum(one.acts for one in writers) != 2 * len(log) + len(files):
        found.append("fewer rows than acts")
    return found + [str(finding) for finding in verify.check(ws.register, ws.blocks)]
