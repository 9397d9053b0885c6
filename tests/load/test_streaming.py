"""A file read in many small pieces gives what it gives in one, however its scans lie across them."""

from __future__ import annotations

import random
from datetime import datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline import ingest
from pipeline.normalise.distinct import part_distinct, part_together
from pipeline.read import delimited, streaming
from pipeline.settings import Home
from tests.load.conftest import Rows

LAYOUT = """
name = "pieces"
feeds = ["scans", "readings", "codes"]
[match]
headers = ["Van", "Time"]
[file]
delimiter = ";"
[time]
formats = ["%d.%m.%Y %H:%M:%S"]
[constants]
reader = "Depot logger"
[columns]
"Van" = "van"
"Time" = "at"
"km" = "odometer_km"
"Code" = "code"
[[wide]]
column = "Speed"
parameter = "engine_speed"
unit = "rpm"
[[wide]]
column = "Coolant"
parameter = "coolant_temp"
unit = "°C"
"""
CLOCK = """
name = "clock"
feeds = ["scans", "readings"]
[match]
headers = ["Clock"]
[file]
delimiter = ";"
[constants]
reader = "Depot logger"
van = "047"
at_date = "2026-02-13"
[columns]
"Clock" = "at_time"
[[wide]]
column = "Speed"
parameter = "engine_speed"
unit = "rpm"
"""
RAW = {
    "scans": "select scan_id, van, scanned_at, odometer_km, line from raw.scans order by all",
    "readings": 'select scan_id, "at", parameter, value, line from raw.readings order by all',
    "codes": "select scan_id, code, line from raw.codes order by all",
}


def _write(path: Path) -> list[tuple[str, datetime]]:
    """Three vans in no order, with pauses of 20 to 200 minutes; the odometer and the code only now and then."""
    chance = random.Random(4)
    clocks = {van: datetime(2026, 2, 13, 7) for van in ("041", "047", "052")}
    rows, lines = [], ["Van;Time;km;Code;Speed;Coolant"]
    for _ in range(120):
        van = chance.choice(list(clocks))
        clocks[van] += timedelta(minutes=chance.choice([0, 1, 1, 20, 59, 61, 200]), seconds=1)
        rows.append((van, clocks[van]))
    chance.shuffle(rows)
    for van, at in rows:
        km, code = chance.choice(["", "", "100200"]), chance.choice(["", "", "P0401"])
        lines.append(
            f"{van};{at:%d.%m.%Y %H:%M:%S};{km};{code};{chance.randint(700, 900)};{chance.choice(['', 81])}"
        )
    lines.append("047;whenever;;;801;80")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return rows


def _begins(rows: list[tuple[str, datetime]]) -> set[tuple[str, datetime]]:
    """When scans began, by going through each van's instants one after the other."""
    found = set()
    for van in {v for v, _ in rows}:
        instants = sorted(at for v, at in rows if v == van)
        for before, at in zip([datetime.min, *instants], instants, strict=False):
            if before == datetime.min or at - before > timedelta(minutes=60):
                found.add((van, at))
    return found


@pytest.mark.parametrize("in_pieces", [False, True])
def test_scans_lie_across_pieces(
    in_pieces: bool, tmp_path: Path, home: Home, rows: Rows, monkeypatch: pytest.MonkeyPatch
) -> None:
    written = _write(tmp_path / "export.csv")
    (home.layouts / "pieces.toml").write_text(LAYOUT, encoding="utf-8")
    ingest.load(home, [tmp_path / "export.csv"])
    whole = {table: rows(query) for table, query in RAW.items()}
    assert {(van, at) for _, van, at, _, _ in whole["scans"]} == _begins(written)
    if in_pieces:
        monkeypatch.setattr(delimited, "BLOCK_BYTES", 700)
        monkeypatch.setattr(streaming, "MOST_CELLS", 12)
        other = Home(tmp_path / "other").ensure()
        (other.layouts / "pieces.toml").write_text(LAYOUT, encoding="utf-8")
        report = ingest.load(other, [tmp_path / "export.csv"])
        home.work_db.unlink()
        other.work_db.rename(home.work_db)
        assert {table: rows(query) for table, query in RAW.items()} == whole
        assert report.files[0].duplicates == 0


def test_a_clock_passes_midnight_between_pieces(
    tmp_path: Path, home: Home, rows: Rows, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(streaming, "MOST_CELLS", 2)
    clocks = ["23:58:00", "23:59:00", "00:00:30", "", "00:01:00", "23:00:00", "00:10:00"]
    body = "\n".join(f"{clock};{780 + i}" for i, clock in enumerate(clocks))
    (tmp_path / "night.csv").write_text(f"Clock;Speed\n{body}\n", encoding="utf-8")
    (home.layouts / "clock.toml").write_text(CLOCK, encoding="utf-8")
    ingest.load(home, [tmp_path / "night.csv"])
    days = rows('select day("at") from raw.readings order by line')
    assert days == [(13,), (13,), (14,), (14,), (14,), (15,)]


@pytest.mark.parametrize("kind", [pl.String, pl.Enum(["never", "b", "a"])])
@pytest.mark.parametrize("texts", [["a", "b", None, "a", "a"], ["b"] * 9, [None, None], [], ["a", "b"] * 4])
def test_different_texts_are_numbered_and_put_back(texts: list[str | None], kind: pl.DataType) -> None:
    found = part_distinct(pl.Series(texts, dtype=kind))
    assert found.texts.to_list() == list(dict.fromkeys(texts))
    assert found.spread(found.texts).to_list() == texts


def test_combinations_come_in_the_order_of_their_first_rows() -> None:
    left, right = ["b", "a", "b", "a", "b"], ["x", "x", "y", None, "x"]
    both = part_together([part_distinct(pl.Series(left)), part_distinct(pl.Series(right))])
    assert both.first.to_list() == [0, 1, 2, 3]
    assert both.places.to_list() == [0, 1, 2, 3, 0]
