"""One matter in words: a headline, how sure it is, what it rests on; the same on screen and on paper."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

from dashboard.charts.palette import GLYPHS
from dashboard.charts.words import clean_text, count_decimals, format_number, format_ratio, lower_first
from pipeline.counted import count_of

TIERS = {
    "finding": "Stands out",
    "likely": "Likely",
    "watch": "Watch",
    "not_enough_evidence": "Not enough evidence",
}
AGAINST = {
    "siblings": "its siblings",
    "own_past": "its own past",
    "other_cohorts": "other groups",
    "reader_limits": "the reader's limits",
    "physics": "what physics allows",
    "other_reader": "the other reader",
    "other_level": "the others",
}
_SENTENCE_END = re.compile(r"(?<=[a-z0-9%)])(?<!not hold)(?:\. |: |; )(?=[A-Z])|\. |(?<= siblings): ")
_BRACKET = re.compile(r" \([^()]*\)")
_LONGEST_HEADLINE, _LONGEST_LINE, _LONGEST_CAUTION = 140, 112, 112


def glyph_of(row: dict[str, Any]) -> str:
    """Return the shape that goes with a finding: up or down, or a square where it has no direction."""
    if row["tier"] == "finding" and row["difference"] is not None:
        return GLYPHS["above" if row["difference"] > 0 else "below"]
    return GLYPHS["borderline"] if row["tier"] in ("finding", "likely") else GLYPHS["not_judged"]


def subject_of(row: dict[str, Any]) -> str:
    """Name what a finding is about: a van, a group of vans, a reader or a habit."""
    if row["van"] is not None:
        return f"Van {clean_text(row['van'])}"
    if row["cohort"]:
        return clean_text(row["cohort"])
    if row["reader"]:
        return f"Reader: {clean_text(row['reader'])}"
    return clean_text(row["attribute"] or "Whole fleet").replace("_", " ").capitalize()


def is_of_one_van(row: Mapping[str, Any]) -> bool:
    """Whether a matter is about how one van stands, neither about work done on it nor about many vans or a reader."""
    return row["van"] is not None and row["kind"] != "repair_effect"


def say_split(rows: Iterable[Mapping[str, Any]]) -> str:
    """Count the matters that stand out and what they are about, in the same words on every page."""
    sure = [row for row in rows if row["tier"] == "finding"]
    if not sure:
        return "Nothing stands out"
    of_vans = [row for row in sure if is_of_one_van(row)]
    n_work = sum(row["kind"] == "repair_effect" for row in sure)
    n_shared = len(sure) - len(of_vans) - n_work
    n_on = len({row["van"] for row in of_vans})
    parts = [
        f"{len(of_vans)} of one van"
        if n_on == 1
        else f"{len(of_vans)} of single vans (on {n_on} vans)"
        if n_on
        else "",
        f"{n_work} of work done" if n_work else "",
        f"{n_shared} of many vans at once or of a reader" if n_shared else "",
    ]
    verb = "stands" if len(sure) == 1 else "stand"
    return f"{count_of(len(sure), 'matter')} {verb} out: {', '.join(filter(None, parts))}"


def cut(text: str, longest: int) -> str:
    """Shorten a text at a word, with an ellipsis where something is left out."""
    if len(text) <= longest:
        return text
    return f"{text[: longest - 1].rsplit(' ', 1)[0].rstrip(' ,;:')} …"


def headline(row: dict[str, Any]) -> str:
    """Say a matter in one short line: its claim without the subject, the brackets and the sentences after the first."""
    claim = clean_text(row["claim"])
    if row["kind"] == "low_voltage_cluster" and row["last_seen"] is not None:
        return f"Scan of {row['last_seen']:%d %b %Y}: its codes look like low supply voltage, not like faults"
    claim = claim.removeprefix(subject_of(row)).lstrip(" :,") if row["van"] is not None else claim
    claim = claim.removeprefix(f"All of {subject_of(row)}")
    short = _BRACKET.sub("", _BRACKET.sub("", claim)).lstrip(" :,").replace(" over the same dates", "")
    short = _SENTENCE_END.split(short, maxsplit=1)[0].rstrip(".")
    return cut(f"{short[:1].upper()}{short[1:]}", _LONGEST_HEADLINE)


def say_figures(row: dict[str, Any]) -> str:
    """Say the difference of a finding and its interval, where it has them; the claim has the values."""
    if row["code"] is not None:
        return _say_code_figures(row)
    if row["difference"] is None:
        return ""
    decimals = count_decimals(row["smallest_useful"], row["resolution"])
    unit = f" {clean_text(row['unit'])}" if row["unit"] and row["unit"] != "1" else ""
    text = f"Difference {format_number(row['difference'], decimals, signed=True)}{unit}"
    if row["interval_low"] is not None:
        low, high = (format_number(row[k], decimals, signed=True) for k in ("interval_low", "interval_high"))
        text += f" (95 % interval {low} to {high})"
    return text


def _say_code_figures(row: dict[str, Any]) -> str:
    """Say the share of scans or vans that show a code, or its odds ratio, with the interval."""
    if row["value"] is None or row["interval_low"] is None:
        return ""
    if row["kind"] == "exposure_effect":
        value, low, high = (format_ratio(row[k]) for k in ("value", "interval_low", "interval_high"))
        return f"Odds ratio {value} (95 % interval {low} to {high})"
    value, low, high = (format_number(100 * row[k], 0) for k in ("value", "interval_low", "interval_high"))
    return f"Share {value} % (95 % interval {low} to {high} %)"


def say_counts(row: dict[str, Any]) -> str:
    """Say how many siblings, vans and scans a finding rests on."""
    if row["kind"] == "exposure_effect" and row["n_siblings"] is not None:
        # Two sides of one comparison: those at the other level are nobody's siblings.
        return f"{count_of(row['n_vans'], 'van')}, {count_of(row['n_scans'], 'scan')}"
    counts = []
    for column, noun in (("n_siblings", "sibling"), ("n_vans", "van"), ("n_scans", "scan")):
        if row[column] is not None and not (column == "n_vans" and row["n_siblings"] is not None):
            counts.append(count_of(row[column], noun))
    return ", ".join(counts)


def say_sureness(row: dict[str, Any]) -> str:
    """Say what the claim rests on: siblings, vans, scans, dates, and whether it holds the hard way too."""
    text = say_counts(row)
    if row["first_seen"] is not None and row["last_seen"] is not None:
        text += f", {row['first_seen']:%d %b %Y} to {row['last_seen']:%d %b %Y}"
    if row["robust"]:
        text += ". Holds even if healthy siblings vary wildly"
    return text


def say_why(row: dict[str, Any]) -> str:
    """Say how sure a finding is and what it rests on, in one line."""
    against = AGAINST.get(row["against"] or "")
    tier = TIERS[row["tier"]] + (f" against {against}" if against else "")
    return ". ".join(text for text in (tier, say_figures(row), say_sureness(row)) if text) + "."


def say_briefly(row: dict[str, Any]) -> str:
    """Say tier, n and interval in one short line."""
    figures = say_figures(row).replace("Difference ", "").replace("95 % interval ", "95 %: ")
    return " · ".join(text for text in (TIERS[row["tier"]], figures, say_counts(row)) if text)


def say_plainly(row: dict[str, Any]) -> str:
    """Say difference, interval and scans for somebody who reads no statistics: `−8.2 °C, −8.9 to −7.5; 17 scans`."""
    is_odds = (
        row["kind"] == "exposure_effect" and row["code"] is not None
    )  # the claim counts the vans instead
    figures = "" if is_odds else say_figures(row)
    figures = lower_first(figures.replace("Difference ", "")).replace(" (95 % interval ", ", ").rstrip(")")
    scans = count_of(row["n_scans"], "scan") if row["n_scans"] is not None else ""
    return "; ".join(text for text in (figures, scans) if text)


def say_line(row: dict[str, Any]) -> str:
    """Say tier, n, interval and the first step of the next check in one line; the whole check stands further in."""
    sure = f"{say_briefly(row)}."
    check = clean_text(row["next_check"] or "").split(". ")[0].rstrip(".")
    if not check:
        return sure
    shown = cut(check, max(40, _LONGEST_LINE - len(sure)))
    return f"{sure} Next check: {shown}{'' if shown.endswith('…') else '.'}"


def short_cautions(rows: list[dict[str, Any]]) -> str:
    """Name the dangers of these matters' checks in one line; the cautions in full stand one step further in."""
    full = dict.fromkeys(clean_text(line) for row in rows for line in row["cautions"])
    named = list(dict.fromkeys(re.split(r"[.:;] ", line)[0].rstrip(".") for line in full))
    shown = named[:1]
    for name in named[1:]:
        if len("; ".join([*shown, name])) <= _LONGEST_CAUTION:
            shown.append(name)
    more = f"; {len(named) - len(shown)} more" if len(named) > len(shown) else ""
    return "; ".join(shown) + more


def say_then_and_now(then: Mapping[str, Any], row: dict[str, Any]) -> str:
    """Say the evidence a decision was made on beside that of today's build; `row` is the matter as found today."""
    figures = ("value", "difference", "interval_low", "interval_high", "n_scans", "tier")
    before = {**row, "n_siblings": None, "n_vans": None, **{name: then.get(name) for name in figures}}
    today = {**row, "n_siblings": None, "n_vans": None}
    return f"Then: {say_briefly(before)}. Now: {say_briefly(today)}."


def say_steps(past: list[dict[str, Any]], most: int = 6) -> str:
    """Say how sure earlier builds were of a matter: the builds at which the word or the scans behind it changed.

    Parameters
    ----------
    past : list of dict
        Rows of `list_matter_history`, oldest first.
    most : int
        How many steps to name, the newest ones.
    """
    steps = [
        row
        for before, row in zip([None, *past], past, strict=False)
        if before is None or (before["tier"], before["n_scans"]) != (row["tier"], row["n_scans"])
    ]
    named = [
        f"{row['built_at']:%d %b %Y} {TIERS[row['tier']].lower()}"
        + (f" ({count_of(row['n_scans'], 'scan')})" if row["n_scans"] is not None else "")
        for row in steps[-most:]
    ]
    earlier = f"; {len(steps) - most} steps before" if len(steps) > most else ""
    return f"In {count_of(len(past), 'earlier build')}: {'; '.join(named)}{earlier}." if past else ""
