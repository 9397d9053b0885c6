"""Numbers: the worked cases of several languages, and no text that becomes another number than it says."""

from __future__ import annotations

import math

import polars as pl
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from pipeline.normalise.numbers import NumberMarks, parse_numbers

# Number patterns as in CLDR (from memory).
WORKED = [
    ("1.234,5", NumberMarks(",", "."), 1234.5),
    ("1,234.5", NumberMarks(".", ","), 1234.5),
    ("13,8", NumberMarks(",", "."), 13.8),
    ("1 234,5", NumberMarks(",", " "), 1234.5),
    ("1\u202f234,5", NumberMarks(",", " "), 1234.5),
    ("1'234.5", NumberMarks(".", "'"), 1234.5),
    ("\u22124,2", NumberMarks(",", "."), -4.2),
    ("5-", NumberMarks(), -5.0),
    ("\u22124.2", NumberMarks(), -4.2),
    (" 1E3 ", NumberMarks(), 1000.0),
]
REFUSED = [
    ("13,8", NumberMarks()),
    ("1.234.5", NumberMarks()),
    ("1.23", NumberMarks(",", ".")),
    ("12.34,5", NumberMarks(",", ".")),
    ("1,23,456", NumberMarks(".", ",")),
    ("0x1F", NumberMarks()),
    ("1_000", NumberMarks()),
    ("inf", NumberMarks()),
    ("1e999", NumberMarks()),
    ("٣", NumberMarks()),
    ("12 V", NumberMarks()),
    ("1/2", NumberMarks()),
    ("--5", NumberMarks()),
    ("-5-", NumberMarks()),
    ("4\x002", NumberMarks()),
]


@pytest.mark.parametrize(("text", "marks", "value"), WORKED)
def test_worked_cases(text: str, marks: NumberMarks, value: float) -> None:
    assert parse_numbers(pl.Series([text]), marks).value.to_list() == [value]


@pytest.mark.parametrize(("text", "marks"), REFUSED)
def test_doubtful_numbers_are_refused(text: str, marks: NumberMarks) -> None:
    found = parse_numbers(pl.Series([text]), marks)
    assert (found.value.to_list(), found.is_wrong.to_list()) == ([None], [True])


@pytest.mark.parametrize(
    "word",
    [
        "",
        " ",
        "-",
        "--",
        "---",
        "n/a",
        "NA",
        "n.v.",
        "k.A.",
        "nicht verfügbar",
        "ND",
        "NaN",
        "null",
        "****",
        "No Data",
    ],
)
def test_words_for_no_value(word: str) -> None:
    found = parse_numbers(pl.Series([word, None]))
    assert (found.is_missing.to_list(), found.is_wrong.to_list()) == ([True, True], [False, False])


def test_a_layouts_own_word_may_look_like_a_number() -> None:
    found = parse_numbers(pl.Series(["-999", "13.5"]), NumberMarks(missing_words=frozenset({"-999"})))
    assert (found.value.to_list(), found.is_missing.to_list()) == ([None, 13.5], [True, False])


@pytest.mark.parametrize("word", ["?", "defekt", "неисправен", "°"])
def test_other_words_are_wrong_not_missing(word: str) -> None:
    assert parse_numbers(pl.Series([word])).is_wrong.to_list() == [True]


@given(
    st.text(max_size=12)
    | st.from_regex(r"[-+]?[0-9]{0,4}[.,]?[0-9]{0,4}([eE][-+]?[0-9]{1,2})?", fullmatch=True)
)
@example("1d5")
@example("infinity")
@example("0b1")
def test_parsing_never_yields_another_value(text: str) -> None:
    value = parse_numbers(pl.Series([text], dtype=pl.String)).value.item()
    if value is None:
        return
    said = text.strip().replace("\u2212", "-")
    if said.endswith("-"):
        said = "-" + said[:-1]
    assert set(said) <= set("0123456789+-.eE")
    assert value == float(said)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_double_survives(value: float) -> None:
    assert parse_numbers(pl.Series([repr(value)])).value.item() == value


@given(
    st.decimals(-99_999_999, 99_999_999, places=3),
    st.sampled_from([(",", "."), (".", ","), (",", " "), (".", "'"), (",", "")]),
)
def test_marks_of_five_conventions(number: object, marks: tuple[str, str]) -> None:
    english = f"{number:,}"
    text = english.replace(".", "|").replace(",", marks[1]).replace("|", marks[0])
    found = parse_numbers(pl.Series([text]), NumberMarks(*marks)).value.item()
    assert math.isclose(found, float(str(number)), rel_tol=0, abs_tol=0)
