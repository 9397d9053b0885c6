"""The home folder and its settings file (`fleet.toml`), checked key by key."""

from __future__ import annotations

import os
import tomllib
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, available_timezones

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from pipeline.errors import KinbayError, nearest

STALE_DAYS = 60
"""Days after which a van in service counts as not seen lately; common practice, no source."""
REGISTER_KEYS = ("make", "model", "engine", "model_year", "fuel", "emission_standard", "depot")


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Windows(_Section):
    """Which scans speak for a van's level and for its recent change (days, scans)."""

    level_days: int = Field(default=365, ge=30)
    recent_days: int = Field(default=90, ge=7)
    recent_scans: int = Field(default=4, ge=2)
    earlier_days: int = Field(default=730, ge=90)
    min_scans_after_work: int = Field(default=2, ge=1)
    carry_forward_s: float = Field(default=5.0, ge=0, le=60)


class Evidence(_Section):
    """The least evidence on which a van is compared at all."""

    min_siblings: int = Field(default=3, ge=3)
    small_group_siblings: int = Field(default=4, ge=3)
    min_scans: int = Field(default=2, ge=1)
    change_earlier_scans: int = Field(default=3, ge=2)
    change_recent_scans: int = Field(default=2, ge=2)
    drift_scans: int = Field(default=8, ge=6)
    drift_days: int = Field(default=180, ge=60)
    min_vans_per_level: int = Field(default=4, ge=3)


class Tiers(_Section):
    """False discovery rates that part `finding` from `likely`, and the p-value of `watch`."""

    finding_q: float = Field(default=0.05, gt=0, lt=0.5)
    likely_q: float = Field(default=0.20, gt=0, lt=0.9)
    watch_p: float = Field(default=0.005, gt=0, lt=0.2)


class Limits(_Section):
    """When a reader's own limit is doubted rather than the vans."""

    suspect_share: float = Field(default=0.70, gt=0.5, lt=1)
    min_vans: int = Field(default=3, ge=3)


class Records(_Section):
    """When two records of one van contradict each other."""

    max_km_per_day: float = Field(default=1500, gt=0)
    odometer_slack_km: float = Field(default=5, ge=0)


class Codes(_Section):
    """When an absent code counts as absent, and how often a code must show to be persistent or fleet-wide."""

    min_warmups_since_clear: float = Field(default=3, ge=0)
    min_km_since_clear: float = Field(default=50, ge=0)
    persistent_scans: int = Field(default=3, ge=2)
    persistent_share: float = Field(default=0.50, gt=0, lt=1)
    fleetwide_vans: int = Field(default=3, ge=3)
    fleetwide_share: float = Field(default=0.30, gt=0, lt=1)
    likely_part: float = Field(default=0.6, gt=0, lt=1)
    watch_part: float = Field(default=0.3, gt=0, lt=1)


class Repairs(_Section):
    """Which scans judge a piece of work (days, scans), when a code counts as ended by it, and what costs are counted over."""

    before_days: int = Field(default=365, ge=14)
    before_scans: int = Field(default=8, ge=2)
    after_days: int = Field(default=365, ge=14)
    min_scans_each_side: int = Field(default=2, ge=2)
    late_scans: int = Field(default=4, ge=2)
    same_dates_days: int = Field(default=30, ge=0)
    told_days: int = Field(default=90, ge=7)
    scans_without_code: int = Field(default=3, ge=1)
    cost_days: int = Field(default=730, ge=90)
    min_cost_km: float = Field(default=5000, gt=0)


class Thresholds(_Section):
    """A fleet's own figures for one reading, instead of the proposals that ship."""

    resolution: float | None = Field(default=None, gt=0)
    smallest_useful: float | None = Field(default=None, gt=0)


class Settings(_Section):
    """Everything a fleet may set in `fleet.toml`."""

    fleet: str = "Fleet"
    time_zone: str = "UTC"
    cohort_key: tuple[str, ...] = ("make", "model", "engine", "model_year")
    windows: Windows = Windows()
    evidence: Evidence = Evidence()
    tiers: Tiers = Tiers()
    limits: Limits = Limits()
    records: Records = Records()
    codes: Codes = Codes()
    repairs: Repairs = Repairs()
    parameters: dict[str, Thresholds] = Field(default_factory=dict)
    modules: dict[str, str] = Field(default_factory=dict)

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        if value not in available_timezones():
            hint = nearest(value, available_timezones())
            raise ValueError(f"no such time zone{f'; did you mean {hint}?' if hint else ''}")
        return value

    @field_validator("cohort_key")
    @classmethod
    def _known_columns(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        wrong = [v for v in value if v not in REGISTER_KEYS]
        if wrong or not value:
            raise ValueError(f"a cohort is made of {', '.join(REGISTER_KEYS)}")
        return value

    @property
    def zone(self) -> ZoneInfo:
        """The zone in which times without an offset are read."""
        return ZoneInfo(self.time_zone)

    def rows(self) -> list[tuple[str, float]]:
        """Return the numeric settings as (key, value), the rows of `vocab.settings`."""
        sections = (
            self.windows,
            self.evidence,
            self.tiers,
            self.limits,
            self.records,
            self.codes,
            self.repairs,
        )
        return [(k, float(v)) for section in sections for k, v in section.model_dump().items()]


def _say(error: dict[str, Any], model: type[BaseModel]) -> str:
    """One pydantic complaint in words, with the nearest known key for a stray one."""
    key = ".".join(str(part) for part in error["loc"])
    if error["type"] == "extra_forbidden":
        known = list(model.model_fields)
        for name, field in model.model_fields.items():
            inner = field.annotation
            if isinstance(inner, type) and issubclass(inner, BaseModel):
                known += [f"{name}.{k}" for k in inner.model_fields]
        hint = nearest(key, known)
        return f"{key}: no such setting{f'; did you mean {hint}?' if hint else ''}"
    return f"{key}: {error['msg']}"


def read_settings(path: Path) -> Settings:
    """Read `fleet.toml`; a missing file means all defaults.

    Raises
    ------
    KinbayError
        Where the file is not TOML, or a key or value is not known; the nearest key is named.
    """
    if not path.exists():
        return Settings()
    try:
        return Settings.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise KinbayError(
            "The settings file cannot be read", f"fleet.toml, {error}", "Mend that line and try again."
        ) from error
    except ValidationError as error:
        faults = "; ".join(_say(dict(e), Settings) for e in error.errors())
        raise KinbayError(
            "A setting is not usable", f"fleet.toml, {faults}", "Mend it and try again."
        ) from error


@dataclass(frozen=True)
class Home:
    """The folder in which one fleet's files, settings and warehouse live.

    Parameters
    ----------
    path : Path
        The folder; made on first use by `ensure`.
    """

    path: Path

    @classmethod
    def find(cls, given: Path | None = None) -> Home:
        """`given`, else the environment's KINBAY_HOME, else `~/kinbay`."""
        chosen = given or Path(os.environ.get("KINBAY_HOME") or Path.home() / "kinbay")
        return cls(chosen.expanduser().resolve())

    @property
    def inbox(self) -> Path:
        """Files waiting to be loaded."""
        return self.path / "inbox"

    @property
    def originals(self) -> Path:
        """Every accepted file, byte for byte, named by its content."""
        return self.path / "originals"

    @property
    def layouts(self) -> Path:
        """The fleet's own reader layouts."""
        return self.path / "layouts"

    @property
    def journal(self) -> Path:
        """Answers, decisions, corrections and withdrawals, one file each; changed only to forget a name."""
        return self.path / "journal"

    @property
    def warehouse(self) -> Path:
        """Built files and the pointer to the published one."""
        return self.path / "warehouse"

    @property
    def work_db(self) -> Path:
        """The private file in which loads and builds work."""
        return self.warehouse / "work.duckdb"

    @property
    def pointer(self) -> Path:
        """Names the published file."""
        return self.warehouse / "current.json"

    @cached_property
    def settings(self) -> Settings:
        """The fleet's settings, read once."""
        return read_settings(self.path / "fleet.toml")

    def ensure(self) -> Home:
        """Make the folders that are missing and return the home itself."""
        for folder in (self.inbox, self.originals, self.layouts, self.journal, self.warehouse):
            try:
                folder.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise KinbayError(
                    "The home folder cannot be used", str(self.path), "Choose another with --home DIR."
                ) from error
        return self
