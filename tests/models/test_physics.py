"""Readings worked out in SQL against published and hand-worked figures, to the digits these are given in.

sources: ideal gas and speed-density by arithmetic (556.2 mg/stroke at 2.2 L, 4 cylinders, 800 rpm, 100 kPa, 30 degrees C,
0.88); ISO 2533 table (95.4608 kPa at 500 m, 89.8746 at 1,000 m, 79.4952 at 2,000 m); charge by rest voltage on straight
lines; days to no start by hand (80 Ah x 0.75, 90 % to 50 %, q = 0.04 a month: 26.09 days at 35 mA, 10.17 at 95 mA).
"""

from __future__ import annotations

import duckdb
import pytest

from pipeline.warehouse import documentation, models
from tests.models import case_tables

STATES = {"warm": "warm_idle", "off": "engine_off"}
READ = {
    ("warm", "engine_speed"): 800.0, ("warm", "manifold_pressure"): 100.0, ("warm", "charge_air_temp"): 30.0,
    ("warm", "air_mass_flow"): 8.9, ("warm", "injection_quantity"): 6.0885, ("off", "manifold_pressure"): 103.0,
    ("off", "barometric_pressure"): 98.0, ("off", "battery_rest_voltage"): 12.57,
    ("warm", "rail_pressure"): 24.1, ("warm", "rail_pressure_target"): 25.0,
    ("warm", "cyl_balance_1"): 3.2, ("warm", "cyl_balance_2"): -0.9, ("warm", "cyl_balance_3"): -1.6,
    ("warm", "cyl_balance_4"): -0.7,
}  # fmt: skip
EXPECTED = [
    ("air_mass_expected", 556.2, 0.05),
    ("air_flow_expected", 14.832, 5e-4),
    ("fill_index", 0.528, 5e-4),
    ("manifold_minus_barometer", 5.0, 1e-9),
    ("barometer_minus_standard", 98.0 - 89.8746, 1e-4),
    ("rail_pressure_deviation", -0.9, 1e-9),
    ("rail_pressure_deviation_share", -3.6, 1e-9),
    ("cyl_balance_spread", 3.2, 1e-9),
    ("battery_charge", 90.0, 1e-9),
    ("days_to_flat", 26.09, 0.005),
    ("days_to_flat_with_reader", 10.17, 0.005),
    ("lambda_from_masses", 8.9 / 14.832 * 556.2 / (14.5 * 6.0885), 1e-3),
]


@pytest.fixture(scope="module")
def worked_out() -> dict[str, float]:
    house = documentation.empty_house()
    text = next(m.text for m in models.load() if m.name == "int_worked_out_values")
    connection = duckdb.connect()
    for table in models.tables_read(text):
        if table == "stg_physics":
            connection.register("constants", house.arrow("from stg_physics"))
            connection.execute("create table stg_physics as from constants")
        else:
            case_tables.make_table(connection, house, table, None)
    connection.execute(
        "insert into stg_scans (scan_month, scan_key, van, scanned_at, ambient_c) values ('2026-05-01', 's', 'v', '2026-05-04', 20)"
    )
    connection.execute(
        "insert into stg_vans (van, displacement_l, cylinders, fuel, altitude_m, battery_ah) values ('v', 2.2, 4, 'Diesel', 1000, 80)"
    )
    for (state, parameter), value in READ.items():
        connection.execute(
            "insert into int_scan_values (scan_month, scan_key, parameter, state, value, n_rows) values ('2026-05-01', 's', $1, $2, $3, 5)",
            [parameter, STATES[state], value],
        )
    return dict(connection.sql(text).select("parameter", "value").fetchall())


@pytest.mark.parametrize(("parameter", "value", "tolerance"), EXPECTED, ids=lambda x: str(x))
def test_worked_out_as_published(
    worked_out: dict[str, float], parameter: str, value: float, tolerance: float
) -> None:
    assert worked_out[parameter] == pytest.approx(value, abs=tolerance)


def test_nothing_is_worked_out_that_was_not_read(worked_out: dict[str, float]) -> None:
    assert not {"fuel_trim_sum", "coolant_plateau", "cranking_voltage_margin", "barometer_minus_yard"} & set(
        worked_out
    )
