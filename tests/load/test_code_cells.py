"""Cells of codes that hold several codes, a status, or that there is none. Spellings: common practice, no source."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest

from pipeline import ingest
from pipeline.normalise.code_cells import part_cells, says_no_code
from pipeline.settings import Home
from tests.load.conftest import Rows


@pytest.mark.parametrize(
    ("text", "codes"),
    [
        ("P0401", [("P0401", None)]),
        ("p0402 (pending)", [("p0402", "pending")]),
        ("$P0401", [("P0401", None)]),
        ("P0401 (sporadisch)", [("P0401", None)]),
        ("P0401 - bestätigt", [("P0401", "confirmed")]),
        ("P0401; P0299 / P2463", [("P0401", None), ("P0299", None), ("P2463", None)]),
        ("P0401 stored, U0100 pending", [("P0401", "stored"), ("U0100", "pending")]),
        ("16705", [("16705", None)]),
        ("16705 stored", [("16705 stored", None)]),  # a maker's number is never taken apart
    ],
)
def test_one_row_per_code(text: str, codes: list[tuple[str, str | None]]) -> None:
    rows = part_cells(pl.DataFrame({"line": [2], "code": [text]})).rows
    found = rows.with_columns(status=rows["status"] if "status" in rows.columns else pl.lit(None, pl.String))
    assert found.select("code", "status").rows() == codes


@pytest.mark.parametrize(
    "text", ["none", "No faults", "kein Fehler", "Keine Fehler gespeichert", "aucun défaut", "Sin averías", "OK", "n/a"]
)  # fmt: skip
def test_words_for_no_code(text: str) -> None:
    assert says_no_code(text)


def test_a_scan_without_codes_is_a_scan_and_a_word_is_no_code(
    home: Home, write: Callable[..., Path], rows: Rows
) -> None:
    path = write(
        "codes.csv",
        "van,reader,scanned_at,module,code,status\n"
        "041,R,2026-03-02T08:00:00,engine,No faults,\n"
        '042,R,2026-03-02T08:00:00,engine,"P0401, P0299 (pending)",stored\n'
        "043,R,2026-03-02T08:00:00,engine,see note,\n",
    )
    (report,) = ingest.load(home, [path]).files
    assert [(r.line, r.value, r.reason) for r in report.rejects] == [
        (4, "see note", "This is no trouble code")
    ]
    assert rows("select line, code, status from raw.codes order by code") == [
        (3, "P0299", "stored"),
        (3, "P0401", "stored"),
    ]
    assert rows("select van from raw.scans order by van") == [("041",), ("042",), ("043",)]
