"""What is not the van: parking is named and a decoy is not, from files to findings."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest

from tests.findings.model_families import SCANS, VANS, Family, Shift, accused, findings_of

OPEN_AIR = np.tile(np.arange(10) % 2 == 0, 4)


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, Any]]:
    """Forty vans, one reader; half of them stand in the open and breathe warmer air."""
    where = np.repeat(OPEN_AIR[:, None], SCANS, axis=1)
    reader = np.full((VANS, SCANS), "Bench reader")
    family = Family("Bracken 22", reader, (Shift("intake_air_temp", 6.0, where),), seed=21)
    decoy = np.random.default_rng(5).permuted(OPEN_AIR)
    rows = [
        (v, "parking", "open" if o else "shaded", "2024-01-01")
        for v, o in zip(family.vans, OPEN_AIR, strict=True)
    ]
    rows += [
        (v, "windscreen_guard", "yes" if d else "no", "2024-01-01")
        for v, d in zip(family.vans, decoy, strict=True)
    ]
    exposures = pl.DataFrame(rows, schema=["van", "attribute", "value", "from"], orient="row")
    return findings_of(tmp_path_factory.mktemp("parking"), [family], exposures=exposures)


def test_parking_is_named_and_a_decoy_is_not(found: list[dict[str, Any]]) -> None:
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


def test_one_reader_alone_is_no_matter(found: list[dict[str, Any]]) -> None:
    assert [f for f in found if f["kind"] == "reader_bias"] == []
