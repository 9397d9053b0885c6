"""Files without a header and workbooks with several sheets: every column is asked, every sheet gets its layout."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from pipeline import ingest
from pipeline.ingest import proposing
from pipeline.settings import Home
from tests.load.conftest import Rows
from tests.load.workbooks import Cell, write_xlsx

Write = Callable[..., Path]
READER = {("reader", "reader"): "Bench"}
LOG = "047,2026-03-02 07:40:00,800,84,13.9\n047,2026-03-02 07:40:01,810,84,13.9\n"
MEANT = {
    ("column", "column 1"): "van",
    ("column", "column 2"): "at",
    ("column", "column 3"): "engine_speed",
    ("column", "column 4"): "coolant_temp",
    ("column", "column 5"): "not taken",
    ("column_unit", "column 4"): "°C",
}


def test_every_column_of_a_file_without_a_header_is_asked(home: Home, write: Write, rows: Rows) -> None:
    found = proposing.propose_for(home, write("log-7.csv", LOG), READER)
    assert [q.subject for q in found.proposal.questions] == [f"column {i}" for i in range(1, 6)]
    path = write("log-8.csv", LOG)
    found = proposing.propose_for(home, path, READER | MEANT)
    assert found.proposal.is_complete
    proposing.accept(home, path, found.proposal)
    assert ingest.load(home, [write("log-9.csv", LOG)]).files[0].taken == 5  # a scan and four readings
    assert rows("select line, parameter, value from raw.readings order by 1, 2") == [
        (1, "coolant_temp", 84.0),
        (1, "engine_speed", 800.0),
        (2, "coolant_temp", 84.0),
        (2, "engine_speed", 810.0),
    ]


def test_columns_in_another_order_are_doubted_aloud(home: Home, write: Write) -> None:
    path = write("log-8.csv", LOG)
    proposing.accept(home, path, proposing.propose_for(home, path, READER | MEANT).proposal)
    rows = [f"047,2026-03-03 07:40:0{i},84,{800 + i},13.9\n" for i in range(6)]
    swapped = ingest.load(home, [write("log-9.csv", "".join(rows))]).files[0]
    (said,) = [n for n in swapped.notes if "lie outside what can be" in n]
    assert said.startswith("6 of 6 values of engine coolant temperature")
    assert "never compared" in said
    right = ingest.load(home, [write("log-10.csv", LOG * 1)]).files[0]
    assert not [n for n in right.notes if "lie outside" in n]


def test_a_row_of_data_is_not_taken_for_a_header(home: Home, write: Write) -> None:
    path = write("codes.csv", "VN12 KLT,Bench,P0401,stored\nVN12 KLU,Bench,P0299,pending\n")
    found = proposing.propose_for(home, path, READER)
    assert found.proposal.table["file"]["names"] == [f"column {i}" for i in range(1, 5)]


def test_sheets_are_told_apart_and_the_unread_one_is_named(home: Home, tmp_path: Path, rows: Rows) -> None:
    book: dict[str, list[list[Cell]]] = {
        "Codes": [["Van", "Date", "Code"], ["047", "2026-03-02", "P0401"]],
        "Readings": [["Van", "Time", "Engine speed [rpm]"], ["047", "2026-03-02 07:40:00", 800.5]],
        "Info": [["Exported by", "nobody"]],
    }
    path = write_xlsx(tmp_path / "book.xlsx", book)
    assert [q.kind for q in proposing.propose_for(home, path, READER).proposal.questions] == ["sheet"]
    for sheet in ("Codes", "Readings"):
        answers = READER | {("sheet", "sheet"): sheet}
        found = proposing.propose_for(home, path, answers, name=sheet.casefold())
        assert found.proposal.is_complete
        proposing.accept(home, path, found.proposal)
    reports = ingest.load(home, [path]).files
    assert [(r.layout, r.taken) for r in reports] == [("codes", 2), ("readings", 2)]
    assert any("not read: sheet Info" in n for n in reports[0].notes)
    assert rows("select code from raw.codes") == [("P0401",)]
    assert rows("select value from raw.readings") == [(800.5,)]
