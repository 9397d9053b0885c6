"""The vocabulary's data: every unit turns rightly, every name leads to one reading, rules name known signals."""

from __future__ import annotations

import duckdb
import pytest

from pipeline import vocabulary
from pipeline.errors import KinbayError
from pipeline.settings import Settings, Thresholds, Windows
from pipeline.warehouse import word_tables, words

# Conversions: arithmetic from SI definitions (BIPM SI brochure, 9th ed., and its tables of units outside
# the SI); the mm3/stroke row is common practice, no source (diesel at 0.835 kg/L).
CONVERSIONS = [
    ("coolant_temp", 200.0, "°F", 93.3333),
    ("manifold_pressure", 14.7, "psi", 101.3529),
    ("barometric_pressure", 30.0, "inHg", 101.5917),
    ("air_mass_flow", 36.0, "kg/h", 10.0),
    ("air_mass_flow", 2.0, "lb/min", 15.1197),
    ("rail_pressure", 250.0, "bar", 25.0),
    ("rail_pressure", 25000.0, "kPa", 25.0),
    ("odometer", 100000.0, "mi", 160934.4),
    ("barometric_pressure", 1013.0, "mbar", 101.3),
    ("injection_quantity", 5.0, "mm³/stroke", 4.175),
    ("engine_speed", 800.0, "U/min", 800.0),
    ("air_mass_per_stroke", 420.0, "mg/Hub", 420.0),
    ("supply_voltage", 13800.0, "mV", 13.8),
]


@pytest.mark.parametrize(("parameter", "given", "unit", "expected"), CONVERSIONS)
def test_units_turn_into_the_canonical_one(parameter: str, given: float, unit: str, expected: float) -> None:
    table = vocabulary.tables()["unit_spellings"].to_pylist()
    found = [
        r for r in table if r["parameter"] == parameter and r["spelling_folded"] == vocabulary.fold_unit(unit)
    ]
    assert len(found) == 1
    assert given * found[0]["factor"] + found[0]["shift"] == pytest.approx(expected, abs=6e-5)


@pytest.mark.parametrize("unit", ["psig", "bar(g)", "kW"])
def test_gauge_and_foreign_units_are_never_turned(unit: str) -> None:
    table = vocabulary.tables()["unit_spellings"].to_pylist()
    assert not [r for r in table if r["spelling_folded"] == vocabulary.fold_unit(unit)]


def test_every_key_and_alias_leads_to_one_reading() -> None:
    names = vocabulary.tables()["parameter_names"].to_pylist()
    labels = [r["label_folded"] for r in names]
    assert len(labels) == len(set(labels))
    keys = {p.key for p in vocabulary.parameters()}
    assert {r["parameter"] for r in names} == keys
    for label, key in (("Kühlmitteltemperatur", "coolant_temp"), ("pression rail", "rail_pressure")):
        assert {r["parameter"] for r in names if r["label_folded"] == vocabulary.fold(label)} == {key}


def test_every_reading_says_where_it_comes_from() -> None:
    for p in vocabulary.parameters():
        assert p.source, p.key
        assert p.role in ("health", "context", "counter")
        assert p.plausible_low < p.plausible_high
        assert p.role != "health" or p.smallest_useful is not None, p.key


def test_rules_of_the_states_use_known_signals() -> None:
    keys = {p.key for p in vocabulary.parameters()} | {"acceleration_ms2"}
    rules = vocabulary.tables()["state_rules"].to_pylist()
    assert {r["signal"] for r in rules} <= keys
    assert {r["operator"] for r in rules} <= {"<=", "<", ">=", ">", "="}
    usual = {s for p in vocabulary.parameters() for s in p.usual_states}
    assert usual <= {s.key for s in vocabulary.states()}


def test_links_between_tables_hold() -> None:
    keys = {p.key for p in vocabulary.parameters()}
    cautions = {c.key for c in vocabulary.cautions()}
    tables = vocabulary.tables()
    assert {r["parameter"] for r in tables["parts"].to_pylist()} <= keys | {
        None
    }  # some parts bear on no reading
    pairs = tables["parameter_cautions"].to_pylist()
    assert {r["parameter"] for r in pairs} <= keys
    assert {r["caution_id"] for r in pairs} <= cautions


def test_an_unknown_reading_names_the_nearest() -> None:
    with pytest.raises(KinbayError, match="coolant_temp"):
        vocabulary.parameter("coolant_tmp")


def test_a_fleets_own_thresholds_reach_the_warehouse() -> None:
    settings = Settings(parameters={"coolant_temp": Thresholds(smallest_useful=6.5)})
    connection = duckdb.connect()
    words.write(connection, settings)
    found = connection.execute(
        "select smallest_useful, resolution from vocab.parameters where parameter = 'coolant_temp'"
    ).fetchall()
    assert found == [(6.5, 1.0)]
    with pytest.raises(KinbayError, match="rail_pressure"):
        word_tables.all_tables(Settings(parameters={"rail_presure": Thresholds()}))


def test_the_same_vocabulary_is_written_once_and_another_setting_writes_it_anew() -> None:
    connection = duckdb.connect()
    words.write(connection, Settings())
    connection.execute("delete from vocab.parts")
    words.write(connection, Settings())
    assert connection.execute("select count(*) from vocab.parts").fetchall() == [(0,)]
    words.write(connection, Settings(windows=Windows(level_days=100)))
    assert connection.execute("select count(*) > 0 from vocab.parts").fetchall() == [(True,)]
    asked = "select value from vocab.settings where key = 'level_days'"
    assert connection.execute(asked).fetchall() == [(100.0,)]
