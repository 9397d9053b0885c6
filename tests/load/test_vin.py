"""VIN check digits against the regulation's own samples and other published numbers."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.normalise import vin

# 49 CFR 565.15(c), the regulation's worked sample; the others are published beside the same rule
# (an agency's booklet, two public pages), their sums checked by hand: 411, 314, 351, 408.
PUBLISHED = ["1G4AH59H45G118341", "1J9RP1A36A1644345", "1M8GDM9AXKP042788", "5GZCZ43D13S812715"]
# All ones: sum of weights 89, remainder 1 (arithmetic). The last two are published ones with one digit
# wrong (353 -> 1) and two digits swapped (349 -> 8). The first is published as passing, but its sum is 384,
# remainder 10, so X and not 1: it fails.
FAILING = ["SGZCZ43D13S812715", "1M8GDM9AXKP042789", "1M8GDM9AXKP024788"]


@pytest.mark.parametrize("number", [*PUBLISHED, "11111111111111111"])
def test_published_numbers_pass(number: str) -> None:
    assert vin.check_vins(pl.Series([number])).to_list() == ["ok"]
    assert vin.check_digit(number) == number[8]


@pytest.mark.parametrize("number", FAILING)
def test_wrong_digits_are_marked_not_refused(number: str) -> None:
    assert vin.check_vins(pl.Series([number])).to_list() == ["bad_check_digit"]


def test_the_number_published_as_passing_asks_for_an_x() -> None:
    assert vin.check_digit("SGZCZ43D13S812715") == "X"


@pytest.mark.parametrize(
    "text", ["1G4AH59H45G11834", "1G4AH59H45G1183411", "IG4AH59H45G118341", "1G4AH59H45G11834É", "?"]
)
def test_wrong_forms(text: str) -> None:
    assert vin.check_vins(pl.Series([text])).to_list() == ["bad_form"]
    with pytest.raises(ValueError, match="17 characters"):
        vin.check_digit(text)


def test_spelling_is_normalised_and_empty_stays_empty() -> None:
    given = pl.Series([" 1g4ah59h-45g118341 ", "", None, "1G4 AH59H 45G 118341"])
    assert vin.normalise_vins(given).to_list() == [PUBLISHED[0], None, None, PUBLISHED[0]]
    assert vin.check_vins(pl.Series([None, PUBLISHED[0]])).to_list() == [None, "ok"]


def test_every_other_ninth_character_fails() -> None:
    for number in PUBLISHED:
        others = [number[:8] + c + number[9:] for c in "0123456789X" if c != number[8]]
        assert set(vin.check_vins(pl.Series(others)).to_list()) == {"bad_check_digit"}
