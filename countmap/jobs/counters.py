"""``surveys counters``: the counters of the surveys, their clocks, and which of them disagree."""

from __future__ import annotations

from countmap.balance import counters
from countmap.jobs.common import Document, Workspace, records


def list_(ws: Workspace, *, year: int | None = None) -> Document:
    """Return the counters; with a year, each is held against the balance of that year."""
    flows = ws.register.results("flows", year)
    found = counters.register(ws.register.frame("surveys"), flows if year else flows.iloc[:0])
    return {"year": year, "counters": records(found)}
