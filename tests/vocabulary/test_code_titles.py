"""Titles of generic codes and failure types: where the standard's ranges allow one, short, once, ours.

Meanings of the generic codes: from memory of SAE J2012; the ranges are those of SAE J2012 as the project restates them.
"""

from __future__ import annotations

import polars as pl
import pytest

from pipeline import vocabulary
from pipeline.normalise.codes import normalise_codes

ROWS = vocabulary.tables()["code_titles"].to_pylist()


def test_only_generic_codes_have_a_title_and_each_has_one() -> None:
    codes = [r["code"] for r in ROWS]
    assert len(codes) == len(set(codes)) >= 200
    found = normalise_codes(pl.Series(codes))
    assert found["code"].to_list() == codes
    assert set(found["structure"]) == {"standard"}
    assert not found["failure_type"].is_not_null().any()


def test_titles_are_short_words_of_our_own_and_tell_codes_apart() -> None:
    titles = [r["title"] for r in ROWS]
    assert len(titles) == len(set(titles))
    assert all(5 <= len(t) <= 70 and not t.endswith(".") and "malfunction" not in t.lower() for t in titles)


@pytest.mark.parametrize(
    ("begins", "word"),
    # SAE J2012: P02 injector circuits and fuel, P03 ignition, misfire and glow plugs, P04 auxiliary emission
    # controls, U01 lost communication, U04 invalid data (from memory).
    [("P020", "injector"), ("P030", "misfire"), ("P040", "recirculation"), ("U01", "no communication"), ("U04", "invalid data")],
)  # fmt: skip
def test_titles_keep_to_the_group_of_their_code(begins: str, word: str) -> None:
    group = [r["title"] for r in ROWS if r["code"].startswith(begins)]
    assert group
    assert all(word in title for title in group), group


def test_failure_types_are_two_digits_and_their_category_fits() -> None:
    rows = vocabulary.tables()["failure_types"].to_pylist()
    kinds = [r["failure_type"] for r in rows]
    assert len(kinds) == len(set(kinds))
    assert all(len(k) == 2 and int(k, 16) <= 0xFF for k in kinds)
    # SAE J2012-DA: the first digit is the category (1 electrical circuit, 2 signal, 7 mechanical; from memory).
    assert all("circuit" in r["title"] for r in rows if r["failure_type"][0] == "1")
    assert all("signal" in r["title"] for r in rows if r["failure_type"][0] == "2")
