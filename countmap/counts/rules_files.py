"""The finding on files that contradict each other."""

from __future__ import annotations

import pandas as pd

from countmap.counts.rules import Finding

RULE = "conflict"


def conflicts(differing: pd.DataFrame) -> list[Finding]:
    """Return one finding for each station, sense and pair of files that count one period differently.

    Parameters
    ----------
    differing : DataFrame
        ``station_id, sense, start_utc, minutes, count, file, other_count, other_file``: what holds,
        and what does not.
    """
    findings = []
    keys = ["station_id", "sense", "file", "other_file"]
    for (station, sense, file, other), part in differing.groupby(keys, sort=True):
        ends = part["start_utc"] + pd.to_timedelta(part["minutes"], unit="min")
        first, last = part["start_utc"].min(), ends.max()
        if file == other:
            told = (
                f"{file} counts {len(part)} periods twice, with different figures: they are missing"
            )
        else:
            told = (
                f"{len(part)} periods are counted in {file} ({part['count'].sum():,.0f} vehicles) and"
                f" otherwise in {other} ({part['other_count'].sum():,.0f}); the file imported first holds"
            )
        findings.append(Finding(str(station), str(sense), _utc(first), _utc(last), "warn", told))
    return findings


def _utc(time: pd.Timestamp) -> pd.Timestamp:
    return time.tz_localize("UTC") if time.tzinfo is None else time
