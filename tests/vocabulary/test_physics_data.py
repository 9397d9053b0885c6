"""The physics data file: constants held to published figures, every entry sourced, every name known to the vocabulary."""

from __future__ import annotations

import pytest

from pipeline import vocabulary
from pipeline.vocabulary import physics


def density(pressure_pa: float, celsius: float) -> float:
    return pressure_pa / (
        physics.constant("gas_constant_air") * (celsius + physics.constant("zero_celsius_k"))
    )


@pytest.mark.parametrize(
    ("pressure_pa", "celsius", "kg_m3"),
    [(101325, 15, 1.225), (100000, 25, 1.1684), (100000, 30, 1.1492)],
)
def test_dry_air_weighs_what_the_tables_say(pressure_pa: float, celsius: float, kg_m3: float) -> None:
    # 1.225 kg/m3: ISO 2533 at sea level; the others: ideal gas law, arithmetic
    assert density(pressure_pa, celsius) == pytest.approx(kg_m3, abs=5e-5)


@pytest.mark.parametrize(
    ("height_m", "kpa"),
    [(0, 101.325), (500, 95.4608), (1000, 89.8746), (1500, 84.5560), (2000, 79.4952)],
)
def test_the_standard_atmosphere_is_that_of_the_table(height_m: float, kpa: float) -> None:
    # ISO 2533 table, geopotential height
    lapse, power = physics.constant("standard_lapse"), physics.constant("standard_exponent")
    assert physics.constant("standard_pressure_kpa") * (1 - lapse * height_m) ** power == pytest.approx(
        kpa, abs=5e-5
    )


def test_the_lapse_is_six_and_a_half_kelvin_a_kilometre() -> None:
    # ISO 2533: 6.5 K per km from 288.15 K; the exponent is g / (R lapse) = 9.80665 / (287.05287 x 0.0065)
    assert physics.constant("standard_temperature_k") == pytest.approx(288.15)
    assert physics.constant("standard_lapse") == pytest.approx(0.0065 / 288.15, rel=1e-5)
    assert physics.constant("standard_exponent") == pytest.approx(9.80665 / (287.05287 * 0.0065), rel=1e-5)


@pytest.mark.parametrize(
    ("volts", "percent"),
    [(12.65, 100), (12.50, 81.25), (12.345, 62.5), (12.24, 50), (12.15, 37.5), (12.00, 16.18), (11.80, 0)],
)
def test_rest_voltage_gives_the_charge_of_the_table(volts: float, percent: float) -> None:
    # straight lines between the rows; rows common practice, no source, figures by hand
    (found,) = [
        a + (b - a) * (volts - low) / (high - low)
        for low, high, a, b in physics.charge_rows()
        if low < volts <= high
    ]
    assert found == pytest.approx(percent, abs=0.005)


def test_every_entry_says_where_it_comes_from() -> None:
    rules = physics.rules()
    for key, row in rules["constant"].items():
        assert all((row["source"], row["unit"])), key
    for table in ("expectation", "unit_ratio"):
        for row in rules[table]:
            assert row["source"], row


def test_every_name_is_known() -> None:
    readings = {p.key for p in vocabulary.parameters()}
    states = {s.key for s in vocabulary.states()}
    for made in physics.worked_out():
        assert {made.parameter, *made.inputs} <= readings, made.parameter
        assert set(made.states) <= states, made.parameter
        assert all((made.formula, made.silent)), made.parameter
    for row in physics.rules()["expectation"]:
        assert {row["parameter"], row["by"]} <= readings
        assert row["low"] < row["high"]
        assert row["relation"] in ("ratio", "difference")
    for one, other in physics.step_rows():
        assert {one, other} <= states


@pytest.mark.parametrize(
    ("says", "ratio"),
    [
        ("kg/h and g/s", 3600 / 1000),
        ("lb/min and g/s", 453.59237 / 60),
        (
            "psi and kPa",
            4.4482216152605 / 0.00064516 / 1000,
        ),  # pound-force over square inch, exact definitions
        ("US gallons and litres", 231 * 2.54**3 / 1000),  # 231 cubic inches
        ("miles and kilometres", 1760 * 0.9144 / 1000),
    ],
)
def test_unit_ratios_follow_from_definitions(says: str, ratio: float) -> None:
    (found,) = [r for r in physics.unit_ratios() if r.says == says and r.ratio < 100]
    assert found.ratio == pytest.approx(ratio, rel=1e-6)
