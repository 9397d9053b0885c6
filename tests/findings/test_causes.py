"""What is not the van: a biased reader, a reader that met no other, and parking, from files to findings."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline import ingest
from pipeline.build import build
from pipeline.findings import published as told
from pipeline.settings import Home
from pipeline.warehouse import published

# reading: level, sd between vans, sd between scans (canonical units)
READINGS = {
    "coolant_temp": (88.0, 2.0, 1.0),
    "rail_pressure": (28.0, 0.9, 0.5),
    "supply_voltage": (14.1, 0.14, 0.07),
    "intake_air_temp": (30.0, 2.5, 1.5),
}
SCANS = 12


@dataclass(frozen=True)
class Shift:
    """What is added to one reading on the scans for which `on` holds."""

    parameter: str
    amount: float


def write_files(
    folder: Path, reader: np.ndarray, shifts: list[tuple[Shift, np.ndarray]], seed: int
) -> list[str]:
    """Four cohorts of ten vans, twelve scans each, read at warm idle; returns the vans' names.

    `reader` (vans, scans) names the reader of each scan; every shift comes with where it applies (vans, scans).
    """
    rng = np.random.default_rng(seed)
    vans = [f"{year}-{n}" for year in (2014, 2016, 2018, 2020) for n in range(10)]
    folder.mkdir()
    rows = {"van": vans, "make": "Tarnwell", "model": "Bracken 22", "engine": "2.2D"}
    pl.DataFrame(rows).with_columns(model_year=pl.col("van").str.head(4)).write_csv(folder / "register.csv")
    scans, readings = [], []
    for v, van in enumerate(vans):
        for s in range(SCANS):
            at = datetime(2025, 7, 1) + timedelta(days=28 * s + int(rng.integers(0, 14)))
            scans.append((f"{van}/{s}", van, reader[v, s], at.isoformat()))
    own = {key: level + tau * rng.standard_normal(len(vans)) for key, (level, tau, _) in READINGS.items()}
    for key, (_, _, scatter) in READINGS.items():
        value = own[key][:, None] + scatter * rng.standard_normal((len(vans), SCANS))
        for shift, where in shifts:
            value += shift.amount * where if shift.parameter == key else 0.0
        readings += [
            (f"{van}/{s}", key, round(value[v, s], 3), "warm_idle")
            for v, van in enumerate(vans)
            for s in range(SCANS)
        ]
    header = ["scan_id", "van", "reader", "scanned_at"]
    pl.DataFrame(scans, schema=header, orient="row").write_csv(folder / "scans.csv")
    columns = ["scan_id", "parameter", "value", "state"]
    pl.DataFrame(readings, schema=columns, orient="row").write_csv(folder / "readings.csv")
    return vans


def findings_of(root: Path) -> list[dict[str, Any]]:
    home = Home(root / "home").ensure()
    ingest.load(home, [root / "files"])
    build(home)
    with published.reading(home) as connection:
        return list(told.read_findings(connection)["findings"])


def accused(findings: list[dict[str, Any]]) -> set[str]:
    """Vans named by a finding or likely about the van itself."""
    return {f["van"] for f in findings if f["kind"].startswith("van_") and f["tier"] in ("finding", "likely")}


def test_a_biased_reader_is_named_and_no_van_is(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    second = (
        rng.random((40, SCANS)) < rng.choice([0.1, 0.5, 0.9], 40)[:, None]
    )  # some vans mostly by the second
    reader = np.where(second, "Yard tablet", "Bench reader")
    write_files(tmp_path / "files", reader, [(Shift("supply_voltage", 0.25), second)], seed=2)
    found = findings_of(tmp_path)
    (bias,) = [f for f in found if f["kind"] == "reader_bias"]
    assert (bias["reader"], bias["parameter"], bias["tier"]) in {
        ("Yard tablet", "supply_voltage", "finding"), ("Bench reader", "supply_voltage", "finding"),
    }  # fmt: skip
    assert abs(bias["difference"]) == pytest.approx(0.25, abs=0.03)
    assert bias["interval"][0] < bias["difference"] < bias["interval"][1]
    assert accused(found) == set()


@pytest.mark.parametrize("seed", range(3))
def test_a_reader_that_met_no_other_is_not_enough_evidence(tmp_path: Path, seed: int) -> None:
    reader = np.full((40, SCANS), "Bench reader", dtype=object)
    alone = np.zeros((40, SCANS))
    alone[[3, 17]] = 1.0
    reader[[3, 17]] = "Yard tablet"  # two vans of different cohorts read with nothing else
    shifts = [(Shift(key, 4 * tau), alone) for key, (_, tau, _) in READINGS.items()]
    vans = write_files(tmp_path / "files", reader, shifts, seed=10 + seed)
    found = findings_of(tmp_path)
    assert accused(found) & {vans[3], vans[17]} == set()
    (told_so,) = [f for f in found if f["kind"] == "reader_bias"]
    assert (told_so["tier"], told_so["reader"], told_so["n_vans"]) == (
        "not_enough_evidence",
        "Yard tablet",
        2,
    )
    assert "Bench reader" in told_so["next_check"]
    named = {told_so["parameter"], *(a["parameter"] for a in told_so["also"])}
    assert named == set(READINGS)


def test_parking_is_named_and_a_decoy_is_not(tmp_path: Path) -> None:
    reader = np.full((40, SCANS), "Bench reader")
    open_air = np.tile(np.arange(10) % 2 == 0, 4)
    where = np.repeat(open_air[:, None], SCANS, axis=1)
    vans = write_files(tmp_path / "files", reader, [(Shift("intake_air_temp", 6.0), where)], seed=21)
    decoy = np.random.default_rng(5).permuted(open_air)
    rows = [
        (v, "parking", "open" if o else "shaded", "2024-01-01") for v, o in zip(vans, open_air, strict=True)
    ]
    rows += [
        (v, "windscreen_guard", "yes" if d else "no", "2024-01-01") for v, d in zip(vans, decoy, strict=True)
    ]
    pl.DataFrame(rows, schema=["van", "attribute", "value", "from"], orient="row").write_csv(
        tmp_path / "files" / "exposures.csv"
    )
    found = findings_of(tmp_path)
    (effect,) = [f for f in found if f["kind"] == "exposure_effect"]
    assert (effect["attribute"], effect["parameter"], effect["tier"]) == (
        "parking",
        "intake_air_temp",
        "finding",
    )
    assert abs(effect["difference"]) == pytest.approx(6.0, abs=1.5)
    assert effect["interval"][0] < effect["difference"] < effect["interval"][1]
    assert "association" in effect["claim"]
    assert accused(found) == set()
