"""Invented problems of rounds: stations around a depot, working days, crews and counters."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np

from countmap.plan import rounds


def weekdays(first, number):
    found, at = [], first
    while len(found) < number:
        if at.weekday() < 5:
            found.append(at)
        at += timedelta(days=1)
    return tuple(found)


def problem(seed, n, *, crews=3, stock=30, days=15, full=6, longest=9, wide=25.0, **more):
    """Return stations strewn in clusters within ``wide`` minutes of the depot."""
    rng = np.random.default_rng([99, seed])
    centres = rng.uniform(-wide, wide, (max(1, n // 6), 2))
    place = centres[rng.integers(0, len(centres), n)] + rng.normal(0, 3, (n, 2))
    place = np.vstack([[0.0, 0.0], place])
    away = np.hypot(*(place[:, None] - place[None]).transpose(2, 0, 1))
    settings = rounds.RoundSettings(**more)
    dates = weekdays(date(2026, 5, 4), days)
    group = np.arange(n, dtype=np.int64)
    allowed = rounds.allowed_days(dates, group, [{}] * n, full_days=full, longest_days=longest)
    spans = rounds.working_spans(dates, (52.0, 10.0), "Europe/Berlin", settings)
    names = tuple(f"S{i:02d}" for i in range(n))
    return rounds.Problem(names, away * 1.3, group, dates, allowed, spans, crews, stock, settings)
