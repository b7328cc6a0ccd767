"""Sheets from the command line: classes, speeds, part days, hostile ids, audiences; same figures everywhere."""

from __future__ import annotations

import datetime as dt
import re
import shutil
from html.parser import HTMLParser
from pathlib import Path

import openpyxl
import pandas as pd
import pypdfium2
import pytest

from countmap.jobs import annual, counts, panels, publish, releases, reports, sheets, stations
from countmap.jobs import surveys as surveying
from countmap.jobs.common import open_workspace
from countmap.publish import payload
from countmap.rounding import rounded

HOSTILE_ID = '../../<img src=x onerror=alert(1)>"'
HOSTILE_NAME = '=HYPERLINK("http://x")'
LONG_ID = "x" * 10_240
FIRST = dt.datetime.fromisoformat("2025-09-08")  # a Monday
STATIONS = [
    ("H", HOSTILE_ID, HOSTILE_NAME, 7.004), ("L", LONG_ID, "\u202eevil \u05e8\u05d7 \U0001f6a6", 7.016),
    ("P", "planned", "Secret Lane", 7.006),
]  # fmt: skip
SURVEYS = """survey_id,station_id,counter_id,sensor,started,ended,spacing_entered_m,spacing_near_m,\
spacing_middle_m,spacing_far_m,lead_a_m,lead_b_m,width_m,check_spacing,check_parallel
V1,B,T42,tube,2025-09-08T00:00,2025-09-15T00:00,1,1.00,1.01,1.02,5,5.3,7,true,false
"""


def quoted(text):
    return '"' + text.replace('"', '""') + '"'


def counted(station, days, level, sense):
    """Return rows of whole hours: the level, times the hour of the day plus one."""
    rows = []
    for hour in range(days * 24):
        start = FIRST + dt.timedelta(hours=hour)
        rows.append((station, sense, start.isoformat(timespec="minutes"), level * (start.hour + 1)))
    return rows


def write(path, rows, more="", cells=lambda _: ("",)):
    head = "station_id,direction,start,minutes,count" + more
    lines = [
        ",".join([quoted(r[0]), r[1], r[2], "60", f"{r[3]:g}", *cells(r)]).rstrip(",") for r in rows
    ]
    path.write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def made(small_town, tmp_path_factory):
    """Make a workspace with a week at four stations: plain, classified, hostile, very long."""
    folder = tmp_path_factory.mktemp("papers")
    ws = open_workspace(shutil.copytree(small_town / "ws", folder / "ws"))
    rows = [f"{quoted(i)},{quoted(name)},{lon},54.5,short,90" for _, i, name, lon in STATIONS]
    (folder / "more.csv").write_text(
        "station_id,name,lon,lat,kind,bearing_deg\n" + "\n".join(rows) + "\n", encoding="utf-8"
    )
    stations.import_(ws, folder / "more.csv")
    (folder / "surveys.csv").write_text(SURVEYS, encoding="utf-8")
    surveying.import_(ws, folder / "surveys.csv")
    plain = [
        row for station, days in (("A", 30), (HOSTILE_ID, 7), (LONG_ID, 7))
        for sense, level in (("with", 2), ("against", 1))
        for row in counted(station, days, level, sense)
    ]  # fmt: skip
    files = [write(folder / "plain.csv", plain)]
    by_class = [
        (*row[:3], row[3] * share, name)
        for sense in ("with", "against")
        for row in counted("B", 7, 20, sense)
        for name, share in (("1", 0.9), ("9", 0.1))
    ]
    files.append(
        write(folder / "classes.csv", by_class, ",vehicle_class,scheme",
              lambda r: (r[4], "austroads12"))
    )  # fmt: skip
    by_speed = [
        (*row[:3], row[3] * share, low, high)
        for sense in ("with", "against")
        for row in counted("B", 7, 20, sense)
        for low, high, share in ((40, 50, 0.5), (50, 60, 0.4), (60, 70, 0.1))
    ]
    files.append(
        write(folder / "speeds.csv", by_speed, ",speed_low_kmh,speed_high_kmh",
              lambda r: (f"{r[4]}", f"{r[5]}"))
    )  # fmt: skip
    counts.import_(ws, files)
    annual.estimate(ws, year=2025)
    return ws


def printed_text(path):
    """Return the words of a PDF without its white space: lines are broken where there is room."""
    opened = pypdfium2.PdfDocument(path)
    return re.sub(r"\s", "", "".join(p.get_textpage().get_text_bounded() for p in opened))


DAY = sum(range(1, 25))  # of level 1


def test_the_sheet_of_a_week_has_averages_peaks_classes_and_speeds(made, tmp_path):
    done = sheets.sheet(made, "B", pdf=True, xlsx=True, out=tmp_path / "b.html")
    assert [Path(f).name for f in done["files"]] == ["b.html", "b.pdf", "b.xlsx"]
    assert done["averages"]["both"] == {
        "five_day": 40.0 * DAY,
        "seven_day": 40.0 * DAY,
        "whole_weekdays": {"days": 5, "mean": 40.0 * DAY},
        "whole_days": {"days": 7, "mean": 40.0 * DAY},
    }
    assert done["averages"]["with"]["five_day"] == 20.0 * DAY
    peaks = {(p["sense"], p["half"]): (p["hour"], p["volume"]) for p in done["peaks"]}
    assert peaks["both", "a.m."] == (11, 40.0 * 12)
    assert peaks["both", "p.m."] == (23, 40.0 * 24)
    # Austroads 12 bin scheme: class 1 is a car, class 9 a six-axle articulated vehicle.
    assert {s["sense"]: s["value"] for s in done["heavy"]} == pytest.approx(
        {"with": 0.1, "against": 0.1, "both": 0.1}
    )
    assert {s["sense"]: s["value"] for s in done["speed85_kmh"]}["both"] == pytest.approx(58.75)
    panel = panels.summaries(made, 2025)["B"]
    assert (panel.heavy, panel.speed85_kmh) == (pytest.approx(0.1), pytest.approx(58.75)), "the map"
    page = (tmp_path / "b.html").read_text("utf-8")
    for part in ("10.0 %", "59 km/h", "Tubes square to the way the vehicles take", "✓", "✗",
                 "Error of speed and axle spacing to expect of this installation"):  # fmt: skip
        assert part in page, part
    assert "10.0%" in printed_text(tmp_path / "b.pdf")
    assert "59km/h" in printed_text(tmp_path / "b.pdf")


def test_the_spreadsheet_holds_the_counts_as_numbers(made, tmp_path):
    sheets.sheet(made, "B", xlsx=True, out=tmp_path / "b.html")
    book = openpyxl.load_workbook(tmp_path / "b.xlsx")
    assert book.sheetnames[:3] == ["hours", "figures", "annual"]
    rows = {row[0]: row[1:] for row in book["hours"].iter_rows(values_only=True, max_row=35)}
    assert rows["07–08"][:7] == (40 * 8,) * 7
    assert rows["Day"][:9] == (40 * DAY,) * 9


def test_crews_and_counters_are_for_the_house_alone(made, tmp_path):
    for audience, there in (("public", False), ("internal", True)):
        done = sheets.sheet(made, "B", audience=audience, pdf=True, xlsx=True,
                            out=tmp_path / f"{audience}.html")  # fmt: skip
        page, printed, book = map(Path, done["files"])
        assert ("T42" in page.read_text("utf-8")) == there
        assert ("T42" in printed_text(printed)) == there
        assert ("Counts from classes.csv" in page.read_text("utf-8")) == there
        cells = {
            c for s in openpyxl.load_workbook(book) for r in s.iter_rows(values_only=True)
            for c in r
        }  # fmt: skip
        assert "T42" not in cells


class Tags(HTMLParser):
    def __init__(self):
        super().__init__()
        self.found = set()

    def handle_starttag(self, tag, _attributes):
        self.found.add(tag)


@pytest.mark.parametrize("station", [HOSTILE_ID, LONG_ID], ids=["path", "long"])
def test_a_hostile_id_stays_text_and_its_files_in_their_folder(made, countmap, station):
    ended = countmap("publish", "sheet", station, "--pdf", "--xlsx", "--json", "-w", made.path)
    assert (ended.code, ended.err) == (0, "")
    files = [Path(f) for f in ended.document["files"]]
    for file in files:
        assert file.resolve().parent == (made.path / "published").resolve()
        assert re.fullmatch(r"sheet-[\w.-]{1,60}", file.name, re.ASCII)
    tags = Tags()
    tags.feed(files[0].read_text("utf-8"))
    assert not {"img", "script"} & tags.found
    assert pypdfium2.PdfDocument(files[1])
    book = openpyxl.load_workbook(files[2])
    kinds = {c.data_type for s in book for row in s.iter_rows() for c in row}
    assert "f" not in kinds


def test_a_hostile_name_stays_text_in_report_and_data(made, tmp_path):
    done = reports.report(made, year=2025, title=HOSTILE_ID, pdf=True, xlsx=True,
                          out=tmp_path / "r.html")  # fmt: skip
    page, printed, book = map(Path, done["files"])
    tags = Tags()
    tags.feed(page.read_text("utf-8"))
    assert not {"img", "script"} & tags.found
    assert HOSTILE_NAME in printed_text(printed)
    loaded = openpyxl.load_workbook(book)
    assert HOSTILE_NAME in {
        c for row in loaded["stations"].iter_rows(values_only=True) for c in row
    }
    assert "f" not in {c.data_type for s in loaded for row in s.iter_rows() for c in row}
    releases.data(made, year=2025, out=tmp_path / "data")
    text = (tmp_path / "data" / "stations.csv").read_text("utf-8")
    assert '"\'=HYPERLINK(""http://x"")"' in text


def test_a_planned_station_is_in_no_public_paper(made, tmp_path):
    for audience, there in (("public", False), ("internal", True)):
        done = reports.report(made, year=2025, audience=audience, out=tmp_path / "r.html")
        page = Path(done["files"][0]).read_text("utf-8")
        for private in ("Secret Lane", "For the house alone", "Due, most urgent first"):
            assert (private in page) == there, private


REFUSALS = [
    (("nowhere",), "there is no station 'nowhere'; countmap stations list shows all"),
    (("D",), "station 'D' has no counts; countmap counts import FILE adds them"),
    (("A", "--first", "2025-09-08"), "give --first and --last together, or neither"),
    (("A", "--first", "2025-09-09", "--last", "2025-09-08"),
     "--last 2025-09-08 is before --first 2025-09-09; swap them"),
    (("A", "--first", "2025-01-01", "--last", "2025-02-28"),
     "2025-01-01 to 2025-02-28 is 59 days; a sheet holds 35. Give --first and --last"),
    (("A", "--first", "2025-02-01", "--last", "2025-02-02"),
     "station 'A' has no counts from 2025-02-01 to 2025-02-02; countmap counts show A lists its days"),
    (("A", "--first", "soon", "--last", "2025-02-02"), "--first 'soon' is no date; write YYYY-MM-DD"),
    (("A", "--out", "sheet.pdf"), "sheet.pdf: the page is HTML; give --out a name that ends in .html"),
]  # fmt: skip


@pytest.mark.parametrize(("words", "said"), REFUSALS)
def test_a_refusal_is_one_line(made, countmap, words, said):
    ended = countmap("publish", "sheet", *words, "-w", made.path)
    assert (ended.code, ended.out, ended.err) == (1, "", f"countmap: {said}\n")


def test_a_public_sheet_of_a_counter_outside_is_refused(made, countmap, tmp_path):
    ws = open_workspace(shutil.copytree(made.path, tmp_path / "ws"))
    rows = ws.register.frame("surveys").assign(survey_id="V2", station_id="A", ended=None)
    with ws.register.transaction() as tx:
        tx.put("surveys", rows)
    # A is a permanent station: its counter stands there for all to see.
    assert countmap("publish", "sheet", "A", "-w", ws.path).code == 0
    with ws.register.transaction() as tx:
        tx.put("surveys", rows.assign(survey_id="V3", station_id="B"))
    ended = countmap("publish", "sheet", "B", "-w", ws.path)
    assert ended.code == 1
    assert ended.err == (
        "countmap: survey V3 has no end: its counter stands outside now, and a public sheet would "
        "say where. Import its end, or use --audience internal\n"
    )
    assert countmap("publish", "sheet", "B", "--audience", "internal", "-w", ws.path).code == 0


class Tables(HTMLParser):
    """Reads every table of a page as rows of text."""

    def __init__(self):
        super().__init__()
        self.rows, self.cell = [], None

    def handle_starttag(self, tag, _attributes):
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.cell = ""

    def handle_data(self, data):
        if self.cell is not None:
            self.cell += data

    def handle_endtag(self, tag):
        if tag in ("td", "th"):
            self.rows[-1].append(self.cell)
            self.cell = None


def table_rows(path):
    read = Tables()
    read.feed(Path(path).read_text("utf-8"))
    return read.rows


def test_sheet_report_table_data_and_map_say_the_same(town, tmp_path):
    """The figure of every station, read out of each thing that is handed over."""
    chart = town.settings.rounding
    releases.data(town, year=2025, out=tmp_path / "data")
    given = pd.read_csv(tmp_path / "data" / "annual.csv").set_index(["station_id", "sense"])
    report = reports.report(town, year=2025, xlsx=True, out=tmp_path / "r.html")
    page = Path(report["files"][0]).read_text("utf-8")
    out = town.register.frame("flags", state="excluded")
    for said in (f"<dd>{len(out)} findings</dd>", "<dd>49 estimated, 10 measured</dd>",
                 "<dd>49 matched, 10 fhwa</dd>", "<dd>2025-01-01 to 2025-12-31</dd>"):  # fmt: skip
        assert said in page, said
    assert all(reason in page for reason in out["reason"])
    assert f"Release {report['release']}, public" in page
    in_report = {r[0]: r for r in table_rows(report["files"][0]) if len(r) == 10}
    book = openpyxl.load_workbook(report["files"][1])["stations"]
    in_book = {r[0]: r for r in book.iter_rows(values_only=True)}
    content = publish.map_content(town, year=2025)
    rows = payload.station_rows(content, payload.link_rows(content)).set_index("station_id")
    assert len(rows) > 50
    for station, row in rows.iterrows():
        wanted = [
            rounded(given.loc[(station, row["basis"]), name], chart)
            for name in ("aadt", "lower", "upper")
        ]
        assert [row["figure"], row["lower"], row["upper"]] == wanted
        said = [f"{wanted[0]:,.0f}", f"{wanted[1]:,.0f} to {wanted[2]:,.0f}"]
        assert in_report[station][3:5] == said
        assert [in_book[station][3], in_book[station][4]] == [wanted[0], said[1]]
    for station in ("S33", "S16", "P05"):
        sheet = sheets.sheet(town, station, out=tmp_path / "s.html")
        (whole,) = (
            r for r in table_rows(sheet["files"][0]) if r[0] == "Both ways" and r[1] == "2025"
        )
        assert whole[2:4] == in_report[station][3:5]
        assert sheet["annual"][0]["figure"] == pytest.approx(given.loc[(station, "both"), "aadt"])
    flows = pd.read_csv(tmp_path / "data" / "flows.csv")
    links = payload.link_rows(content).set_index("link_id")
    both = flows[(flows["sense"] == "both") & flows["flow"].notna()]
    for one in both.itertuples():
        assert links.loc[one.link_id, "figure"] == rounded(one.flow, chart)


def test_the_numbers_of_a_sheet_are_those_of_the_counts(town, tmp_path):
    """Hours and averages against the counts as the demo's own files give them."""
    sheet = sheets.sheet(town, "S33", xlsx=True, out=tmp_path / "s.html")
    files = sorted((town.path / "inputs" / "counts").glob("short_*.csv"))
    raw = pd.concat(map(pd.read_csv, files))
    raw = raw[raw["station_id"] == "S33"]
    raw = raw.assign(when=pd.to_datetime(raw["start"]))
    book = openpyxl.load_workbook(tmp_path / "s.xlsx")["hours"]
    rows = list(book.iter_rows(values_only=True, max_row=33))
    (head,) = (r for r in rows if r[0] == "Hour")
    by_hour = raw.groupby([raw["when"].dt.strftime("%-d.%-m."), raw["when"].dt.hour])["count"].sum()
    checked = 0
    for row in rows:
        if not re.fullmatch(r"\d\d–\d\d", str(row[0])):
            continue
        for name, value in zip(head[1:], row[1:], strict=True):
            key = (str(name).partition(" ")[2], int(row[0][:2]))
            if key in by_hour.index:
                assert value == by_hour[key]
                checked += 1
            elif key[0]:
                assert value is None
    assert checked == len(by_hour)
    raw = raw.assign(weekday=raw["when"].dt.day_of_week, hour=raw["when"].dt.hour)
    two_way = raw.groupby(["when", "weekday", "hour"])["count"].sum().reset_index()
    mean = two_way.groupby(["weekday", "hour"])["count"].mean()
    wanted = sum(mean.loc[day].sum() for day in range(5)) / 5
    assert sheet["averages"]["both"]["five_day"] == pytest.approx(wanted)
