"""The four questions across the top of the map and the one-line answer to each."""

from __future__ import annotations

import numpy as np
import pandas as pd

from countmap.publish.attention import marked
from countmap.publish.content import MapContent
from countmap.publish.figures import shown

SURE = 0.10
UNSURE = 0.30
NAMED = 3
QUESTIONS = {
    "traffic": "What is the traffic?",
    "sure": "How sure are we?",
    "disagree": "What disagrees?",
    "next": "Where next?",
}


def answers(content: MapContent, links: pd.DataFrame) -> list[dict[str, str]]:
    """Return each question with its key and its answer.

    Parameters
    ----------
    content : MapContent
    links : DataFrame
        One row a link: ``name, length_m, figure, lower, upper, rel`` (figures as shown).
    """
    lines = (_traffic(content, links), _sure(links), _disagree(content), _next(content, links))
    return [
        {"key": key, "question": question, "answer": answer}
        for (key, question), answer in zip(QUESTIONS.items(), lines, strict=True)
    ]


def km(metres: float) -> str:
    """Return a length for a sentence: 0.4 km, 12 km, 1,240 km.

    >>> km(420), km(12_345), km(1_240_000)
    ('0.4 km', '12 km', '1,240 km')
    """
    return f"{metres / 1000:.1f} km" if metres < 10_000 else f"{metres / 1000:,.0f} km"


def many(count: int, one: str, more: str | None = None) -> str:
    """Return a count with its noun.

    >>> many(1, "junction"), many(3, "junction"), many(0, "place")
    ('1 junction', '3 junctions', 'no place')
    """
    if count == 0:
        return f"no {one}"
    return f"{count:,} {one if count == 1 else more or one + 's'}"


def _traffic(content: MapContent, links: pd.DataFrame) -> str:
    known = links[links["figure"].notna()]
    if known.empty:
        return f"No road has a figure for {content.year}."
    roads = _as_roads(content, known)
    most = roads.sort_values(["figure", "link_id"], ascending=[False, True]).iloc[0]
    name = most["name"] if isinstance(most["name"], str) and most["name"] else most["link_id"]
    interval = f" ({most['lower']:,.0f} to {most['upper']:,.0f})" if pd.notna(most["lower"]) else ""
    return (
        f"{content.year}: a figure on {km(known['length_m'].sum())} of "
        f"{km(links['length_m'].sum())}; most on {name}, "
        f"{most['figure']:,.0f} vehicles a day{interval}."
    )


def _as_roads(content: MapContent, known: pd.DataFrame) -> pd.DataFrame:
    """Return the links with a figure; those of a pair carry the figure of the pair."""
    roads = known.copy()
    for pair in content.pairs[content.pairs["flow"].notna()].itertuples():
        figures = shown([pair.flow, pair.lower, pair.upper], content.rounding)
        roads.loc[roads["link_id"].isin(pair.links.split()), ["figure", "lower", "upper"]] = figures
    return roads


def _sure(links: pd.DataFrame) -> str:
    metres, rel = links["length_m"], links["rel"]
    without = metres[links["figure"].notna() & rel.isna()].sum()
    none = metres[links["figure"].isna()].sum()
    said = f"{km(metres[rel <= SURE].sum())} of {km(metres.sum())} known within ± 10 %"
    wide = metres[rel > UNSURE].sum()
    rest = [
        f"{km(length)} {what}"
        for length, what in (
            (wide, "wider than ± 30 %"),
            (without, "without an interval"),
            (none, "without a figure"),
        )
        if length > 0
    ]
    return "; ".join([said, *rest]) + "."


def _disagree(content: MapContent) -> str:
    parts = []
    for frame, noun in ((content.junctions, "place"), (content.screenlines, "screenline")):
        tested = int(frame["verdict"].isin(("agrees", "disagrees")).sum())
        wrong = int((frame["verdict"] == "disagrees").sum())
        if tested:
            parts.append(f"{wrong} of {many(tested, noun)}")
    look = len(marked(content.findings, content.flags))
    tail = f"{many(look, 'station')} {'need' if look > 1 else 'needs'} a look."
    if not parts:
        return f"No place or screenline could be tested; {tail}"
    return f"{' and '.join(parts)} disagree; {tail}"


def _next(content: MapContent, links: pd.DataFrame) -> str:
    poor = links["figure"].isna() | (links["rel"] > UNSURE) | links["rel"].isna()
    blind = km(np.sum(links["length_m"][poor]))
    rest = f"{blind} have no figure, or none sure to ± 30 %{_longest(links)}."
    if content.audience == "public":
        return rest
    if content.due.empty:
        return f"Nothing is due; {rest}"
    planned = int(content.due["planned"].sum()) if "planned" in content.due else 0
    said = f"{many(len(content.due) - planned, 'place')} due; {rest}"
    return f"{many(planned, 'count')} planned, {said}" if planned else said


def _longest(links: pd.DataFrame) -> str:
    """Return the end of a sentence that names the longest roads without a figure."""
    bare = links[links["figure"].isna() & links["name"].fillna("").ne("")]
    metres = bare.groupby("name", as_index=False)["length_m"].sum()
    first = metres.sort_values(["length_m", "name"], ascending=[False, True])["name"].head(NAMED)
    return f"; longest without a figure first: {', '.join(first)}" if len(first) else ""
