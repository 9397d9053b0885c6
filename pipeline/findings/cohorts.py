"""Findings of kind `cohort_offset`: a whole cohort outside a reader's limit, or unlike other model years."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace

from pipeline.counted import count_of
from pipeline.findings import plausibility, wording
from pipeline.findings.plausibility import Check
from pipeline.findings.records import TIERS, Finding, Row, cells, surest_first


@dataclass(frozen=True)
class Agreement:
    """How closely the vans of one cohort agree in one reading and state (its unit; percent may be None)."""

    median: float
    within: float
    percent: float | None
    n_within: int
    n_vans: int


def _limit_words(row: Row) -> str:
    key = row["parameter"]
    whose = f"the limit of {row['reader']}" if row["reader"] else "the listed limit"
    if row["low"] is not None and row["high"] is not None:
        return f"{whose} ({wording.bare(row['low'], key)} to {wording.number(row['high'], key)})"
    if row["high"] is not None:
        return f"{whose} (at most {wording.number(row['high'], key)})"
    if row["low"] is not None:
        return f"{whose} (at least {wording.number(row['low'], key)})"
    return f"what {row['reader']} marks as its range"


def _agree_words(agreement: Agreement | None, parameter: str) -> str:
    if agreement is None:
        return ""
    reach = (
        f"{agreement.percent:.0f} %"
        if agreement.percent is not None
        else wording.number(agreement.within, parameter)
    )
    middle = wording.number(agreement.median, parameter)
    return f" They agree with each other: {agreement.n_within} of {agreement.n_vans} lie within {reach} of {middle}."


def _limit_of(row: Row, value: float | None) -> float | None:
    """The limit that the cohort is beyond."""
    if value is None:
        return None
    if row["side"] == "above":
        return row["high"]  # type: ignore[no-any-return]
    return row["low"] if row["side"] == "below" else None


def _physics_words(row: Row, value: float | None, check: Check | None) -> str:
    """What a mix-up of units or plain physics says of limit and reading."""
    key, low, high = row["parameter"], row["low"], row["high"]
    units = plausibility.unit_words(key, row["unit"], value, low, high, check)
    return units + plausibility.check_words(key, value, plausibility.limit_middle(low, high), check)


def _against_limit(row: Row, agreement: Agreement | None, check: Check | None) -> Finding:
    key = row["parameter"]
    value = agreement.median if agreement else None
    limit = _limit_of(row, value)
    side = {"above": "above", "below": "below"}.get(row["side"], "outside")
    return Finding(
        kind="cohort_offset",
        tier=row["tier"],
        claim=(
            f"{row['n_vans_outside']} of {count_of(row['n_vans'], 'van')} of {row['cohort']} stand {side} "
            f"{_limit_words(row)} in {wording.reading_name(key)}, {wording.state_name(row['state'])} "
            f"(share {wording.percent(row['share'])}, 95 % interval {wording.percents(row['share_low'], row['share_high'])})."
            f"{_agree_words(agreement, key)}{_physics_words(row, value, check)}"
        ),
        cohort_id=row["cohort_id"],
        **{
            name: row[name]
            for name in ("make", "model", "engine", "model_year", "reader", "parameter", "state")
        },
        against="reader_limits",
        value=value,
        expected=limit,
        difference=None if value is None or limit is None else value - limit,
        unit=row["unit"],
        score=row["share"],
        n_vans=row["n_vans"],
        n_siblings=row["n_vans"],
        n_scans=row["n_scans"],
        first_seen=row["first_seen"],
        last_seen=row["last_seen"],
        rivals=(
            "The limit is meant for another model year, engine or operating state.",
            "The reader shows the value in another unit than its limit.",
            "A real cause that all these vans share: design, fuel, altitude, the same wear.",
        ),
        next_check=(
            "Read two of these vans and one of another model year in the same state with a second reader that shows "
            "its own limit; ask the maker for the limit of this model year."
        ),
        cautions=wording.cautions_of(key, row["state"]),
    )


def _against_years(row: Row) -> Finding:
    key, difference = row["parameter"], row["difference"]
    side = "above" if difference > 0 else "below"
    return Finding(
        kind="cohort_offset",
        tier=row["tier"],
        claim=(
            f"All of {row['cohort']} ({count_of(row['n_vans'], 'van')}): {wording.reading_name(key)}, "
            f"{wording.state_name(row['state'])}, is {wording.number(abs(difference), key)} {side} the other model "
            f"years of the same model ({wording.bare(row['value'], key)} against "
            f"{wording.number(row['expected'], key)}; {row['n_others']} other model years). It is not one van."
        ),
        cohort_id=row["cohort_id"],
        **{name: row[name] for name in ("make", "model", "engine", "model_year", "parameter", "state")},
        against="other_cohorts",
        **{
            name: row[name]
            for name in ("value", "expected", "difference", "unit", "interval_low", "interval_high")
        },
        **{name: row[name] for name in ("score", "p", "q", "n_vans", "n_scans", "first_seen", "last_seen")},
        n_siblings=row["n_vans"],
        rivals=(
            "A part or a setting changed with the model year: normal for it.",
            "The same wear or the same repair on vans bought together.",
            "Parking, route or depot that these vans share.",
        ),
        next_check=(
            "Ask the maker whether a part number or a setting changed with this model year; read one van of each "
            "model year side by side."
        ),
        cautions=wording.cautions_of(key, row["state"]),
    )


def find_limits(
    rows: Iterable[Row],
    agreements: dict[tuple[str, str, str], Agreement],
    checks: dict[tuple[str, str, str], Check],
) -> list[Finding]:
    """Make one finding per cohort, reading and reader whose limit most vans are outside of.

    Parameters
    ----------
    rows : iterable of dict
        Rows of `limit_shares` with cohort, `tier`, `side`, `share` and its interval.
    agreements : dict
        By (cohort_id, parameter, state).
    checks : dict
        What physics expects, by the same keys.
    """
    groups: dict[tuple[str, str, str | None], list[Row]] = defaultdict(list)
    for row in rows:
        groups[row["cohort_id"], row["parameter"], row["reader"]].append(row)
    found = []
    for group in groups.values():
        lead = min(
            group, key=lambda r: (TIERS.index(r["tier"]), -r["n_vans_outside"], r["state"], r["source"])
        )
        key = (lead["cohort_id"], lead["parameter"], lead["state"])
        found.append(_against_limit(lead, agreements.get(key), checks.get(key)))
    return found


def find_offsets(rows: Iterable[Row]) -> list[Finding]:
    """Make one finding per cohort and reading that differs from the family's other model years."""
    groups: dict[tuple[str, str], list[Row]] = defaultdict(list)
    for row in rows:
        groups[row["cohort_id"], row["parameter"]].append(row)
    found = []
    for group in groups.values():
        lead, *others = surest_first(group)
        found.append(replace(_against_years(lead), also=cells(others)))
    return found
