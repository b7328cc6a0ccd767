"""The finding on files that contradict each other."""

from __future__ import annotations

import pandas as pd

from countmap.counts.rules import Finding
from countmap.rounding import number_of

RULE = "conflict"


def conflicts(differing: pd.DataFrame) -> list[Finding]:
    """Return one finding for each station, sense and pair of files that count one period differently.

    Parameters
    ----------
    differing : DataFrame
        ``station_id, sense, start_utc, minutes, count, file, other_count, other_file``: what each of
        the two files says. None holds, the periods are missing.
    """
    findings = []
    keys = ["station_id", "sense", "file", "other_file"]
    for (station, sense, file, other), part in differing.groupby(keys, sort=True):
        ends = part["start_utc"] + pd.to_timedelta(part["minutes"], unit="min")
        first, last = part["start_utc"].min(), ends.max()
        many = len(part) > 1
        periods = number_of(len(part), "period")
        missing = f"{'they are' if many else 'it is'} missing until"
        if file == other:
            told = (
                f"{file} counts {periods} twice, with different figures;"
                f" {missing} the file is corrected"
            )
        else:
            told = (
                f"{periods} {'are' if many else 'is'} counted in {file}"
                f" ({part['count'].sum():,.0f} vehicles) and otherwise in {other}"
                f" ({part['other_count'].sum():,.0f}); {missing} one of the two files is left out"
            )
        findings.append(Finding(str(station), str(sense), _utc(first), _utc(last), "warn", told))
    return findings


def _utc(time: pd.Timestamp) -> pd.Timestamp:
    return time.tz_localize("UTC") if time.tzinfo is None else time
