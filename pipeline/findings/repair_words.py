"""What is said of work on a van in one reading: what became of it, what else it could be, what to do next."""

from __future__ import annotations

from typing import Any

from pipeline.counted import count_of
from pipeline.findings import wording
from pipeline.vocabulary import may_need_relearn, write_part

Row = dict[str, Any]
_SMALL_GROUP = 4
_RETURN_SHARE = 0.1  # part of the move that chance alone explains, from which on it is named
_RELEARN_DONE = ("done", "not_needed")


def lacks_relearn(row: Row) -> bool:
    """Whether a relearn may be what is missing: none is on record, and the part is one that can need it.

    Work that names no part may have been on such a part.
    """
    return row["relearn"] not in _RELEARN_DONE and (not row["part"] or may_need_relearn(row["part"]))


def work_words(row: Row) -> str:
    """Return a piece of work as it stands in a sentence: "EGR valve repaired on 10 Mar 2026"."""
    return f"{write_part(row['part'] or 'work')} {row['what']} on {row['worked_at']:%d %b %Y}"


def _reading(row: Row) -> str:
    return f"{wording.reading_name(row['parameter'])}, {wording.state_name(row['state'])}"


def _start(row: Row) -> str:
    """The reading at the beginning of a sentence."""
    name = _reading(row)
    return name[0].upper() + name[1:]


def _side(difference: float, key: str) -> str:
    return f"{wording.number(abs(difference), key)} {'above' if difference > 0 else 'below'}"


def _ends(low: float, high: float, key: str) -> str:
    """A 95 % interval with its signs, the unit once."""
    return f"95 % {wording.bare(low, key, signed=True)} to {wording.bare(high, key, signed=True)}{wording.unit_of(key)}"


def say_move(row: Row) -> str:
    """Return how far the van moved against its siblings, with the interval."""
    key = row["parameter"]
    return (
        f"Against its {count_of(row['n_siblings'], 'sibling')} over the same dates it moved by "
        f"{wording.bare(row['effect'], key, signed=True)} ({_ends(row['effect_low'], row['effect_high'], key)})."
    )


def after_interval(row: Row) -> tuple[float, float]:
    """Return the 95 % interval of how far the van stands off after the work (in unit).

    It reaches as far to both sides of the difference as a healthy sibling falls from the siblings' mean.
    """
    reach = (row["after_high"] - row["after_low"]) / 2
    return row["after_difference"] - reach, row["after_difference"] + reach


def say_after(row: Row) -> str:
    """Return against how many siblings the van still stands off, with the interval."""
    ends = _ends(*after_interval(row), row["parameter"])
    return f"That is against its {count_of(row['n_siblings'], 'sibling')} over the same dates ({ends})."


def say_repair(row: Row) -> str:
    """Return what became of one piece of work in one reading, in words, with its counts."""
    key, work = row["parameter"], work_words(row)
    start = f"Van {row['van']}"
    if row["verdict"] == "too_early":
        return (
            f"{start}: too early to say whether {work} held in {_reading(row)}: {row['n_after']} of "
            f"{row['n_needed']} scans since."
        )
    if row["verdict"] == "not_judged":
        return f"{start}: {work} cannot be judged in {_reading(row)}: {_why_not(row)}."
    before = (
        f"{_side(row['before_difference'], key)} its siblings before ({count_of(row['n_before'], 'scan')})"
    )
    after = f"{_side(row['after_difference'], key)} after ({count_of(row['n_after'], 'scan')})"
    said = {
        "level_again": f"held: {work}. {_start(row)} stood {before}, {after}, where siblings fall",
        "still_off": f"did not hold: {work}. {_start(row)} stood {before} and still stands {after}",
        "off_again": (
            f"did not hold: {work}. {_start(row)} stood {before}, came back, and in the newest "
            f"{count_of(row['n_late'], 'scan')} is {_side(row['late_difference'] or 0.0, key)} again"
        ),
        "off_since": f"off since {work}: {_reading(row)} stood {before}, {after}",
        "undecided": f"no effect to be seen of {work} in {_reading(row)}: {before}, {after}; that may be chance",
        "moved_inside": f"{work} moved {_reading(row)} within what siblings span: {before}, {after}",
        "was_not_off": f"no effect to be seen of {work} in {_reading(row)}: {before}, {after}",
    }[row["reason"]]
    return f"{start}: {said}. {say_after(row) if row['reason'] == 'still_off' else say_move(row)}"


def _why_not(row: Row) -> str:
    return {
        "few_before": f"{row['n_before']} of {row['n_needed']} scans before it",
        "few_siblings": "fewer than three siblings were scanned on both sides of it",
        "cut_short": (
            f"{row['n_after']} of {row['n_needed']} scans until the next work on the part"
            + (f" on {row['next_work']:%d %b %Y}" if row["next_work"] else "")
        ),
    }[row["reason"]]


def _rivals_of_verdict(row: Row) -> list[str]:
    """What else could explain that work did not hold, or that the reading moved."""
    if row["verdict"] == "not_held":
        found = []
        if lacks_relearn(row):
            found.append(
                "No relearn is on record: after work on some parts the control unit needs one before readings are right"
            )
        if row["what"] == "replaced":
            found.append("Another part is at fault, or the new one is faulty or of the wrong kind")
        return found
    back = row["expected_return"]
    if row["verdict"] in ("held", "no_effect") and back and abs(back) >= _RETURN_SHARE * abs(row["effect"]):
        return [
            f"Regression to the mean: chosen for a high or low reading, a van comes back by itself, here by about "
            f"{wording.number(abs(back), row['parameter'])}"
        ]
    return []


def rivals_of(row: Row) -> tuple[str, ...]:
    """Return what else could explain the verdict."""
    found = [] if row["effect"] is None else _rivals_of_verdict(row)
    if row["n_over_work"]:
        found.append(f"Earlier work on the same part: {row['n_over_work']} of the scans before lie before it")
    if row["n_same_day"]:
        found.append("Other work on the same part the same day: which of both did it cannot be told")
    if row["next_work"] is not None and row["verdict"] in ("held", "not_held", "no_effect"):
        found.append(f"Judged only up to the next work on the part on {row['next_work']:%d %b %Y}")
    if row["is_fallback"] and row["n_siblings"]:
        found.append("Too few siblings of its model year: compared over all model years")
    elif row["n_siblings"] and row["n_siblings"] <= _SMALL_GROUP:
        found.append(f"Small group: {count_of(row['n_siblings'], 'sibling')} only")
    if row["n_left_out"]:
        found.append(
            f"{count_of(row['n_left_out'], 'sibling')} with the same kind of work left out of the comparison"
        )
    return tuple(found)


def next_check_of(row: Row) -> str:
    """Return what to do next about one piece of work."""
    van, state = row["van"], wording.state_name(row["state"])
    if row["verdict"] == "too_early":
        more = max(row["n_needed"] - row["n_after"], 1)
        times = "once more" if more == 1 else f"{more} more times"
        return f"Scan van {van} {times} ({state}), with a reader that was used before the work."
    if row["verdict"] == "held":
        return f"Nothing to do; scan van {van} at the usual time and see whether it stays."
    if row["verdict"] == "not_held":
        first = ""
        if lacks_relearn(row):
            first = "Ask whether the relearn was done, and do it by the maker's procedure if not. "
        difference = row["late_difference"] if row["reason"] == "off_again" else row["after_difference"]
        return first + wording.next_check(row["parameter"], difference or 1.0, van)
    return f"Scan van {van} and one sibling again ({state}) if there is still a complaint."
