"""What the user declares about the network, held against the network: ids, pairs, junctions."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING

import pandas as pd

from countmap.errors import InvalidInput
from countmap.tables import DECLARATIONS, REJECTS, empty

if TYPE_CHECKING:
    from collections.abc import Iterator

    from countmap.roads.graph import Roads

OF_NODE = ("generator", "junction")
"""The kinds whose ``id`` is a node; that of the others is a link."""

_Fault = tuple[int, str, str, str]


def refused(
    roads: Roads, declarations: pd.DataFrame, *, file: str = "declarations"
) -> pd.DataFrame:
    """Return the declarations that contradict the network or one another.

    Parameters
    ----------
    declarations : DataFrame
        ``tables.DECLARATIONS``; ``row``, where there is such a column, is the line of the file.
        Of two rows that contradict each other the later one is refused.
    file : str
        Its name in ``rejects``.

    Returns
    -------
    DataFrame
        ``tables.REJECTS``, at most one row for each declaration, in their order; without a column
        ``row`` they are numbered from 1.

    Examples
    --------
    >>> import geopandas as gpd
    >>> from shapely import LineString
    >>> from countmap.roads.graph import build
    >>> lines = [LineString([(0, 0), (90, 0)])]
    >>> roads = build(gpd.GeoDataFrame({"link_id": ["a"]}, geometry=lines, crs="EPSG:3067"))
    >>> said = pd.DataFrame({"kind": ["pair"], "id": ["a"], "other_id": ["a"], "row": [7]})
    >>> refused(roads, said)[["row", "why"]].to_numpy().tolist()
    [[7, "link 'a' is paired with itself. Name the other carriageway"]]
    """
    rows = _complete(declarations)
    found: dict[int, _Fault] = {}
    for check in (_unknown, _pairs, _junctions):
        sound = rows.drop(index=list(found))
        found |= {fault[0]: fault for fault in check(roads, sound)}
    if not found:
        return empty(REJECTS)
    line = rows["row"] if "row" in rows else rows.index + 1
    number = pd.Series(line, index=rows.index).fillna(0).astype("int64")
    table = [(file, number[at], *rest) for at, *rest in (found[at] for at in sorted(found))]
    kinds = {"file": "str", "row": "int64", "column": "str", "value": "str", "why": "str"}
    return pd.DataFrame(table, columns=list(kinds)).astype(kinds)


def check(roads: Roads, declarations: pd.DataFrame | None) -> pd.DataFrame:
    """Return the declarations with every column of the contract if none of them is refused.

    Raises
    ------
    InvalidInput
        Names the first that is and how many more there are; all of them are in ``rejects``.
    """
    if declarations is None or declarations.empty:
        return empty(DECLARATIONS)
    rejects = refused(roads, declarations)
    if rejects.empty:
        return _complete(declarations)
    first = rejects.iloc[0]
    more = f"; {len(rejects) - 1} more" if len(rejects) > 1 else ""
    raise InvalidInput(f"{first['file']}:{first['row']}: {first['why']}{more}", rejects)


def _complete(declarations: pd.DataFrame) -> pd.DataFrame:
    rows = declarations.reset_index(drop=True)
    for name in ("other_id", "note"):
        if name not in rows:
            rows[name] = pd.Series(None, index=rows.index, dtype="str")
    return rows


def _unknown(roads: Roads, rows: pd.DataFrame) -> Iterator[_Fault]:
    """Yield the rows that name what is not in the network, or name nothing."""
    known = {"node": set(roads.nodes["node_id"]), "link": set(roads.links["link_id"])}
    for row in rows.itertuples():
        what = "node" if row.kind in OF_NODE else "link"
        named = [("id", row.id, what)]
        if row.kind == "pair":
            named.append(("other_id", row.other_id, "link"))
        for column, value, noun in named:
            if pd.isna(value):
                yield row.Index, column, "", f"{row.kind} {row.id!r}: {column} is empty. Fill it in"
                break
            if value not in known[noun]:
                advice = "Correct the id or withdraw the declaration"
                why = f"{row.kind} {value!r} is no {noun} of the network. {advice}"
                yield row.Index, column, str(value), why
                break


def _pairs(_roads: Roads, rows: pd.DataFrame) -> Iterator[_Fault]:
    other: dict[str, str] = {}
    for row in rows[rows["kind"] == "pair"].itertuples():
        if row.id == row.other_id:
            why = f"link {row.id!r} is paired with itself. Name the other carriageway"
            yield row.Index, "other_id", row.other_id, why
            continue
        ends = {row.id: row.other_id, row.other_id: row.id}
        twice = [link for link, end in ends.items() if other.get(link, end) != end]
        if twice:
            link = min(twice)
            two = sorted((other[link], ends[link]))
            why = f"link {link!r} is paired with {two[0]!r} and with {two[1]!r}. Withdraw one"
            yield row.Index, "other_id", row.other_id, why
            continue
        other |= ends


def _junctions(roads: Roads, rows: pd.DataFrame) -> Iterator[_Fault]:
    said = rows[rows["kind"] == "junction"]
    names = said["other_id"].where(said["other_id"].notna(), said["id"])
    members = defaultdict(set)
    for name, node in zip(names, said["id"], strict=True):
        members[name].add(node)
    nodes = set(roads.nodes["node_id"])
    junction_of: dict[str, str] = {}
    for at, name, node in zip(said.index, names, said["id"], strict=True):
        if junction_of.setdefault(node, name) != name:
            yield at, "id", node, f"node {node!r} is declared in two junctions. Leave it in one"
        elif name in nodes - members[name]:
            why = f"the junction {name!r} is also a node that is not in it"
            yield at, "other_id", name, f"{why}. Name it otherwise, or declare that node with it"
