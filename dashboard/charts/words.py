"""The sentences and figures that chart, page and print share."""

from __future__ import annotations

import math
import unicodedata
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from pipeline.counted import count_of
from pipeline.vocabulary import write_part

CAVEAT = "A difference is a reason to look, not a diagnosis."
CHANNELS = {
    "level": "Level",
    "change": "Change",
    "spread": "Unsteadiness",
    "step": "Step",
}
CHANNELS_HELP = (
    "Level: mean of the past year's scans. Change: the last weeks against the van's own earlier scans."
    " Unsteadiness: scatter within one scan. Step: how far it goes from one operating state to the next."
)
_TITLES = {"change": "Change of", "spread": "Unsteadiness of", "step": "Step in"}
_AXES = {
    "level": "mean of each van's scans",
    "change": "recent scans less earlier ones",
    "spread": "scatter within a scan (standard deviation)",
    "step": "this state less the state before",
}
_BIDI = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def clean_text(text: object) -> str:
    """Strip control and bidirectional characters, which can reorder or hide what is read.

    Line breaks and tabs become a space; None gives an empty text.
    """
    if text is None:
        return ""
    text = str(text)
    if text.isprintable():  # holds none of what is stripped: control, surrogate and bidirectional characters
        return text
    spaced = "".join(" " if c in "\n\r\t" else c for c in text)
    return "".join(c for c in spaced if c not in _BIDI and unicodedata.category(c) not in ("Cc", "Cs"))


def say_part(*words: str | None) -> str:
    """Write work, part and code as they stand in a sentence: "replaced EGR valve"."""
    return write_part(clean_text(" ".join(filter(None, words))))


def count_decimals(smallest_useful: float | None, resolution: float | None) -> int:
    """Return how many decimals show a tenth of the smallest useful difference, 3 at most."""
    step = smallest_useful / 10 if smallest_useful else resolution
    if not step or step <= 0:
        return 2
    return min(3, max(0, math.ceil(-math.log10(step) - 1e-9)))


def format_number(value: float | None, decimals: int, *, signed: bool = False) -> str:
    """Write a number with a true minus sign and thin grouping; None as an en dash."""
    if value is None or not math.isfinite(value):
        return "–"
    text = f"{value:{'+' if signed else ''},.{decimals}f}"
    if float(text.replace(",", "")) == 0:
        text = text.lstrip("+-")
    return text.replace("-", "−")


def format_share(share: float, low: float | None = None, high: float | None = None) -> str:
    """Write a share of 1 in whole per cent, with the ends of its interval where it has one: "40 % (20 to 60)"."""
    percent = f"{format_number(100 * share, 0)} %"
    if low is None or high is None:
        return percent
    return f"{percent} ({format_number(100 * low, 0)} to {format_number(100 * high, 0)})"


def format_ratio(value: float | None, missing: str = "any size") -> str:
    """Write an odds ratio in two figures; None as having no end."""
    if value is None:
        return missing
    return f"{value:,.0f}" if value >= 10 else f"{value:.2g}"


def lower_first(text: str) -> str:
    """Return a text with a small first letter, to stand within a sentence; an abbreviation keeps its own.

    >>> lower_first("Rail pressure"), lower_first("EGR command")
    ('rail pressure', 'EGR command')
    """
    return text if text[1:2].isupper() else f"{text[:1].lower()}{text[1:]}"


@dataclass(frozen=True)
class Reading:
    """One parameter in one operating state: its level, recent change, unsteadiness, or step from the state before."""

    parameter: str
    state: str
    parameter_name: str
    state_name: str
    unit: str
    decimals: int
    channel: str = "level"

    @classmethod
    def from_row(cls, row: dict[str, Any], channel: str = "level") -> Reading:
        """Take a row of a question that names the reading."""
        return cls(
            parameter=row["parameter"],
            state=row["state"],
            parameter_name=clean_text(row["parameter_name"] or row["parameter"]),
            state_name=clean_text(row["state_name"] or row["state"]),
            unit=clean_text(row["unit"] or ""),
            # a scatter within scans is finer than the reading itself
            decimals=min(
                3, count_decimals(row["smallest_useful"], row["resolution"]) + (channel == "spread")
            ),
            channel=channel,
        )

    @property
    def title(self) -> str:
        """What is read and when, as in "Engine coolant temperature, warm idle"."""
        if self.channel == "level":
            return f"{self.parameter_name}, {self.state_name}"
        name = self.parameter_name
        lowered = lower_first(name)
        return f"{_TITLES[self.channel]} {lowered}, {self.state_name}"

    @property
    def axis(self) -> str:
        """Title of the value axis."""
        unit = f" ({self.unit})" if self.unit and self.unit != "1" else ""
        return f"{self.parameter_name}{unit}, {_AXES[self.channel]}"

    def say(self, value: float | None, *, signed: bool = False, unit: bool = True) -> str:
        """Write a value of this reading."""
        number = format_number(value, self.decimals, signed=signed)
        return f"{number} {self.unit}" if unit and self.unit not in ("", "1") else number


_STANDS = {
    "level": {
        "above": "reads above its siblings",
        "below": "reads below its siblings",
        "borderline": "is borderline against its siblings",
        "within": "reads like its siblings",
    },
    "change": {
        "above": "has risen more than its siblings",
        "below": "has fallen more than its siblings",
        "borderline": "has moved, borderline against its siblings",
        "within": "has moved no more than its siblings",
    },
    "spread": {
        "above": "is unsteadier than its siblings",
        "below": "is steadier than its siblings",
        "borderline": "scatters, borderline against its siblings",
        "within": "is as steady as its siblings",
    },
    "step": {
        "above": "goes further between states than its siblings",
        "below": "goes less far between states than its siblings",
        "borderline": "is borderline in its step between states",
        "within": "goes as far between states as its siblings",
    },
}


def say_verdict(cell: dict[str, Any], reading: Reading) -> str:
    """Say in one sentence how a van stands in one reading."""
    van = clean_text(cell["van"])
    if cell["verdict"] == "not_judged":
        return f"Van {van} is not judged here: {clean_text(cell['reason']) or 'too little evidence'}."
    return f"Van {van} {_STANDS[reading.channel][cell['verdict']]}."


def say_evidence(cell: dict[str, Any], reading: Reading) -> str:
    """Say the figures behind a verdict: value, difference, interval, siblings' range, n."""
    scans = count_of(cell["n_scans"], "scan")
    if cell["verdict"] == "not_judged":
        return f"{reading.say(cell['value'])} from {scans}; {count_of(cell['n_siblings'], 'sibling')}."
    low = reading.say(cell["interval_low"], signed=True, unit=False)
    high = reading.say(cell["interval_high"], signed=True, unit=False)
    between = f"{reading.say(cell['sibling_low'], unit=False)} and {reading.say(cell['sibling_high'])}"
    return (
        f"{reading.say(cell['value'])} from {scans};"
        f" {reading.say(cell['difference'], signed=True)} against its siblings"
        f" (95 % interval {low} to {high})."
        f" A healthy sibling would fall between {between}; {count_of(cell['n_siblings'], 'sibling')}."
    )


def say_standing(cells: Iterable[dict[str, Any]]) -> str:
    """Count what stands out of a van's comparisons and what could not be judged; never calls the rest healthy."""
    tiers = Counter(cell["tier"] for cell in cells)
    unjudged = tiers.pop("not_enough_evidence", 0)
    judged = tiers.total()
    if not judged:
        return "Nothing can be said yet: too few scans or siblings to judge any reading."
    likely = f", {tiers['likely']} more likely" if tiers["likely"] else ""
    verb = "stands" if tiers["finding"] == 1 else "stand"
    rest = f" {unjudged} more could not be judged." if unjudged else ""
    return f"{tiers['finding'] or 'None'} of {count_of(judged, 'comparison')} {verb} out{likely}.{rest}"


def say_weight(cell: dict[str, Any]) -> str:
    """Say what weakens or strengthens a verdict, and what to do about a doubtful one; or nothing."""
    if cell["verdict"] == "not_judged":
        return ""
    notes = []
    if cell["verdict"] == "within" and not cell["sibling_low"] <= cell["value"] <= cell["sibling_high"]:
        notes.append(
            "That lies outside, as one healthy reading in twenty does: too little to stand out. Read it again in the same state."
        )
    if cell["is_small_group"]:
        notes.append("Small group: few siblings, so only a large difference could show.")
    if cell["is_fallback"]:
        notes.append("Compared with all model years, since too few vans share this one's.")
    if cell["robust"]:
        notes.append("Stands out even if healthy siblings vary wildly.")
    return " ".join(notes)
