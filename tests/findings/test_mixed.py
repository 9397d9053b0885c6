"""Several causes of one reading: told as mixed, thin evidence named, and one grade lower where it carries the case."""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.findings import mixed
from pipeline.findings.mixed import TakenOff
from pipeline.findings.records import Finding


def van(**more: Any) -> Finding:
    known: dict[str, Any] = {
        "kind": "van_level", "tier": "finding", "claim": "Van 041 stands high.", "van": "041", "cohort_id": "c",
        "parameter": "rail_pressure", "state": "warm_idle", "difference": 4.0, "unit": "MPa", "rivals": ("wear",),
    }  # fmt: skip
    return Finding(**(known | more))


READER = TakenOff("reader", "Yard tablet", "", 1.0, 12, None)
THIN = TakenOff("reader", "Yard tablet", "", -2.5, 4, None)
PARKED = TakenOff("exposure", "parking", "open", 3.0, 10, None)
TWIN = TakenOff("exposure", "parking", "open", 3.0, 10, "depot")
KEY = ("041", "rail_pressure", "warm_idle")


def test_one_cause_names_the_finding_and_nothing_is_added() -> None:
    assert mixed.tell([van()], {}) == [van()]


def test_several_causes_are_all_named_in_claim_and_rivals() -> None:
    (found,) = mixed.tell([van()], {KEY: [READER, PARKED]})
    assert found.tier == "finding"
    assert "Mixed: besides the van itself, reader Yard tablet, 1.0 MPa more" in found.claim
    assert "and parking open, 3.0 MPa more" in found.claim
    assert len(found.rivals) == 3
    assert found.rivals[-1] == "wear"


def test_the_model_year_is_a_cause_too() -> None:
    year = Finding(
        kind="cohort_offset", tier="finding", claim="", cohort_id="c", parameter="rail_pressure", against="other_cohorts",
        difference=-2.0,
    )  # fmt: skip
    found = mixed.tell([van(), year], {})[0]
    assert "its whole model year, 2.0 MPa below the others" in found.claim
    limit = Finding(**{**year.__dict__, "against": "reader_limits"})
    assert mixed.tell([van(), limit], {})[0] == van()


@pytest.mark.parametrize(
    ("taken", "why"),
    [(THIN, "rests on 4 vans only"), (TWIN, "cannot be told from depot")],
    ids=["few", "twin"],
)
def test_thin_evidence_is_named_and_lowers_the_tier_where_it_weighs(taken: TakenOff, why: str) -> None:
    (found,) = mixed.tell([van()], {KEY: [taken]})
    assert why in found.claim
    assert found.tier == "likely"
    (large,) = mixed.tell([van(difference=9.0)], {KEY: [taken]})
    assert why in large.claim
    assert large.tier == "finding"


def test_changes_and_watches_pass_as_they_are() -> None:
    given = [van(kind="van_change"), van(tier="watch"), van(channel="spread")]
    assert mixed.tell(given, {KEY: [READER]}) == given
