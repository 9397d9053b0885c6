"""Conditions over register fields."""

from __future__ import annotations

import pytest

from pipeline.errors import KinbayError
from pipeline.findings.conditions import parse

VAN = {"van": "041", "model_year": 2014, "depot": "Mill Lane", "odometer_km": 201455.0, "make": None}


@pytest.mark.parametrize(
    ("text", "holds"),
    [
        ("model_year >= 2014", True),
        ("model_year > 2014", False),
        ("depot = 'mill lane' and model_year < 2020", True),
        ('depot != "Mill Lane"', False),
        ("odometer_km<200000", False),
        ("van = 041", True),
        ("make = Tarnwell", False),
        ("depot = 'Salt and Pepper Yard'", False),
    ],
)
def test_conditions_hold_or_not(text: str, holds: bool) -> None:
    assert all(c.holds(VAN) for c in parse(text)) is holds


@pytest.mark.parametrize(
    "text", ["modelyear = 2014", "depot", "depot ~ x", "1 = 1", "van = '1'; drop table vans"]
)
def test_anything_else_is_refused(text: str) -> None:
    with pytest.raises(KinbayError):
        parse(text)


def test_the_nearest_field_is_named() -> None:
    with pytest.raises(KinbayError, match="Did you mean model_year"):
        parse("modelyear = 2014")
