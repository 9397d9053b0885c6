"""Invented fleets for what is not the van: families of forty vans read at warm idle, from tidy files to findings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

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
YEARS = (2014, 2016, 2018, 2020)
VANS, SCANS = 40, 12


@dataclass(frozen=True)
class Shift:
    """What is added to one reading on the scans for which `on` (vans, scans) holds."""

    parameter: str
    amount: float
    on: np.ndarray


@dataclass(frozen=True)
class Family:
    """Forty vans of one model in four cohorts of ten, twelve scans each; `reader` (vans, scans) read each scan.

    Seasons and readers are fitted family by family: families of one home that share no reader tell nothing of one
    another, they only pay for more comparisons.
    """

    model: str
    reader: np.ndarray
    shifts: tuple[Shift, ...]
    seed: int

    @property
    def vans(self) -> list[str]:
        return [f"{self.model} {year}-{n}" for year in YEARS for n in range(VANS // len(YEARS))]

    def register(self) -> pl.DataFrame:
        rows = {"van": self.vans, "make": "Tarnwell", "model": self.model, "engine": "2.2D"}
        return pl.DataFrame(rows | {"model_year": np.repeat(YEARS, VANS // len(YEARS))})

    def scans_and_readings(self) -> tuple[pl.DataFrame, pl.DataFrame]:
        rng = np.random.default_rng(self.seed)
        scans, readings = [], []
        for v, van in enumerate(self.vans):
            for s in range(SCANS):
                at = datetime(2025, 7, 1) + timedelta(days=28 * s + int(rng.integers(0, 14)))
                scans.append((f"{van}/{s}", van, self.reader[v, s], at.isoformat()))
        own = {key: level + tau * rng.standard_normal(VANS) for key, (level, tau, _) in READINGS.items()}
        for key, (_, _, scatter) in READINGS.items():
            value = own[key][:, None] + scatter * rng.standard_normal((VANS, SCANS))
            for shift in self.shifts:
                value += shift.amount * shift.on if shift.parameter == key else 0.0
            readings += [
                (f"{van}/{s}", key, round(value[v, s], 3), "warm_idle")
                for v, van in enumerate(self.vans)
                for s in range(SCANS)
            ]
        return (
            pl.DataFrame(scans, schema=["scan_id", "van", "reader", "scanned_at"], orient="row"),
            pl.DataFrame(readings, schema=["scan_id", "parameter", "value", "state"], orient="row"),
        )


def findings_of(root: Path, families: Sequence[Family], **more: pl.DataFrame) -> list[dict[str, Any]]:
    """Load the files of families, and `more` by name of file, into one home, build it, and return what is found."""
    scans, readings = zip(*(family.scans_and_readings() for family in families), strict=True)
    tables = {"register": pl.concat(family.register() for family in families)}
    tables |= {"scans": pl.concat(scans), "readings": pl.concat(readings), **more}
    (root / "files").mkdir()
    for name, table in tables.items():
        table.write_csv(root / "files" / f"{name}.csv")
    home = Home(root / "home").ensure()
    ingest.load(home, [root / "files"])
    build(home)
    with published.reading(home) as connection:
        return list(told.read_findings(connection)["findings"])


def accused(findings: Sequence[dict[str, Any]]) -> set[str]:
    """Vans named by a finding or likely about the van itself."""
    return {f["van"] for f in findings if f["kind"].startswith("van_") and f["tier"] in ("finding", "likely")}
