"""The records of the story, one class per table of the data files; all frozen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime


@dataclass(frozen=True, kw_only=True)
class Firm:
    """Who owns the vans, where their clock stands, and the days the story spans."""

    name: str
    time_zone: str
    first_day: date
    data_date: date
    seed: int
    scan_gap_days: tuple[int, int]

    @property
    def days(self) -> int:
        """Days from the first day to the data date, both counted."""
        return (self.data_date - self.first_day).days + 1


@dataclass(frozen=True, kw_only=True)
class Depot:
    """One yard: its height, how much colder it is, and which share of scans each reader makes there."""

    name: str
    altitude_m: float
    ambient_shift_c: float
    readers: Mapping[str, float]


@dataclass(frozen=True, kw_only=True)
class Model:
    """An invented model of van; `override` replaces figures of levels.toml (parameter -> state -> figure)."""

    key: str
    make: str
    model: str
    engine: str
    displacement_l: float
    cylinders: int
    fuel: str
    emission_standard: str
    battery_ah: float
    vin_prefix: str
    override: Mapping[str, Mapping[str, Mapping[str, float]]] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Cohort:
    """Vans of one model and model year, usually of one depot."""

    key: str
    model: str
    model_year: int
    depot: str
    vans: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Particular:
    """What sets a single van apart: another depot, other readers, fewer scans, a spoilt VIN."""

    depot: str | None = None
    readers: Mapping[str, float] | None = None
    extra_km: float = 0.0
    months: tuple[int, ...] = tuple(range(1, 13))
    scan_to: date | None = None
    out_of_service: date | None = None
    vin: str = ""
    long_stands: int = 0


@dataclass(frozen=True, kw_only=True)
class Reader:
    """A reader: its name, its versions with the day each came, the modules it asks."""

    name: str
    versions: tuple[tuple[str, str], ...]
    modules: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Limit:
    """Limits the bench reader prints, in the parameter's own unit."""

    parameter: str
    low: float
    high: float
    model: str | None = None
    cohort: str | None = None


@dataclass(frozen=True, kw_only=True)
class ExposurePlan:
    """How parking, windscreen guards and air conditioning are dealt out."""

    parking_open_share: float
    switch_on: date
    switch: tuple[str, ...]
    windscreen_guard_from: date
    windscreen_guard_share: float
    air_conditioning_share: float


@dataclass(frozen=True, kw_only=True)
class Companion:
    """Another cell that belongs to the same matter, with its own size in van-to-van sd."""

    parameter: str
    state: str
    sigma: float


@dataclass(frozen=True, kw_only=True)
class Effect:
    """One planted effect, or one van or exposure that must not be accused.

    `sigma` counts van-to-van standard deviations (levels.toml) between the true value and the mean of
    healthy siblings; `row_factor` is by how much rows of one scan scatter more than on them; `since` is included,
    `until` is not. `kinds` are the kinds of finding that count.
    """

    id: str
    expect: str
    story: str
    kinds: tuple[str, ...] = ()
    van: str | None = None
    cohort: str | None = None
    reader: str | None = None
    attribute: str | None = None
    level: str | None = None
    parameter: str | None = None
    states: tuple[str, ...] = ()
    sigma: float | None = None
    frozen_at: float | None = None
    row_factor: float = 1.0
    since: date | None = None
    until: date | None = None
    shape: str = "step"
    also: tuple[Companion, ...] = ()
    code: str | None = None
    module: str | None = None
    against: str | None = None

    def cells(self) -> tuple[Companion, ...]:
        """Return every parameter and state this effect moves, the principal ones first."""
        own = [
            Companion(parameter=self.parameter, state=state, sigma=self.sigma or 0.0)
            for state in self.states
            if self.parameter
        ]
        return (*own, *self.also)


@dataclass(frozen=True, kw_only=True)
class CodeHabit:
    """On which scans a code stands: those of some vans, of an exposure, or any, with a chance each."""

    code: str
    module: str
    status: str
    chance: float
    text: str = ""
    lamp: str = ""
    effect: str | None = None
    vans: tuple[str, ...] = ()
    exposure: tuple[str, ...] = ()
    everywhere: bool = False
    since: date | None = None
    absent: tuple[tuple[date, date], ...] = ()


@dataclass(frozen=True, kw_only=True)
class Storm:
    """Codes in many modules on one scan after a long stand."""

    van: str
    on: date
    standing_days: float
    rest_v: float
    freeze_voltage_v: float
    codes: tuple[tuple[str, str], ...]


@dataclass(frozen=True, kw_only=True)
class SecondLook:
    """Vans read once more on the same day, right after the first reader, by a second one."""

    first: str
    second: str
    vans: tuple[str, ...]
    times: int
    minutes_later: int


@dataclass(frozen=True, kw_only=True)
class Silent:
    """A module of a van that answers no more."""

    van: str
    module: str
    since: date


@dataclass(frozen=True, kw_only=True)
class Work:
    """One line of the workshop's job list."""

    van: str
    on: date
    what: str
    part: str = ""
    code: str = ""
    relearn: str = ""
    days_standing: float | None = None
    cost: float | None = None
    note: str = ""


@dataclass(frozen=True, kw_only=True)
class Service:
    """The yearly round of every van: how often, on what, for how much, and how long it stood.

    `every_days` and `cost` are ranges; `no_cost_share` of the entries have no cost; `heavy` vans come so many times
    as often and cost so many times as much.
    """

    every_days: tuple[int, int]
    parts: tuple[str, ...]
    cost: tuple[float, float]
    days_standing: tuple[float, ...]
    no_cost_share: float
    heavy: Mapping[str, float]


@dataclass(frozen=True, kw_only=True)
class Note:
    """What somebody said about a van."""

    van: str
    at: datetime
    who: str
    text: str


@dataclass(frozen=True, kw_only=True)
class Malformed:
    """A line no reader of the table can take, appended to that table's last file."""

    table: str
    line: str


@dataclass(frozen=True, kw_only=True)
class Disorder:
    """Gaps and contradictions a real yard has."""

    odometer_missing_share: float
    rest_v_missing_share: float
    standing_days_missing_share: float
    ambient_missing_share: float
    sentinel_rows: int
    implausible_rows: int
    missing_words: int
    odometer_typo_van: str
    cluster_van: str
    cluster_on: date
    cluster_starts_km: int
    duplicate_scans: int
    conflicting_van: str
    conflicting_parameter: str
    conflicting_value: float


@dataclass(frozen=True, kw_only=True)
class Level:
    """How one reading behaves in one state (levels.toml says what each figure means)."""

    level: float
    van_sd: float
    scan_sd: float
    row_sd: float
    relative_to: str | None = None
    per_degree: float = 0.0
    per_kmh: float = 0.0
    per_100000_km: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Parameter:
    """One reading: unit, step, decimals, the fuels it exists for and its levels by state."""

    key: str
    unit: str
    resolution: float
    decimals: int
    fuels: tuple[str, ...]
    formula: str | None
    states: Mapping[str, Level]


@dataclass(frozen=True, kw_only=True)
class Label:
    """What a reader calls a parameter and how it writes it: written = canonical * factor + shift."""

    label: str
    parameter: str
    unit: str
    decimals: int
    factor: float = 1.0
    shift: float = 0.0
