"""Files of pulses: CSV and Parquet, rollover of the clock, refusals in one line."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from countmap.errors import InvalidInput, NotFound
from countmap.formats import pulses


def read(path):
    parts = list(pulses.chunks(path))
    return np.concatenate([t for t, _ in parts]), np.concatenate([x for _, x in parts])


def test_csv_and_parquet_agree(tmp_path):
    frame = pd.DataFrame({"time_us": [5, 10, 2**40], "tube": ["A", "b", "B"], "note": "x"})
    frame.to_csv(tmp_path / "p.csv", index=False)
    frame.to_parquet(tmp_path / "p.parquet")
    for name in ("p.csv", "p.parquet"):
        times, tubes = read(tmp_path / name)
        assert times.tolist() == [5, 10, 2**40]
        assert tubes.tolist() == [0, 1, 1]


def test_a_clock_of_32_bits_starts_again(tmp_path):
    path = tmp_path / "p.csv"
    stamps = [2**32 - 10, 4, 2**32 - 3, 7]
    path.write_text("time_us,tube\n" + "".join(f"{t},A\n" for t in stamps))
    times, _ = read(path)
    assert times.tolist() == [2**32 - 10, 2**32 + 4, 2**33 - 3, 2**33 + 7]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("time_us,tube\n5,A\n6,C\n", "p.csv:3: tube 'C' is neither A nor B. Correct the row"),
        ("time_us,tube\n5.5,A\n", "p.csv:2: time_us '5.5' is no whole number of microseconds"),
        ("time_us,tube\n,A\nx,B\n", "; 1 more in this part of the file"),
        ("time,tube\n5,A\n", "pulses need the columns 'time_us', 'tube'; the header has 'time'"),
        ("", "pulses need the columns"),
        ("time_us,tube\n5,A,9,9\n", "cannot be read as pulses"),
    ],
)
def test_refusals(tmp_path, text, said):
    path = tmp_path / "p.csv"
    path.write_text(text)
    with pytest.raises(InvalidInput) as error:
        read(path)
    assert said in str(error.value)
    assert "\n" not in str(error.value)


def test_no_file(tmp_path):
    with pytest.raises(NotFound, match="there is no such file"):
        read(tmp_path / "none.csv")
