"""Findings of kind `repair_effect`: whether work on a van held, in its readings and in its codes."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from pipeline.compare.intervals import wilson
from pipeline.counted import count_of
from pipeline.findings import code_words, wording
from pipeline.findings.records import TIERS, Finding
from pipeline.vocabulary import write_part
from pipeline.vocabulary.physics import worked_out

Row = dict[str, Any]
_SMALL_GROUP = 4
_RETURN_SHARE = 0.1  # part of the move that chance alone explains, from which on it is named
RELEARN_DONE = ("done", "not_needed")


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


def _signed(value: float, key: str) -> str:
    return f"{'+' if value > 0 else '-'}{wording.bare(abs(value), key)}"


def say_move(row: Row) -> str:
    """Return how far the van moved against its siblings, with the interval."""
    key = row["parameter"]
    return (
        f"Against its {count_of(row['n_siblings'], 'sibling')} over the same dates it moved by "
        f"{_signed(row['effect'], key)} (95 % {_signed(row['effect_low'], key)} to "
        f"{wording.number(row['effect_high'], key) if row['effect_high'] < 0 else '+' + wording.number(row['effect_high'], key)})."
    )


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
    return f"{start}: {said}. {say_move(row)}"


def _why_not(row: Row) -> str:
    return {
        "few_before": f"{row['n_before']} of {row['n_needed']} scans before it",
        "few_siblings": "fewer than three siblings were scanned on both sides of it",
        "cut_short": (
            f"{row['n_after']} of {row['n_needed']} scans until the next work on the part"
            + (f" on {row['next_work']:%d %b %Y}" if row["next_work"] else "")
        ),
    }[row["reason"]]


def rivals_of(row: Row) -> tuple[str, ...]:
    """Return what else could explain the verdict."""
    key, found = row["parameter"], []
    if row["effect"] is not None and row["verdict"] in ("held", "not_held", "no_effect"):
        if row["verdict"] == "not_held" and row["relearn"] not in RELEARN_DONE:
            found.append(
                "No relearn is on record: after work on some parts the control unit needs one before readings are right"
            )
        back = row["expected_return"]
        if row["verdict"] != "not_held" and back and abs(back) >= _RETURN_SHARE * abs(row["effect"]):
            found.append(
                f"Regression to the mean: chosen for a high or low reading, a van comes back by itself, here by about "
                f"{wording.number(abs(back), key)}"
            )
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
        if row["relearn"] not in RELEARN_DONE:
            first = "Ask whether the relearn was done, and do it by the maker's procedure if not. "
        difference = row["late_difference"] if row["reason"] == "off_again" else row["after_difference"]
        return first + wording.next_check(row["parameter"], difference or 1.0, van)
    return f"Scan van {van} and one sibling again ({state}) if there is still a complaint."


def _tier(row: Row, finding_q: float, likely_q: float) -> str:
    q = _q(row)
    if row["reason"] == "off_again":
        return "likely" if (row["late_p"] or 1.0) <= 0.01 else "watch"
    return "finding" if q <= finding_q else "likely" if q <= likely_q else "watch"


def _q(row: Row) -> float:
    """The q-value that carries the verdict: of the move, of the difference after, or of both."""
    effect_q, after_q = float(row["effect_q"]), float(row["after_q"])
    return {"still_off": after_q, "off_since": max(effect_q, after_q)}.get(row["reason"], effect_q)


def _finding(lead: Row, others: Sequence[Row], tier: str) -> Finding:
    key = lead["parameter"]
    van_move = None
    if lead["after_value"] is not None and lead["before_value"] is not None:
        van_move = lead["after_value"] - lead["before_value"]
    is_judged = lead["verdict"] in ("held", "not_held")
    return Finding(
        kind="repair_effect",
        tier=tier,
        claim=say_repair(lead),
        van=lead["van"],
        cohort_id=lead["cohort_id"],
        **{name: lead[name] for name in ("make", "model", "engine")},
        model_year=None if lead["is_fallback"] else lead["model_year"],
        level=lead["verdict"],
        parameter=key,
        state=lead["state"],
        also=tuple(
            {"parameter": o["parameter"], "state": o["state"], "difference": o["effect"]} for o in others
        ),
        against="siblings",
        value=van_move if is_judged else None,
        expected=van_move - lead["effect"] if is_judged and van_move is not None else None,
        difference=lead["effect"] if is_judged else None,
        unit=lead["unit"],
        interval_low=lead["effect_low"] if is_judged else None,
        interval_high=lead["effect_high"] if is_judged else None,
        score=lead["effect_t"] if is_judged else None,
        p=lead["effect_p"] if is_judged else None,
        q=_q(lead) if is_judged else None,
        n_siblings=lead["n_siblings"] or None,
        n_vans=lead["n_siblings"] + 1 if lead["n_siblings"] else None,
        n_scans=lead["n_before"] + lead["n_after"],
        first_seen=_midnight(lead["own_from"]),
        last_seen=_midnight(lead["own_to"]) or lead["worked_at"],
        rivals=rivals_of(lead),
        next_check=next_check_of(lead),
        cautions=() if lead["verdict"] == "held" else wording.cautions_of(key, lead["state"]),
    )


def _midnight(day: Any) -> datetime | None:
    return None if day is None else datetime(day.year, day.month, day.day)


def find(
    rows: Iterable[Row], data_to: datetime, *, told_days: int, finding_q: float, likely_q: float
) -> list[Finding]:
    """Make at most one finding of each piece of work, the newest on each reading of a van.

    What did not hold comes before what held; work of the last `told_days` that no reading can judge yet is told as
    such, so that somebody scans the van again.

    Parameters
    ----------
    rows : iterable of dict
        Rows of `repairs` with make, model, engine and model_year.
    data_to : datetime
        End of the data.
    told_days : int
        How long work that cannot be judged yet is told (days).
    finding_q, likely_q : float
        False discovery rates of the tiers.
    """
    newest: dict[tuple[str, str], datetime] = {}
    known = list(rows)
    for row in known:
        key = (row["van"], row["parameter"])
        newest[key] = max(newest.get(key, row["worked_at"]), row["worked_at"])
    jobs: dict[tuple[Any, ...], list[Row]] = defaultdict(list)
    for row in known:
        if row["worked_at"] == newest[row["van"], row["parameter"]]:
            jobs[row["van"], row["worked_at"], row["what"], row["part"]].append(row)
    found = []
    for job in jobs.values():
        made = _of_job(job, data_to - timedelta(days=told_days), finding_q, likely_q)
        found += [made] if made else []
    return found


def _of_job(job: Sequence[Row], told_from: datetime, finding_q: float, likely_q: float) -> Finding | None:
    for verdict in ("not_held", "held"):
        mine = [
            (TIERS.index(_tier(r, finding_q, likely_q)), _q(r), n, r)
            for n, r in enumerate(job)
            if r["verdict"] == verdict
        ]
        if mine:
            tier, _, _, lead = min(mine, key=lambda m: m[:3])
            return _finding(lead, [r for *_, r in mine if r is not lead], TIERS[tier])
    waits = [r for r in job if r["verdict"] == "too_early"]
    if (
        waits
        and all(r["verdict"] in ("too_early", "not_judged") for r in job)
        and job[0]["worked_at"] >= told_from
    ):
        made_of_others = {w.parameter for w in worked_out()}
        lead = max(
            waits,
            key=lambda r: (
                r["parameter"] not in made_of_others,
                r["n_after"],
                r["n_before"],
                r["parameter"],
                r["state"],
            ),
        )
        return _finding(lead, [], "not_enough_evidence")
    return None


def find_codes(rows: Iterable[Row], persistent_scans: int, persistent_share: float) -> list[Finding]:
    """Make one finding of each code that came back after work done for it.

    Parameters
    ----------
    rows : iterable of dict
        Rows of `work_codes` with outcome returned whose work names the code, with title and structure; the newest
        work a van had for it.
    persistent_scans, persistent_share : int, float
        Showings, and lower end of their share, from which it is a finding.
    """
    return [_code_finding(row, persistent_scans, persistent_share) for row in rows]


def _code_finding(row: Row, persistent_scans: int, persistent_share: float) -> Finding:
    shown, told = row["n_present_after"], row["n_after"]
    low, high = (float(end) for end in wilson(shown, told))
    tier = (
        "finding"
        if shown >= persistent_scans and low >= persistent_share
        else "likely"
        if shown > 1
        else "watch"
    )
    name = code_words.name_code(row)
    rivals = ["Another fault that sets the same code"]
    if row["relearn"] not in RELEARN_DONE:
        rivals.append("No relearn is on record")
    return Finding(
        kind="repair_effect",
        tier=tier,
        claim=(
            f"Van {row['van']}: did not hold: {work_words(row)} was done for {name}. The code was gone on "
            f"{row['n_absent_first']} and came back on {row['returned_at']:%d %b %Y}; it showed on {shown} of {told} "
            "scans since the work that can tell."
        ).replace("was gone on 0 and came", "came"),
        van=row["van"],
        cohort_id=row["cohort_id"],
        **{key: row[key] for key in ("make", "model", "engine", "model_year")},
        level="not_held",
        code=row["code"],
        module=row["module"],
        value=shown / told,
        interval_low=low,
        interval_high=high,
        n_scans=told,
        first_seen=row["returned_at"],
        last_seen=row["last_seen"],
        rivals=tuple(rivals),
        next_check=(
            f"Read van {row['van']} again without clearing, with the freeze frame, and look for what else sets "
            f"{row['code']} before the same part is changed once more."
        ),
    )


def absorb(found: Sequence[Finding], repairs: Sequence[Finding]) -> list[Finding]:
    """Put findings on work among the others.

    Where work did not hold, that the van's level still stands off in the same reading is the same matter: it is told
    with the work (`also`) and no longer by itself.
    """
    by_cell = {(r.van, r.parameter): r for r in repairs if r.level == "not_held" and r.parameter is not None}

    def is_same(finding: Finding) -> bool:
        return finding.kind == "van_level" and (finding.van, finding.parameter) in by_cell

    told: dict[tuple[str | None, str | None], list[Finding]] = defaultdict(list)
    for finding in found:
        if is_same(finding):
            told[finding.van, finding.parameter].append(finding)
    joined = [_join(r, told[r.van, r.parameter]) if r.parameter is not None else r for r in repairs]
    return [*(f for f in found if not is_same(f)), *joined]


def _join(repair: Finding, levels: Sequence[Finding]) -> Finding:
    """Put cells, evidence and cautions of the van's level to the finding on the work."""
    if repair.level != "not_held" or not levels:
        return repair
    cells = [
        {"parameter": level.parameter, "state": level.state, "difference": level.difference}
        for level in levels
    ]
    seen = {(repair.parameter, repair.state)}
    also = []
    for cell in [*repair.also, *cells, *(c for level in levels for c in level.also)]:
        if (cell["parameter"], cell["state"]) not in seen:
            seen.add((cell["parameter"], cell["state"]))
            also.append(cell)
    best = min([repair, *levels], key=lambda f: (TIERS.index(f.tier), 1.0 if f.q is None else f.q))
    return replace(
        repair,
        tier=best.tier,
        robust=repair.robust or any(level.robust for level in levels),
        also=tuple(also),
        cautions=tuple(dict.fromkeys([*repair.cautions, *(c for level in levels for c in level.cautions)])),
    )
