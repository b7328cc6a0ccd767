"""Notes on what went on around a count: holidays, closures, events, school terms."""

from __future__ import annotations

import numpy as np
import pandas as pd

from countmap.counts.bench import Bench
from countmap.counts.rules import Finding, Numbers, rule, span

_SAID = {
    "closure": "a closure",
    "event": "an event",
    "school_holiday": "school holidays",
    "public_holiday": "a public holiday",
}


@rule("context", "[CP] such days are kept and told", {})
def context(bench: Bench, numbers: Numbers) -> list[Finding]:
    """Find days of the count on which a closure, event or holiday is known.

    A permanent station is told of what names its own link and of what closed every road: it has the
    whole year to compare.
    """
    links = bench.stations.set_index("station_id").get("link_id", pd.Series(dtype="str"))
    by_station = bench.records.groupby("station_id", sort=True)
    findings = []
    for station, records in by_station:
        days = np.unique(
            np.concatenate(
                [bench.day[a:b] for a, b in zip(records["first"], records["stop"], strict=True)]
            )
        )
        permanent = bool(records["permanent"].any())
        for known in bench.days.itertuples(index=False):
            own = _names(known.links, links.get(station))
            everywhere = own is None and known.kind in ("closure", "event")
            if own is False or (permanent and own is None and known.kind != "closure"):
                continue
            first, last = (np.datetime64(d, "D") for d in (known.first, known.last))
            met = days[(days >= first) & (days <= last)]
            if len(met):
                name = f" ({known.name})" if isinstance(known.name, str) and known.name else ""
                many = f"{len(met)} of {len(days)} days" if len(met) > 1 else f"{met[0]}"
                what = _SAID[str(known.kind)] + (" everywhere" if everywhere else "")
                why = f"{many} with {what}{name}"
                findings.append(Finding(str(station), None, *span(met[0], met[-1]), "note", why))
    return findings


def _names(listed: object, link: object) -> bool | None:
    """Return whether the list names the link; None where it means everywhere."""
    if not isinstance(listed, str) or not listed.strip():
        return None
    return isinstance(link, str) and link in listed.split()
