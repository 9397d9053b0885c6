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
from pipeline.findings.records import TIERS, Finding, Row, cells
from pipeline.findings.repair_words import (
    after_interval,
    lacks_relearn,
    next_check_of,
    rivals_of,
    say_repair,
    work_words,
)
from pipeline.vocabulary.physics import worked_out


def _tier(row: Row, finding_q: float, likely_q: float) -> str:
    q = _q(row)
    if row["reason"] == "off_again":
        return "likely" if (row["late_p"] or 1.0) <= 0.01 else "watch"
    return "finding" if q <= finding_q else "likely" if q <= likely_q else "watch"


def _q(row: Row) -> float:
    """The q-value that carries the verdict: of the move, of the difference after, or of both."""
    effect_q, after_q = float(row["effect_q"]), float(row["after_q"])
    return {"still_off": after_q, "off_since": max(effect_q, after_q)}.get(row["reason"], effect_q)


def _difference(row: Row) -> str:
    """The field that holds what the verdict is about: how far the van still stands off, else how far it moved."""
    return "after_difference" if row["reason"] == "still_off" else "effect"


def _figures(lead: Row) -> dict[str, Any]:
    """The figures that the claim rests on."""
    if lead["verdict"] not in ("held", "not_held"):
        return {}
    if lead["reason"] == "still_off":
        low, high = after_interval(lead)
        return {
            "value": lead["after_value"],
            "expected": lead["after_value"] - lead["after_difference"],
            "difference": lead["after_difference"],
            "interval_low": low,
            "interval_high": high,
            "p": lead["after_p"],
            "q": _q(lead),
        }
    moved = None
    if lead["after_value"] is not None and lead["before_value"] is not None:
        moved = lead["after_value"] - lead["before_value"]
    return {
        "value": moved,
        "expected": None if moved is None else moved - lead["effect"],
        "difference": lead["effect"],
        "interval_low": lead["effect_low"],
        "interval_high": lead["effect_high"],
        "score": lead["effect_t"],
        "p": lead["effect_p"],
        "q": _q(lead),
    }


def _finding(lead: Row, others: Sequence[Row], tier: str) -> Finding:
    key = lead["parameter"]
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
        also=tuple(cell for other in others for cell in cells([other], _difference(other))),
        against="siblings",
        **_figures(lead),
        unit=lead["unit"],
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
    absent = row["n_absent_first"]
    gone = f"was gone on {count_of(absent, 'scan')} and " if absent else ""
    rivals = ["Another fault that sets the same code"]
    if lacks_relearn(row):
        rivals.append("No relearn is on record")
    return Finding(
        kind="repair_effect",
        tier=tier,
        claim=(
            f"Van {row['van']}: did not hold: {work_words(row)} for {name}. The code {gone}came back on "
            f"{row['returned_at']:%d %b %Y}; it showed on {shown} of {count_of(told, 'scan')} since the work that can tell."
        ),
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
