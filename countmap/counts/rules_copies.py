"""The rule that finds copied days: hours that equal those of another day one by one."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import special

from countmap.counts.bench import Bench
from countmap.counts.rules import Finding, Numbers, power_of_ten, rule, span

if TYPE_CHECKING:
    from numpy.typing import NDArray

BLOCK = 6
# Odd multipliers of a rolling hash over the bits of six counts; any odd numbers would do.
_ODD = np.array(
    [
        0x9E3779B97F4A7C15,
        0xBF58476D1CE4E5B9,
        0x94D049BB133111EB,
        0xD6E8FEB86659FD93,
        0xA0761D6478BD642F,
        0xE7037ED1A0B428DB,
    ],
    dtype=np.uint64,
)
# A block whose own chance is above this is left to a longer one that starts elsewhere.
_COMMON = -3.5 * np.log(10)


@rule(
    "copied",
    "[D] a block equal to the same hours of another day, 6 or more hours with traffic",
    {"chance": 1e-3},
)
def copied(bench: Bench, numbers: Numbers) -> list[Finding]:
    """Find six hours or more with traffic that equal the same hours of another day or station.

    Two independent Poisson counts of mean v agree with probability e^(−2v) I₀(2v). A block is found
    if less than ``chance`` such coincidences are expected among all pairs of days: of the record
    for a day of its own, of all records for a day of another.
    """
    log = np.where(bench.count > 0, np.log(special.ive(0, 2 * np.nan_to_num(bench.count))), 0.0)
    one, other, hour = _equal_windows(bench.count, log)
    if not len(one):
        return []
    begin, end = _extent(bench.count[one] == bench.count[other], hour)
    sums = np.concatenate([np.zeros((len(log), 1)), log.cumsum(axis=1)], axis=1)
    chance = sums[one, end] - sums[one, begin]
    size = (bench.records["stop"] - bench.records["first"]).to_numpy(dtype=float)
    own_pairs, all_pairs = np.log((size**2).sum() / 2), np.log(size.sum() ** 2 / 2)
    same = bench.record[one] == bench.record[other]
    expected = chance + np.where(same, own_pairs, all_pairs)
    real = expected < np.log(numbers["chance"])
    found = _directed(bench, one[real], other[real])
    found = found.assign(
        begin=np.tile(begin[real], 2), end=np.tile(end[real], 2), log=np.tile(expected[real], 2)
    )
    found = found[found["copy"]].sort_values(["log", "row", "source"])
    return _merged(bench, found.drop_duplicates("row"))


def _equal_windows(
    count: NDArray[np.float64], log: NDArray[np.float64]
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Return pairs of rows and the hour from which six counts above zero are equal."""
    bits = np.ascontiguousarray(count).view(np.uint64)
    there = count > 0
    keys, rows, hours = [], [], []
    for hour in range(24 - BLOCK + 1):
        window = slice(hour, hour + BLOCK)
        at = np.flatnonzero(there[:, window].all(axis=1) & (log[:, window].sum(axis=1) < _COMMON))
        key = (bits[at, window] * _ODD).sum(axis=1, dtype=np.uint64)
        keys.append(key ^ np.uint64(hour * 0x2545F491 + 1))
        rows.append(at)
        hours.append(np.full(len(at), hour))
    key, row, hour_ = np.concatenate(keys), np.concatenate(rows), np.concatenate(hours)
    order = np.lexsort((row, hour_, key))
    key, row, hour_ = key[order], row[order], hour_[order]
    twin = np.flatnonzero((key[1:] == key[:-1]) & (hour_[1:] == hour_[:-1]))
    pairs = pd.DataFrame({"one": row[twin], "other": row[twin + 1], "hour": hour_[twin]})
    pairs = pairs.drop_duplicates(["one", "other"])
    columns = np.arange(BLOCK) + pairs["hour"].to_numpy()[:, None]
    a = count[pairs["one"].to_numpy()[:, None], columns]
    b = count[pairs["other"].to_numpy()[:, None], columns]
    pairs = pairs[(a == b).all(axis=1)]
    one, other, hour = (pairs[n].to_numpy(dtype=np.int64) for n in ("one", "other", "hour"))
    return one, other, hour


def _extent(
    equal: NDArray[np.bool_], hour: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return first and stop of the run of equal hours around ``hour``."""
    hours = np.arange(24)
    before = np.where(~equal & (hours < hour[:, None]), hours, -1).max(axis=1)
    after = np.where(~equal & (hours > hour[:, None]), hours, 24).min(axis=1)
    return before + 1, after


def _directed(bench: Bench, one: NDArray[np.int64], other: NDArray[np.int64]) -> pd.DataFrame:
    """Return each pair both ways; ``copy`` says whether ``row`` may be the copy of ``source``."""
    row, source = np.concatenate([one, other]), np.concatenate([other, one])
    return pd.DataFrame({"row": row, "source": source, "copy": bench.day[row] >= bench.day[source]})


def _merged(bench: Bench, found: pd.DataFrame) -> list[Finding]:
    """Return one finding for days in a row that copy days in a row of one record."""
    found = found.sort_values("row").reset_index(drop=True)
    row, source = found["row"].to_numpy(), found["source"].to_numpy()
    found["record"], found["from"] = bench.record[row], bench.record[source]
    found["lag"] = (bench.day[row] - bench.day[source]).astype(int)
    found["day"] = bench.day[row].astype(int)
    keys = ["record", "from", "lag"]
    new = (found[keys].diff() != 0).any(axis=1) | (found["day"].diff() != 1)
    findings = []
    for _, part in found.groupby(new.cumsum()):
        a, b = part.iloc[0], part.iloc[-1]
        hours = int((part["end"] - part["begin"]).sum())
        inside = [
            bench.count[r, i:j].sum()
            for r, i, j in zip(part["row"], part["begin"], part["end"], strict=True)
        ]
        station, sense = bench.name(int(a["record"]))
        there, its_sense = bench.name(int(a["from"]))
        place = "" if a["record"] == a["from"] else f" at station {there} ({its_sense})"
        why = (
            f"{hours} hours from {bench.day[int(a['row'])]} {int(a['begin']):02d}:00 equal those from"
            f" {bench.day[int(a['source'])]}{place} one by one ({sum(inside):,.0f} vehicles);"
            f" expected by chance {power_of_ten(part['log'].min())} times"
        )
        when = span(
            bench.day[int(a["row"])], bench.day[int(b["row"])], (int(a["begin"]), int(b["end"]))
        )
        findings.append(Finding(station, sense, *when, "fail", why))
    return findings
