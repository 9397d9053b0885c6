"""Findings of kind `code_persistent` (one van) and `code_fleetwide` (a cohort)."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from pipeline.counted import count_of
from pipeline.findings import code_words, wording
from pipeline.findings.records import Finding
from pipeline.settings import Codes
from pipeline.vocabulary import write_part

Row = dict[str, Any]
Code = tuple[str, str]
SAYS_SO = ("finding", "likely")
_KEPT = ("stored", "confirmed", "unknown")
_RARE = 0.05
_MOST_LISTED = 12
_COHORT = ("cohort_id", "make", "model", "engine", "model_year")


@dataclass(frozen=True)
class Company:
    """What is known of codes beyond one van: by (module, code), and by cohort.

    Parameters
    ----------
    fellows : mapping
        Rows of codes that travel with it: other_module, other_code, n_both, n_either, n_vans_both.
    endings : mapping
        Rows of work after which it was gone: what, part, n_vans.
    exposures : mapping
        Rows of exposures it goes with: attribute, level_name, tier, others_share_low by cohort.
    fleetwide : mapping
        Row of `code_prevalence` with `tier` by (cohort_id, module, code), where it is fleet-wide.
    """

    fellows: Mapping[Code, list[Row]] = field(default_factory=dict)
    endings: Mapping[Code, list[Row]] = field(default_factory=dict)
    exposures: Mapping[Code, list[Row]] = field(default_factory=dict)
    fleetwide: Mapping[tuple[str, str, str], Row] = field(default_factory=dict)


def grade(n: int, low: float | None, least: int, share: float, rules: Codes) -> str:
    """Return the tier of a share: finding where its lower end reaches `share` on at least `least` sightings.

    likely and watch ask for parts of that share.
    """
    if low is None or n < least:
        return "none"
    for tier, part in (("finding", 1.0), ("likely", rules.likely_part), ("watch", rules.watch_part)):
        if low >= part * share:
            return tier
    return "none"


def grade_van(row: Row, rules: Codes) -> str:
    """Return the tier of a code on one van.

    A code gone for good is something to watch; one that outlived two clearings is at least likely; one seen only in
    scans that do not say what they asked is something to watch.
    """
    tier = grade(
        row["n_later_present"], row["share_low"], rules.persistent_scans, rules.persistent_share, rules
    )
    if is_gone(row, rules):
        return "watch" if tier in SAYS_SO else "none"
    if row["n_clears_survived"] >= 2 and tier in ("watch", "none"):
        return "likely"
    if tier == "none" and row["n_present_uncovered"] > rules.persistent_scans:
        return "watch"
    return tier


def is_gone(row: Row, rules: Codes) -> bool:
    """Say whether it was missing so often of late that it is hardly there any more."""
    chance = row["chance_of_absence"]
    return row["n_absent_since"] >= rules.persistent_scans and chance is not None and chance <= _RARE


def _say_scans(row: Row) -> str:
    if not row["n_later_covered"]:
        return f"on {count_of(row['n_present'], 'scan')} that do not say which modules they asked, so that nobody knows on how many it could have shown"
    share = code_words.say_share(row["share"], row["share_low"], row["share_high"])
    return f"on {row['n_later_present']} of the {row['n_later_covered']} later scans that could show it ({share})"


def _say_siblings(row: Row) -> str:
    n = row["n_siblings"]
    if not n:
        return "No sibling could be asked."
    with_it = row["n_siblings_with"]
    return f"{with_it or 'None'} of its {count_of(n, 'sibling')} {'have' if with_it > 1 else 'has'} it."


def _say_clears(row: Row) -> str:
    n, survived = row["n_clears"], row["n_clears_survived"]
    if not n:
        return ""
    often = "once" if n == 1 else f"{n} times"
    back = "back each time" if n == survived > 1 else "back since" if survived else "not seen since"
    text = f" Cleared {often}, {back}"
    if row["has_returned"]:
        text += f"; after the first clearing it came back between day {row['days_low']} and day {row['days_high']}"
        if row["km_low"] is not None and row["km_high"] is not None:
            text += f" ({row['km_low']:,.0f} to {row['km_high']:,.0f} km)"
    return f"{text}."


def say_fellows(rows: Iterable[Row]) -> str:
    """Say what a code travels with, or nothing."""
    told = [
        f"{code_words.short_name(r['other_code'], r['other_module'])} on {r['n_both']} of {r['n_either']} scans with "
        f"either, {count_of(r['n_vans_both'], 'van')}"
        for r in rows
    ]
    return f" It travels with {code_words.say_counted(told, 2)}." if told else ""


def say_endings(rows: Iterable[Row]) -> str:
    """Say which work it ended with, or nothing."""
    told = [
        f"{write_part(' '.join(filter(None, (r['what'], r['part']))))} ({count_of(r['n_vans'], 'van')})"
        for r in rows
    ]
    return f" It was gone after: {code_words.say_counted(told)}." if told else ""


def _van_rivals(row: Row, company: Company, shared: Row | None) -> tuple[str, ...]:
    key = (row["module"], row["code"])
    found = []
    if shared is not None:
        found.append(
            f"The model rather than this van: {shared['n_vans_with']} of {count_of(shared['n_vans'], 'van')} of its "
            "cohort have it, see the cohort's entry"
        )
    if not row["n_clears"] and row["last_status"] in _KEPT:
        found.append("An old entry that nobody cleared: a control unit keeps one for dozens of warm-ups")
    if row["last_status"] == "pending":
        found.append("A passing fault that has not matured yet")
    found += [
        f"{e['attribute'].replace('_', ' ')} {e['level_name']}: vans exposed so show it more often"
        for e in company.exposures.get(key, ())
    ]
    if row["n_readers"] == 1:
        found.append("Shown by one reader only: another may ask for other kinds of entries")
    if row["n_low_voltage"]:
        found.append("Low supply voltage: some of its showings came in such a cluster")
    return wording.joined(tuple(found))


def _persistent(row: Row, tier: str, company: Company, rules: Codes) -> Finding:
    shared = company.fleetwide.get((row["cohort_id"], row["module"], row["code"]))
    if shared is not None:
        tier = "watch"
    key = (row["module"], row["code"])
    gone = (
        f" It has been absent from the last {count_of(row['n_absent_since'], 'scan')} that could show it."
        if is_gone(row, rules)
        else ""
    )
    lamp = " It lights the warning lamp." if row["had_lamp"] else ""
    extra = ""
    if code_words.is_undescribed(row):
        extra = say_fellows(company.fellows.get(key, ())) + say_endings(company.endings.get(key, ()))
    return Finding(
        kind="code_persistent",
        tier=tier,
        claim=(
            f"Van {row['van']} keeps showing {code_words.name_code(row)}: {_say_scans(row)}, first seen "
            f"{row['first_seen']:%d %b %Y}. {_say_siblings(row)}{lamp}{_say_clears(row)}{gone}{extra}"
        ),
        van=row["van"],
        **{name: row[name] for name in (*_COHORT, "code")},
        module=row["module"] or None,
        against="siblings" if row["n_siblings"] else None,
        value=row["share"],
        unit="1" if row["share"] is not None else None,
        interval_low=row["share_low"],
        interval_high=row["share_high"],
        score=row["share_low"],
        n_siblings=row["n_siblings"],
        n_vans=row["n_siblings"] + 1,
        n_scans=row["n_later_covered"] or row["n_present"],
        first_seen=row["first_seen"],
        last_seen=row["last_seen"],
        rivals=_van_rivals(row, company, shared),
        next_check=code_words.next_check(row),
        cautions=code_words.cautions_of([key]),
    )


def find_persistent(rows: Iterable[Row], company: Company, rules: Codes) -> list[Finding]:
    """Make one finding per van and code that keeps showing.

    A code that its cohort shows as a whole is the cohort's matter: the van's own entry is something to watch, and
    stands only where it would be told for itself. What is only to be watched is left out where it is the cohort's
    matter or goes with an exposure.

    Parameters
    ----------
    rows : iterable of dict
        Rows of `van_codes` with the van's cohort, its siblings' counts and the return after its first clearing.
    company : Company
        What is known of the codes beyond the van.
    rules : Codes
        Thresholds.
    """
    found = []
    for row in rows:
        tier = grade_van(row, rules)
        is_shared = (row["cohort_id"], row["module"], row["code"]) in company.fleetwide
        is_shared |= (row["module"], row["code"]) in company.exposures
        if tier in SAYS_SO or (tier == "watch" and not is_shared):
            found.append(_persistent(row, tier, company, rules))
    return found


def _explained_by(row: Row, company: Company, rules: Codes) -> list[Row]:
    """Exposures that account for it: among the cohort's vans without them it is not fleet-wide."""
    return [
        e
        for e in company.exposures.get((row["module"], row["code"]), ())
        if e["others_share_low"].get(row["cohort_id"], 0.0) < rules.fleetwide_share
    ]


def grade_cohort(row: Row, company: Company, rules: Codes) -> str:
    """Return the tier of a code in a cohort; what goes with an exposure is something to watch at most."""
    tier = grade(row["n_vans_with"], row["share_low"], rules.fleetwide_vans, rules.fleetwide_share, rules)
    if tier in SAYS_SO and _explained_by(row, company, rules):
        return "watch"
    return tier


def _fleetwide(row: Row, tier: str, company: Company, vans: list[str], rules: Codes) -> Finding:
    key = (row["module"], row["code"])
    share = code_words.say_share(row["share"], row["share_low"], row["share_high"])
    unknown = (
        f" {count_of(row['n_vans_unknown'], 'van')} more cannot be told." if row["n_vans_unknown"] else ""
    )
    lamp = (
        f" It lights the warning lamp on {row['n_vans_lamp']} of {row['n_vans_lamp_known']}."
        if row["n_vans_lamp"]
        else ""
    )
    exposed = _explained_by(row, company, rules)
    rivals = [
        f"{e['attribute'].replace('_', ' ')} {e['level_name']}: vans exposed so show it more often, see that entry"
        for e in company.exposures.get(key, ())
    ]
    whose = " It is one matter of the model, not one of each van." if tier in SAYS_SO else ""
    if exposed:
        words = code_words.say_counted(
            [f"{e['attribute'].replace('_', ' ')} {e['level_name']}" for e in exposed]
        )
        whose = f" Among its vans without {words} it is not fleet-wide."
    rivals += [
        "A reader that lists old or healed entries that another leaves out",
        "The same wear, repair or software on vans bought together",
    ]
    return Finding(
        kind="code_fleetwide",
        tier=tier,
        claim=(
            f"{row['n_vans_with']} of {count_of(row['n_vans'], 'van')} of {row['cohort']} have {code_words.name_code(row)} "
            f"({share}; judged by each van's newest scans that could show it): {code_words.say_counted(vans, _MOST_LISTED)}."
            f"{unknown}{lamp}{say_fellows(company.fellows.get(key, ()))}{say_endings(company.endings.get(key, ()))}"
            f"{whose}"
        ),
        **{name: row[name] for name in (*_COHORT, "code")},
        module=row["module"] or None,
        also=tuple(
            {
                "parameter": None,
                "state": None,
                "difference": None,
                "van": v,
                "module": row["module"],
                "code": row["code"],
            }
            for v in vans
        ),
        value=row["share"],
        unit="1",
        interval_low=row["share_low"],
        interval_high=row["share_high"],
        score=row["share_low"],
        n_siblings=row["n_vans"],
        n_vans=row["n_vans"],
        n_scans=row["n_scans"],
        first_seen=row["first_seen"],
        last_seen=row["last_seen"],
        rivals=wording.joined(tuple(rivals)),
        next_check=code_words.next_check(row, "fleetwide"),
        cautions=code_words.cautions_of([key]),
    )


def find_fleetwide(rows: Iterable[Row], company: Company, vans: Iterable[Row], rules: Codes) -> list[Finding]:
    """Make one finding per cohort and code that many of its vans have.

    Parameters
    ----------
    rows : iterable of dict
        Rows of `code_prevalence` with the cohort.
    company : Company
        What is known of the codes beyond the cohort.
    vans : iterable of dict
        Rows of `code_vans` with standing `with`.
    rules : Codes
        Thresholds.
    """
    having: dict[tuple[str, str, str], list[str]] = defaultdict(list)
    for row in vans:
        having[row["cohort_id"], row["module"], row["code"]].append(row["van"])
    found = []
    for row in rows:
        tier = grade_cohort(row, company, rules)
        if tier != "none":
            names = having[row["cohort_id"], row["module"], row["code"]]
            found.append(_fleetwide(row, tier, company, names, rules))
    return found
