"""Where the periods of one set of counts meet those of another."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from numpy.typing import NDArray

SERIES = ["station_id", "sense", "lane", "quantity", "vehicle_class", "scheme"]
SERIES += ["speed_low_kmh", "speed_high_kmh"]
KEY = [*SERIES, "start_utc", "minutes"]


def overlaps(new: pd.DataFrame, old: pd.DataFrame) -> pd.DataFrame:
    """Return where the periods of ``new`` meet those of ``old`` in time.

    Parameters
    ----------
    new, old : DataFrame
        PERIODS.

    Returns
    -------
    DataFrame
        One row for each station and sense that meets: ``station_id, sense, first_utc, last_utc``
        (of the meeting periods of ``new``, end exclusive), ``rows`` (how many), ``same`` (say what
        ``old`` says), ``different`` (the same period with another count), ``across`` (another
        period that covers part of the same time).
    """
    names = ["station_id", "sense", "first_utc", "last_utc", "rows", "same", "different", "across"]
    kind = _meeting(new, old)
    met = new[kind != ""].assign(kind=kind[kind != ""])
    if met.empty:
        return pd.DataFrame({n: [] for n in names})
    met["last_utc"] = met["start_utc"] + pd.to_timedelta(met["minutes"], unit="m")
    for name in ("same", "different", "across"):
        met[name] = met["kind"] == name
    found = met.groupby(["station_id", "sense"], as_index=False).agg(
        first_utc=("start_utc", "min"),
        last_utc=("last_utc", "max"),
        rows=("kind", "size"),
        same=("same", "sum"),
        different=("different", "sum"),
        across=("across", "sum"),
    )
    return found[names]


def fresh(new: pd.DataFrame, old: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of ``new`` that do not merely repeat a row of ``old``."""
    return new[_meeting(new, old) != "same"].reset_index(drop=True)


def _meeting(new: pd.DataFrame, old: pd.DataFrame) -> NDArray[np.str_]:
    """Return for each row of ``new`` how it meets ``old``: same, different, across or ``""``."""
    kind = np.full(len(new), "", dtype="U9")
    if new.empty or old.empty:
        return kind
    both = pd.concat([new, old], ignore_index=True)
    is_new = np.arange(len(both)) < len(new)
    code = both.groupby(SERIES, dropna=False, sort=False).ngroup().to_numpy()
    start = both["start_utc"].astype("int64").to_numpy() // 60_000_000
    end = start + both["minutes"].to_numpy().astype("int64")
    span = int(end.max() - start.min() + 1)
    shift = code * span - start.min()
    old_start = np.sort((start + shift)[~is_new])
    old_end = np.sort((end + shift)[~is_new])
    # Periods of one series do not overlap among themselves, so starts and ends sort alike.
    begun = np.searchsorted(old_start, (end + shift)[is_new], side="left")
    ended = np.searchsorted(old_end, (start + shift)[is_new], side="right")
    kind[begun > ended] = "across"
    there = new.assign(at=np.arange(len(new))).merge(
        old[[*KEY, "count"]], on=KEY, suffixes=("", "_old"), how="inner"
    )
    equal = there["count"].fillna(-1) == there["count_old"].fillna(-1)
    kind[there["at"].to_numpy()] = np.where(equal, "same", "different")
    return kind
