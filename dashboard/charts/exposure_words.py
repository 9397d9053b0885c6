"""What is said of an exposure: the levels compared, the shift, what goes along, what would decide."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from dashboard.charts.shift_rows import grade, say_q, say_shift
from dashboard.charts.words import Reading, clean_text
from pipeline.counted import count_of

ALONGSIDE = 0.8  # share of vans from which another exposure is named as going along; as the build has it
CLEAR_P = 0.01  # a difference in mileage or age is named below this p-value
DECIDING_PAIRS = 6  # vans seen both ways from which their own change can decide (two-sided p of 0.03)
NOT_CAUSE = "An association, not a cause: vans were not parked or fitted at random."


@dataclass(frozen=True)
class Contrast:
    """A level of an exposure and the level it is compared with: keys, and names as written."""

    attribute: str
    level: str
    name: str
    other: str
    other_name: str

    @classmethod
    def from_row(cls, row: dict[str, Any]) -> Contrast:
        """Take a row of `list_exposure_effects`."""
        return cls(
            row["attribute"],
            row["level"],
            clean_text(row["level_name"]),
            row["other_level"],
            clean_text(row["other_level_name"]),
        )

    @property
    def what(self) -> str:
        """The exposure as people say it."""
        return clean_text(self.attribute).replace("_", " ")

    @property
    def title(self) -> str:
        """As in "Parking: open against shaded"."""
        what = self.what
        return f"{what[:1].upper()}{what[1:]}: {self.name} against {self.other_name}"


def say_count(rows: list[dict[str, Any]]) -> str:
    """Count the readings that differ of those tested."""
    kinds = [grade(row) for row in rows]
    sure, likely = sum(k in ("higher", "lower") for k in kinds), kinds.count("likely")
    more = f", {likely} more likely" if likely else ""
    verb = "differs" if sure == 1 else "differ"
    return f"{sure or 'None'} of {count_of(len(rows), 'reading')} {verb}{more}."


def say_effect(row: dict[str, Any], contrast: Contrast, reading: Reading) -> str:
    """Say the verdict on one reading in a sentence."""
    kind = grade(row)
    if kind == "unsure":
        return f"{reading.title}: no difference that is sure and large enough to matter."
    side = "higher" if row["shift"] > 0 else "lower"
    verb = "seem to read" if kind == "likely" else "read"
    size = reading.say(abs(row["shift"]))
    return f"Vans with {contrast.what} {contrast.name} {verb} {size} {side} in {reading.title}."


def say_figures(row: dict[str, Any], contrast: Contrast, reading: Reading) -> str:
    """Say shift, interval and what they rest on."""
    return (
        f"{say_shift(row, reading)}, 95 % interval; {count_of(row['n_vans'], 'van')} {contrast.name},"
        f" {row['n_vans_other']} {contrast.other_name}, compared within {count_of(row['n_cohorts'], 'group')} of"
        f" siblings; {count_of(row['n_scans'], 'scan')}; {say_q(row['q'])}."
    )


def say_pairs(row: dict[str, Any], reading: Reading) -> str:
    """Say what the vans did that were seen both ways."""
    if not row["n_pairs"] or row["pair_shift"] is None:
        return "No van was seen both ways."
    moved = f"{count_of(row['n_pairs'], 'van')} seen both ways moved by {reading.say(row['pair_shift'], signed=True)}"
    if row["pair_low"] is None:
        return f"{moved}; too few for an interval."
    low, high = (reading.say(row[k], signed=True, unit=False) for k in ("pair_low", "pair_high"))
    return f"{moved} ({low} to {high})."


def say_twin(row: dict[str, Any]) -> str:
    """Name another exposure that cannot be told from this one in the reading, or nothing."""
    if not row["twin_attribute"]:
        return ""
    twin = f"{clean_text(row['twin_attribute']).replace('_', ' ')} {clean_text(row['twin_level'])}"
    return f"Cannot be told apart from {twin}: it stands on the same vans, or nearly."


def say_along(overlaps: Iterable[dict[str, Any]]) -> list[str]:
    """Say what else differs between the vans of the two levels."""
    found = []
    for row in overlaps:
        if row["rival"] in ("odometer_km", "age_years"):
            if row["p"] is not None and row["p"] < CLEAR_P:
                found.append(f"These vans also have {_amount(row)}.")
        elif row["n_vans"] and row["n_same"] >= ALONGSIDE * row["n_vans"]:
            rival = f"{clean_text(row['rival']).replace('_', ' ')} {clean_text(row['rival_level'])}"
            found.append(f"Goes along with {rival} on {row['n_same']} of {count_of(row['n_vans'], 'van')}.")
    return found


def _amount(row: dict[str, Any]) -> str:
    if row["rival"] == "odometer_km":
        return f"{abs(row['shift']):,.0f} km {'more' if row['shift'] > 0 else 'less'} on the clock"
    return f"an age {abs(row['shift']):.1f} years {'higher' if row['shift'] > 0 else 'lower'}"


def say_decides(row: dict[str, Any], contrast: Contrast, reading: Reading) -> str:
    """Say what would settle it."""
    state = reading.state_name
    if row["twin_attribute"]:
        twin = clean_text(row["twin_attribute"]).replace("_", " ")
        return f"Change only {contrast.what} on two vans, not {twin}; read each three times before and after, {state}."
    missing = DECIDING_PAIRS - row["n_pairs"]
    if missing > 0:
        return (
            f"Swap {contrast.what} between vans of one group, {count_of(missing, 'more van')} in all; read each three"
            f" times before and after, {state}, with one reader. Their own change decides."
        )
    return (
        f"Vans seen both ways already speak. For the reason why, read one van, {state}, just before and just after"
        f" {contrast.what} is changed."
    )
