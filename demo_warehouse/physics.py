"""The readings of every instant in canonical units: physics, siblings' spread, noise and what is planted."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from demo_warehouse.effects import Shift
from demo_warehouse.instants import STATES, Instants
from demo_warehouse.register import Van
from demo_warehouse.scenario import Scenario
from demo_warehouse.schedule import Floats, Ints, Scans
from demo_warehouse.story import Level
from demo_warehouse.streams import stream

GAS_CONSTANT = 287.05  # J/(kg K), dry air; from memory, gives 1.225 kg/m3 at 101325 Pa and 15 degrees C
DIESEL_DENSITY = 835.0  # g/L, common practice, no source
_KINSHIP = 0.5  # share of a van's variance that its states have in common; invented
_YEAR_SPREAD = 0.15  # sd of model years around their model, in van-to-van sd; invented


def standard_pressure_kpa(altitude_m: Floats) -> Floats:
    """Return the standard atmosphere's pressure, p = 101.325 (1 - 2.25577e-5 h)^5.25588 (from memory, ISO 2533)."""
    return 101.325 * (1 - 2.25577e-5 * altitude_m) ** 5.25588


def air_density(pressure_kpa: Floats, temperature_c: Floats) -> Floats:
    """Return the density of dry air in kg/m3, rho = p / (R T)."""
    return pressure_kpa * 1000 / (GAS_CONSTANT * (temperature_c + 273.15))


@dataclass
class Physics:
    """Everything a reading depends on; `readings` holds those already made, one array per parameter."""

    scenario: Scenario
    vans: Sequence[Van]
    scans: Scans
    shifts: Sequence[Shift]
    seed: int
    readings: dict[str, Floats] = field(default_factory=dict)

    def air_at(self, scan: Ints) -> tuple[Floats, Floats]:
        """Return outside air (degrees C) and true barometer (kPa) on the scans given."""
        height = {d.name: d.altitude_m for d in self.scenario.depots}
        altitude = np.array([height[v.depot] for v in self.vans])[self.scans.van[scan]]
        return self.scans.ambient_c[scan], standard_pressure_kpa(altitude) + self.scans.weather_kpa[scan]

    def planted(self, parameter: str, state: str) -> list[Shift]:
        """Return what is planted in one cell column, the readers' bias left out."""
        return [s for s in self.shifts if not s.is_reader and (s.parameter, s.state) == (parameter, state)]

    def van_draws(self, parameter: str, state: str) -> Floats:
        """Return each healthy van's own place among its siblings, in sd; 0 where an effect is planted.

        A planted size is then the distance from the siblings' true mean, not from a lucky draw.
        """
        both = [
            stream(self.seed, "van", parameter, name).standard_normal(len(self.vans))
            for name in ("all", state)
        ]
        draws = np.sqrt(_KINSHIP) * both[0] + np.sqrt(1 - _KINSHIP) * both[1]
        followers = [parameter, *(
            key for key, p in self.scenario.parameters.items()
            if state in p.states and p.states[state].relative_to == parameter
        )]  # fmt: skip
        odd = {s.effect.van for key in followers for s in self.planted(key, state) if s.effect.van}
        return np.where([v.van in odd for v in self.vans], 0.0, draws)

    def year_draws(self, parameter: str, state: str) -> Floats:
        """Return each van's model year's place among the years of its model, in sd."""
        cohorts = [c.key for c in self.scenario.cohorts]
        draws = _YEAR_SPREAD * stream(self.seed, "year", parameter, state).standard_normal(len(cohorts))
        return np.asarray(draws[[cohorts.index(v.cohort) for v in self.vans]])


def _figures(physics: Physics, parameter: str, state: str) -> tuple[dict[str, Floats], Floats, str | None]:
    """Return the level's figures as arrays over vans (nan where not read), the total sd, and what they follow."""
    scenario = physics.scenario
    levels = {m: scenario.level(parameter, state, m) for m in scenario.models}
    names = ("level", "van_sd", "scan_sd", "row_sd", "per_degree", "per_kmh", "per_100000_km")
    keys = [v.model_key for v in physics.vans]

    def over_vans(pick: Callable[[Level], float]) -> Floats:
        return np.array([np.nan if levels[k] is None else pick(levels[k]) for k in keys])  # type: ignore[arg-type]

    figures = {name: over_vans(lambda one, name=name: float(getattr(one, name))) for name in names}  # type: ignore[misc]
    total = np.array([np.nan if levels[k] is None else scenario.van_sd(parameter, state, k) for k in keys])
    follows = next((one.relative_to for one in levels.values() if one), None)
    return figures, total, follows


def _ground(physics: Physics, follows: str | None, level: Floats, rows: Ints, scan: Ints) -> Floats:
    """Return the reading of an average van: its level, on top of or times what it follows."""
    ambient, barometric = physics.air_at(scan)
    if follows == "ambient_c":
        return level + ambient
    if follows == "barometric_kpa":
        return level + barometric
    if follows == "speed_density":
        models = [physics.scenario.models[v.model_key] for v in physics.vans]
        litres = np.array([m.displacement_l / m.cylinders for m in models])[physics.scans.van[scan]]
        charge = physics.readings["charge_air_temp"][rows]
        warm = np.where(np.isnan(charge), physics.readings["intake_air_temp"][rows], charge)
        # kg/m3 is g/L: density times litres is grams, times 1000 mg a stroke. A van with hot charge air
        # therefore also breathes a little less, as it should.
        pressure = physics.readings["manifold_pressure"][rows]
        return np.asarray(level * air_density(pressure, warm) * litres * 1000)
    return level + (physics.readings[follows][rows] if follows else 0.0)


def _unsteadiness(physics: Physics, parameter: str, state: str) -> Floats:
    """Return by how much rows of one scan scatter more than they should, per van."""
    factor = np.ones(len(physics.vans))
    for effect in physics.scenario.effects:
        if effect.parameter == parameter and state in effect.states:
            factor[[v.van == effect.van for v in physics.vans]] *= effect.row_factor
    return factor


def _state_readings(physics: Physics, instants: Instants, parameter: str, state: str, rows: Ints) -> Floats:
    """Return one parameter on the rows of one state."""
    scan = instants.scan[rows]
    van = physics.scans.van[scan]
    figures, total, follows = _figures(physics, parameter, state)
    at = {name: values[van] for name, values in figures.items()}
    own = physics.van_draws(parameter, state)[van] * at["van_sd"]
    year = physics.year_draws(parameter, state)[van] * at["van_sd"]
    moved = sum((s.size[scan] for s in physics.planted(parameter, state)), np.zeros(len(rows))) * total[van]
    by_scan = stream(physics.seed, "scan", parameter, state).standard_normal(len(physics.scans))[scan]
    by_row = stream(physics.seed, "row", parameter, state).standard_normal(len(rows))
    road = np.where(instants.vehicle_speed_kmh[rows] > 0, instants.vehicle_speed_kmh[rows] - 65, 0.0)
    return (
        _ground(physics, follows, at["level"], rows, scan)
        + own
        + year
        + moved
        + by_scan * at["scan_sd"]
        + by_row * at["row_sd"] * _unsteadiness(physics, parameter, state)[van]
        + at["per_degree"] * (physics.scans.ambient_c[scan] - 11)
        + at["per_kmh"] * road
        + at["per_100000_km"] * (physics.scans.odometer_km[scan] - 150_000) / 100_000
    )


def _by_formula(physics: Physics, instants: Instants, parameter: str) -> Floats:
    """Return the readings a control unit computes from others; nan where those are not read."""
    cylinders = np.array([physics.scenario.models[v.model_key].cylinders for v in physics.vans])
    strokes_per_minute = (cylinders[physics.scans.van[instants.scan]] / 2) * physics.readings["engine_speed"]
    if physics.scenario.parameters[parameter].formula == "flow_from_stroke":
        # mg a minute -> g a second
        return physics.readings["air_mass_per_stroke"] * strokes_per_minute / 60_000
    grams_per_hour = physics.readings["injection_quantity"] * strokes_per_minute * 60 / 1000
    return grams_per_hour / DIESEL_DENSITY


def _order(scenario: Scenario) -> list[str]:
    """Return the parameters so that each stands after those it follows."""
    last = {"air_mass_per_stroke": 1}  # breathes by pressure and temperature
    leaders = {lv.relative_to for p in scenario.parameters.values() for lv in p.states.values()}
    return sorted(scenario.parameters, key=lambda k: (last.get(k, 0), k not in leaders, k))


def _warm_up(readings: dict[str, Floats], instants: Instants) -> None:
    """Make the rows taken while warming up look so: cool water, cool oil, a raised idle."""
    rows = np.flatnonzero(instants.is_cold)
    water = instants.first_coolant_c[rows] + 0.13 * instants.run_time_s[rows]
    readings["coolant_temp"][rows] = water
    readings["oil_temp"][rows] = water - 5
    readings["engine_speed"][rows] += 90


def make_readings(physics: Physics, instants: Instants) -> Mapping[str, Floats]:
    """Make every reading of every instant.

    Returns
    -------
    Mapping of str to ndarray
        Canonical values, one array per parameter as long as `instants`; nan where the parameter is not
        read. Planted effects are in, readers' biases, rounding and disorder are not.
    """
    physics.readings.clear()
    for parameter in _order(physics.scenario):
        values = np.full(len(instants), np.nan)
        for number, state in enumerate(STATES):
            rows = np.flatnonzero(instants.state == number)
            if state in physics.scenario.parameters[parameter].states and parameter != "battery_rest_voltage":
                values[rows] = _state_readings(physics, instants, parameter, state, rows)
        physics.readings[parameter] = values
    _warm_up(physics.readings, instants)
    physics.readings["engine_speed"][instants.state == STATES.index("engine_off")] = 0.0
    for parameter, spec in physics.scenario.parameters.items():
        if spec.formula:
            computed = _by_formula(physics, instants, parameter)
            physics.readings[parameter] = np.where(np.isnan(computed), physics.readings[parameter], computed)
    _freeze(physics, instants)
    context = {
        "vehicle_speed": instants.vehicle_speed_kmh,
        "pedal_position": instants.pedal_pct,
        "run_time": instants.run_time_s,
    }
    return {**physics.readings, **context}


def _freeze(physics: Physics, instants: Instants) -> None:
    """Hold the readings the scenario calls stuck at their one value."""
    for effect in physics.scenario.effects:
        if effect.frozen_at is not None and effect.parameter:
            stuck = np.array([v.van == effect.van for v in physics.vans])[physics.scans.van[instants.scan]]
            readings = physics.readings[effect.parameter]
            readings[stuck & ~np.isnan(readings)] = effect.frozen_at


def make_rest_voltage(physics: Physics) -> Floats:
    """Return the battery's rest voltage before each scan, volts; long stands and the storm draw it down."""
    scans, scenario = physics.scans, physics.scenario
    every = np.arange(len(scans))
    rest = Instants(
        scan=every,
        state=np.zeros(len(scans), dtype=np.int64),
        is_cold=np.zeros(len(scans), dtype=bool),
        offset_s=np.zeros(len(scans), dtype=np.int64),
        run_time_s=np.zeros(len(scans)),
        vehicle_speed_kmh=np.zeros(len(scans)),
        pedal_pct=np.zeros(len(scans)),
        first_coolant_c=np.zeros(len(scans)),
    )
    volts = _state_readings(physics, rest, "battery_rest_voltage", "engine_off", every)
    volts -= np.where(scans.standing_days >= 5, 0.035 * scans.standing_days, 0.0)
    return np.where(scans.is_storm, scenario.storm.rest_v, volts)


def bias_of(physics: Physics, instants: Instants, parameter: str) -> Floats:
    """Return what the reader itself adds on every row, in the parameter's unit."""
    added = np.zeros(len(instants))
    van = physics.scans.van[instants.scan]
    for number, state in enumerate(STATES):
        for shift in physics.shifts:
            if shift.is_reader and (shift.parameter, shift.state) == (parameter, state):
                _, total, _ = _figures(physics, parameter, state)
                here = instants.state == number
                added += np.where(here, shift.size[instants.scan] * total[van], 0.0)
    return added
