"""Simulated towns of known truth: error, cover and width of the annual estimate.

    python tests/bench/bench_annual_town.py 12

prints, pooled over so many seeds of tests/made_town_counts.py (10 permanents, 40 short counts each), the
mean absolute log error, the cover of 95 % intervals and their mean width on the log scale.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent.parent))

import made_town_counts

from countmap.annual.estimate import estimate


def main(seeds):
    """Run both methods on week-long and two-day counts and print the table."""
    parts = []
    for days in (2, 7):
        for seed in range(seeds):
            made = made_town_counts.town(seed, days=days)
            for method in ("matched", "textbook"):
                settings = replace(made.inputs.settings, method=method)
                annual = estimate(replace(made.inputs, settings=settings)).annual
                row = annual[annual["sense"].eq("both") & annual["status"].eq("estimated")]
                truth = row["station_id"].map(made.truth)
                found = pd.DataFrame({"error": np.abs(np.log(row["aadt"] / truth))})
                found["cover"] = row["lower"].le(truth) & truth.le(row["upper"])
                found["width"] = np.log(row["upper"] / row["lower"])
                parts.append(found.assign(days=days, method=method))
    print(pd.concat(parts).groupby(["days", "method"]).mean().round(4).to_string())


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 12)
