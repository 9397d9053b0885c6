"""One finding: a matter that stands out, with the evidence it rests on and what to do next."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

Row = dict[str, Any]
SUBJECT = (
    "van", "scan_id", "cohort_id", "reader", "attribute", "level", "code", "module", "parameter", "state",
)  # fmt: skip
KINDS = (
    "van_level", "van_change", "van_drift", "cohort_offset", "reader_bias", "exposure_effect",
    "repair_effect", "code_persistent", "code_fleetwide", "low_voltage_cluster", "record_conflict",
    "reading_frozen",
)  # fmt: skip
AGAINST = (
    "siblings", "own_past", "other_cohorts", "reader_limits", "physics", "other_reader", "other_level",
)  # fmt: skip
TIERS = ("finding", "likely", "watch", "not_enough_evidence")


def cells(rows: Iterable[Mapping[str, Any]], difference: str = "difference") -> tuple[dict[str, Any], ...]:
    """Return the cells that are one matter with the one that leads, as `also` holds them.

    Parameters
    ----------
    rows : iterable of mapping
        With parameter and state.
    difference : str
        Their field that holds the difference.
    """
    return tuple(
        {"parameter": r["parameter"], "state": r["state"], "difference": r[difference]} for r in rows
    )


def surest_first(rows: Iterable[Row]) -> list[Row]:
    """Return cells of one matter in the order in which they lead: by tier, p and state."""
    return sorted(rows, key=lambda r: (TIERS.index(r["tier"]), r["p"], r["state"]))


@dataclass(frozen=True)
class Finding:
    """A matter that stands out; null where a field does not apply.

    Values, differences and intervals are in the canonical `unit` of the reading.
    """

    kind: str
    tier: str
    claim: str
    van: str | None = None
    scan_id: str | None = None
    cohort_id: str | None = None
    make: str | None = None
    model: str | None = None
    engine: str | None = None
    model_year: int | None = None
    reader: str | None = None
    attribute: str | None = None
    level: str | None = None
    code: str | None = None
    module: str | None = None
    parameter: str | None = None
    state: str | None = None
    also: tuple[dict[str, Any], ...] = ()
    against: str | None = None
    value: float | None = None
    expected: float | None = None
    difference: float | None = None
    unit: str | None = None
    interval_low: float | None = None
    interval_high: float | None = None
    score: float | None = None
    p: float | None = None
    q: float | None = None
    robust: bool | None = None
    detectable: float | None = None
    n_siblings: int | None = None
    n_vans: int | None = None
    n_scans: int | None = None
    first_seen: datetime | None = None
    last_seen: datetime | None = None
    rivals: tuple[str, ...] = ()
    next_check: str = ""
    cautions: tuple[str, ...] = ()
    rank: int = field(default=0)
    channel: str | None = None  # of a van's reading: spread or step, where it is not its level or change

    @property
    def finding_id(self) -> str:
        """Hash of kind and subject keys: the same matter keeps its id from build to build.

        The state is left out where cells of several states are one matter, since which state leads
        may change with new scans; the yardstick is part of a cohort's matter, which may have two.
        """
        dropped = {
            "van_level": ("state", "cohort_id"),
            "van_change": ("state", "cohort_id"),
            "van_drift": ("state", "cohort_id"),
            "cohort_offset": ("state",),
            # the verdict on the newest work may change with more scans
            "repair_effect": ("state", "level", "cohort_id"),
            "exposure_effect": ("state",),
            # a reader that met no other is one matter, whichever reading shows it most
            "reader_bias": ("state", "van", "cohort_id")
            + (("parameter",) if self.tier == "not_enough_evidence" else ()),
            "code_persistent": ("cohort_id",),
            "low_voltage_cluster": ("cohort_id",),
        }
        keys = [k for k in SUBJECT if k not in dropped.get(self.kind, ())]
        keys += ["against"] if self.kind == "cohort_offset" else []
        keys += ["channel"]  # None for all but unsteadiness and steps, and then left out
        subject = [f"{k}={getattr(self, k)}" for k in keys if getattr(self, k) is not None]
        return hashlib.sha256("\n".join([self.kind, *subject]).encode()).hexdigest()[:16]

    def ranked(self, rank: int) -> Finding:
        """Return the same finding at another place of the list."""
        return replace(self, rank=rank)
