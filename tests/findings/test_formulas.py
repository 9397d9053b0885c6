"""No text of a CSV is run as a formula, whichever command or page writes it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import duckdb
import pytest

from dashboard.exports import table
from pipeline import formulas
from pipeline.findings import published

HOSTILE = ["=1+2", "+1", "-1", "@x", "\t=1", "\r=1", "\n=1", "  =1+2", "|calc", "%x"]
HARMLESS = ["041", "Mill Lane", "a=b", "", "9 °C", "'=1"]


@pytest.mark.parametrize("text", HOSTILE)
def test_a_formula_gets_an_apostrophe_everywhere(text: str) -> None:
    assert formulas.defuse(text) == f"'{text}"
    assert published.defuse(text) == f"'{text}"
    assert table.defuse(text).startswith("'")


@pytest.mark.parametrize("text", HARMLESS)
def test_other_text_stays_as_it_is(text: str) -> None:
    assert formulas.defuse(text) == published.defuse(text) == table.defuse(text) == text


def test_numbers_stay_numbers() -> None:
    given: list[Any] = [-1.5, 3, None, True]
    assert [published.defuse(v) for v in given] == given


def test_the_pattern_reads_alike_in_the_warehouse(tmp_path: Path) -> None:
    texts = [*HOSTILE, *HARMLESS]
    with duckdb.connect(str(tmp_path / "a.duckdb")) as connection:
        found = [
            connection.execute(f"select regexp_matches($1, '{formulas.STARTS}')", [t]).fetchall()[0][0]
            for t in texts
        ]
    assert found == [formulas.is_formula(t) for t in texts]
