"""Sections as the units of planning: their ends, their road, and the senses that carry traffic."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from countmap.roads.graph import Roads

    Ints = NDArray[np.int64]

GROUND = 0
"""The outside: boundary nodes and generators. Nothing is conserved there."""


@dataclass(frozen=True, eq=False)
class Units:
    """Sections and their arcs.

    ``sections``, one row a section by id: ``section_id, road, road_class, length_km, lanes,
    speed_kmh, start, end`` (vertices). ``arcs``, one row a section and sense: ``section`` (row),
    ``sense`` (``with``: from its start to its end), ``tail, head`` (vertices). ``vertices`` is how
    many there are; vertex 0 is the outside. ``of_arc`` (sections, 2) is the arc of each section's
    ``with`` and ``against``, −1 where that sense carries no traffic.
    """

    sections: pd.DataFrame
    arcs: pd.DataFrame
    vertices: int
    of_arc: Ints

    @property
    def section_of(self) -> Ints:
        """The section's row of each arc."""
        found: Ints = self.arcs["section"].to_numpy()
        return found

    @property
    def two_way(self) -> NDArray[np.bool_]:
        """Whether each section carries traffic both ways."""
        return np.asarray((self.of_arc >= 0).all(axis=1))

    @property
    def open(self) -> NDArray[np.bool_]:
        """Whether each section carries traffic at all."""
        return np.asarray((self.of_arc >= 0).any(axis=1))


def units(
    roads: Roads, junctions: pd.DataFrame, sections: pd.DataFrame, declarations: pd.DataFrame
) -> Units:
    """Return the sections of a network as planning units.

    Parameters
    ----------
    roads : Roads
    junctions, sections, declarations : tables.JUNCTIONS, SECTIONS, DECLARATIONS

    Notes
    -----
    A sense of a section carries traffic where every one of its links does. Road, class, lanes and
    speed are those of the longest link.
    """
    table = section_table(sections, roads.links)
    ends = sections.dropna(subset=["section_id"]).groupby("section_id")
    ends = ends[["start_junction", "end_junction"]].first().reindex(table.index)
    outside = set(junctions.loc[junctions["kind"].isin(["boundary", "generator"]), "junction_id"])
    stated = declarations.loc[declarations["kind"].eq("generator"), "id"]
    outside |= set(junctions.loc[junctions["node_id"].isin(stated), "junction_id"])
    inner = sorted((set(ends["start_junction"]) | set(ends["end_junction"])) - outside)
    number = {junction: at + 1 for at, junction in enumerate(inner)}
    for side in ("start", "end"):
        table[side] = ends[f"{side}_junction"].map(number).fillna(GROUND).astype(np.int64)
    open_ = _senses(sections, roads.links).reindex(table.index).to_numpy(dtype=bool)
    row, sense = np.nonzero(open_)
    of_arc = np.full(open_.shape, -1, dtype=np.int64)
    of_arc[row, sense] = np.arange(len(row))
    vertex = table[["start", "end"]].to_numpy()
    arcs = pd.DataFrame(
        {
            "section": row.astype(np.int64),
            "sense": np.array(["with", "against"])[sense],
            "tail": vertex[row, sense],
            "head": vertex[row, 1 - sense],
        }
    )
    return Units(table.reset_index(), arcs, len(inner) + 1, of_arc)


def section_table(sections: pd.DataFrame, links: pd.DataFrame) -> pd.DataFrame:
    """Return road, class, lanes, speed and length by ``section_id``: of the longest link, lengths summed."""
    known = ["name", "road_class", "lanes", "speed_kmh"]
    plain = pd.DataFrame(links[[c for c in ("link_id", *known, "length_m") if c in links]])
    joined = sections.dropna(subset=["section_id"]).merge(plain, on="link_id")
    longest = joined.sort_values(["length_m", "link_id"], ascending=[False, True])
    said = [c for c in known if c in joined]
    table = longest.drop_duplicates("section_id").set_index("section_id")[said].sort_index()
    table = table.reindex(columns=known).rename(columns={"name": "road"})
    table["length_km"] = joined.groupby("section_id")["length_m"].sum() / 1000
    return table


def _senses(sections: pd.DataFrame, links: pd.DataFrame) -> pd.DataFrame:
    """Return by section whether it carries traffic from start to end, and back."""
    rows = sections.dropna(subset=["section_id"]).merge(
        pd.DataFrame(links[["link_id", "allowed"]]), on="link_id"
    )
    both = rows["allowed"].eq("both")
    ahead = rows["allowed"].eq("with") == rows["forward"]
    rows = rows.assign(ahead=both | ahead, back=both | ~ahead)
    return rows.groupby("section_id")[["ahead", "back"]].all()


def section_senses(rows: pd.DataFrame, sections: pd.DataFrame) -> pd.DataFrame:
    """Return rows of ``link_id, link_sense`` with ``section_id`` and the ``section_sense``.

    Rows inside a junction cluster have no section and are left out. ``both`` stays.
    """
    placed = rows.merge(
        sections.loc[sections["section_id"].notna(), ["link_id", "section_id", "forward"]],
        on="link_id",
    )
    turned = placed["link_sense"].map({"with": "against", "against": "with", "both": "both"})
    sense = placed["link_sense"].where(placed["forward"].astype(bool), turned)
    return placed.assign(section_sense=sense)


def through(units: Units) -> pd.DataFrame:
    """Return the roads that pass a junction: ``vertex, a, b`` sections, ``a_end, b_end`` (1: end)."""
    table = units.sections
    row = np.arange(len(table))
    ends = pd.DataFrame(
        {
            "vertex": np.concatenate([table["start"], table["end"]]),
            "section": np.concatenate([row, row]),
            "end": np.repeat([0, 1], len(table)),
        }
    )
    ends = ends[ends["vertex"] != GROUND]
    name = table["road"].astype("object").to_numpy()[ends["section"]]
    class_ = table["road_class"].fillna("").to_numpy(dtype=object)[ends["section"]]
    named = pd.notna(name)
    ends["key"] = np.where(named, "n:" + pd.Series(name).fillna("").astype(str), "c:" + class_)
    ends["class"] = class_
    ends = ends.sort_values(["vertex", "key", "section", "end"])
    size = ends.groupby(["vertex", "key"])["section"].transform("size")
    two = ends[size == 2]
    a, b = two.iloc[::2], two.iloc[1::2]
    return pd.DataFrame(
        {
            "vertex": a["vertex"].to_numpy(),
            "a": a["section"].to_numpy(),
            "b": b["section"].to_numpy(),
            "a_end": a["end"].to_numpy(),
            "b_end": b["end"].to_numpy(),
        }
    )
