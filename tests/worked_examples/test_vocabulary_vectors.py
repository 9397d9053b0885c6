"""VINs, trouble codes, units and numbers against figures printed elsewhere or worked out by hand.

The source of each group stands in data/vectors.json.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline.normalise.codes import decode_three_byte, decode_two_byte
from pipeline.normalise.numbers import NumberMarks, parse_numbers
from pipeline.normalise.units import convert_unit
from pipeline.normalise.vin import BAD_CHECK_DIGIT, OK, VALUES, WEIGHTS, check_digit, check_vins

VECTORS: dict[str, Any] = json.loads((Path(__file__).parent / "data" / "vectors.json").read_text("utf-8"))


@pytest.mark.parametrize("case", VECTORS["vin"]["passing"], ids=lambda c: c["vin"])
def test_vins_that_pass(case: dict[str, Any]) -> None:
    vin = case["vin"]
    assert sum(VALUES[c] * w for c, w in zip(vin, WEIGHTS, strict=True)) == case["sum"]
    assert check_digit(vin) == case["check"] == vin[8]
    assert check_vins(pl.Series([vin])).to_list() == [OK]


@pytest.mark.parametrize("case", VECTORS["vin"]["failing"], ids=lambda c: c["why"])
def test_vins_that_fail(case: dict[str, Any]) -> None:
    assert check_vins(pl.Series([case["vin"]])).to_list() == [BAD_CHECK_DIGIT]


@pytest.mark.parametrize(("value", "code"), VECTORS["two_byte_codes"]["codes"].items())
def test_two_byte_codes(value: str, code: str | None) -> None:
    assert decode_two_byte(int(value, 16)) == code


@pytest.mark.parametrize(("value", "code"), VECTORS["three_byte_codes"]["codes"].items())
def test_three_byte_codes(value: str, code: str) -> None:
    assert decode_three_byte(int(value, 16)) == code


@pytest.mark.parametrize("case", VECTORS["units"]["checks"], ids=lambda c: f"{c['value']} {c['unit']}")
def test_units(case: dict[str, Any]) -> None:
    meaning = convert_unit(case["parameter"], case["unit"])
    assert meaning is not None
    factor, shift = meaning
    assert case["value"] * factor + shift == pytest.approx(
        case["expect"], abs=5e-5 * max(1, case["expect"] / 1000)
    )


@pytest.mark.parametrize("case", VECTORS["numbers"]["checks"], ids=lambda c: c["text"])
def test_numbers(case: dict[str, Any]) -> None:
    marks = NumberMarks(case["decimal"], case["thousands"])
    assert parse_numbers(pl.Series([case["text"]]), marks).value.to_list() == [case["expect"]]
