"""What a code is called on screen and on paper, and the words and shapes for what a scan says about it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from dashboard.charts.palette import Theme
from dashboard.charts.words import clean_text
from pipeline.counted import count_of

PRESENT, LOW_VOLTAGE, ABSENT, SILENT, UNKNOWN = "present", "low_voltage", "absent", "not_answered", "unknown"
ANSWERS = (PRESENT, LOW_VOLTAGE, ABSENT, SILENT, UNKNOWN)
ANSWER_WORDS = {
    PRESENT: "Shown",
    LOW_VOLTAGE: "Shown, low-voltage cluster",
    ABSENT: "Asked, not there",
    SILENT: "Module silent",
    UNKNOWN: "Not known",
}
ANSWER_SHAPES = {
    PRESENT: "square",
    LOW_VOLTAGE: "diamond",
    ABSENT: "circle",
    SILENT: "cross",
    UNKNOWN: "M-1,-0.3h2v0.6h-2Z",
}
ANSWER_SIZES = {PRESENT: 74, LOW_VOLTAGE: 84, ABSENT: 26, SILENT: 52, UNKNOWN: 44}
WHY_UNKNOWN = {
    "not_asked": "the scan did not ask this module",
    "not_said": "the scan does not say what it asked",
    "not_tested": "the module says it has not been tested since the last clearing",
    "cleared": "too soon after clearing",
}
SHARE_TIERS = ("finding", "likely", "other")
SHARE_WORDS = {"finding": "Fleet-wide", "likely": "Likely fleet-wide", "other": "Not common enough to say so"}
SHARE_SHAPES = {"finding": "diamond", "likely": "square", "other": "circle"}


@dataclass(frozen=True)
class Code:
    """One code of one control unit; `module` is empty where no reader names it."""

    module: str
    code: str
    title: str
    structure: str

    @classmethod
    def from_row(cls, row: dict[str, Any]) -> Code:
        """Take a row of a question that names the code."""
        return cls(
            module=row["module"] or "",
            code=row["code"],
            title=clean_text(row["title"]),
            structure=row["structure"] or "other",
        )

    @property
    def short(self) -> str:
        """Code and module, as in "P0401, engine"."""
        return f"{clean_text(self.code)}, {clean_text(self.module) or 'module not named'}"

    @property
    def name(self) -> str:
        """Code, module and meaning."""
        meaning = self.title or ("" if self.structure == "standard" else "maker's own, no text known")
        return f"{self.short}: {meaning}" if meaning else self.short


def answer_colours(theme: Theme) -> list[str]:
    """Return the colours of the five answers, in their order."""
    return [theme.outside, theme.borderline, theme.within, theme.unjudged, theme.unjudged]


def share_colours(theme: Theme) -> list[str]:
    """Return the colours of the three tiers of a share, in their order."""
    return [theme.outside, theme.borderline, theme.within]


def say_share(row: dict[str, Any]) -> str:
    """Say how many vans of a group have a code: "8 of 10 vans, 80 % (49 to 94)"."""
    if not row["n_vans"]:
        return f"no van could be asked; {count_of(row['n_vans_unknown'], 'van')} not known"
    share, low, high = (round(100 * row[k]) for k in ("share", "share_low", "share_high"))
    return f"{row['n_vans_with']} of {count_of(row['n_vans'], 'van')}, {share} % ({low} to {high})"


def say_steadiness(row: dict[str, Any]) -> str:
    """Say how steadily one van shows a code: "16 of 17 later scans (73 to 99 %)"."""
    if not row["n_later_covered"]:
        return "no later scan can tell"
    low, high = (round(100 * row[k]) for k in ("share_low", "share_high"))
    return f"{row['n_later_present']} of {count_of(row['n_later_covered'], 'later scan')} ({low} to {high} %)"
