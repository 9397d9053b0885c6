"""The vans: their cohort, place, mileage, exposures and invented chassis numbers."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from demo_warehouse.scenario import Scenario
from demo_warehouse.story import Cohort, Model, Particular
from demo_warehouse.streams import stream

# Weights and letter values of the check digit, from memory of 49 CFR 565.15(c); the test checks them
# against that regulation's published sample number.
_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
_VALUES = {
    **{str(d): d for d in range(10)},
    **dict(zip("ABCDEFGH", range(1, 9), strict=True)),
    **dict(zip("JKLMN", range(1, 6), strict=True)),
    **{"P": 7, "R": 9},
    **dict(zip("STUVWXYZ", range(2, 10), strict=True)),
}
_YEAR_LETTERS = "ABCDEFGHJKLMNPRSTVWXY123456789"


@dataclass(frozen=True)
class Van:
    """One van as the register knows it, and what the generator alone knows (km_start, km_per_day)."""

    van: str
    cohort: str
    model_key: str
    model_year: int
    depot: str
    vin: str
    in_service: date
    out_of_service: date | None
    km_start: float
    km_per_day: float
    colour: str
    air_conditioning: str


@dataclass(frozen=True)
class Exposure:
    """A van under one condition, from a day (included) to another (excluded; None = still)."""

    van: str
    attribute: str
    value: str
    since: date
    until: date | None


def check_digit(vin: str) -> str:
    """Return the check digit (or X) that position 9 of a 17-character number should hold."""
    total = sum(w * _VALUES[c] for w, c in zip(_WEIGHTS, vin, strict=True))
    return "X" if total % 11 == 10 else str(total % 11)


def make_vin(prefix: str, model_year: int, serial: int) -> str:
    """Return an invented number: prefix, model letters, check digit, year letter, plant letter, serial."""
    year = _YEAR_LETTERS[(model_year - 2010) % 30]
    blank = f"{prefix}LN{model_year % 7}H4" + "0" + f"{year}Y{serial:06d}"
    return blank[:8] + check_digit(blank) + blank[9:]


def _mistype(vin: str) -> str:
    """Raise the last digit by one: the weight there is 2, so the check digit no longer fits."""
    return vin[:-1] + str((int(vin[-1]) + 1) % 10)


def _van(scenario: Scenario, cohort: Cohort, van: str, has_cooling: bool, seed: int) -> Van:
    model: Model = scenario.models[cohort.model]
    apart: Particular = scenario.particular(van)
    rng = stream(seed, "register", van)
    in_service = date(cohort.model_year, 2, 1) + timedelta(days=int(rng.integers(0, 270)))
    per_day = float(rng.uniform(45, 62))
    age_days = (scenario.firm.first_day - in_service).days
    vin = make_vin(model.vin_prefix, cohort.model_year, 100000 + 37 * int(van))
    return Van(
        van=van,
        cohort=cohort.key,
        model_key=cohort.model,
        model_year=cohort.model_year,
        depot=apart.depot or cohort.depot,
        vin="" if apart.vin == "none" else _mistype(vin) if apart.vin == "mistyped" else vin,
        in_service=in_service,
        out_of_service=apart.out_of_service,
        km_start=round(per_day * age_days * float(rng.uniform(0.9, 1.05)) + apart.extra_km),
        km_per_day=per_day,
        colour=("white", "white", "cream", "blue")[int(rng.integers(0, 4))],
        air_conditioning="yes" if has_cooling else "no",
    )


def make_vans(scenario: Scenario, seed: int) -> tuple[Van, ...]:
    """Make every van of the scenario, in the order of their names."""
    share = scenario.exposure.air_conditioning_share
    vans = [
        _van(scenario, cohort, van, has_cooling, seed)
        for cohort in scenario.cohorts
        for van, has_cooling in zip(
            cohort.vans, _split(len(cohort.vans), share, seed, "cooling", cohort.key), strict=True
        )
    ]
    numbers = {v.van: v.vin for v in vans}
    for place, van in enumerate(vans):
        told = scenario.particular(van.van).vin
        if told.startswith("copied:"):
            vans[place] = Van(**{**vars(van), "vin": numbers[told.removeprefix("copied:")]})
    return tuple(sorted(vans, key=lambda v: v.van))


def _split(count: int, share: float, seed: int, *names: str) -> list[bool]:
    """Deal `share` of `count` vans a yes, at random, at least one of each where there are two."""
    yes = round(count * share) if count > 1 else 0
    order = stream(seed, *names).permutation(count)
    return [bool(order[i] < yes) for i in range(count)]


def make_exposures(scenario: Scenario, seed: int) -> tuple[Exposure, ...]:
    """Deal parking and windscreen guards so that every cohort holds both kinds."""
    plan, first = scenario.exposure, scenario.firm.first_day
    rows: list[Exposure] = []
    for cohort in scenario.cohorts:
        is_open = _split(len(cohort.vans), plan.parking_open_share, seed, "parking", cohort.key)
        has_guard = _split(len(cohort.vans), plan.windscreen_guard_share, seed, "guard", cohort.key)
        for van, opened, guarded in zip(cohort.vans, is_open, has_guard, strict=True):
            here, there = ("open", "shaded") if opened else ("shaded", "open")
            moved = plan.switch_on if van in plan.switch else None
            rows.append(Exposure(van, "parking", here, first - timedelta(days=90), moved))
            if moved:
                rows.append(Exposure(van, "parking", there, moved, None))
            guard = "yes" if guarded else "no"
            rows.append(Exposure(van, "windscreen_guard", guard, plan.windscreen_guard_from, None))
    return tuple(sorted(rows, key=lambda r: (r.van, r.attribute, r.since)))
