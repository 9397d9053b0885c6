"""Properties of a load over invented tables: once is twice, order and cutting into files do not matter."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from pathlib import Path

import duckdb
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline import ingest
from pipeline.settings import Home
from tests.load.conftest import look

HEADER = "scan_id,at,parameter,value,unit,state"
UNITS = {"engine_speed": "rpm", "coolant_temp": "°C", "rail_pressure": "MPa", "supply_voltage": "V"}
LINE = st.builds(
    lambda scan, at, parameter, value, state: f"{scan},{at},{parameter},{value},{UNITS[parameter]},{state}",
    st.sampled_from(["s-1", "s-2", "007"]),
    st.sampled_from(["", "2026-03-02T07:40:00", "2026-03-02T07:40:01"]),
    st.sampled_from(sorted(UNITS)),
    st.sampled_from(["13", "14.5", "-40", "9e9", "n/a"]) | st.floats(0, 100).map(repr),
    st.sampled_from(["", "warm_idle"]),
)
BROKEN = st.sampled_from(
    [
        "s-1,,coolant_tmp,1,,",
        "s-1,,engine_speed,x,rpm,",
        "s-1,1.2.2026,engine_speed,1,rpm,",
        "s-1,,engine_speed",
    ]
)
TABLE = st.lists(LINE | BROKEN, min_size=1, max_size=25)
QUERY = 'select scan_id, "at", parameter, value, state, quality from raw.readings'
REJECTS = "select column_name, value, reason from raw.rejects"
few = settings(max_examples=12, deadline=None)


Kept = tuple[list[str], list[str], int]


def _load_one_by_one(onlooker: duckdb.DuckDBPyConnection, files: Sequence[Sequence[str]]) -> list[Kept]:
    """Rows, rejects and their number after each of files of these lines, each in a load of its own."""
    after = []
    with tempfile.TemporaryDirectory() as folder:
        home = Home(Path(folder) / "home").ensure()
        left_out = 0
        for number, lines in enumerate(files):
            path = Path(folder) / f"{number}.csv"
            path.write_text("\n".join([HEADER, *lines]) + "\n", encoding="utf-8")
            left_out += ingest.load(home, [path]).files[0].rejected
            rows, rejects = (sorted(map(repr, look(onlooker, home, q))) for q in (QUERY, REJECTS))
            after.append((rows, rejects, left_out))
    return after


def _load(onlooker: duckdb.DuckDBPyConnection, files: Sequence[Sequence[str]]) -> Kept:
    """What is kept after the last file."""
    return _load_one_by_one(onlooker, files)[-1]


@few
@given(TABLE)
def test_loading_twice_is_loading_once(onlooker: duckdb.DuckDBPyConnection, lines: list[str]) -> None:
    once, twice = _load_one_by_one(onlooker, [lines, lines])
    assert twice == once


@few
@given(st.data(), TABLE)
def test_the_order_of_rows_does_not_matter(
    onlooker: duckdb.DuckDBPyConnection, data: st.DataObject, lines: list[str]
) -> None:
    assert _load(onlooker, [data.draw(st.permutations(lines))]) == _load(onlooker, [lines])


@few
@given(TABLE, st.integers(0, 25))
def test_two_files_are_one_file(onlooker: duckdb.DuckDBPyConnection, lines: list[str], cut: int) -> None:
    parts = [p for p in (lines[:cut], lines[cut:]) if p]
    if len(parts) == 2 and parts[0] == parts[1]:
        parts = [lines]
    assert _load(onlooker, parts) == _load(onlooker, [lines])
