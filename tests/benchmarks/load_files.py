"""Files of any size for the loading benchmarks, written by DuckDB: a tidy one, and a reader's wide export.

The wide one is as messy as exports are: semicolons, decimal commas, points for thousands, lines above the header,
day and clock apart, units in the headers that are not the readings' own, words for "no value", words for the state.
"""

from __future__ import annotations

from pathlib import Path

import duckdb

TIDY = (
    ("engine_speed", "rpm", 780),
    ("vehicle_speed", "km/h", 40),
    ("coolant_temp", "°F", 187),
    ("rail_pressure", "bar", 281),
    ("air_mass_per_stroke", "mg/stroke", 566),
    ("supply_voltage", "V", 14),
)
WIDE = (
    ("Motordrehzahl", "1/min", "engine_speed", 1780), ("Geschwindigkeit", "km/h", "vehicle_speed", 40),
    ("Last", "%", "engine_load", 35), ("Kühlmittel", "°C", "coolant_temp", 88),
    ("Ansaugluft", "°C", "intake_air_temp", 31), ("Ladeluft", "°C", "charge_air_temp", 44),
    ("Aussenluft", "°C", "ambient_air_temp", 12), ("Öl", "°C", "oil_temp", 92),
    ("Kraftstoff", "°C", "fuel_temp", 38), ("Luftmassenstrom", "kg/h", "air_mass_flow", 60),
    ("Luftmasse", "mg/stroke", "air_mass_per_stroke", 450),
    ("Luftmasse Soll", "mg/stroke", "air_mass_per_stroke_target", 455),
    ("Saugrohr", "mbar", "manifold_pressure", 1013), ("Ladedruck Soll", "mbar", "boost_target", 1450),
    ("Luftdruck", "mbar", "barometric_pressure", 1001), ("Ladersteller", "%", "turbo_actuator", 55),
    ("AGR Tastverhältnis", "%", "egr_command", 33), ("AGR Weg", "%", "egr_position", 31),
    ("Drosselklappe", "%", "throttle_flap", 9), ("Raildruck Ist", "bar", "rail_pressure", 281),
    ("Raildruck Soll", "bar", "rail_pressure_target", 280), ("Druckregler", "%", "rail_regulator_duty", 18),
    ("Einspritzmenge", "mg/stroke", "injection_quantity", 7), ("Verbrauch", "L/h", "fuel_rate", 1),
    ("Pedal", "%", "pedal_position", 15), ("Bordnetz", "V", "supply_voltage", 14),
    ("Laufzeit", "s", "run_time", 1200), ("Filterdruck", "mbar", "dpf_diff_pressure", 12),
    ("Abgas 1", "°C", "exhaust_temp_1", 240), ("Tank", "%", "fuel_level", 60),
)  # fmt: skip
STATES = ("Leerlauf", "Fahrt", "unbekannt")
LAYOUT = """
name = "bench_wide"
feeds = ["scans", "readings"]
[match]
headers = ["Fahrzeug", "Datum", "Uhrzeit"]
[file]
delimiter = ";"
decimal = ","
thousands = "."
skip_rows = 2
units_in_headers = true
missing = ["n/v", "---"]
[time]
formats = ["%d.%m.%Y %H:%M:%S"]
[constants]
reader = "Depot logger"
[columns]
"Fahrzeug" = "van"
{times}
"Zustand" = "state"
"km-Stand" = "odometer_km"
[values.state]
"Leerlauf" = "warm_idle"
"Fahrt" = "steady_cruise"
"unbekannt" = ""
"""
BEGINS = '"Beginn" = "scanned_at"\n'


def write_tidy(path: Path, rows: int) -> None:
    """Write a tidy readings file as a logger would leave it: twenty instants a scan, six readings each."""
    kinds = ", ".join(f"({i}, '{p}', '{u}', {c})" for i, (p, u, c) in enumerate(TIDY))
    scan = f"(r // {20 * len(TIDY)})"
    _copy(
        path,
        f"""select 's-' || {scan} as scan_id,
            strftime(timestamp '2026-03-01 07:00:00' + interval ({scan}) minute
                + interval (r // {len(TIDY)} % 20) second, '%Y-%m-%dT%H:%M:%S') as at,
            p as parameter, printf('%.1f', c * (0.95 + 0.1 * random())) as value, u as unit,
            null as low, null as high, null as mark, null as state
        from range({rows}) as t(r) join (values {kinds}) as k(i, p, u, c) on i = r % {len(TIDY)} order by r""",
        "delimiter ','",
    )


def write_wide(path: Path, rows: int) -> None:
    """Write a wide export: twelve vans in turn, five hundred instants a scan; `layout` describes it."""
    cells = [
        f"case when random() < 0.03 then '---' else {_german(f'{c} * (0.95 + 0.1 * random())')} end as \"{n} [{u}]\""
        for n, u, _, c in WIDE
    ]
    begin = "(timestamp '2024-03-01 07:00:00' + interval (r // 500 * 20) minute)"
    at = f"({begin} + interval (r % 500) second)"
    body = path.with_suffix(".body")
    _copy(
        body,
        f"""select printf('%03d', r // 500 % 12) as "Fahrzeug", strftime({at}, '%d.%m.%Y') as "Datum",
            strftime({at}, '%H:%M:%S') as "Uhrzeit", strftime({begin}, '%d.%m.%Y %H:%M:%S') as "Beginn",
            case r % 3 {" ".join(f"when {i} then '{s}'" for i, s in enumerate(STATES))} end as "Zustand",
            {_german("100000.0 + r // 500")} as "km-Stand", {", ".join(cells)} from range({rows}) as t(r) order by r""",
        "delimiter ';'",
    )
    with path.open("wb") as file, body.open("rb") as rest:
        file.write(b"Depotlogger Ausgabe;;\nWerkstatt 3;;\n")
        while block := rest.read(2**22):
            file.write(block)
    body.unlink()


def layout(*, begins: bool) -> str:
    """Return the layout of `write_wide`; `begins` says whether it reads the time at which each scan began."""
    times = '"Datum" = "at_date"\n"Uhrzeit" = "at_time"\n' + (BEGINS if begins else "")
    columns = [f'[[wide]]\ncolumn = "{n}"\nparameter = "{p}"\n' for n, _, p, _ in WIDE]
    return LAYOUT.format(times=times) + "\n".join(columns)


def _german(number: str) -> str:
    """SQL for a number with a decimal comma and points for thousands."""
    return f"replace(replace(replace(printf('%,.1f', {number}), ',', ';'), '.', ','), ';', '.')"


def _copy(path: Path, query: str, options: str) -> None:
    with duckdb.connect(config={"threads": 2, "memory_limit": "2GB"}) as connection:
        connection.execute(f"copy ({query}) to '{path}' (format csv, header, {options})")
