"""Files as strangers bring them: each loads rightly, or asks, or is refused with line, column, reason and remedy."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import KinbayError
from pipeline.ingest import proposing
from pipeline.settings import Home

ASKS = {
    "stands twice": ("Vehicle,Timestamp,rpm [rpm],rpm [rpm]\n047,2026-03-02 07:40:00,780,1500\n", "twice"),
    "orders of two kinds": ("van;time;rpm\n047;13/02/2026 07:40;780\n047;02/13/2026 07:41;781\n", "date_order"),
    "either order": ("van;time;rpm\n047;03/02/2026 07:40;780\n", "date_order"),
    "thousandths of a pascal": ("van,time,rail pressure actual [mPa]\n047,2026-03-02 07:40:00,28\n", "column_unit"),
    "silent unit": ("van,time,coolant temperature\n047,2026-03-02 07:40:00,88\n", "column_unit"),
    "either mark": ("van;time;rpm\n047;2026-03-02 07:40:00;1.234\n", "decimal"),
    "two ways of writing": ("van;time;rpm\n047;2026-03-02 07:40:00;780,5\n047;2026-03-02 07:40:01;780.5\n", "decimal"),
    "per cent or fractions": ("van,time,EGR position [%]\n047,2026-03-02 07:40:00,0.25\n", "column_unit"),
    "a strange time zone": ("van,time [MEZ],rpm\n047,2026-03-02 07:40:00,780\n", "time_zone"),
    "no column called time": ("van,moment of it,rpm\n047,2026-03-02 07:40:00,780\n", "time_column"),
    "no column called van": ("lorry,time,rpm\n047,2026-03-02 07:40:00,780\n", "van_column"),
    "month names of another language": ("van,date,rpm\n047,13. Februar 2026,780\n", "time_form"),
    "milliseconds behind a colon": ("van,time,rpm\n047,2026-03-02 07:40:00:250,780\n", "time_form"),
    "a clock called otherwise": ("Van: 047\nclock,rpm\n07:40:00,780\n07:40:01,781\n", "time_column"),
    "limits or extremes": (
        "van,time,coolant temperature [°C],coolant temperature min [°C],coolant temperature max [°C]\n"
        "047,2026-03-02 07:40:00,84,70,105\n", "limits",
    ),
    "of which moment": ("van,scan date,dtc,rpm\n047,2026-03-02,P0562,780\n", "moment"),
    "days of a spreadsheet": ("van,date,rpm\n047,46083.5,780\n", "time_unit"),
    "a name nearly known": ("van,time,rpm,coolant [°C]\n047,2026-03-02 07:40:00,780,84\n", "column_label"),
    "kilometres or miles": ("van,scan date,mileage,dtc\n047,2026-03-02,98000,P0562\n", "column_unit"),
}  # fmt: skip
TAKES = {
    "minus signs": ("van,time,long term fuel trim [%]\n047,2026-03-02 07:40:00,−3.9\n", [-3.9], 0),
    "blank columns": (";;Fahrzeug;;Zeitstempel;Motordrehzahl [1/min];;\n;;047;;13.02.2026 07:00:00;780;;\n", [780.0], 0),
    "a row without its time": (
        "Fahrzeug;Zeitstempel;Motordrehzahl [1/min]\n047;13.02.2026 07:00:00;780\n;;1561\n", [780.0], 1,
    ),
    "hour 24": ("van;time;rpm\n047;13.02.2026 24:00:00;780\n047;13.02.2026 23:59:00;781\n", [780.0, 781.0], 0),
    "hour 24 and more": ("van;time;rpm\n047;13.02.2026 24:30:00;780\n047;13.02.2026 23:59:00;781\n", [781.0], 1),
    "the header again": (
        "van,time,rpm\n047,2026-03-02 07:40:00,780\nvan,time,rpm\n048,2026-03-02 08:40:00,781\nAverage,,780.5\n",
        [780.0, 781.0], 0,
    ),
    "words among the values": (
        "van,time,rpm,rail pressure actual [bar]\n047,2026-03-02 07:40:00,780,Overflow\n047,2026-03-02 07:40:01,781,OL\n"
        "047,2026-03-02 07:40:02,782,285\n", [780.0, 781.0, 782.0, 28.5], 2,
    ),
    "english month names": ("van,time,rpm\n047,2 Mar 2026 07:40,780\n", [780.0], 0),
    "days without marks": ("van,date,rpm\n047,20260314,780\n", [780.0], 0),
    "one time in twenty is none": (
        "van,time,rpm\n" + "".join(f"047,2026-03-02 07:40:{s:02},780\n" for s in range(19)) + "047,soon,781\n",
        [780.0] * 6, 1,
    ),
    "a spreadsheet's mark for text": ("van,time,rpm\n'047,2026-03-02 07:40:00,780\n", [780.0], 0),
    "order in the header": ("van,date (dd/mm/yyyy),rpm\n047,02/03/2026,780\n", [780.0], 0),
    "an odometer of 201.345": (
        "van;time;km;rpm\n047;2026-03-02 07:40:00;201.345;780.5\n", [780.5], 0,
    ),
    "quotes and lines": (
        'Vehicle,Timestamp,"Engine speed [rpm]",Remark\n047,2026-03-02 07:40:00,"1,780.5","he said ""ok""\nand left"\n',
        [1780.5], 0,
    ),
    "gauge pressure": ("van,time,rpm,manifold pressure [psig]\n047,2026-03-02 07:40:00,780,2.8\n", [780.0], 0),
}  # fmt: skip


def _look(home: Home, folder: Path, text: str) -> proposing.Proposed:
    path = folder / "export.csv"
    path.write_text(text, encoding="utf-8")
    return proposing.propose_for(home, path, {("reader", "reader"): "R"})


@pytest.mark.parametrize("name", ASKS)
def test_doubt_is_asked(name: str, home: Home, tmp_path: Path) -> None:
    text, kind = ASKS[name]
    assert [q.kind for q in _look(home, tmp_path, text).proposal.questions] == [kind]


@pytest.mark.parametrize("name", TAKES)
def test_what_is_certain_is_taken_and_the_rest_refused(name: str, home: Home, tmp_path: Path) -> None:
    text, values, refused = TAKES[name]
    found = _look(home, tmp_path, text)
    assert found.proposal.questions == ()
    table = found.preview["tables"]["readings"]
    at = table["columns"].index("value")
    assert [row[at] for row in table["rows"]] == values
    assert found.preview["rejected"] == refused
    assert all(r["line"] and r["reason"] and r["remedy"] for r in found.preview["rejects"])


def test_times_under_a_header_that_says_utc_are_not_local(home: Home, tmp_path: Path) -> None:
    """Madrid is an hour ahead of UTC in winter (tz database)."""
    (home.path / "fleet.toml").write_text('time_zone = "Europe/Madrid"\n', encoding="utf-8")
    for head, hour in (("Time (UTC)", 7), ("time", 6)):
        found = _look(home, tmp_path, f"van,{head},rpm\n047,2026-03-02 07:40:00,780\n")
        table = found.preview["tables"]["scans"]
        at = table["rows"][0][table["columns"].index("scanned_at")]
        assert at == f"2026-03-02 0{hour}:40:00"


def test_an_odometer_that_may_count_thousands_is_left_out_and_said(home: Home, tmp_path: Path) -> None:
    found = _look(home, tmp_path, TAKES["an odometer of 201.345"][0])
    (reject,) = found.preview["rejects"]
    assert (reject["column"], reject["value"]) == ("odometer_km", "201.345")
    assert "odometer_km" not in found.preview["tables"]["scans"]["columns"]


def test_a_spreadsheets_mark_for_text_is_no_part_of_the_van(home: Home, tmp_path: Path) -> None:
    found = _look(home, tmp_path, TAKES["a spreadsheet's mark for text"][0])
    table = found.preview["tables"]["scans"]
    assert table["rows"][0][table["columns"].index("van")] == "047"


def test_a_second_table_below_the_first_is_named(home: Home, tmp_path: Path) -> None:
    with pytest.raises(KinbayError, match="'rpm' holds 'Code', 'P0401'"):
        _look(
            home, tmp_path, "van,time,rpm\n047,2026-03-02 07:40,780\n\nVan,Date,Code\n047,2026-03-02,P0401\n"
        )


def test_a_header_without_rows_teaches_nothing(home: Home, tmp_path: Path) -> None:
    with pytest.raises(KinbayError, match="a header and no rows"):
        _look(home, tmp_path, "van,time,rpm\n")


FRAMES = "van,scan date,dtc,FF rpm,freeze frame coolant temperature [°C],FF speed [mph]\n047,2026-03-02,P0562,780,84,10\n"
LIMITS = (
    "Van;Zeit;Raildruck [bar];Raildruck min;Raildruck max;Bewertung\n"
    "047;13.02.2026 07:41;285;250;350;i.O.\n048;13.02.2026 07:42;385;250;350;n.i.O.\n"
)


def test_freeze_frames_beside_their_code(home: Home, tmp_path: Path) -> None:
    proposal = _look(home, tmp_path, FRAMES).proposal
    assert proposal.questions == ()
    frames = [(f["parameter"], f["unit"]) for f in proposal.table["freeze_frame"]]
    assert frames == [("engine_speed", "rpm"), ("coolant_temp", "°C"), ("vehicle_speed", "mph")]
    assert "wide" not in proposal.table


def test_limits_beside_their_reading(home: Home, tmp_path: Path) -> None:
    path = tmp_path / "limits.csv"
    path.write_text(LIMITS, encoding="utf-8")
    answers = {("reader", "reader"): "R", ("limits", "limits"): "limits"}
    shown = proposing.propose_for(home, path, answers).preview["tables"]["readings"]
    at = [shown["columns"].index(c) for c in ("value", "low", "high", "mark")]
    assert [[row[i] for i in at] for row in shown["rows"]] == [
        [28.5, 25.0, 35.0, "within"],
        [38.5, 25.0, 35.0, "outside"],
    ]
    answers["limits", "limits"] = "values seen"
    assert proposing.propose_for(home, path, answers).proposal.table["wide"] == [
        {"column": "Raildruck [bar]", "parameter": "rail_pressure", "unit": "bar", "mark": "Bewertung"}
    ]


def test_several_columns_of_codes_are_all_read(home: Home, tmp_path: Path) -> None:
    """The third column is empty here, and may hold a code in the next file of the kind."""
    text = "Van,Scan date,DTC1,DTC2,DTC3\n047,2026-03-13,P0401,P0299,\n048,2026-03-14,U0100,,\n"
    found = _look(home, tmp_path, text)
    assert found.proposal.table["codes"] == {"also": ["DTC2", "DTC3"]}
    table = found.preview["tables"]["codes"]
    assert [row[table["columns"].index("code")] for row in table["rows"]] == ["P0401", "P0299", "U0100"]


def test_milliseconds_in_a_header_are_the_time_of_the_row(home: Home, tmp_path: Path) -> None:
    found = _look(home, tmp_path, "van,t_ms,rpm\n047,0,780\n047,500,781\n")
    assert found.proposal.table["columns"]["t_ms"] == "at_offset_ms"
