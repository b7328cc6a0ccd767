"""``countmap plan``: where to count next."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

import typer

from countmap.cli.common import (
    HERE,
    Dir,
    Document,
    DryRun,
    Json,
    Year,
    columns,
    deliver,
    flow,
    group,
    note_lines,
    opened,
    plural,
    progress,
)

app = group("Where to count next.")

SHOWN = 40
Cost = Annotated[
    Path | None,
    typer.Option("--cost", help="CSV id, cost: what a count there costs; else 1 each."),
]


@app.command()
def reaches(
    year: Annotated[
        int | None, typer.Option("--year", help="Of the flows; default the last.")
    ] = None,
    workspace: Dir = HERE,
    as_json: Json = False,
) -> None:
    """List the reaches: sections of one road alike enough to share a count."""
    from countmap.jobs import coverage

    deliver(coverage.reaches_(opened(workspace), year=year), as_json, _reaches)


def _reaches(d: Document) -> Iterator[str]:
    yield (
        f"{plural(d['sections'], 'section')} make {len(d['reaches']):,} reaches;"
        f" {d['with_flow']:,} sections have a flow to go by"
    )
    rows = [
        [
            r["reach_id"],
            r["road"] or "",
            r["road_class"] or "",
            f"{r['length_km']:.2f} km",
            r["why"],
        ]
        for r in d["reaches"]
        if " " in r["sections"]
    ]
    yield from columns(rows[:SHOWN], right=(3,))
    yield from _more(len(rows))


@app.command()
def due(
    on: Annotated[
        str, typer.Option("--on", help="The day to judge age by, YYYY-MM-DD; default today.")
    ] = "",
    workspace: Dir = HERE,
    as_json: Json = False,
) -> None:
    """List the reaches whose count is older than their cycle, with the reason."""
    from countmap.jobs import coverage

    deliver(coverage.due(opened(workspace), on=on), as_json, _due)


def _due(d: Document) -> Iterator[str]:
    yield (
        f"On {d['on']}: {d['km_in_cycle']:,.1f} of {d['km']:,.1f} km are within their cycle"
        f" ({d['share_in_cycle']:.0%}); {plural(len(d['due']), 'place')} due"
    )
    if d["vehicle_km"]:
        yield (
            f"That is {d['vehicle_km_in_cycle']:,.0f} of {d['vehicle_km']:,.0f} vehicle-km a day that have a flow."
            f" Known within ± {100 * d['known_within']:.0f} %: {d['known_km']:,.1f} of"
            f" {d['all_km']:,.1f} km"
        )
    rows = [
        [
            s["reach_id"],
            s["road"] or "",
            s["road_class"] or "",
            f"{s['length_km']:.2f} km",
            s["why"],
        ]
        for s in d["due"]
    ]
    yield from columns(rows[:SHOWN], right=(3,))
    yield from _more(len(rows))


def _more(number: int) -> Iterator[str]:
    if number > SHOWN:
        yield f"… and {number - SHOWN:,} more (--json lists all)"


@app.command("next")
def next_(
    year: Year,
    budget: Annotated[
        float, typer.Option("--budget", help="How many counts, or what they may cost.", min=0)
    ] = 10,
    cost: Cost = None,
    weights: Annotated[
        str,
        typer.Option("--weights", help="none, km, vehicle-km, class, or a CSV of id, weight."),
    ] = "none",
    must: Annotated[
        list[str] | None, typer.Option("--must", help="Count this station, link or section.")
    ] = None,
    exclude: Annotated[
        list[str] | None, typer.Option("--exclude", help="Leave this one out.")
    ] = None,
    local: Annotated[
        bool, typer.Option("--local", help="Streets counted on request are candidates too.")
    ] = False,
    workspace: Dir = HERE,
    dry_run: DryRun = False,
    as_json: Json = False,
) -> None:
    """Name the stations that tell most for the budget, and what they will make known."""
    from countmap.jobs import plan

    with progress("Choosing"):
        document = plan.next_(
            opened(workspace),
            year=year,
            budget=budget,
            cost=cost,
            weights=weights,
            must=tuple(must or ()),
            exclude=tuple(exclude or ()),
            local=local,
            dry_run=dry_run,
        )
    deliver(document, as_json, _next)


def _next(d: Document) -> Iterator[str]:
    yield from note_lines(d)
    yield (
        f"{plural(len(d['next']), 'count')} of {d['candidates']:,} candidates"
        f" ({d['spent']:g} of a budget of {d['budget']:g})"
    )
    yield from columns(
        [
            [
                f"{s['rank']}",
                s["section_id"],
                s["station_id"] or "",
                s["road"] or "",
                s["road_class"] or "",
                f"about {flow(s['flow'])}",
                f"{s['information']:.2f} nats",
                s["why"],
            ]
            for s in d["next"]
        ],
        right=(0, 5, 6),
    )
    total = d["total"]
    for one in total["within"]:
        yield (
            f"Known within ± {100 * one['within']:.0f} %, by the estimate of all flows together:"
            f" {one['km_before']:,.1f} of {total['km']:,.1f} km, then {one['km_after']:,.1f} km"
        )
    yield (
        f"Mean interval by vehicle-km: ± {100 * total['half_width_before']:.0f} %, then"
        f" ± {100 * total['half_width_after']:.0f} %. A new count is taken to ±"
        f" {100 * 1.96 * d['new_count_error']:.0f} %"
    )


@app.command()
def settle(
    station_id: Annotated[str, typer.Argument(metavar="STATION", help="One of the suspects.")],
    year: Year,
    workspace: Dir = HERE,
    as_json: Json = False,
) -> None:
    """Say which count would tell apart the stations that the balance cannot."""
    from countmap.jobs import plan

    with progress("Weighing the stories"):
        document = plan.settle_(opened(workspace), station_id, year=year)
    deliver(document, as_json, _settle)


def _settle(d: Document) -> Iterator[str]:
    yield from note_lines(d)
    who = " or ".join(d["suspects"])
    said = "In dispute" if d["accused"] else "Nobody accuses it; tested against chance"
    yield f"{said}: {who}. The most telling counts, with the odds to expect for the truth:"
    stories = [k.removeprefix("expect_") for k in d["counts"][0] if k.startswith("expect_")]
    for one in d["counts"]:
        if one["odds"] < 1.5:
            break
        odds = f"{min(one['odds'], 1000):,.0f} to 1" + ("+" if one["odds"] > 1000 else "")
        told = "; ".join(
            f"{flow(one['expect_' + s])} if {s} is wrong"
            if s in d["suspects"]
            else f"{flow(one['expect_' + s])} if it was chance"
            for s in stories
        )
        where = f"{one['section_id']} {one['road'] or ''}".strip()
        at = f" (station {one['stations']})" if one["stations"] else ""
        yield f"  {odds:>12}  {where}{at}: {told}"
    if not d["counts"] or d["counts"][0]["odds"] < 1.5:
        yield "No single count would tell them apart."


@app.command()
def observe(year: Year, cost: Cost = None, workspace: Dir = HERE, as_json: Json = False) -> None:
    """Find the cheapest counts after which every flow follows by conservation alone."""
    from countmap.jobs import plan

    with progress("Seeking the cheapest set"):
        document = plan.observe_(opened(workspace), year=year, cost=cost)
    deliver(document, as_json, _observe)


def _observe(d: Document) -> Iterator[str]:
    yield f"{plural(d['counted'], 'section')} counted. For every flow to follow by conservation alone:"
    for name, what in (
        ("stations", "more stations that count both senses"),
        ("senses", "more counts of single senses"),
    ):
        one = d[name]
        yield f"  {one['number']:,} {what}, cost {one['cost']:g}"
    yield "A two-way street is never told by its neighbours: conservation sees only what one sense has more."


@app.command()
def permanent(year: Year, workspace: Dir = HERE, as_json: Json = False) -> None:
    """Say where one more permanent station would improve the factors most."""
    from countmap.jobs import plan

    with progress("Comparing patterns"):
        document = plan.permanent(opened(workspace), year=year)
    deliver(document, as_json, _permanent)


def _permanent(d: Document) -> Iterator[str]:
    if not d["places"]:
        yield "No short count has hours of weekdays and weekends to judge by"
        return
    yield (
        f"{d['permanents']} permanent stations leave the factors of {d['short']} short counts"
        f" ± {100 * d['before']:.1f} % (one standard error); one more, kept at:"
    )
    yield from columns(
        [
            [
                p["station_id"],
                p["name"] or p["road"] or "",
                f"± {100 * p['after']:.1f} %",
                f"helps {plural(len(p['helped'].split()), 'other')}",
                f"most like {p['nearest']} ({p['alike']:.2f})",
            ]
            for p in d["places"]
        ],
        right=(2,),
    )


@app.command()
def spots(
    name: Annotated[str, typer.Argument(metavar="ID", help="A section, a link or a station.")],
    avoid: Annotated[
        Path | None, typer.Option("--avoid", help="CSV kind, lon, lat: schools, signals, accesses.")
    ] = None,
    workspace: Dir = HERE,
    as_json: Json = False,
) -> None:
    """Propose two or three exact places for tubes, each with its reasons."""
    from countmap.jobs import rounds

    deliver(rounds.spots_(opened(workspace), name, avoid=avoid), as_json, _spots)


def _spots(d: Document) -> Iterator[str]:
    yield f"{d['road'] or d['section_id'] or d['asked']}: from the drawing alone; look before you lay"
    for n, one in enumerate(d["spots"], start=1):
        fit = "" if one["fit"] else " (breaks a rule)"
        yield (
            f"  {n}. {one['link_id']} at {one['offset_m']:.0f} m"
            f" ({one['lat']:.5f}, {one['lon']:.5f}){fit}: {one['why']}"
        )


From = Annotated[str, typer.Option("--from", help="First day of the season, YYYY-MM-DD.")]
To = Annotated[str, typer.Option("--to", help="Last day of the season.")]
Names = Annotated[
    list[str] | None,
    typer.Option("--station", help="A station or section; default: those of the last plan."),
]
Days = Annotated[
    int | None, typer.Option("--days", help="Full normal days wanted; default 6.", min=1)
]


@app.command()
def seasons(
    first: From,
    last: To,
    station: Names = None,
    days: Days = None,
    workspace: Dir = HERE,
    as_json: Json = False,
) -> None:
    """List the windows of full normal days, and which stations stand in the same days."""
    from countmap.jobs import rounds

    document = rounds.seasons_(
        opened(workspace), first=first, last=last, names=tuple(station or ()), full_days=days
    )
    deliver(document, as_json, _seasons)


def _seasons(d: Document) -> Iterator[str]:
    yield (
        f"{plural(len(d['windows']), 'window')} of {d['full_days']} full normal days from"
        f" {d['first']} to {d['last']} (holidays: {d['calendar'] or 'no calendar'})"
    )
    yield from columns(
        [
            [
                f"set {w['set_at'].replace('T', ' ')[:16]}",
                f"collect {w['collect_at'].replace('T', ' ')[:16]}",
                w["why"],
            ]
            for w in d["windows"][:SHOWN]
        ]
    )
    yield from _more(len(d["windows"]))
    if d["odd_days"]:
        yield f"{plural(len(d['odd_days']), 'day')} not normal: " + "; ".join(_runs(d["odd_days"]))
    for name, own in d["own_odd_days"].items():
        yield f"  {name} alone: " + "; ".join(
            _runs([{"date": day, "why": why} for day, why in own.items()])
        )
    groups: dict[str, list[str]] = {}
    for one in d["groups"]:
        groups.setdefault(one["group"], []).append(one["station_id"])
    for inside in groups.values():
        if len(inside) > 1:
            yield f"Same days: {', '.join(inside)}"


def _runs(days: list[Document]) -> Iterator[str]:
    """Yield odd days with one reason after another as spans."""
    from datetime import date, timedelta

    start = before = None
    why = ""
    for one in [*days, {"date": "", "why": ""}]:
        at = date.fromisoformat(one["date"]) if one["date"] else None
        if before and at and one["why"] == why and at - before == timedelta(days=1):
            before = at
            continue
        if start:
            yield f"{start} {why}" if start == before else f"{start} to {before} {why}"
        start, before, why = at, at, one["why"]


@app.command()
def rounds(
    first: From,
    last: To,
    depot: Annotated[str, typer.Option("--depot", help="Where crews start: lon,lat.")],
    crews: Annotated[int, typer.Option("--crews", help="Crews of two or more.")] = 1,
    stock: Annotated[int, typer.Option("--counters", help="Counters in stock.")] = 10,
    station: Names = None,
    days: Days = None,
    apart: Annotated[
        bool, typer.Option("--apart", help="Stations of a junction need not share their days.")
    ] = False,
    improve: Annotated[
        int, typer.Option("--improve", help="Seconds for the routing solver (extra routes).")
    ] = 0,
    workspace: Dir = HERE,
    dry_run: DryRun = False,
    as_json: Json = False,
) -> None:
    """Plan who sets and collects which counter when; feasible, or the constraint that breaks."""
    from countmap.jobs import rounds as planned

    with progress("Planning the rounds"):
        document = planned.rounds_(
            opened(workspace),
            first=first,
            last=last,
            depot=depot,
            crews=crews,
            stock=stock,
            names=tuple(station or ()),
            full_days=days,
            apart=apart,
            improve_s=improve,
            dry_run=dry_run,
        )
    deliver(document, as_json, _rounds)


def _rounds(d: Document) -> Iterator[str]:
    names = list(dict.fromkeys(v["round"] for v in d["visits"]))
    yield (
        f"{plural(len(names), 'round')} for {plural(len(d['places']), 'station')},"
        f" {d['minutes'] / 60:.1f} h of driving; {plural(d['crews'], 'crew')} of {d['people']},"
        f" {d['stock']} counters"
    )
    for name in names:
        yield f"{name}:"
        yield from columns(
            [
                [f"  {v['start']}–{v['leave']}", v["visit"], v["station_id"], _road(d, v)]
                for v in d["visits"]
                if v["round"] == name
            ]
        )
    yield from d["breaks"]


def _road(d: Document, visit: Document) -> str:
    place = next(p for p in d["places"] if p["station_id"] == visit["station_id"])
    return place["road"] or ""
