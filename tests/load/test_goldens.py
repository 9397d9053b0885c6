"""Exports of invented readers: what a proposal makes of them unaided, and the rows that must come out, by hand.

Every folder of `goldens/` holds a specimen, `about.toml` (what is right for each column, the answers to what has
to be asked) and `expected.csv`, written by hand; conversions as in NIST SP 811 (psi 6.894 757 kPa, mile 1.609 344 km).
"""

from __future__ import annotations

import csv
import tomllib
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from pipeline import ingest
from pipeline.ingest import proposing
from pipeline.settings import Home
from tests.load.conftest import Rows
from tests.load.workbooks import Cell, write_xlsx

GOLDENS = Path(__file__).parent / "goldens"
NAMES = sorted(p.name for p in GOLDENS.iterdir() if p.is_dir())
LEAST_SHARE = 0.95
QUERIES = {
    "scans": "select van, scanned_at, '', odometer_km from raw.scans",
    "readings": 'select s.van, r."at", r.parameter, r.value from raw.readings r join raw.scans s using (scan_id)',
    "codes": "select s.van, s.scanned_at, c.code, c.status from raw.codes c join raw.scans s using (scan_id)",
    "vans": "select van, null, model, model_year from raw.vans",
    "limits": "select s.van, r.\"at\", r.mark, concat(r.low, '|', r.high) from raw.readings r join raw.scans s using (scan_id)",
    "work": 'select van, "at", what, cost from raw.work',
}


def _about(name: str) -> dict[str, Any]:
    return tomllib.loads((GOLDENS / name / "about.toml").read_text(encoding="utf-8"))


def _specimen(name: str, about: dict[str, Any], folder: Path) -> Path:
    """The specimen itself, or a workbook of its rows."""
    path = GOLDENS / name / str(about["file"])
    if about.get("as") != "xlsx":
        return path
    lines = path.read_text(encoding="utf-8").split("\n")
    rows: list[list[Cell]] = [[c or None for c in line.split("\t")] for line in lines if line or lines]
    return write_xlsx(folder / (path.stem + ".xlsx"), {"Book": rows})


def _said(value: object) -> str:
    if isinstance(value, datetime):
        return value.isoformat()[:21].removesuffix(".0")
    return "" if value is None else str(value)


def _same(found: str, expected: str) -> bool:
    try:
        return float(found) == pytest.approx(float(expected), abs=6e-5)
    except ValueError:
        return found == expected


def _load(name: str, home: Home, folder: Path) -> ingest.FileReport:
    about = _about(name)
    path = _specimen(name, about, folder)
    written = GOLDENS / name / f"{name}.toml"
    if written.exists():
        (home.layouts / written.name).write_bytes(written.read_bytes())
    else:
        told = proposing.parse_answers([f"{k}={v}" for k, v in about.get("answers", {}).items()])
        found = proposing.propose_for(home, path, told)
        assert found.proposal.is_complete, found.proposal.questions
        proposing.accept(home, path, found.proposal)
    return ingest.load(home, [path]).files[0]


@pytest.mark.parametrize("name", NAMES)
def test_the_rows_are_those_written_by_hand(name: str, home: Home, tmp_path: Path, rows: Rows) -> None:
    report = _load(name, home, tmp_path)
    assert report.questions == ()
    assert report.rejected == _about(name).get("rejected", 0), report.rejects
    with (GOLDENS / name / "expected.csv").open(encoding="utf-8") as file:
        expected = [tuple(row) for row in list(csv.reader(file))[1:]]
    found = [(t, *map(_said, r)) for t in {e[0] for e in expected} for r in rows(QUERIES[t])]
    found.sort(key=lambda r: r[:4])
    expected.sort(key=lambda r: r[:4])
    assert [r[:4] for r in found] == [r[:4] for r in expected]
    wrong = [(f, e) for f, e in zip(found, expected, strict=True) if not _same(f[4], e[4])]
    assert wrong == []


def test_most_columns_are_right_unaided_and_none_is_wrong(
    home: Home, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Columns mapped rightly with no answer, over those that can be known; those that must be asked, are."""
    right = known = asked = 0
    wrong = []
    for name in NAMES:
        about = _about(name)
        if not about["mapping"]:
            continue
        found = proposing.propose_for(home, _specimen(name, about, tmp_path), {})
        entries = {m["column"]: m for m in found.proposal.mapping}
        for column, meant in about["mapping"].items():
            one = entries.get(column, {"confidence": "left out"})
            got = (one.get("field") or one.get("parameter")) if one["confidence"] == "certain" else None
            if meant == "asked":
                asked += 1
                assert one["confidence"] == "asked", (name, column)
            elif meant:
                known += 1
                right += got == meant
            if got is not None and got != meant:
                wrong.append((name, column, got, meant))
    with capsys.disabled():
        print(f"\n{right} of {known} columns right with no hand edits, {asked} asked that must be asked")  # noqa: T201
    assert wrong == []
    assert right >= LEAST_SHARE * known
