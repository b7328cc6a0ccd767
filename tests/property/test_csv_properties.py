"""Any table that Python's own csv module writes reads back cell by cell, with true line numbers."""

from __future__ import annotations

import csv
import io

from hypothesis import given, settings
from hypothesis import strategies as st

from countmap.formats import records

# No carriage returns (line ends are made alike) and no blanks at the edges (cells are trimmed).
CELL = st.text(st.sampled_from('ab1,;\t"é\n '), max_size=6).map(str.strip)
TABLE = st.integers(2, 4).flatmap(
    lambda n: st.lists(st.lists(CELL, min_size=n, max_size=n), min_size=1, max_size=8)
)


@given(TABLE, st.sampled_from(records.DELIMITERS), st.sampled_from(["\n", "\r\n"]), st.booleans())
@settings(max_examples=80, deadline=None)
def test_reads_what_the_standard_library_writes(tmp_path_factory, rows, delimiter, newline, bom):
    text = io.StringIO()
    header = [f"c{i}" for i in range(len(rows[0]))]
    writer = csv.writer(text, delimiter=delimiter, lineterminator="\n")
    lines = []
    for row in [header, *rows]:
        lines.append(text.getvalue().count("\n") + 1)
        writer.writerow(row)
    path = tmp_path_factory.mktemp("csv") / "t.csv"
    whole = text.getvalue().replace("\n", newline)
    path.write_bytes(whole.encode("utf-8-sig" if bom else "utf-8"))
    found = records.read(path, known=set(header), delimiter=delimiter, needs_rows=False)
    kept = [(line, row) for line, row in zip(lines[1:], rows, strict=True) if any(row)]
    assert found.header == tuple(header)
    assert found.rejects.empty
    assert found.rows.tolist() == [line for line, _ in kept]
    assert list(map(list, zip(*(c.to_pylist() for c in found.cells), strict=True))) == [
        row for _, row in kept
    ]
