"""A cohort outside a limit: what physics expects, and which units were mixed up.

Figures of the speed-density example are arithmetic with the ideal gas law (2.2 L, 4 cylinders, 800 rpm, 100 kPa,
30 degrees C, volumetric efficiency 0.88: 556.2 mg/stroke, 14.832 g/s, 53.395 kg/h with recirculation closed; fill index
of 8.9 g/s 0.528). Ratios of units are definitions.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from pipeline.compare.plausibility import Ratio, flow_ratios, match_ratio
from pipeline.findings.plausibility import Check, check_words, unit_words

FLOW = Check(
    "air_mass_flow", "ratio", 8.9, 14.832, 8.9 / 14.832, 0.43, 1.13, 12, 12, 60, 4.0, 800.0, "speed-density"
)


def test_fill_index_of_the_worked_example() -> None:
    assert FLOW.fill_index == pytest.approx(0.528, abs=5e-4)
    assert FLOW.is_plausible


def test_flow_against_mass_per_stroke() -> None:
    """556.2 mg/stroke and 14.832 g/s, and 53.395 kg/h, are one and the same air."""
    grams, kilograms = flow_ratios(4, 800)
    assert grams.factor == pytest.approx(556.2 / 14.832, rel=1e-4)
    assert kilograms.factor == pytest.approx(556.2 / 53.395, rel=1e-4)
    assert flow_ratios(None, 800) == flow_ratios(4, 0) == ()


@pytest.mark.parametrize(
    ("unit", "parameter", "value", "middle", "named"),
    [
        ("g/s", "air_mass_flow", 53.395, 14.832, "kg/h and g/s"),
        ("g/s", "air_mass_flow", 14.832, 53.395, "kg/h and g/s"),
        ("kPa", "manifold_pressure", 14.6959, 101.325, "psi and kPa"),
        ("kPa", "barometric_pressure", 1.01325, 101.325, "bar and kPa"),
        ("MPa", "rail_pressure", 250.0, 25.0, "bar and MPa"),
        ("g/s", "air_mass_flow", 16.6667, 1.0, "kg/min and g/s"),
    ],
)
def test_a_mix_up_of_units_is_named(
    unit: str, parameter: str, value: float, middle: float, named: str
) -> None:
    said = unit_words(parameter, unit, value, middle * 0.9, middle * 1.1, None)
    assert named in said


def test_an_ordinary_offset_is_no_mix_up() -> None:
    assert unit_words("air_mass_per_stroke", "mg/stroke", 391.7, 210, 320, None) == ""
    assert match_ratio(None, (Ratio(3.6, ""),), 0.05) is None
    assert match_ratio(-3.6, (Ratio(3.6, ""),), 0.05) is None
    assert match_ratio(3.6 * 1.06, (Ratio(3.6, ""),), 0.05) is None


def test_what_is_doubted_depends_on_what_the_cylinders_hold() -> None:
    assert "the limit, its unit or its state is doubted" in check_words("air_mass_flow", 8.9, 6.0, FLOW)
    above = replace(FLOW, measured=32.0, departure=32.0 / 14.832)
    assert "more than the cylinders hold" in check_words("air_mass_flow", 32.0, 9.0, above)
    below = replace(FLOW, measured=2.5, departure=2.5 / 14.832)
    assert "less than with half the charge recirculated" in check_words("air_mass_flow", 2.5, 9.0, below)
    # 14.832 closed over 8.8992 with 40 % recirculated is 1.6667.
    closed = replace(FLOW, measured=14.832, departure=1.0)
    assert "its state is doubted first" in check_words("air_mass_flow", 14.832, 8.8992, closed)


def test_silence_is_said_of_air_only() -> None:
    assert "Physics is silent" in check_words("air_mass_per_stroke", 400.0, 300.0, None)
    assert "Physics" not in check_words("oil_temp", 120.0, 100.0, None)
