"""Unsteadiness within scans and steps between states: from scan values to the score, and into words."""

from __future__ import annotations

import itertools
from datetime import datetime, timedelta
from typing import Any

import duckdb
import numpy as np
import polars as pl
import pytest

from pipeline.build import movements
from pipeline.build.scores import score_levels
from pipeline.findings import merging, van_cells
from pipeline.findings.records import Finding
from pipeline.settings import Settings
from pipeline.warehouse.engines import DuckDB

VANS, SCANS = 24, 10
ODD = "v05"


def movement_rows(
    channel: str, spread_of: dict[str, float], bias: float = 0.0, scans: int = SCANS, alone: int = VANS
) -> DuckDB:
    """Three cohorts of eight vans; two readers, of which the second adds `bias` to every value.

    Vans from number `alone` on (counted from 0) are read by a third reader and by no other.
    """
    rng = np.random.default_rng(1)
    vans = [f"v{v:02d}" for v in range(VANS)]
    seen: list[tuple[Any, ...]] = []
    values: list[tuple[Any, ...]] = []
    own = {van: 0.2 * rng.standard_normal() for van in vans}
    for s, (n, van) in itertools.product(range(scans), enumerate(vans, 1)):
        second, at = bool(rng.random() < 0.5), datetime(2025, 1, 5) + timedelta(days=30 * s, minutes=n)
        reader = "Third" if n > alone else "Second" if second else "First"
        seen.append((len(seen) + 1, len(seen) + 1, n, van, reader, at, at.date().replace(day=1)))
        value = own[van] + 0.15 * rng.standard_normal() + spread_of.get(van, 0.0) + bias * second
        spread, step = (value, None) if channel == "spread" else (None, value)
        values.append((len(seen), 1 + (channel == "step"), spread, step))
    connection = duckdb.connect()
    for table, columns, rows in (
        ("int_numbered_vans", "van_no integer, van text, cohort_id text, family_id text",
         [(n, van, f"c{(n - 1) // 8}", "f") for n, van in enumerate(vans, 1)]),
        ("int_numbered_scans",
         "scan_no integer, place integer, van_no integer, van text, reader text, scanned_at timestamp, scan_month date,"
         " reader_version text",
         [(*scan, None) for scan in seen]),
        ("int_cells", "cell_no smallint, parameter text, state text",
         [(1, "rail_pressure", "warm_idle"), (2, "rail_pressure", "raised_idle")]),
        ("int_numbered_values", "scan_no integer, cell_no smallint, spread double, step double", values),
        ("int_window_bounds", "van_no integer, cell_no smallint, window_name text, from_no integer, to_no integer",
         [(n, cell, "level", 1, len(seen)) for n in range(1, len(vans) + 1) for cell in (1, 2)]),
        ("vocab.parameters", "parameter text, unit text, resolution double, smallest_useful double",
         [("rail_pressure", "MPa", 0.1, 1.0)]),
    ):  # fmt: skip
        connection.execute("create schema if not exists vocab")
        connection.execute(f"create table {table} ({columns})")
        if rows:
            marks = ", ".join("?" * len(rows[0]))
            connection.executemany(f"insert into {table} values ({marks})", rows)
    return DuckDB(connection)


def read(engine: DuckDB) -> pl.DataFrame:
    vans, cells = movements.read_names(engine)
    return movements.read_movements(engine, vans, len(cells))


def scored(channel: str, engine: DuckDB) -> list[dict[str, Any]]:
    vans, cells = movements.read_names(engine)
    rows, _ = score_levels(movements.read_movements(engine, vans, len(cells)), vans, cells, Settings())
    assert set(rows["channel"]) == {channel}
    return rows.to_dicts()


def test_an_unsteady_van_is_found_in_the_units_of_the_reading_and_no_other_is() -> None:
    rows = scored("spread", movement_rows("spread", {ODD: np.log(6)}))
    by_van = {r["van"]: r for r in rows}
    assert {van for van, r in by_van.items() if r["tier"] in ("finding", "likely")} == {ODD}
    odd = by_van[ODD]
    assert odd["value"] / odd["expected"] == pytest.approx(6, rel=0.6)  # own share exp(+-0.4)
    assert odd["difference"] == pytest.approx(odd["value"] - odd["expected"])
    assert 0 < odd["sibling_low"] < odd["expected"] < odd["sibling_high"] < odd["value"]
    assert odd["interval_low"] < odd["difference"] < odd["interval_high"]


def test_a_yard_with_a_reader_of_its_own_is_compared_within_itself() -> None:
    """The last cohort's reader shares no van with the others: its vans are siblings of one another all the same."""
    odd = f"v{VANS - 3}"
    rows = {r["van"]: r for r in scored("spread", movement_rows("spread", {odd: np.log(6)}, alone=VANS - 8))}
    assert {van for van, r in rows.items() if r["tier"] in ("finding", "likely")} == {odd}
    assert rows[odd]["n_siblings"] == 7


def test_what_a_reader_alone_has_read_within_a_cohort_is_not_judged() -> None:
    rows = scored("spread", movement_rows("spread", {f"v{VANS - 1}": np.log(6)}, alone=VANS - 2))
    unjudged = {r["van"]: r["reason"] for r in rows if r["tier"] is None or r["value"] is None}
    assert set(unjudged) == {f"v{VANS - 2}", f"v{VANS - 1}"}


def test_a_reader_that_shows_more_scatter_makes_no_van_unsteady() -> None:
    """Rows twice as wide on one reader (polled slower, say): taken off, since vans were read by both."""
    plain, biased = (read(movement_rows("spread", {}, bias=bias)) for bias in (0.0, float(np.log(2))))
    shift = biased["y"] - plain["y"]
    assert np.std(shift.to_numpy()) < 0.05  # left in it would be about 0.11: half of ln 2 x 0.5 / sqrt(10)
    assert not {
        r["van"]
        for r in scored("spread", movement_rows("spread", {}, bias=np.log(2)))
        if r["tier"] == "finding"
    }


def test_too_small_a_ratio_is_never_a_finding() -> None:
    rows = scored("spread", movement_rows("spread", {ODD: 0.3}))
    assert [r["van"] for r in rows if r["tier"] == "finding"] == []


def test_a_step_is_scored_as_it_stands() -> None:
    rows = {r["van"]: r for r in scored("step", movement_rows("step", {ODD: 4.0}))}
    assert rows[ODD]["tier"] == "finding"
    assert rows[ODD]["difference"] == pytest.approx(4.0, abs=0.8)


def test_nothing_moved_is_nothing_scored() -> None:
    assert read(movement_rows("spread", {}, scans=0)).is_empty()


def cell(channel: str, **more: Any) -> dict[str, Any]:
    known = {
        "channel": channel, "van": "041", "cohort_id": "c", "parameter": "rail_pressure", "tier": "finding",
        "state": "warm_idle" if channel != "step" else "raised_idle", "unit": "MPa", "value": 2.1, "expected": 0.8,
        "difference": 1.3, "interval_low": 1.0, "interval_high": 1.6, "score": 7.0, "p": 1e-6, "q": 1e-3,
        "robust": True, "detectable": 0.5, "n_siblings": 8, "n_vans": 9, "n_scans": 10, "n_scans_earlier": None,
        "first_seen": None, "last_seen": None, "sibling_low": 0.5, "sibling_high": 1.2, "is_fallback": False,
        "is_small_group": False, "reset_by": None,
    }  # fmt: skip
    return known | more


def told(*cells: dict[str, Any]) -> list[Finding]:
    return van_cells.find(cells, van_cells.Background({}, {}))


def test_the_claim_says_unsteadiness_and_the_channel_stands_in_also() -> None:
    (found,) = told(cell("spread"))
    assert (found.kind, found.channel) == ("van_level", "spread")
    assert "unsteadier within a scan than on its 8 siblings" in found.claim
    assert "2.1 MPa (standard deviation) against 0.8 MPa" in found.claim
    assert found.also == (
        {"parameter": "rail_pressure", "state": "warm_idle", "difference": 1.3, "channel": "spread"},
    )
    assert "connector" in found.next_check
    assert "041" in found.next_check


def test_the_claim_of_a_step_names_both_states() -> None:
    (found,) = told(cell("step", difference=-1.3))
    assert found.claim.startswith("Van 041: from ")
    assert "less than on its 8 siblings" in found.claim
    assert found.also[0]["channel"] == "step"


def test_unsteadiness_keeps_its_own_name_beside_the_level() -> None:
    level, spread = told(cell("level"), cell("spread"))
    assert level.finding_id != spread.finding_id


def test_unsteadiness_and_level_of_one_reading_are_one_matter_told_under_the_level() -> None:
    (one,) = merging.merge(told(cell("level", q=0.01), cell("spread", difference=-0.5)))
    assert one.channel is None
    assert "steadier within a scan" in one.claim
    assert one.also == (
        {"parameter": "rail_pressure", "state": "warm_idle", "difference": -0.5, "channel": "spread"},
    )


def test_unsteadiness_of_another_reading_is_another_matter() -> None:
    both = merging.merge(told(cell("level"), cell("spread", parameter="coolant_temp", unit="°C")))
    assert len(both) == 2
