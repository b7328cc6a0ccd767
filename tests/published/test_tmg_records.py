"""Records of the Traffic Monitoring Guide (FHWA), read and written.

The volume record is a day of open federal data in the layout of the guide of 2013, section 7.3; its
hours, their sum and the two missing hours were worked out by hand from the positions printed there.
The other records follow the same tables; what no table was at hand for is marked in `formats/tmg.py`.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from countmap.errors import InvalidInput
from countmap.formats import tmg, tmg_write

VOLUME = (
    "3172R01710A90201204254000460002200014000130002900030000750013600179002180026400293003220040100439"
    "          003660026100202001430009800054000220"
)
HOURS = [46, 22, 14, 13, 29, 30, 75, 136, 179, 218, 264, 293, 322, 401, 439, None, None]
HOURS += [366, 261, 202, 143, 98, 54, 22]


def save(path, *lines):
    path.write_text("\n".join(lines) + "\n")
    return path


def test_a_published_volume_record(tmp_path):
    found = tmg.read_counts(save(tmp_path / "v.txt", VOLUME))
    assert len(VOLUME) == tmg.WIDTHS["volume"] == 143
    raw = found.raw
    assert set(raw["station_id"]) == {"01710A"}
    assert set(raw["direction"]) == {"both"}
    assert raw["lane"].isna().all()
    assert raw["start"].iloc[[0, -1]].astype(str).tolist() == [
        "2012-04-25 00:00:00",
        "2012-04-25 23:00:00",
    ]
    assert [None if np.isnan(c) else int(c) for c in raw["count"]] == HOURS
    assert raw["count"].sum() == 3627
    assert raw["count"].isna().sum() == 2
    assert (len(found.rejects), found.notes) == (0, ())


def test_the_widths_are_those_of_the_guide():
    at = {}
    position = 1
    for name, length in tmg.STATION:
        at[name] = (position, length)
        position += length
    assert tmg.WIDTHS["station"] == 213
    anchors = {
        "state": (2, 2), "station_id": (4, 6), "direction": (10, 1), "lane": (11, 1),
        "year": (12, 4), "functional_class": (16, 2), "lanes": (18, 1), "classes": (25, 2),
        "sensor": (31, 1), "purpose": (33, 1), "route": (34, 60), "point": (94, 8), "lat": (102, 8),
        "lon": (110, 9), "established": (129, 4), "county": (137, 3), "location": (164, 50),
    }  # fmt: skip
    assert {name: at[name] for name in anchors} == anchors


def test_a_class_record_by_hand(tmp_path):
    counts = [1, 80, 20, 0, 5, 2, 0, 3, 9, 0, 0, 0, 0]
    line = "C17000123112025030407 001200"
    line += "".join(f"{c:05d}" for c in counts)
    raw = tmg.read_counts(save(tmp_path / "c.txt", line)).raw
    assert raw["vehicle_class"].tolist() == [str(n + 1) for n in range(13)]
    assert raw["count"].tolist() == counts
    assert set(raw["scheme"]) == {"fhwa13"}
    assert set(raw["direction"] + raw["lane"]) == {"N1"}
    assert raw["start"].iloc[0] == pd.Timestamp("2025-03-04 07:00")
    wrong = tmg.read_counts(save(tmp_path / "d.txt", line.replace("00120", "00121", 1)))
    assert len(wrong.raw) == 0
    assert wrong.rejects["why"].item() == (
        "classes and the total disagree: 120 against 121. Correct the row"
    )


def test_a_speed_record_by_hand_in_quarters(tmp_path):
    line = "T|17|000123|3|2|2025|03|04|07|2|1|03|00030|00004|00020|00006"
    raw = tmg.read_counts(save(tmp_path / "t.txt", line)).raw
    assert raw["start"].unique() == pd.Timestamp("2025-03-04 07:15")
    assert set(raw["minutes"]) == {15}
    mile = 1.609344
    assert raw["speed_low_kmh"].tolist() == pytest.approx([0, 20 * mile, 25 * mile], abs=1e-3)
    assert raw["speed_high_kmh"].tolist()[:2] == pytest.approx([20 * mile, 25 * mile], abs=1e-3)
    assert np.isnan(raw["speed_high_kmh"].iloc[2])


def test_a_station_record(tmp_path):
    frame = pd.DataFrame(
        {
            "station_id": ["000123"],
            "name": ["2 miles west of the bridge"],
            "road": ["US 40"],
            "lon": [-89.123456],
            "lat": [39.654321],
            "bearing_deg": [90.0],
        }
    )
    for pipe in (False, True):
        tmg_write.write_stations(frame, tmp_path / "s.txt", state="17", year=2025, pipe=pipe)
        back, rejects = tmg.read_stations(tmp_path / "s.txt")
        assert rejects.empty
        assert back.drop(columns="row").to_dict("records") == frame.to_dict("records")


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (VOLUME[:17] + "0230" + VOLUME[21:], "the day 2012-02-30 does not exist. Correct the row"),
        (
            VOLUME[:21] + "5" + VOLUME[22:],
            "weekday '5' is not that of the day (1 is Sunday). Correct the row",
        ),
        (
            VOLUME.replace("00046", "0-046"),
            "the volume '0-046' of hour 0 is not a number. Correct the row",
        ),
        ("T|17|000123|3|2|2025|03|04|07||7|01|5|5",
            "the first speed bin '7' is not known here (1: to 20 mph). Describe the file by a layout"),
        ("T|17|000123|3|2|2025|03|04|27||1|01|5|5", "hour '27' is not 00 to 23. Correct the row"),
    ],
)  # fmt: skip
def test_a_record_that_cannot_be_taken_is_named(tmp_path, line, why):
    found = tmg.read_counts(save(tmp_path / "v.txt", line))
    assert found.rejects[["row", "why"]].to_numpy().tolist() == [[1, why]]
    assert found.raw.empty


def test_one_file_holds_one_kind_and_one_state(tmp_path):
    with pytest.raises(
        InvalidInput, match=r"v.txt:2: a class record in a file of volume records. Keep"
    ):
        tmg.read_counts(save(tmp_path / "v.txt", VOLUME, "C17000123112025030407 0000100001"))
    with pytest.raises(InvalidInput, match="holds stations of the states 17, 18, whose ids may be"):
        tmg.read_counts(save(tmp_path / "v.txt", VOLUME, VOLUME.replace("317", "318", 1)))


def test_what_the_sender_marked_is_said(tmp_path):
    found = tmg.read_counts(save(tmp_path / "v.txt", VOLUME[:-1] + "1"))
    said = "1 record is marked as restricted by the sender (first: v.txt:1); "
    assert found.notes == (said + "look at those days before they are used",)
