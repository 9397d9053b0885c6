"""Codes typed in any spelling give the one spelling of SAE J2012, and what is no code stays text."""

from __future__ import annotations

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.normalise.codes import normalise_codes
from pipeline.vocabulary.pasted_codes import find_codes

LETTERED = st.builds(
    lambda letter, first, rest: f"{letter}{first}{rest:03X}",
    st.sampled_from("PCBU"),
    st.integers(0, 3),
    st.integers(0, 0xFFF),
)
SPELLINGS = (
    lambda c, t: f"{c}-{t}",
    lambda c, t: f"{c.lower()}:{t.lower()}",
    lambda c, t: f"{c[0]} {c[1:]}",
    lambda c, t: f"{c[0].lower()}{c[1:]}",
    lambda c, t: f"{c}{t}",
    lambda c, t: f"{c} ({t})",
)
HAS_TYPE = (True, True, False, False, True, True)
PARTS = (", ", "\n", " ", "; ", " and ", ",\n", " / ")


def spell(codes: list[str]) -> list[tuple[str, str | None]]:
    frame = normalise_codes(pl.Series(codes, dtype=pl.String))
    return list(zip(frame["code"], frame["failure_type"], strict=True))


@settings(deadline=None, max_examples=200)
@given(
    st.lists(
        st.tuples(LETTERED, st.integers(0, 255), st.integers(0, len(SPELLINGS) - 1), st.sampled_from(["", " stored", " (pending)"])),
        min_size=1, max_size=5, unique_by=lambda row: row[0],
    ),
    st.sampled_from(PARTS),
)  # fmt: skip
def test_any_spelling_in_any_list(rows: list[tuple[str, int, int, str]], part: str) -> None:
    text = part.join(SPELLINGS[how](code, f"{kind:02X}") + word for code, kind, how, word in rows)
    found, rest = find_codes(text)
    assert rest == []
    assert spell([f.code for f in found]) == [
        (code, f"{kind:02X}" if HAS_TYPE[how] else None) for code, kind, how, _ in rows
    ]
    assert [f.status for f in found] == [word.strip(" ()") for *_, word in rows]


@settings(deadline=None, max_examples=200)
@given(st.text(max_size=300))
def test_any_text_is_read_without_a_fault(text: str) -> None:
    find_codes(text)


@pytest.mark.parametrize(
    ("text", "codes", "rest"),
    [
        ("P0401-00, p 0401", ["P0401"], 0),
        ("U0100 (stored)", ["U0100"], 0),
        ("Engine: P0401, P0402\nBrakes: C0035", ["P0401", "P0402", "C0035"], 0),
        ("51207", ["51207"], 0),
        ("seen at 120455 km", [], 1),
        ("13.8 V", [], 1),
        ("P0401 egr sticks", ["P0401"], 1),
        ("PO401", ["P0401"], 0),
        ("no codes", [], 1),
        ("", [], 0),
    ],
)
def test_texts_as_they_are_typed(text: str, codes: list[str], rest: int) -> None:
    found, left = find_codes(text)
    assert list(dict.fromkeys(code for code, _ in spell([f.code for f in found]))) == codes
    assert len(left) == rest


def test_the_module_stands_before_the_colon() -> None:
    found, _ = find_codes("Engine: P0401 stored\nAnti-lock brakes: C0035")
    assert [(f.module, f.status) for f in found] == [("engine", "stored"), ("anti-lock brakes", "")]
