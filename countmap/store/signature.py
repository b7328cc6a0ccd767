"""Who and when: what every decision and every run is signed with."""

from __future__ import annotations

import getpass
from datetime import UTC, datetime

import pandas as pd

from countmap.store import rows


def who() -> str:
    """Return the login name, or ``unknown`` where the system has none."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "unknown"


def moment() -> pd.Timestamp:
    """Return this moment, UTC, to the microsecond."""
    return pd.Timestamp(datetime.now(UTC)).as_unit("us")


def stamp_now() -> str:
    """Return this moment as the register writes times."""
    return rows.stamp(moment())
