"""Findings of kind `exposure_effect` about codes: more frequent on vans exposed to something, or of one model year."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from pipeline.counted import count_of
from pipeline.findings import code_words, wording
from pipeline.findings.records import Finding

Row = dict[str, Any]
NOT_AT_RANDOM = (
    "Vans were not parked, fitted or assigned at random: what goes with the exposure may be the cause"
)


def _say_odds(row: Row) -> str:
    ratio, low, high = (
        "any size" if row[k] is None else wording.ratio(row[k])
        for k in ("odds_ratio", "odds_low", "odds_high")
    )
    return f"odds ratio {ratio}, interval {low} to {high}"


def _say_exposed(row: Row) -> tuple[str, str]:
    """The exposed vans and the others, in words."""
    if row["attribute"] == "model_year":
        return f"Model year {row['level_name']} shows", "other years of the same model and engine"
    return (
        f"Vans with {row['attribute'].replace('_', ' ')} {row['level_name']} show",
        "their siblings without",
    )


def _finding(row: Row, also_ran: list[Row]) -> Finding:
    exposed, others = _say_exposed(row)
    n_exposed = row["n_exposed_with"] + row["n_exposed_without"]
    n_other = row["n_other_with"] + row["n_other_without"]
    more = "more" if row["odds_ratio"] is None or row["odds_ratio"] > 1 else "less"
    one, many = ("family", "families") if row["attribute"] == "model_year" else ("cohort", "cohorts")
    within = f"one {one}" if row["n_strata"] == 1 else f"{row['n_strata']} {many}"
    rivals = [NOT_AT_RANDOM]
    rivals += [
        f"{r['attribute'].replace('_', ' ')} {r['level_name']} goes with it too, but "
        f"{'hardly' if r['tier'] == 'none' else 'also'} among vans alike in {row['attribute'].replace('_', ' ')}"
        for r in also_ran
    ]
    return Finding(
        kind="exposure_effect",
        tier=row["tier"],
        claim=(
            f"{exposed} {code_words.name_code(row)} {more} often: {row['n_exposed_with']} of "
            f"{count_of(n_exposed, 'van')} against {row['n_other_with']} of {n_other} of {others} "
            f"({_say_odds(row)}; counted within {within}). An association, not a cause."
        ),
        attribute=row["attribute"],
        level=row["level_name"],
        code=row["code"],
        module=row["module"] or None,
        against="other_level",
        value=row["odds_ratio"],
        unit="1",
        interval_low=row["odds_low"] if row["odds_high"] is not None else None,
        interval_high=row["odds_high"],
        p=row["p"],
        q=row["q"],
        n_vans=n_exposed + n_other,
        rivals=wording.joined(tuple(rivals)),
        next_check=(
            "Let two vans change places for six weeks, one of them with the code cleared, and scan both with the same "
            "reader; the code should follow the exposure."
            if row["attribute"] != "model_year"
            else code_words.next_check(row, "fleetwide")
        ),
        cautions=code_words.cautions_of([(row["module"], row["code"])]),
    )


def find(rows: Iterable[Row]) -> list[Finding]:
    """Make one finding per exposure and code that go together.

    Parameters
    ----------
    rows : iterable of dict
        Rows of `code_associations` with the code's `title` and `structure`.
    """
    everything = list(rows)
    found = []
    for row in everything:
        if row["tier"] == "none":
            continue
        also_ran = [
            r
            for r in everything
            if (r["module"], r["code"]) == (row["module"], row["code"])
            and (r["rival_attribute"], r["rival_level"]) == (row["attribute"], row["level_name"])
        ]
        found.append(_finding(row, also_ran))
    return found
