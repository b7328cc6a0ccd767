"""Foreign count files: a layout is proposed with what is open; nothing is taken until it is given."""

from __future__ import annotations

import pandas as pd
import pytest

from countmap.errors import InvalidInput
from countmap.formats import counts_csv, counts_file, guess, propose, sheets


def offered(tmp_path, text, name="x.csv", encoding="utf-8"):
    """Return the proposal for a file and the rows that it decodes."""
    path = tmp_path / name
    path.write_bytes(text.encode(encoding))
    offer = propose.propose(path)
    raw, rejects = counts_csv.read(path, offer.layout)
    assert rejects.empty
    return offer, raw


def rows(raw, *columns):
    return raw[list(columns)].astype(str).fillna("nan").to_numpy().tolist()


HOURS = ",".join(f"{h:02d}:00" for h in [*range(1, 24), 0])
NUMBERED = ",".join(f"H{h}" for h in range(1, 25))


def test_wide_by_hour_with_end_stamps_and_lines_above(tmp_path):
    text = f"Count of a spring week\nSite: S12\nDirection: NB\n\nDate,{HOURS}\n"
    text += "".join(
        f"2025-03-{d:02d}," + ",".join(str(d + h) for h in range(24)) + "\n" for d in (4, 5)
    )
    offer, raw = offered(tmp_path, text)
    assert rows(raw, "station_id", "direction", "start", "minutes", "count")[0] == [
        "S12", "NB", "2025-03-04 00:00:00", "60", "4.0",
    ]  # fmt: skip
    assert raw["start"].iloc[-1] == pd.Timestamp("2025-03-05 23:00")
    assert (
        "the columns run from 01:00 to 00:00, so each names the end of its period" in offer.doubts
    )
    assert "the station is taken from the lines above: 'S12'" in offer.doubts


def test_numbered_hours(tmp_path):
    text = f"Station,Dir,Date,{NUMBERED}\n"
    text += "".join(f"A,with,{d}/03/2025," + "1," * 23 + "1\n" for d in (30, 31))
    offer, raw = offered(tmp_path, text)
    assert raw["start"].iloc[0] == pd.Timestamp("2025-03-30")
    assert len(raw) == 48
    assert offer.layout.times.date == "%d/%m/%Y"
    assert not any("%m/%d/%Y" in doubt for doubt in offer.doubts)


def test_class_matrix_decimal_comma_and_24_00(tmp_path):
    text = "Zählstelle;Richtung;Datum;Zeit;PKW;LKW;Bus;Summe\n"
    text += "".join(
        f"B;with;04.03.2025;{h:02d}:00;{h},5;{'-' if h == 4 else 2};1;9\n" for h in range(1, 25)
    )
    offer, raw = offered(tmp_path, text, encoding="cp1252")
    assert offer.layout.file.encoding == "cp1252"
    assert offer.layout.times.stamp == "end"
    assert raw["start"].iloc[-1] == pd.Timestamp("2025-03-05 00:00")
    assert set(raw["vehicle_class"]) == {"pkw", "lkw", "bus"}
    assert raw["count"].iloc[0] == 1.5
    assert raw["count"].isna().sum() == 1
    assert "'-' (1 times): read as missing, never as a count" in offer.doubts
    assert "'Summe' is left out: it repeats the sum of the others" in offer.doubts


def test_direction_blocks_and_a_12_hour_clock(tmp_path):
    text = "Time,Northbound,Southbound\n"
    text += "".join(
        f"13/4/2025 {(h - 1) % 12 + 1}:00 {'AM' if h < 12 else 'PM'},{h},{h + 1}\n"
        for h in range(24)
    )
    offer, raw = offered(tmp_path, text, "S7.csv")
    assert rows(raw.tail(2), "station_id", "direction", "start", "count") == [
        ["S7", "Northbound", "2025-04-13 23:00:00", "23.0"],
        ["S7", "Southbound", "2025-04-13 23:00:00", "24.0"],
    ]
    assert (
        "the station is not named in the file; its name without the ending is taken" in offer.doubts
    )


def test_lane_blocks_and_quarter_hours(tmp_path):
    text = "site,date,time,Lane 1,Lane 2\n"
    text += "".join(
        f"S1,2025-03-04,{m // 60:02d}:{m % 60:02d},{m},{m + 1}\n" for m in range(0, 120, 15)
    )
    offer, raw = offered(tmp_path, text)
    assert rows(raw.head(2), "lane", "minutes", "count") == [["1", "15", "0.0"], ["2", "15", "1.0"]]
    assert 'the direction is not named in the file; "both" is taken' in offer.doubts


def test_speed_bins(tmp_path):
    text = "site,direction,start,<30,30-40,40-50,>50\n"
    text += "".join(f"S1,N,2025-03-04 0{h}:00,1,2,3,4\n" for h in range(3))
    _, raw = offered(tmp_path, text)
    assert rows(raw.head(4), "speed_low_kmh", "speed_high_kmh", "count") == [
        ["0.0", "30.0", "1.0"], ["30.0", "40.0", "2.0"], ["40.0", "50.0", "3.0"], ["50.0", "nan", "4.0"],
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("days", "form", "doubt"),
    [
        (["4/3/2025", "5/3/2025", "6/3/2025"], "%d/%m/%Y",
            "every date of 'date' reads as %d/%m/%Y and as %m/%d/%Y: the first is taken, so the days follow each other"),
        (["3/4/2025", "3/5/2025", "3/6/2025"], "%m/%d/%Y",
            "every date of 'date' reads as %d/%m/%Y and as %m/%d/%Y: the second is taken, so the days follow each other"),
        (["3/4/2025"], "%d/%m/%Y",
            "every date of 'date' reads as %d/%m/%Y and as %m/%d/%Y: the first is taken, nothing in it decides"),
        (["3/24/2025", "3/25/2025"], "%m/%d/%Y", ""),
    ],
)  # fmt: skip
def test_days_and_months_that_may_change_places_are_said(tmp_path, days, form, doubt):
    text = "site,direction,date,time,count\n"
    text += "".join(f"S1,N,{d},{h:02d}:00,5\n" for d in days for h in range(24))
    offer, _ = offered(tmp_path, text)
    assert offer.layout.times.date == form
    assert [d for d in offer.doubts if d.startswith("every date")] == ([doubt] if doubt else [])


def test_the_zone_is_always_asked_for(tmp_path):
    text = "site,direction,start,count\n" + "".join(
        f"S1,N,2025-03-04 0{h}:00,5\n" for h in range(3)
    )
    offer, _ = offered(tmp_path, text)
    assert any(
        d.startswith("the file does not say which clock its times keep") for d in offer.doubts
    )
    assert 'zone = "local"' in offer.toml


def test_a_spreadsheet_is_proposed_like_any_other_file(tmp_path):
    start = pd.date_range("2025-03-04", periods=5, freq="h")
    frame = pd.DataFrame({"Site": "S1", "Begin": start, "Vehicles": [1, 2, None, 4, 5], "Dir": "N"})
    sheets.write(frame, tmp_path / "x.xlsx")
    assert counts_file.recognised(tmp_path / "x.xlsx") == ""
    offer = propose.propose(tmp_path / "x.xlsx")
    raw, rejects = counts_csv.read(tmp_path / "x.xlsx", offer.layout)
    assert rejects.empty
    assert raw["start"].tolist() == list(start)
    assert raw["count"].tolist()[:2] + raw["count"].tolist()[3:] == [1, 2, 4, 5]
    assert raw["count"].isna().tolist() == [False, False, True, False, False]


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("hello\nworld\n", "x.csv: no table is to be seen in it: no line has several fields. Check the file"),
        ("a,b\nc,d\ne,f\n", "x.csv: no time is to be seen in it: no column reads as dates and times. Describe it in a layout"),
        ("site,start\nS,2025-03-04 07:00\nS,2025-03-04 08:00\n",
            "x.csv: no count is to be seen in it: no column holds numbers alone. Describe it in a layout"),
    ],
)  # fmt: skip
def test_what_holds_no_counts_is_said(tmp_path, text, why):
    with pytest.raises(InvalidInput) as refused:
        offered(tmp_path, text)
    assert str(refused.value) == why


def test_our_own_file_and_federal_records_need_no_layout(tmp_path):
    own = tmp_path / "own.csv"
    own.write_text("Station_ID;Direction;Start;Minutes;Count\nS1;with;2025-03-04T07:00;60;5\n")
    assert counts_file.recognised(own) == "counts.csv"
    record = tmp_path / "day.txt"
    record.write_text("3172R01710A90201204254" + "00046" * 24 + "0\n")
    assert counts_file.recognised(record) == "tmg volume"


def test_a_grid_tells_a_header_of_hours_from_a_row_of_counts(tmp_path):
    path = tmp_path / "x.csv"
    path.write_text("S1,2025-03-04,5,6\nS1,2025-03-05,7,8\n")
    assert not guess.grid(path).named
    path.write_text("id,date,1,2\nS1,2025-03-04,5,6\n")
    assert guess.grid(path).named
