"""Candidates for a station's link, judged by distance, road name and bearing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from countmap.compass import compass_deg
from countmap.roads.along import direction_deg, locate, turn_deg
from countmap.roads.clusters import link_ends
from countmap.roads.names import similarities

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from countmap.roads.graph import Roads

NEAR_NODE_M = 2.0
ROUNDING_M = 0.01
"""Degrees with seven decimals, and projections, are good to a centimetre."""
SURE_NEARER_M = 5.0
"""A link that is nearer by more than this is the one the position speaks for."""

# What a candidate costs, in metres of distance. The figures are ours: a road's name outweighs the
# distance across a street corner; a one-way against the bearing outweighs the radius.
MARGIN_M = 8.0
"""The best candidate must beat the next by this much."""
END_COST_M = 10.0
"""For a station beyond the link's end: it lies beside another link."""
NAME_COST_M = 25.0
UNNAMED_COST_M = 8.0
BEARING_COST_M = 40.0
ONE_WAY_COST_M = 60.0

SLACK_DEG = 20.0
COMPASS_SLACK_DEG = 45.0
ACROSS_DEG = 70.0
"""A bearing this far off a road's line does not tell which way it means."""


def _wanted(rows: pd.DataFrame) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the bearing of sense ``with`` that each station states (else NaN), and its slack."""
    bearing = rows["bearing_deg"].to_numpy(np.float64)
    words = {
        n: rows[n].map(compass_deg).to_numpy(np.float64) for n in ("name_with", "name_against")
    }
    word = np.where(
        np.isnan(words["name_with"]), (words["name_against"] + 180.0) % 360.0, words["name_with"]
    )
    stated = ~np.isnan(bearing)
    return np.where(stated, bearing, word), np.where(stated, SLACK_DEG, COMPASS_SLACK_DEG)


def fit(roads: Roads, rows: pd.DataFrame, link: NDArray[np.int64], foot: Any) -> pd.DataFrame:
    """Return how each station's bearing fits a link at ``foot``: one row a station and link.

    ``drawn_deg``; ``same_way`` (by default with the traffic of a one-way link, else as drawn);
    ``off_deg`` from the line (0..90), or from the traffic of a one-way link (0..180).
    """
    drawn = direction_deg(roads.links.geometry.to_numpy()[link], foot)
    allowed = roads.links["allowed"].to_numpy(object)[link]
    wanted, slack = _wanted(rows)
    turn = turn_deg(wanted, drawn)
    one_way = allowed != "both"
    traffic = np.where(allowed == "against", 180.0 - turn, turn)
    off = np.where(one_way, traffic, np.minimum(turn, 180.0 - turn))
    default = allowed != "against"
    same = np.where(np.isnan(turn), default, turn <= 90.0)
    return pd.DataFrame(
        {
            "drawn_deg": drawn,
            "same_way": same.astype(bool),
            "off_deg": off,
            "slack_deg": slack,
            "wanted_deg": wanted,
            "one_way": one_way,
            "across": np.minimum(turn, 180.0 - turn) > ACROSS_DEG,
            "wrong_way": one_way & (traffic > 90.0),
        }
    )


def search(
    roads: Roads,
    rows: pd.DataFrame,
    points: Any,
    near: NDArray[np.int64],
    reach: NDArray[np.float64],
) -> pd.DataFrame:
    """Return one row for each station in ``near`` and link within reach, the cheapest first."""
    lines = roads.links.geometry.to_numpy()
    which, link = shapely.STRtree(lines).query(
        points[near], predicate="dwithin", distance=reach[near]
    )
    station = near[which]
    foot, distance = locate(lines[link], points[station])
    length = roads.links["length_m"].to_numpy()[link]
    mine = rows.iloc[station].reset_index(drop=True)
    name = roads.links["name"].iloc[link].reset_index(drop=True)
    found = pd.DataFrame(
        {
            "station": station,
            "link": link,
            "link_id": roads.links["link_id"].to_numpy(object)[link],
            "name": name,
            "distance_m": distance,
            "offset_m": foot,
            "beyond": (foot <= ROUNDING_M) | (foot >= length - ROUNDING_M),
            "alike": similarities(mine["road"], name),
            "end": near_end(roads, link, foot, length),
        }
    )
    found = pd.concat([found, fit(roads, mine, link, foot)], axis=1)
    share = (found["off_deg"] - found["slack_deg"]) / (90.0 - found["slack_deg"])
    cost = found["distance_m"] + END_COST_M * found["beyond"]
    cost += (NAME_COST_M * (1.0 - found["alike"])).fillna(0.0)
    cost += UNNAMED_COST_M * (mine["road"].notna() & name.isna())
    cost += (BEARING_COST_M * share.clip(0.0, 1.0)).fillna(0.0)
    cost += ONE_WAY_COST_M * found["wrong_way"]
    found["cost_m"] = cost.round(6)
    return found.sort_values(["station", "cost_m", "link_id"], ignore_index=True)


def near_end(
    roads: Roads, link: NDArray[np.int64], foot: NDArray[np.float64], length: NDArray[np.float64]
) -> NDArray[np.int64]:
    """Return the node within ``NEAR_NODE_M`` of each foot, −1 where there is none."""
    node = link_ends(roads)["node"].to_numpy().reshape(-1, 2)[link]
    first = np.where(foot <= NEAR_NODE_M, node[:, 0], -1)
    last = np.where(length - foot <= NEAR_NODE_M, node[:, 1], -1)
    return np.where(length - foot < foot, last, first)


def choose(roads: Roads, found: pd.DataFrame, radius_m: float) -> pd.DataFrame:
    """Return for each station its best candidate, and ``why`` only a decision can place it.

    Indexed by the station's position; ``candidates`` is filled where ``why`` is.
    """
    best = found.drop_duplicates("station").set_index("station")
    of_best = best.loc[found["station"]].reset_index()
    # At a bend the two links that meet carry one flow: they do not compete.
    twin = (found["end"] >= 0) & (found["end"] == of_best["end"]) & _passes(roads, found["end"])
    rivals = found[(found["link"] != of_best["link"]) & ~twin]
    rival = rivals.drop_duplicates("station").set_index("station").reindex(best.index)
    closest = found.sort_values(["station", "distance_m", "cost_m", "link_id"])
    nearest = closest.drop_duplicates("station").set_index("station").loc[best.index]
    clearly = best["distance_m"] - nearest["distance_m"] > SURE_NEARER_M
    contrary = best["wrong_way"] | (nearest["wrong_way"] & clearly)
    blamed = nearest.where(nearest["wrong_way"] & ~best["wrong_way"], best)
    tied = rival["cost_m"] - best["cost_m"] < MARGIN_M
    beyond = nearest["distance_m"] > radius_m
    why = pd.Series(None, index=best.index, dtype="str")
    for at in best.index[beyond | contrary | best["across"] | tied]:
        b, r, wrong = best.loc[at], rival.loc[at], blamed.loc[at]
        if beyond[at]:
            text = f"no link within {radius_m:g} m; the nearest is {_called(nearest.loc[at])}"
        elif contrary[at]:
            text = (
                f"the position says {_called(wrong)}, but its traffic runs towards "
                f"{_traffic_deg(wrong):.0f}° and the station's bearing is {wrong['wanted_deg']:.0f}°"
            )
            text += "" if b["wrong_way"] else f"; {_called(b)} fits the bearing"
        elif b["across"]:
            text = (
                f"the station's bearing {b['wanted_deg']:.0f}° is across {_called(b)}, which runs "
                f"{b['drawn_deg']:.0f}°: it does not tell the senses apart"
            )
        elif b["end"] >= 0 and b["end"] == r["end"]:
            node = roads.nodes["node_id"].iloc[b["end"]]
            text = f"it stands on the junction {node}, where {_called(b)} and {_called(r)} meet"
        else:
            text = f"{_called(b)} and {_called(r)} fit about equally"
        why[at] = f"{text}. Decide which link it is, or give the bearing of sense with and the road"
    best = best.assign(why=why, candidates=None)
    top = found[found["station"].isin(why.index[why.notna()])].groupby("station").head(3)
    listed = top.groupby("station")[list(top.columns)].apply(_told)
    best["candidates"] = listed.reindex(best.index) if len(top) else None
    return best


def _passes(roads: Roads, node: pd.Series) -> NDArray[np.bool_]:
    """Return where a node joins just two link ends."""
    degree = np.bincount(link_ends(roads)["node"], minlength=len(roads.nodes))
    return np.asarray(degree[node] == 2)


def _called(candidate: pd.Series) -> str:
    name = "" if pd.isna(candidate["name"]) else f" ({candidate['name']})"
    return f"link {candidate['link_id']}{name}, {candidate['distance_m']:.0f} m away"


def _traffic_deg(candidate: pd.Series) -> float:
    """Return the bearing of a one-way link's traffic, which runs against the station's."""
    drawn, wanted = float(candidate["drawn_deg"]), float(candidate["wanted_deg"])
    return drawn if turn_deg(drawn, wanted) > 90.0 else (drawn + 180.0) % 360.0


def _told(candidates: pd.DataFrame) -> list[dict[str, Any]]:
    """Return candidates as plain dicts, each with its reason in a line."""
    told = []
    for _, row in candidates.iterrows():
        reasons = [
            f"{row['distance_m']:.0f} m away" + (", beyond its end" if row["beyond"] else "")
        ]
        if not np.isnan(row["alike"]):
            reasons.append(f"name {row['alike']:.0%} alike")
        if row["wrong_way"]:
            reasons.append("one-way against the bearing")
        elif not np.isnan(row["off_deg"]):
            reasons.append(f"{row['off_deg']:.0f}° off the bearing")
        told.append(
            {
                "link_id": row["link_id"],
                "name": None if pd.isna(row["name"]) else row["name"],
                "distance_m": round(float(row["distance_m"]), 1),
                "offset_m": round(float(row["offset_m"]), 1),
                "same_way": bool(row["same_way"]),
                "bearing_deg": round(float(row["drawn_deg"]), 1),
                "reason": "; ".join(reasons),
            }
        )
    return told
