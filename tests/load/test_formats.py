"""The same rows in every format give the same raw rows; codes and leading zeros survive all of them."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import polars as pl
import pytest

from pipeline import ingest
from pipeline.errors import KinbayError
from pipeline.read.spreadsheets import open_workbook
from pipeline.settings import Home
from tests.load.conftest import Rows
from tests.load.workbooks import Cell, write_ods, write_xlsx

HEADER = ("scan_id", "module", "code", "status", "lamp", "first_seen_km")
CODES = [
    ("047", "engine", "1E10", "present", "no", 120000.5),
    ("048", "brakes", "00285", "stored", "yes", None),
]
EXPECTED = [
    ("047", "engine", "1E10", "number", "present", False, 120000.5),
    ("048", "brakes", "00285", "number", "stored", True, None),
]
QUERY = "select scan_id, module, code, structure, status, lamp, first_seen_km from raw.codes order by line"


def _csv(path: Path, separator: str) -> Path:
    lines = [HEADER, *[["" if c is None else str(c) for c in row] for row in CODES]]
    path.write_text("".join(separator.join(line) + "\n" for line in lines), encoding="utf-8")
    return path


def _json_lines(path: Path) -> Path:
    path.write_text(
        "".join(json.dumps(dict(zip(HEADER, r, strict=True))) + "\n\n" for r in CODES), encoding="utf-8"
    )
    return path


def _parquet(path: Path) -> Path:
    pl.DataFrame(CODES, schema=HEADER, orient="row").write_parquet(path)
    return path


def _xlsx(path: Path) -> Path:
    return write_xlsx(path, {"Codes": [HEADER, *CODES]})


def _ods(path: Path) -> Path:
    return write_ods(path, {"Codes": [HEADER, *CODES]})


MAKERS: dict[str, Callable[[Path], Path]] = {
    "codes.csv": lambda p: _csv(p, ","),
    "codes with 'quotes'.csv": lambda p: _csv(p, ";"),
    "codes.tsv": lambda p: _csv(p, "\t"),
    "codes.jsonl": _json_lines,
    "codes.json": _json_lines,
    "codes.parquet": _parquet,
    "codes.xlsx": _xlsx,
    "codes.ods": _ods,
}


@pytest.mark.parametrize("name", MAKERS)
def test_every_format_gives_the_same_rows(name: str, tmp_path: Path, home: Home, rows: Rows) -> None:
    report = ingest.load(home, [MAKERS[name](tmp_path / name)])
    assert [(f.table, f.taken, f.rejects) for f in report.files] == [("codes", 2, ())]
    assert rows(QUERY) == EXPECTED
    assert ingest.rebuild_raw(home) == 1
    assert rows(QUERY) == EXPECTED


def test_a_workbook_of_several_tables(tmp_path: Path, home: Home, rows: Rows) -> None:
    scans: list[list[Cell]] = [
        [None, None],
        ["scan_id", "van", "reader", "scanned_at", "odometer_km", "rest_v"],
        ["a-1", "047", "Blue handheld", ("date", "46083.3194444444"), ("formula", "201455"), 12.55],
        [None],
        ["a-2", 48, "Blue handheld", ("date", "46084"), 1, 0.333333333333],
    ]
    register: list[list[Cell]] = [["van", "model", "model_year"], ["047", "Bracken 22", 2014]]
    path = write_xlsx(
        tmp_path / "yard.xlsx", {"Scans": scans, "Register": register, "To do": [["buy", "milk"]]}
    )
    report = ingest.load(home, [path])
    assert [(f.file, f.table, f.taken) for f in report.files] == [
        ("yard.xlsx#Scans", "scans", 2),
        ("yard.xlsx#Register", "register", 1),
    ]
    assert "not read: sheet To do" in report.files[0].notes
    # 46083 is 2 March 2026 in the 1900 date system (45000 = 15 March 2023, arithmetic).
    assert rows(
        "select line, scan_id, van, scanned_at, odometer_km, rest_v from raw.scans order by line"
    ) == [
        (3, "a-1", "047", datetime(2026, 3, 2, 7, 40), 201455.0, 12.55),
        (5, "a-2", "48", datetime(2026, 3, 3), 1.0, 0.333333333333),
    ]


def test_numbers_of_a_workbook_keep_every_digit(tmp_path: Path) -> None:
    values = [1 / 3, 12345678.123456, 1e-10, 281, -0.0000000005, 2 / 3e5]
    path = write_xlsx(tmp_path / "n.xlsx", {"S": [["a"], *[[v] for v in values]]})
    (piece,) = open_workbook(path, "n.xlsx")[0].pieces()
    assert [float(t) for t in piece.frame["0"]] == values


def test_broken_json_lines_are_named(tmp_path: Path, home: Home, rows: Rows) -> None:
    path = tmp_path / "c.jsonl"
    good = json.dumps({"scan_id": "1", "code": "P0562"})
    path.write_text(f'{good}\n{{broken\n[1]\n{good[:-1]}, "text": "x"}}\n', encoding="utf-8")
    report = ingest.load(home, [path])
    assert [(r.line, r.reason) for r in report.files[0].rejects] == [
        (2, "The line is not a JSON object"),
        (3, "The line is not a JSON object"),
    ]
    assert rows("select line, text from raw.codes order by line") == [(1, None), (4, "x")]


def test_times_and_zones_of_parquet(tmp_path: Path, home: Home, rows: Rows) -> None:
    when = pl.Series([datetime(2026, 3, 2, 7, 40)])
    frame = pl.DataFrame({"van": ["1", "2"], "text": ["a", "b"]}).with_columns(
        at=pl.concat([when, when]).dt.replace_time_zone("Europe/Madrid")
    )
    frame.write_parquet(tmp_path / "n.parquet")
    ingest.load(home, [tmp_path / "n.parquet"])
    assert rows('select distinct "at" from raw.notes') == [(datetime(2026, 3, 2, 6, 40),)]


@pytest.mark.parametrize("name", ["x.xlsx", "x.ods", "x.parquet", "x.jsonl", "x.csv"])
def test_a_file_that_is_not_what_its_name_says(name: str, tmp_path: Path, home: Home, rows: Rows) -> None:
    (tmp_path / name).write_bytes(b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR")
    report = ingest.load(home, [tmp_path / name])
    assert report.files[0].questions
    assert rows("select count(*) from raw.files") == [(0,)]


def test_a_layout_like_sheet_that_is_missing_is_named(tmp_path: Path) -> None:
    path = write_xlsx(tmp_path / "n.xlsx", {"S": [["a"]]})
    with pytest.raises(KinbayError, match=r"no sheet 'T'.*It has S"):
        open_workbook(path, "n.xlsx", only="T")
