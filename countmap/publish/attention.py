"""What on a map needs a look: suspects, failed checks, warnings; a gap that a counter admits is none."""

from __future__ import annotations

import pandas as pd

# A counter that says that it was off is believed: such gaps are told with the station, not marked.
ADMITTED = frozenset({"short_day", "weekday_missing"})
SEVERITIES = ("fail", "warn", "note")


def by_member(findings: pd.DataFrame) -> pd.DataFrame:
    """Return the findings once for every station that could be meant.

    ``alone`` says whether the station itself is held to be wrong: it is the one the finding names,
    and the finding is not one of traffic unseen between two stations.
    """
    members = [
        sorted({station, *(others.split() if isinstance(others, str) else ())})
        for station, others in zip(findings["station_id"], findings["set"], strict=True)
    ]
    every = findings.assign(accused=findings["station_id"], station_id=members)
    every = every.explode("station_id", ignore_index=True)
    alone = every["accused"].eq(every["station_id"]) & every["hypothesis"].ne("leak")
    return every.assign(alone=alone.astype("float64"))


def told(flags: pd.DataFrame) -> pd.DataFrame:
    """Return the flags as a reader counts them, what matters most first.

    Returns
    -------
    DataFrame
        FLAGS with ``look`` (true: open, a warning or worse, and no admitted gap). Flags of one rule
        and one span in both senses are one, of sense ``both``; where their words differ, both stand.
    """
    frame = flags.assign(
        sense=flags["sense"].astype("object"), reason=flags["reason"].astype("object")
    )
    key = ["station_id", "rule", "severity", "first_utc", "last_utc", "state"]
    frame = frame.sort_values(["flag_id"]).sort_values("sense", ascending=False, kind="stable")
    same = frame.groupby(key, sort=False)
    why = same["why"].agg(lambda words: "; the other sense: ".join(dict.fromkeys(words)))
    once = frame.drop_duplicates(key).assign(why=why.to_numpy())
    several = same.size().to_numpy() > 1
    once["sense"] = once["sense"].mask(several, "both")
    rank = once["severity"].map(SEVERITIES.index).astype("int64")
    serious = once["severity"].isin(("warn", "fail")) & ~once["rule"].isin(ADMITTED)
    once = once.assign(look=(once["state"].eq("open") & serious), rank=rank)
    order = ["station_id", "look", "rank", "first_utc", "flag_id"]
    ascending = [True, False, True, True, True]
    return once.sort_values(order, ascending=ascending, ignore_index=True)


def marked(findings: pd.DataFrame, flags: pd.DataFrame) -> list[str]:
    """Return the ids of the stations that need a look, in order."""
    serious = told(flags)
    named = set(by_member(findings)["station_id"].dropna())
    return sorted(named | set(serious.loc[serious["look"].eq(other=True), "station_id"]))
