"""The yard's own lists as tidy files: register, exposures, work, notes, and the settings of the fleet."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path

import numpy as np
import polars as pl

from demo_warehouse.effects import day_number
from demo_warehouse.physics import Physics
from demo_warehouse.register import Exposure
from demo_warehouse.scenario import Scenario
from demo_warehouse.story import Work
from demo_warehouse.streams import stream


def make_register(scenario: Scenario, physics: Physics) -> pl.DataFrame:
    """Return one row per van, in the tidy register's columns and two attributes of the firm's own."""
    height = {d.name: d.altitude_m for d in scenario.depots}
    rows = []
    for van in physics.vans:
        model = scenario.models[van.model_key]
        rows.append(
            {
                "van": van.van,
                "vin": van.vin,
                "make": model.make,
                "model": model.model,
                "model_year": van.model_year,
                "engine": model.engine,
                "displacement_l": model.displacement_l,
                "cylinders": model.cylinders,
                "fuel": model.fuel,
                "emission_standard": model.emission_standard,
                "in_service": van.in_service,
                "out_of_service": van.out_of_service,
                "depot": van.depot,
                "altitude_m": height[van.depot],
                "battery_ah": model.battery_ah,
                "air_conditioning": van.air_conditioning,
                "colour": van.colour,
            }
        )
    return pl.DataFrame(rows, infer_schema_length=None)


def make_exposure_list(exposures: Sequence[Exposure]) -> pl.DataFrame:
    """Return one row per van, attribute and period; an empty `to` means still."""
    return pl.DataFrame(
        {
            "van": [e.van for e in exposures],
            "attribute": [e.attribute for e in exposures],
            "value": [e.value for e in exposures],
            "from": [e.since for e in exposures],
            "to": [e.until for e in exposures],
        }
    )


def _odometer_on(physics: Physics, van: str, day: int) -> int:
    """Return the odometer on a day, as the job card would say it."""
    one = next(v for v in physics.vans if v.van == van)
    return int(np.floor(one.km_start + one.km_per_day * day))


def _services(scenario: Scenario, physics: Physics) -> list[Work]:
    """Return the yearly round of every van, each from random numbers of its own."""
    plan, jobs = scenario.service, []
    for van in physics.vans:
        rng = stream(physics.seed, "service", van.van)
        heavy = plan.heavy.get(van.van, 1.0)
        last = min(scenario.firm.data_date, van.out_of_service or scenario.firm.data_date)
        on = scenario.firm.first_day + timedelta(days=int(rng.integers(5, plan.every_days[1])))
        while on < last:
            cost = round(float(rng.uniform(*plan.cost)) * heavy, 2)
            jobs.append(
                Work(
                    van=van.van,
                    on=on,
                    what="serviced",
                    part=str(rng.choice(plan.parts)),
                    days_standing=float(rng.choice(plan.days_standing)),
                    cost=None if rng.random() < plan.no_cost_share else cost,
                )
            )
            on += timedelta(days=max(1, round(float(rng.integers(*plan.every_days)) / heavy)))
    return jobs


def make_work_list(scenario: Scenario, physics: Physics) -> pl.DataFrame:
    """Return the job list in order of date, odometers read off the day."""
    jobs = [*scenario.work, *_services(scenario, physics)]
    rows = [
        {
            "van": job.van,
            "at": f"{job.on.isoformat()}T15:30:00",
            "what": job.what,
            "odometer_km": _odometer_on(physics, job.van, day_number(scenario, job.on, 0)),
            "part": job.part,
            "code": job.code,
            "relearn": job.relearn,
            "days_standing": job.days_standing,
            "cost": job.cost,
            "note": job.note,
        }
        for job in sorted(jobs, key=lambda job: (job.on, job.van))
    ]
    return pl.DataFrame(rows, infer_schema_length=None)


def make_note_list(scenario: Scenario) -> pl.DataFrame:
    """Return what people said, in order of time."""
    notes = sorted(scenario.notes, key=lambda note: (note.at, note.van))
    return pl.DataFrame(
        {
            "van": [n.van for n in notes],
            "at": [n.at.isoformat() for n in notes],
            "text": [n.text for n in notes],
            "who": [n.who for n in notes],
        }
    )


def write_fleet_settings(scenario: Scenario, path: Path) -> None:
    """Write the fleet's settings: its name and the zone its clocks stand in."""
    path.write_text(
        f'fleet = "{scenario.firm.name}"\ntime_zone = "{scenario.firm.time_zone}"\n', encoding="utf-8"
    )
