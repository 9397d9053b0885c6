"""Trouble codes: the two-byte rule of SAE J2012 / ISO 15031-6, spellings, and maker numbers left alone."""

from __future__ import annotations

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.normalise.codes import decode_three_byte, decode_two_byte, normalise_codes

# 0135 and 9234 appear as worked examples on public pages; the rest is the rule worked by hand.
TWO_BYTE = {
    0x0135: "P0135", 0x9234: "B1234", 0x0101: "P0101", 0x0143: "P0143", 0x0087: "P0087", 0x0562: "P0562",
    0x2463: "P2463", 0x2BA8: "P2BA8", 0x3400: "P3400", 0x4035: "C0035", 0x4123: "C0123", 0xC100: "U0100",
    0xD100: "U1100", 0xF003: "U3003", 0xAAAA: "B2AAA",
}  # fmt: skip
# ISO 14229-1 examples, from memory.
THREE_BYTE = {0x080511: "P0805-11", 0x0A9B17: "P0A9B-17", 0x25221F: "P2522-1F"}


@pytest.mark.parametrize(("value", "code"), TWO_BYTE.items())
def test_two_bytes(value: int, code: str) -> None:
    assert decode_two_byte(value) == code


def test_padding_is_no_code_and_three_bytes_are_refused() -> None:
    assert decode_two_byte(0) is None
    with pytest.raises(ValueError, match="two-byte"):
        decode_two_byte(0x10000)


@pytest.mark.parametrize(("value", "code"), THREE_BYTE.items())
def test_three_bytes(value: int, code: str) -> None:
    assert decode_three_byte(value) == code


def test_a_reply_line_of_an_older_link() -> None:
    # Service 03 reply 43 01 35 00 00 00 00: one code, zero padded (SAE J1979, from memory).
    assert [c for v in (0x0135, 0, 0) if (c := decode_two_byte(v))] == ["P0135"]


@pytest.mark.parametrize(
    ("text", "code", "failure_type", "structure"),
    [
        ("p0562", "P0562", None, "standard"),
        ("P 0562", "P0562", None, "standard"),
        ("P0562-11", "P0562", "11", "standard"),
        ("P056211", "P0562", "11", "standard"),
        ("P0101:64", "P0101", "64", "standard"),
        ("P0101 ($64)", "P0101", "64", "standard"),
        ("P0101 00", "P0101", "00", "standard"),
        ("P1234", "P1234", None, "maker"),
        ("P2BA8", "P2BA8", None, "standard"),
        ("P3000", "P3000", None, "maker"),
        ("P33FF", "P33FF", None, "maker"),
        ("P3400", "P3400", None, "standard"),
        ("C0035", "C0035", None, "standard"),
        ("C1234", "C1234", None, "maker"),
        ("B3000", "B3000", None, "other"),
        ("U0100", "U0100", None, "standard"),
        ("U3003", "U3003", None, "standard"),
        ("U3100", "U3100", None, "other"),
        ("00285", "00285", None, "number"),
        ("4711", "4711", None, "number"),
        ("0562", "0562", None, "number"),
        ("1E10", "1E10", None, "number"),
        ("5E04", "5E04", None, "number"),
        ("P4000", "P4000", None, "other"),
        ("X0101", "X0101", None, "other"),
        ("P01", "P01", None, "other"),
    ],
)
def test_spellings(text: str, code: str, failure_type: str | None, structure: str) -> None:
    # Ranges by SAE J2012 (P3 and U3 from memory); spellings are common practice, no source.
    assert normalise_codes(pl.Series([text])).row(0)[:4] == (code, failure_type, structure, False)


def test_the_letter_o_is_repaired_only_where_that_makes_the_code_legal() -> None:
    found = normalise_codes(pl.Series(["PO562", "OO285", "PO9X1"]))
    assert found.drop("is_decoded").rows() == [
        ("P0562", None, "standard", True),
        ("OO285", None, "other", False),
        ("PO9X1", None, "other", False),
    ]


@given(st.integers(1, 0xFFFF))
def test_every_decoded_code_is_its_own_normal_form(value: int) -> None:
    code = decode_two_byte(value)
    assert normalise_codes(pl.Series([code, (code or "").lower()]))["code"].to_list() == [code, code]


@given(st.from_regex(r"[0-9]{3,7}", fullmatch=True))
def test_a_number_is_never_turned_into_a_lettered_code(text: str) -> None:
    assert normalise_codes(pl.Series([text])).select("code", "structure").row(0) == (text, "number")
