"""Units: handbook values, every spelling there and back, and doubt that is refused or asked about."""

from __future__ import annotations

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline import vocabulary
from pipeline.normalise import Answers, Question
from pipeline.normalise.units import convert_unit, find_parameter, quality, resolve_meanings

# Factors as in NIST SP 811 (psi 6.894 757 kPa, inHg 3.386 389 kPa, mi 1.609 344 km exactly, lb 0.453 592 37 kg
# exactly); the results are arithmetic, 0.835 mg/mm3 for diesel is common practice, no source.
CHECKS = [
    ("coolant_temp", 200, "°F", 93.3333),
    ("manifold_pressure", 14.7, "psi", 101.3529),
    ("barometric_pressure", 30.0, "inHg", 101.5917),
    ("air_mass_flow", 36, "kg/h", 10.0),
    ("air_mass_flow", 2.0, "lb/min", 15.1197),
    ("rail_pressure", 250, "bar", 25.0),
    ("rail_pressure", 25000, "kPa", 25.0),
    ("odometer", 100000, "mi", 160934.4),
    ("barometric_pressure", 1013, "mbar", 101.3),
    ("injection_quantity", 5, "mm³/stroke", 4.175),
]


@pytest.mark.parametrize(("parameter", "value", "unit", "expected"), CHECKS)
def test_handbook_values(parameter: str, value: float, unit: str, expected: float) -> None:
    turned = convert_unit(parameter, unit)
    assert turned is not None
    assert value * turned[0] + turned[1] == pytest.approx(expected, abs=5e-5)


SPELLINGS = vocabulary.tables()["unit_spellings"].to_pylist()


@given(st.sampled_from(SPELLINGS), st.floats(-1e6, 1e6))
def test_every_spelling_there_and_back(row: dict[str, object], value: float) -> None:
    turned = convert_unit(str(row["parameter"]), str(row["spelling_folded"]))
    assert turned is not None
    factor, shift = turned
    assert ((value * factor + shift) - shift) / factor == pytest.approx(
        value, rel=1e-9, abs=1e-6 / abs(factor) * 1e-3
    )


@pytest.mark.parametrize("unit", ["psig", "bar(g)", "furlong", "kW", "min"])
def test_units_that_do_not_fit_a_pressure(unit: str) -> None:
    assert convert_unit("manifold_pressure", unit) is None


@pytest.mark.parametrize(
    ("parameter", "right", "wrong"),
    [
        ("rail_pressure", "MPa", "mPa"),
        ("rail_pressure", "Mpa", "mpa"),
        ("supply_voltage", "mV", "MV"),
        ("quiescent_current", "mA", "MA"),
        ("manifold_pressure", "mbar", "Mbar"),
    ],
)
def test_case_tells_milli_from_mega(parameter: str, right: str, wrong: str) -> None:
    """SI prefixes as in the SI brochure (BIPM): m is a thousandth, M a million."""
    assert convert_unit(parameter, right) is not None
    assert convert_unit(parameter, wrong) is None


def test_c_alone_is_celsius_only_for_temperatures() -> None:
    assert convert_unit("coolant_temp", "C") == (1.0, 0.0)
    assert convert_unit("supply_voltage", "C") is None


def test_an_empty_unit_is_the_readings_own() -> None:
    assert convert_unit("rail_pressure", "") == convert_unit("rail_pressure", " - ") == (1.0, 0.0)


@pytest.mark.parametrize(
    "label", ["engine_speed", "Motordrehzahl", "régime moteur", "REVOLUCIONES", " Engine  RPM "]
)
def test_names_in_four_languages(label: str) -> None:
    assert find_parameter(label) == "engine_speed"


def test_a_label_with_several_meanings_is_a_question_until_answered() -> None:
    asked = find_parameter("Luftmasse")
    assert isinstance(asked, Question)
    assert asked.choices == ("air_mass_flow", "air_mass_per_stroke")
    assert find_parameter("Luftmasse", Answers({"luftmasse": "air_mass_flow"})) == "air_mass_flow"


def test_a_key_is_never_ambiguous_though_its_word_is() -> None:
    assert find_parameter("lambda") == "lambda"
    assert isinstance(find_parameter("Lambda"), Question)


def _resolve(
    label: str, unit: str, *, asks_units: bool = False
) -> tuple[dict[str, object], tuple[Question, ...]]:
    found = resolve_meanings(
        pl.DataFrame({"label": [label], "unit": [unit]}), Answers(), asks_units=asks_units
    )
    return found.table.row(0, named=True), found.questions


def test_an_unknown_name_or_unit_names_the_nearest() -> None:
    name, _ = _resolve("coolant_tmp", "°C")
    assert name["fault_column"] == "parameter"
    assert "Did you mean coolant_temp?" in str(name["remedy"])
    unit, asked = _resolve("rail_pressure", "barr")
    assert unit["fault_column"] == "unit"
    assert "Did you mean bar?" in str(unit["remedy"])
    assert asked == ()


def test_with_a_layout_an_unknown_unit_is_asked_about() -> None:
    _, asked = _resolve("rail_pressure", "zbar", asks_units=True)
    assert [q.kind for q in asked] == ["unit"]
    assert "bar" in asked[0].choices
    assert convert_unit("rail_pressure", "zbar", Answers(units={asked[0].subject: "bar"})) == (0.1, 0.0)


@pytest.mark.parametrize("unit", ["psig", "bar(g)", "bar g", "kPa (rel)", "mbar_g"])
def test_gauge_pressure_is_refused_with_a_remedy_and_offered_no_unit(unit: str) -> None:
    row, asked = _resolve("manifold_pressure", unit, asks_units=True)
    assert asked == ()
    assert "gauge pressure" in str(row["remedy"])


def test_quality_of_values() -> None:
    # -40 and 215 °C are the ends of the one-byte scale A-40 (SAE J1979 service 01 PID 05, from memory).
    frame, _ = _resolve("coolant_temp", "°C")
    rows = pl.DataFrame([frame] * 5, infer_schema_length=None).with_columns(
        v=pl.Series([86.0, -40.0, 215.0000000001, 126.0, 125.0])
    )
    assert rows.select(quality(pl.col("v")))["literal"].to_list() == [
        "ok",
        "sentinel",
        "sentinel",
        "implausible",
        "ok",
    ]
