"""Sections, the chains of links between two junctions, and pairs, links published as one road."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely

from countmap.roads import declared
from countmap.roads.along import direction_deg, locate, samples, turn_deg
from countmap.roads.clusters import link_ends
from countmap.roads.junctions import internal
from countmap.roads.names import SAME, similarities
from countmap.tables import PAIRS, SECTIONS, require

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from countmap.roads.graph import Roads

DUAL_GAP_M = 40.0
"""Carriageways of one road lie at most this far apart (common practice)."""
COUPLE_GAP_M = 150.0
"""The two streets of a one-way couple lie at most this far apart (common practice)."""
LEAST_OVERLAP = 0.5
ALONG_DEG = 25.0
LOCAL_CLASSES = ("residential", "local", "living_street", "service", "unclassified", "track")
"""One-way streets of these classes are no couple: whole quarters of them alternate."""


def sections(roads: Roads, junctions: pd.DataFrame) -> pd.DataFrame:
    """Chain the links between two junctions.

    Parameters
    ----------
    junctions : DataFrame
        ``tables.JUNCTIONS`` of the same roads.

    Returns
    -------
    DataFrame
        ``tables.SECTIONS``, one row a link, sorted by ``section_id`` and ``seq`` (links inside a
        cluster last). A section is named after the first of its links in the order of text.

    Notes
    -----
    A section passes through bends and ends at every other node. It runs with the traffic where it
    is one-way, else from the junction whose id comes first. A chain from a junction back to it
    starts with the lesser of its two outer link ids; a single link of this form, and a closed loop
    without a junction that is one link, run counter-clockwise; a longer closed loop starts at
    its first node id, with the lesser of the two link ids there. So neither the order of the rows
    nor the way a link is drawn changes a section, ``forward`` apart.
    """
    links = roads.links
    ends = link_ends(roads)
    by_node = junctions.set_index("node_id").loc[roads.nodes["node_id"]]
    inside = internal(roads, junctions)
    node = ends["node"].to_numpy()
    partner = _partners(node, (by_node["kind"] == "bend").to_numpy(), inside)
    ids = links["link_id"].to_numpy(object)
    junction = by_node["junction_id"].to_numpy(object)
    entries = _chains(roads, ends, partner, inside, junction)
    chain_of = np.repeat(np.arange(len(entries)), [len(chain) for chain in entries])
    entry = np.array([end for chain in entries for end in chain], dtype=np.int64)
    link = entry // 2
    length = links["length_m"].to_numpy()[link]
    first = np.flatnonzero(np.diff(chain_of, prepend=-1))
    begin = first[chain_of]
    total = np.cumsum(length) - length
    last = np.append(first[1:], len(entry))[chain_of] - 1 if len(entry) else begin
    names = pd.Series(ids[link]).groupby(chain_of).min().to_numpy()
    rows = pd.DataFrame(
        {
            "link_id": ids[link],
            "section_id": names[chain_of],
            "seq": np.arange(len(entry)) - begin,
            "start_m": total - total[begin],
            "forward": entry % 2 == 0,
            "start_junction": junction[node[entry[begin]]],
            "end_junction": junction[node[entry[last] ^ 1]],
        }
    )
    hidden = junction[node[2 * np.flatnonzero(inside)]]
    inner = pd.DataFrame(
        {
            "link_id": ids[inside],
            "section_id": None,
            "seq": 0,
            "start_m": 0.0,
            "forward": True,
            "start_junction": hidden,
            "end_junction": hidden,
        }
    )
    text = ["link_id", "section_id", "start_junction", "end_junction"]
    rows = pd.concat([frame.astype(dict.fromkeys(text, "str")) for frame in (rows, inner)])
    rows = rows.sort_values(["section_id", "seq", "link_id"], ignore_index=True)
    return require(rows[list(SECTIONS.names)], SECTIONS)


def cul_de_sacs(sections: pd.DataFrame, junctions: pd.DataFrame) -> frozenset[str]:
    """Return the links of every section that ends at a node declared a cul-de-sac.

    An end that nobody declared is where the network was cut: no cul-de-sac.

    Parameters
    ----------
    sections, junctions : DataFrame
        ``tables.SECTIONS`` and ``tables.JUNCTIONS`` of the same roads.
    """
    closed = junctions.loc[junctions["kind"].eq("cul_de_sac"), "junction_id"]
    ends = sections[["start_junction", "end_junction"]].isin(closed.to_numpy()).any(axis=1)
    return frozenset(sections.loc[ends, "link_id"])


def _partners(
    node: NDArray[np.int64], bend: NDArray[np.bool_], inside: NDArray[np.bool_]
) -> NDArray[np.int64]:
    """Return for each link end the end it goes on with at a bend; −1 where a section ends."""
    partner = np.full(len(node), -1)
    at = np.flatnonzero(bend[node] & ~np.repeat(inside, 2))
    two = at[np.argsort(node[at], kind="stable")].reshape(-1, 2)
    partner[two[:, 0]], partner[two[:, 1]] = two[:, 1], two[:, 0]
    return partner


def _chains(
    roads: Roads,
    ends: pd.DataFrame,
    partner: NDArray[np.int64],
    inside: NDArray[np.bool_],
    junction: NDArray[np.object_],
) -> list[list[int]]:
    """Return every chain as the link ends by which it enters its links, in its own direction."""
    onward = partner.tolist()
    nodes = roads.nodes["node_id"].to_numpy(object)[ends["node"]]
    ids = roads.links["link_id"].to_numpy(object)
    # The lesser key says which of two opposite walks is the section's direction.
    keys = list(zip(junction[ends["node"]], nodes, np.repeat(ids, 2), strict=True))
    enters = np.where(ends["into"] != ends["out"], ends["out"].astype(float), np.nan).tolist()
    done = inside.tolist()
    chains = []

    def add(chain: list[int]) -> None:
        for end in chain:
            done[end // 2] = True
        back = [end ^ 1 for end in reversed(chain)]
        first, last = keys[chain[0]], keys[back[0]]
        if enters[chain[0]] == enters[chain[0]]:  # one-way: not NaN
            forward = bool(enters[chain[0]])
        elif first == last:
            line = roads.links.geometry.iloc[chain[0] // 2]
            forward = (_signed_area(line) >= 0.0) == (chain[0] % 2 == 0)
        else:
            forward = first < last
        chains.append(chain if forward else back)

    def walk(start: int) -> list[int]:
        chain, at = [start], onward[start ^ 1]
        while at not in (-1, start):
            chain.append(at)
            at = onward[at ^ 1]
        return chain

    for start in np.flatnonzero(partner == -1).tolist():
        if not done[start // 2]:
            add(walk(start))
    for link in range(len(ids)):
        if not done[link]:
            loop = walk(2 * link)
            here = min(range(len(loop)), key=lambda k: (nodes[loop[k]], ids[loop[k] // 2]))
            add(loop[here:] + loop[:here])
    return chains


def _signed_area(line: shapely.LineString) -> float:
    """Return twice the area that a closed line encloses, positive counter-clockwise."""
    x, y = shapely.get_coordinates(line).T
    return float(x @ np.roll(y, -1) - y @ np.roll(x, -1))


def pairs(roads: Roads, declarations: pd.DataFrame | None) -> pd.DataFrame:
    """Return the declared pairs.

    Returns
    -------
    DataFrame
        ``tables.PAIRS``, two rows a pair. A pair is named after its lesser link id.

    Raises
    ------
    InvalidInput
        A declaration contradicts the network or another, see ``declared.refused``.
    """
    said = declared.check(roads, declarations)
    said = said[said["kind"] == "pair"]
    ids = np.sort(said[["id", "other_id"]].to_numpy(dtype=object).astype(str), axis=1)
    ids = np.unique(ids, axis=0) if len(ids) else np.empty((0, 2), object)
    return require(_both_rows(ids), PAIRS)


def propose_pairs(roads: Roads) -> pd.DataFrame:
    """Propose pairs: one-way links that run side by side in opposite directions.

    Returns
    -------
    DataFrame
        ``tables.PAIRS`` and the evidence, the same on both rows of a pair: ``shape`` (``dual``, the
        carriageways of one road, or ``couple``, two streets), ``distance_m`` (median gap),
        ``overlap`` (share of the shorter link that runs beside the other), ``name_alike`` (0..1,
        null where a name is missing) and ``why``, one line. Nothing is applied: a pair counts once
        it is declared.

    Notes
    -----
    Each link is proposed once, with the link whose evidence is best for both.
    """
    beside = _beside(roads)
    ids = roads.links["link_id"].to_numpy(object)
    chosen, used = [], set()
    for row in beside.itertuples():
        if row.a not in used and row.b not in used:
            used |= {row.a, row.b}
            chosen.append(row.Index)
    rows = beside.loc[chosen]
    table = _both_rows(np.column_stack([ids[rows["a"]], ids[rows["b"]]]))
    evidence = rows[["shape", "distance_m", "overlap", "name_alike"]].reset_index(drop=True)
    evidence["why"] = [_why_pair(*row) for row in evidence.to_numpy(object)]
    evidence["pair_id"] = np.minimum(ids[rows["a"]], ids[rows["b"]])
    table = table.merge(evidence.astype({"pair_id": "str"}), on="pair_id", how="left")
    return require(table, PAIRS)


def _both_rows(ids: NDArray[np.object_]) -> pd.DataFrame:
    """Return PAIRS rows, both ways round, of an (n, 2) array of link ids."""
    ids = ids.reshape(-1, 2)
    low = [min(pair) for pair in ids.tolist()]
    table = pd.DataFrame(
        {
            "link_id": np.concatenate([ids[:, 0], ids[:, 1]]),
            "pair_id": low + low,
            "other_id": np.concatenate([ids[:, 1], ids[:, 0]]),
        }
    )
    return table.astype("str").sort_values(["pair_id", "link_id"], ignore_index=True)


def _beside(roads: Roads) -> pd.DataFrame:
    """Return pairs of one-way links side by side, the best evidence first: ``a`` before ``b``."""
    links = roads.links
    one_way = np.flatnonzero(
        ((links["allowed"] != "both") & ~links["roundabout"].eq(True)).to_numpy()
    )
    lines = links.geometry.to_numpy()[one_way]
    drawn = (links["allowed"] == "with").to_numpy()[one_way]
    which, offset = samples(lines, spacing_m=20.0, least=5, most=15)
    points = shapely.line_interpolate_point(lines[which], offset)
    local = links["road_class"].fillna("").isin(("", *LOCAL_CLASSES)).to_numpy()[one_way]
    gaps = np.where(local, DUAL_GAP_M, COUPLE_GAP_M)
    sample, other = shapely.STRtree(lines).query(points, "dwithin", distance=gaps[which])
    # Most neighbours can be left out before their feet are sought.
    middle = direction_deg(lines, shapely.length(lines) / 2.0) + 180.0 * ~drawn
    kind = links["road_class"].fillna("").to_numpy(object)[one_way]
    likely = turn_deg(middle[which[sample]], middle[other]) >= 90.0
    likely &= (kind[which[sample]] == kind[other]) & (which[sample] != other)
    sample, other = sample[likely], other[likely]
    foot, gap = locate(lines[other], points[sample])
    ours = direction_deg(lines[which], offset)[sample] + 180.0 * ~drawn[which[sample]]
    theirs = direction_deg(lines[other], foot) + 180.0 * ~drawn[other]
    clamped = (foot <= 0.0) | (foot >= shapely.length(lines[other]))
    keep = (turn_deg(ours, theirs) >= 180.0 - ALONG_DEG) & ~clamped
    seen = pd.DataFrame({"a": which[sample][keep], "b": other[keep], "gap": gap[keep]})
    found = seen.groupby(["a", "b"])["gap"].agg(["median", "size"]).reset_index()
    found["overlap"] = found["size"] / np.bincount(which, minlength=len(lines))[found["a"]]
    back = found.rename(columns={"a": "b", "b": "a"})[["a", "b", "overlap", "median"]]
    found = found.merge(back, on=["a", "b"], suffixes=("", "_back"))
    found = found[found["a"] < found["b"]]
    rows = pd.DataFrame(
        {
            "a": one_way[found["a"]],
            "b": one_way[found["b"]],
            "distance_m": ((found["median"] + found["median_back"]) / 2.0).to_numpy(),
            "overlap": np.maximum(found["overlap"], found["overlap_back"]).to_numpy(),
        }
    )
    return _worth_proposing(links, rows)


def _worth_proposing(links: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """Return the candidates with enough evidence, and its kind, in the order of its strength."""
    a, b = (links.iloc[rows[side]].reset_index(drop=True) for side in ("a", "b"))
    alike = similarities(a["name"], b["name"])
    kind = a["road_class"].fillna("")
    same_class = (kind == b["road_class"].fillna("")).to_numpy()
    one_name = np.isnan(alike) | (alike > SAME)
    dual = (rows["distance_m"] <= DUAL_GAP_M).to_numpy() & one_name & same_class
    local = kind.isin(("", *LOCAL_CLASSES)).to_numpy()
    couple = ~dual & same_class & ~local
    rows = rows.assign(
        shape=np.where(dual, "dual", "couple"),
        name_alike=alike,
        key_a=a["link_id"].to_numpy(),
        key_b=b["link_id"].to_numpy(),
        rank=rows["distance_m"] - 20.0 * rows["overlap"] - 10.0 * np.nan_to_num(alike, nan=0.5),
    )
    rows = rows[(dual | couple) & (rows["overlap"] >= LEAST_OVERLAP)]
    rows = rows.assign(couple=rows["shape"] == "couple", rank=rows["rank"].round(6))
    return rows.sort_values(["couple", "rank", "key_a", "key_b"], ignore_index=True)


def _why_pair(shape: str, distance_m: float, overlap: float, alike: float) -> str:
    what = "two carriageways" if shape == "dual" else "a one-way couple"
    if np.isnan(alike):
        names = "a name is missing"
    elif alike > SAME:
        names = "of one name"
    else:
        names = "of different names"
    return (
        f"{what}: opposite directions {distance_m:.0f} m apart, side by side for "
        f"{overlap:.0%} of the shorter, {names}"
    )
