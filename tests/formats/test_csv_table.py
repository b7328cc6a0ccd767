"""Reading any CSV by its contract: what is understood, and the one line for each thing that is not."""

from __future__ import annotations

import csv
import io

import pandas as pd
import pytest

from countmap import tables
from countmap.errors import InvalidInput, NotFound
from countmap.formats import csv_table
from countmap.tables import Column, Table

COUNTS = Table(
    "counts",
    (),
    (
        Column("station_id", "text"),
        Column("start", "text"),
        Column("minutes", "int", "min", minimum=1, maximum=1440),
        Column("count", "float", nullable=True, minimum=0),
        Column("lane", "text", required=False, nullable=True),
    ),
)
HEAD = "station_id,start,minutes,count\n"


def file(folder, content, name="counts.csv"):
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
    return path


def read(folder, content, **options):
    return csv_table.read(file(folder, content), COUNTS, **options)


def refusal(folder, content, **options):
    """Return the error's text: of the file as a whole, or of its first offending row."""
    try:
        _, rejects = read(folder, content, **options)
    except (InvalidInput, NotFound) as error:
        return str(error)
    return str(csv_table.error_from(rejects))


def test_types_nulls_and_line_numbers(tmp_path):
    frame, rejects = read(tmp_path, HEAD + "S1,2025-03-04T07:15,15,3\n\nS1,2025-03-04T07:30,15,\n")
    assert rejects.empty
    assert frame["row"].tolist() == [2, 4]
    assert frame["minutes"].dtype == "int64"
    assert frame["count"].tolist()[0] == 3
    assert pd.isna(frame["count"].iloc[1])
    assert frame["lane"].isna().all()


@pytest.mark.parametrize(
    "content",
    [
        "\ufeff" + HEAD + "S1,2025-03-04T07:15,15,3\n",
        (HEAD + "S1,2025-03-04T07:15,15,3\n").replace("\n", "\r\n"),
        (HEAD + "S1,2025-03-04T07:15,15,3\n").replace("\n", "\r"),
        (HEAD + "S1,2025-03-04T07:15,15,3\n").replace(",", ";"),
        (HEAD + "S1,2025-03-04T07:15,15,3\n").replace(",", "\t"),
        " Station_ID , START,minutes,Count ,unknown\n S1 ,2025-03-04T07:15, 15 ,3,x\n",
        HEAD + "S1,2025-03-04T07:15,15,3,\n",
        HEAD + "S1,2025-03-04T07:15,15,3\n,,,\n",
        "sep=;\n" + (HEAD + "S1,2025-03-04T07:15,15,3\n").replace(",", ";"),
        '"station_id","start","minutes","count"\n"S1","2025-03-04T07:15","15","3"',
    ],
    ids=["bom", "crlf", "cr", "semicolon", "tab", "folded", "trailing", "blank", "sep", "quoted"],
)
def test_the_same_rows_in_many_dresses(tmp_path, content):
    frame, rejects = read(tmp_path, content)
    assert rejects.empty
    assert frame[["station_id", "start", "minutes", "count"]].to_numpy().tolist() == [
        ["S1", "2025-03-04T07:15", 15, 3.0]
    ]


def test_decimal_comma_only_beside_semicolons(tmp_path):
    frame, _ = read(tmp_path, "station_id;start;minutes;count\nS1;a;15;2,5\nS1;b;15;2.5\n")
    assert frame["count"].tolist() == [2.5, 2.5]
    assert refusal(tmp_path, HEAD + 'S1,a,15,"2,5"\n') == (
        "counts.csv:2: count '2,5' is not a number. Correct the row "
        '(a decimal comma needs ";" between the columns)'
    )


def test_quoted_fields_keep_true_line_numbers(tmp_path):
    frame, rejects = read(
        tmp_path, HEAD + '"S1\nnorth",a,15,3\n"S ""2"", x",b,15,4\nS3,c,15,-3\nS4,d,15,5\n'
    )
    assert frame["row"].tolist() == [2, 4, 6]
    assert frame["station_id"].tolist() == ["S1\nnorth", 'S "2", x', "S4"]
    assert rejects["row"].tolist() == [5]


REFUSED = {
    "empty": ("", "counts.csv: the file is empty. Export it again"),
    "header only": (HEAD, "counts.csv:1: has a header and no rows. Export it again"),
    "blank rows": (HEAD + ",,,\n", "counts.csv: every row is blank. Export it again"),
    "binary": (
        (HEAD + "S1,a\x00b,15,3\n"),
        "counts.csv:2: holds a zero byte, so it is not text. Save it as CSV",
    ),
    "spreadsheet": (
        b"PK\x03\x04rest",
        "counts.csv: is a zip archive, not text. Save it as CSV (UTF-8)",
    ),
    "utf-16": (
        (HEAD + "S1,a,15,3\n").encode("utf-16"),
        "counts.csv: is UTF-16, not UTF-8. Save it as CSV (UTF-8)",
    ),
    "utf-16 without mark": (
        (HEAD + "S1,a,15,3\n").encode("utf-16-le"),
        "counts.csv: is UTF-16, not UTF-8. Save it as CSV (UTF-8)",
    ),
    "latin-1": (
        (HEAD + "Sé,a,15,3\n").encode("latin-1"),
        (
            "counts.csv:2: byte 0xE9 is not UTF-8 ('é' in Windows-1252 or Latin-1). "
            "Save the file as UTF-8, or state its encoding in a layout"
        ),
    ),
    "missing column": (
        "station,start,count\nS1,a,3\n",
        (
            "counts.csv:1: counts needs the columns 'station_id', 'minutes'; the header has "
            "'station', 'start', 'count'. Rename or add the columns"
        ),
    ),
    "same name twice": (
        "station_id,start,minutes,count,Count\nS1,a,15,3,3\n",
        "counts.csv:1: the column 'count' is there twice. Rename one",
    ),
    "short row": (
        HEAD + "S1,a,15\nS1,b,15,3\n",
        "counts.csv:2: the line has 3 fields, the header 4. Correct the row",
    ),
    "long row": (
        HEAD + "S1,a,15,3,4\nS1,b,15,3\n",
        "counts.csv:2: the line has 5 fields, the header 4. Correct the row",
    ),
    "cut off": (
        HEAD + "S1,a,15,3\nS1,b",
        (
            "counts.csv:3: the line has 2 fields, the header 4. "
            "The file is cut off here: fetch it again"
        ),
    ),
    "stray quote": (
        HEAD + 'S1,5" tube,15,3\n',
        (
            "counts.csv:2: a quotation mark stands in the middle of a field. "
            'Put the field in quotation marks and double the inner one ("")'
        ),
    ),
    "open quote": (
        HEAD + 'S1,a,15,3\nS1,"b,15,3\n',
        (
            "counts.csv:3: a quotation mark opens here and is never closed. "
            "Close it; if the file is cut off, fetch it again"
        ),
    ),
    "text": (
        HEAD + "S1,a,15,three\n",
        "counts.csv:2: count 'three' is not a number. Correct the row",
    ),
    "infinite": (
        HEAD + "S1,a,15,1e999\n",
        "counts.csv:2: count '1e999' is not a number. Correct the row",
    ),
    "negative": (HEAD + "S1,a,15,-3\n", "counts.csv:2: count -3 is negative. Correct the row"),
    "fraction": (
        HEAD + "S1,a,7.5,3\n",
        "counts.csv:2: minutes 7.5 is not a whole number. Correct the row",
    ),
    "too low": (HEAD + "S1,a,0,3\n", "counts.csv:2: minutes 0 is below 1 min. Correct the row"),
    "too high": (
        HEAD + "S1,a,1441,3\n",
        "counts.csv:2: minutes 1441 is above 1440. Correct the row",
    ),
    "nothing": (HEAD + ",a,15,3\n", "counts.csv:2: station_id is empty. Fill it in"),
}


@pytest.mark.parametrize(("content", "line"), REFUSED.values(), ids=list(REFUSED))
def test_each_fault_has_one_clear_line(tmp_path, content, line):
    assert refusal(tmp_path, content) == line


def test_the_error_names_the_record_and_carries_every_offence(tmp_path):
    content = (
        HEAD + "S012,2025-03-04T07:15,15,-3\nS1,2025-03-04T07:30,15,3\nS1,x,15,-4\nS1,y,0,-5\n"
    )
    frame, rejects = read(tmp_path, content, about=("station_id", "start"))
    assert len(frame) == 1
    assert rejects["row"].tolist() == [2, 4, 5]
    error = csv_table.error_from(rejects)
    assert str(error) == (
        "counts.csv:2: count -3 is negative (station S012, 2025-03-04 07:15). Correct the row"
    )
    assert error.rejects is rejects
    assert list(rejects.columns) == list(tables.REJECTS.names)
    assert tables.offences(rejects, tables.REJECTS).empty


def test_no_such_file_and_a_folder(tmp_path):
    with pytest.raises(NotFound, match=r"nope\.csv: there is no such file\. Check the path"):
        csv_table.read(tmp_path / "nope.csv", COUNTS)
    with pytest.raises(InvalidInput, match=r"is a folder\. Name the file in it"):
        csv_table.read(tmp_path, COUNTS)


def test_stations_dates_words_and_keys(tmp_path):
    path = file(
        tmp_path,
        "station_id,kind,lon,lat,valid_from,same_way,x\n"
        "A,Permanent,9.1,48.7,2024-01-01,yes,5\n"
        "A,short,9.1,48.7,,,6\n"
        "B,tube,9.1,48.7,,,7\n"
        "C,short,9.1,98.7,04/01/2024,perhaps,8\n",
        "stations.csv",
    )
    frame, rejects = csv_table.read(path, tables.STATIONS, extra=("x",))
    assert frame[["station_id", "kind", "x", "row"]].to_numpy().tolist() == [
        ["A", "permanent", "5", 2]
    ]
    assert frame["same_way"].tolist() == [True]
    assert frame["valid_from"].tolist() == [pd.Timestamp("2024-01-01")]
    assert rejects["why"].tolist() == [
        "station_id 'A' is there twice, first in line 2. Keep one",
        "kind 'tube' is unknown (station B). Use one of permanent, short",
        "lat 98.7 is above 90 (station C). Correct the row",
    ]
    assert tables.offences(frame, tables.STATIONS).empty


RULES = {
    "upper below": (
        tables.ANNUAL,
        "station_id,sense,year,aadt,lower,upper,status\nS1,with,2025,100,90,95,measured\n",
        "counts.csv:2: aadt 100 is above upper 95 (station S1, with, 2025). Correct the row",
    ),
    "lower above": (
        tables.ANNUAL,
        "station_id,sense,year,aadt,lower,upper,status\nS1,with,2025,100,120,130,measured\n",
        "counts.csv:2: lower 120 is above aadt 100 (station S1, with, 2025). Correct the row",
    ),
    "ended before": (
        tables.SURVEYS,
        "survey_id,epoch,station_id,started,ended\nv{1},1,S1,2025-03-04T08:00,2025-03-04T07:00\n",
        (
            "counts.csv:2: ended 2025-03-04T07:00 is before started 2025-03-04T08:00 (survey v{1}, 1)."
            " Correct the row"
        ),
    ),
    "no time": (
        tables.SURVEYS,
        "survey_id,epoch,station_id,started,ended\nv1,1,S1,4 March,\n",
        "counts.csv:2: started '4 March' is not a time (survey v1, 1). Write it as 2025-03-04T07:15",
    ),
    "share": (
        tables.DECLARATIONS,
        "kind,id,value\nside_access,l1,1.4\n",
        "counts.csv:2: value must be at most 1 where kind is side_access, got 1.4. Correct the row",
    ),
    "no share": (
        tables.DECLARATIONS,
        "kind,id,value\nquiet,l1,\nside_access,l1,\n",
        "counts.csv:3: value must not be empty where kind is side_access. Correct the row",
    ),
    "no share, no column": (
        tables.DECLARATIONS,
        "kind,id\nside_access,l1\n",
        "counts.csv:2: value must not be empty where kind is side_access. Correct the row",
    ),
    "half a pair": (
        tables.DECLARATIONS,
        "kind,id,other_id\npair,l1,\n",
        "counts.csv:2: other_id must not be empty where kind is pair. Correct the row",
    ),
    "days": (
        tables.DAYS,
        "first,last,kind\n2025-03-04,2025-03-01,event\n",
        "counts.csv:2: last 2025-03-01 is before first 2025-03-04. Correct the row",
    ),
    "validity": (
        tables.STATIONS,
        "station_id,valid_from,valid_to\nS1,2025-03-04,2025-03-01\n",
        (
            "counts.csv:2: valid_to 2025-03-01 is before valid_from 2025-03-04 (station S1)."
            " Correct the row"
        ),
    ),
    "metres for degrees": (
        tables.STATIONS,
        "station_id,lon,lat\nS1,362000,5350000\n",
        (
            "counts.csv:2: lon 362000 looks like metres, not degrees (station S1)."
            " Name the columns x and y and give --crs"
        ),
    ),
    "no degrees": (
        tables.STATIONS,
        "station_id,lon,lat\nS1,190,50\n",
        "counts.csv:2: lon 190 is above 180 (station S1). Correct the row",
    ),
}


@pytest.mark.parametrize(("table", "content", "line"), RULES.values(), ids=list(RULES))
def test_rules_of_a_row_are_refused_with_their_line(tmp_path, table, content, line):
    good, rejects = csv_table.read(file(tmp_path, content), table)
    assert str(csv_table.error_from(rejects)) == line
    assert len(good) + len(rejects) == content.count("\n") - 1


def test_times_with_and_without_offset(tmp_path):
    table = Table("t", (), (Column("at", "time"),))
    text = "at,n\n2025-03-04T07:15+01:00,1\n2025-03-04 06:15Z,2\n2025-03-04T07:15,3\n2025-03-30T02:30,4\n"
    path = file(tmp_path, text, "t.csv")
    frame, rejects = csv_table.read(path, table, tz="Europe/Berlin")
    assert len(set(frame["at"])) == 1
    assert str(frame["at"].dtype) == "datetime64[us, UTC]"
    assert rejects["why"].tolist() == [
        "at '2025-03-30T02:30' does not exist in Europe/Berlin (clocks go forward). Correct the row"
    ]
    _, rejects = csv_table.read(path, table)
    assert rejects["row"].tolist() == [4, 5]
    assert rejects["why"][0] == (
        "at '2025-03-04T07:15' has no offset. Write it as 2025-03-04T07:15+01:00"
    )


def test_what_is_written_reads_back(tmp_path):
    frame = pd.DataFrame(
        {
            "flag_id": ["a", "b"],
            "rule": ["r", "r"],
            "severity": ["warn", "note"],
            "station_id": ["S1", 'S,"2"\nx'],
            "sense": ["with", None],
            "first_utc": pd.to_datetime(["2025-01-01T00:00Z"] * 2).as_unit("us"),
            "last_utc": pd.to_datetime(["2025-01-01T01:00Z"] * 2).as_unit("us"),
            "why": ["it is", "so"],
            "state": ["open", "open"],
        }
    )
    csv_table.write(frame, tmp_path / "flags.csv")
    back, rejects = csv_table.read(tmp_path / "flags.csv", tables.FLAGS)
    assert rejects.empty
    for name in frame.columns:
        assert (
            back[name].astype(object).where(back[name].notna(), None).tolist()
            == frame[name].astype(object).where(frame[name].notna(), None).tolist()
        )
    csv_table.write(pd.DataFrame({"a": ["x\ry", None], "b": [1.0, None]}), tmp_path / "r.csv")
    with (tmp_path / "r.csv").open(newline="", encoding="utf-8") as handle:
        assert list(csv.reader(handle)) == [["a", "b"], ["x\ry", "1"], ["", ""]]
    csv_table.write(pd.DataFrame({"a": [1.0, None], "b": [True, False]}), tmp_path / "x.csv")
    assert (tmp_path / "x.csv").read_text() == "a,b\n1,true\n,false\n"


def test_a_million_rows_in_seconds(tmp_path):
    """Guards the vectorised path: a loop over rows takes more than ten times as long."""
    import time

    body = io.StringIO()
    line = "S{0:03d},2025-03-{1:02d}T{2:02d}:15,15,{0}\n"
    for i in range(50_000):
        body.write(line.format(i % 60, i % 28 + 1, i % 24))
    path = file(tmp_path, HEAD + body.getvalue() * 4)
    begun = time.process_time()
    frame, _ = csv_table.read(path, COUNTS)
    assert len(frame) == 200_000
    assert frame["row"].iloc[-1] == 200_001
    assert time.process_time() - begun < 3
