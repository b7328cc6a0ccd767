"""Our own counts.csv, and foreign layouts that a TOML file describes."""

from __future__ import annotations

import pandas as pd
import pytest

from countmap import tables
from countmap.errors import InvalidInput, NotFound
from countmap.formats import counts_csv, csv_table, layouts

HEAD = "station_id,direction,start,minutes,count\n"


def read(folder, text, layout=None, name="counts.csv"):
    path = folder / name
    path.write_bytes(
        text.encode(layout.get("file", {}).get("encoding", "utf-8") if layout else "utf-8")
    )
    return counts_csv.read(path, layouts.parse(layout) if layout else None)


def shown(raw, *names):
    return [
        tuple(
            str(v)[:16] if n == "start" else None if pd.isna(v) else v
            for n, v in zip(names, row, strict=True)
        )
        for row in raw[list(names)].itertuples(index=False)
    ]


def test_our_own_file(tmp_path):
    raw, rejects = read(
        tmp_path,
        HEAD
        + "S1,N,2025-03-04T07:15,15,3\nS1,N,2025-03-04T07:30,15,\nS012,N,2025-03-04 07:15,15,-3\n",
    )
    assert tables.offences(raw, tables.RAW_COUNTS).empty
    assert shown(raw, "file", "row", "count") == [("counts.csv", 2, 3.0), ("counts.csv", 3, None)]
    assert str(csv_table.error_from(rejects)) == (
        "counts.csv:4: count -3 is negative (station S012, 2025-03-04 07:15). Correct the row"
    )


def test_a_thousands_mark_is_not_taken_for_a_decimal(tmp_path):
    raw, rejects = read(
        tmp_path, HEAD.replace(",", ";") + "S1;N;2025-03-04;60;1,234\nS1;N;2025-03-05;60;12,5\n"
    )
    assert raw["count"].tolist() == [12.5]
    assert rejects["why"].tolist() == [
        "count '1,234' may be thousands or decimals. Write it without separators"
    ]


WIDE = {
    "file": {"skip_lines": 2, "delimiter": ";", "missing": ["-"]},
    "columns": {"station_id": "Site", "date": "Day"},
    "constants": {"direction": "both", "quantity": "axles"},
    "times": {"date": "%d/%m/%Y"},
    "hours": {"pattern": "H{hour:02d}"},
}


def test_wide_by_hour(tmp_path):
    names = ";".join(f"H{h:02d}" for h in range(24))
    text = f"A report\nmade today\nSite;Day;{names}\nS1;04/03/2025;" + ";".join(
        "-" if h == 5 else "" if h == 6 else str(h) for h in range(24)
    )
    raw, rejects = read(tmp_path, text, WIDE)
    assert rejects.empty
    assert tables.offences(raw, tables.RAW_COUNTS).empty
    assert len(raw) == 24
    assert raw["count"].isna().tolist() == [h in (5, 6) for h in range(24)]
    assert shown(raw.iloc[[0, 23]], "row", "start", "minutes", "count", "quantity", "column") == [
        (4, "2025-03-04 00:00", 60, 0.0, "axles", "H00"),
        (4, "2025-03-04 23:00", 60, 23.0, "axles", "H23"),
    ]


def test_minus_one_is_missing_only_where_declared(tmp_path):
    layout = {
        "columns": {"station_id": "s", "direction": "d", "start": "t", "count": "n"},
        "constants": {"minutes": 60},
    }
    text = "s,d,t,n\nA,N,2025-03-04T07:00,-1\nA,N,2025-03-04T08:00,5\n"
    raw, rejects = read(tmp_path, text, layout)
    assert raw["count"].tolist() == [5]
    assert rejects["why"].tolist() == [
        "count -1 is negative. Correct the row, or name it as a missing mark in the layout"
    ]
    raw, rejects = read(tmp_path, text, {**layout, "file": {"missing": ["-1"]}})
    assert rejects.empty
    assert raw["count"].isna().tolist() == [True, False]


def test_a_column_for_each_direction_without_a_header(tmp_path):
    layout = {
        "file": {"header": False, "decimal": ".", "encoding": "latin-1"},
        "columns": {"date": 1, "time": 2},
        "constants": {"station_id": "{stem}", "minutes": 15},
        "times": {"date": "%m/%d/%y", "time": "%I:%M %p", "stamp": "end"},
        "directions": {"nach Süden": 3, "N": 4},
    }
    raw, rejects = read(tmp_path, "3/4/25,12:15 AM,7,8\n3/4/25,12:30 PM,9,\n", layout, "S7.txt")
    assert rejects.empty
    assert shown(raw, "station_id", "direction", "start", "count", "stamp") == [
        ("S7", "nach Süden", "2025-03-04 00:15", 7.0, "end"),
        ("S7", "N", "2025-03-04 00:15", 8.0, "end"),
        ("S7", "nach Süden", "2025-03-04 12:30", 9.0, "end"),
        ("S7", "N", "2025-03-04 12:30", None, "end"),
    ]


def test_classes_preamble_and_direction_codes(tmp_path):
    layout = {
        "file": {"skip_lines": 1},
        "preamble": {"station_id": r"Site no\. (\w+)"},
        "columns": {"direction": "Ch", "start": "Time", "minutes": "Len"},
        "constants": {"scheme": "lengths"},
        "times": {"start": "%Y%m%d %H%M", "zone": "utc"},
        "classes": {"short": "<6m", "long": ">6m"},
        "direction_words": {"1": "with", "2": "against"},
    }
    text = "Site no. B12, main road\nCh,Time,Len,<6m,>6m\n1,20250304 0700,60,50,3\n2,20250304 0700,60,x,4\n"
    raw, rejects = read(tmp_path, text, layout)
    assert shown(raw, "station_id", "direction", "vehicle_class", "scheme", "count") == [
        ("B12", "with", "short", "lengths", 50.0),
        ("B12", "with", "long", "lengths", 3.0),
        ("B12", "against", "long", "lengths", 4.0),
    ]
    assert str(raw["start"].iloc[0]) == "2025-03-04 07:00:00+00:00"
    assert rejects[["row", "column", "why"]].to_numpy().tolist() == [
        [4, "<6m", "count 'x' is not a number. Correct the row, or name it as a missing mark"]
    ]


@pytest.mark.parametrize(
    ("zone", "utc"),
    [("+01:00", "06:00"), ("-02:30", "09:30"), ("Europe/Berlin", "06:00"), ("UTC", "07:00")],
)
def test_the_counter_may_keep_another_zone(tmp_path, zone, utc):
    layout = {
        "columns": {"station_id": "s", "direction": "d", "start": "t", "count": "n"},
        "constants": {"minutes": 60},
        "times": {"zone": zone},
    }
    raw, rejects = read(tmp_path, "s,d,t,n\nA,N,2025-03-04T07:00,1\n", layout)
    assert rejects.empty
    assert str(raw["start"].iloc[0]) == f"2025-03-04 {utc}:00+00:00"


def test_day_first_is_stated_and_never_guessed(tmp_path):
    layout = {
        "columns": {"station_id": "s", "direction": "d", "date": "t", "time": "h", "count": "n"},
        "constants": {"minutes": 60},
        "times": {"date": "%d/%m/%Y"},
    }
    text = "s,d,t,h,n\nA,N,03/04/2025,24:00,1\nA,N,03/14/2025,07:00,1\nA,N,03/04/2025,24:30,1\n"
    raw, rejects = read(tmp_path, text, layout)
    assert shown(raw, "start") == [("2025-04-04 00:00",)]
    assert rejects["why"].tolist() == [
        "the time '03/14/2025 07:00' does not read as %d/%m/%Y %H:%M. Correct the row or the layout",
        "the time '03/04/2025 24:30' does not read as %d/%m/%Y %H:%M. Correct the row or the layout",
    ]


GOOD = {
    "columns": {"station_id": "s", "direction": "d", "start": "t", "count": "n"},
    "constants": {"minutes": 60},
}


@pytest.mark.parametrize(
    ("change", "line"),
    [
        (
            {"colums": {}},
            (
                "layout: the key 'colums' is unknown; known are file, columns, constants, times, hours,"
                " directions, classes, cells, direction_words, preamble. Remove or rename it"
            ),
        ),
        (
            {"times": {"minutes": 15}},
            (
                "layout: the key 'times.minutes' is unknown; known under times are date, time, start,"
                " stamp, zone. Remove or rename it"
            ),
        ),
        (
            {"cells": [{"column": "a", "hour": 3}]},
            (
                "layout: the key 'cells.0.hour' is unknown; known under cells are column, direction,"
                " lane, vehicle_class, speed_low_kmh, speed_high_kmh, minute. Remove or rename it"
            ),
        ),
        (
            {"hours": {"pattern": "h{stunde}"}},
            (
                "layout: hours.pattern = 'h{stunde}': the placeholder {stunde} is unknown;"
                " known are {hour}, {minute} and {next}"
            ),
        ),
        (
            {"hours": {"pattern": "h{hour"}},
            (
                "layout: hours.pattern = 'h{hour': the braces do not match;"
                " known are {hour}, {minute} and {next}"
            ),
        ),
        (
            {"hours": {"pattern": "h{hour:02q}"}},
            (
                "layout: hours.pattern = 'h{hour:02q}': a placeholder's form is not understood"
                " (Unknown format code 'q' for object of type 'int')"
            ),
        ),
        (
            {"classes": {"1": "c"}},
            "layout: say once where the counts stand: columns.count, hours, directions, classes or cells",
        ),
        (
            {"constants": {}},
            "layout: say how long a period is: columns.minutes or constants.minutes",
        ),
        (
            {"columns": {**GOOD["columns"], "start": None}},
            "layout: say when: columns.start, or columns.date with columns.time or hours",
        ),
        (
            {"times": {"start": "%d/%Q"}},
            "layout: time code %Q in '%d/%Q' is not understood",
        ),
    ],
)
def test_a_layout_that_leaves_something_open_is_refused(change, line):
    with pytest.raises(InvalidInput) as refused:
        layouts.parse({**GOOD, **change})
    assert str(refused.value) == line


def test_a_pattern_that_names_one_column_for_all_hours_is_refused():
    by_hour = {
        "columns": {"station_id": "s", "direction": "d", "date": "t"},
        "hours": {"pattern": "h{minute}"},
    }
    with pytest.raises(InvalidInput, match="layout: hours names the column 'h0' for several times"):
        layouts.parse(by_hour)


def test_a_wide_file_comes_row_by_row_in_the_order_of_time(tmp_path):
    layout = {
        "columns": {"station_id": "s", "date": "d"},
        "constants": {"minutes": 60},
        "cells": [
            {"column": "late", "minute": 60, "direction": "N"},
            {"column": "early", "minute": 0, "direction": "N", "speed_low_kmh": 30},
            {"column": "back", "minute": 60, "direction": "S", "lane": "1"},
        ],
    }
    text = "s,d,late,early,back\nA,2025-03-04,2,1,x\n,2025-03-04,1,1,1\nB,2025-03-05,5,,6\n"
    raw, rejects = read(tmp_path, text, layout)
    told = raw[["row", "column", "direction", "start", "count", "speed_low_kmh", "lane"]]
    assert told.astype(object).where(told.notna(), None).to_numpy().tolist() == [
        [2, "early", "N", pd.Timestamp("2025-03-04 00:00"), 1.0, 30.0, None],
        [2, "late", "N", pd.Timestamp("2025-03-04 01:00"), 2.0, None, None],
        [4, "early", "N", pd.Timestamp("2025-03-05 00:00"), None, 30.0, None],
        [4, "late", "N", pd.Timestamp("2025-03-05 01:00"), 5.0, None, None],
        [4, "back", "S", pd.Timestamp("2025-03-05 01:00"), 6.0, None, "1"],
    ]
    assert rejects[["row", "column", "value", "why"]].to_numpy().tolist() == [
        [
            2,
            "back",
            "x",
            "count 'x' is not a number. Correct the row, or name it as a missing mark",
        ],
        [3, "station_id", "", "the station is empty. Fill it in"],
    ]


def test_a_layout_file(tmp_path):
    path = tmp_path / "loop.toml"
    path.write_text(
        '[columns]\nstation_id = "s"\ndirection = "d"\nstart = "t"\ncount = "n"\n[constants]\nminutes = 60\n'
    )
    assert layouts.load(path) == layouts.parse(GOOD)
    path.write_text("[columns\n")
    with pytest.raises(InvalidInput, match=r"^loop\.toml: is not TOML .* Correct it$"):
        layouts.load(path)
    with pytest.raises(NotFound, match="there is no such layout"):
        layouts.load(tmp_path / "none.toml")


def test_a_column_the_file_lacks(tmp_path):
    with pytest.raises(InvalidInput) as refused:
        read(tmp_path, "s,d,t,count\nA,N,x,1\n", GOOD)
    assert str(refused.value) == (
        "counts.csv:1: the layout's column 'n' is not there; the header has 's', 'd', 't', 'count'."
        " Correct the layout"
    )
