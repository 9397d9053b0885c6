"""Cells of codes that hold more or less than one code: several codes, a status behind one, or that there is none.

Works on what the spelling rules leave over (`normalise_codes` calls it `other`): a lettered code anywhere in the
cell is taken with the status and text beside it, a word for "no code" gives no row, and a text without a single
digit is no code at all.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import polars as pl

from pipeline import vocabulary
from pipeline.normalise.code_rows import CodePart, spread_codes
from pipeline.normalise.code_status import read_status
from pipeline.normalise.codes import OTHER, normalise_codes
from pipeline.normalise.text import clean_names, is_missing_word
from pipeline.normalise.words import known_words
from pipeline.vocabulary.pasted_codes import find_codes

NO_CODE = "This is no trouble code"
WRITE_CODE = "Write it as P0401 or as the maker's number; leave the cell empty where there is none."
_LETTERED = re.compile(r"^[PCBU]", re.IGNORECASE)
_MARKS = "$#*.,;:!?()[]<>\"' "


def says_no_code(text: str) -> bool:
    """Say whether a cell says that there is no code.

    >>> says_no_code("No faults stored"), says_no_code("kein Fehler"), says_no_code("P0401")
    (True, True, False)
    """
    folded = vocabulary.fold(text)
    return (
        is_missing_word(text)
        or folded in known_words("no_code")
        or known_words("status").get(folded) == "no_fault"
    )


@dataclass(frozen=True)
class Parted:
    """Rows with one code each, the rows whose cell says that there is none, and notes on what was read."""

    rows: pl.DataFrame
    silent: pl.DataFrame
    notes: tuple[str, ...] = ()


def part_cells(given: pl.DataFrame) -> Parted:
    """Put one row per code in place of each cell that holds something beside one code.

    Parameters
    ----------
    given : pl.DataFrame
        Rows of the tidy table `codes`, as text.

    Returns
    -------
    Parted
        Cells without a lettered code stay as they are.
    """
    if "code" not in given.columns:
        return Parted(given, given.clear())
    spelled = pl.DataFrame({"code": given["code"].drop_nulls().unique()})
    kinds = normalise_codes(clean_names(spelled["code"]))["structure"]
    strange = spelled.filter(kinds == OTHER)["code"].to_list()
    none = [t for t in strange if says_no_code(t)]
    parts = {t: found for t in strange if t not in none and (found := _part(t))}
    is_none = given["code"].is_in(none).fill_null(value=False)
    rows = given.filter(~is_none)
    return Parted(
        spread_codes(rows, parts) if parts else rows, given.filter(is_none), _notes(given, none, parts)
    )


def is_no_code(code: pl.Series) -> pl.Series:
    """Return which cells hold neither a digit nor hexadecimal letters alone: no maker's code looks like that."""
    return code.is_not_null() & ~code.str.contains(r"[0-9]|^[A-Fa-f]{3,8}$")


def _part(text: str) -> list[CodePart]:
    found, rest = find_codes(text)
    lettered = [c for c in found if _LETTERED.match(c.code)]
    if len(lettered) != len(found) or not found:
        return []
    beside = " ".join(rest).strip(_MARKS)
    status = read_status(beside) if beside and len(found) == 1 and not found[0].status else None
    said = "" if status is not None else beside
    return [CodePart(c.code, c.status or (status.status if status else ""), c.module, said) for c in lettered]


def _notes(given: pl.DataFrame, none: list[str], parts: dict[str, list[CodePart]]) -> tuple[str, ...]:
    said = []
    if none:
        said.append(
            f"Cells that say there is no code ({none[0]!r}): {_count(given, none)}; they give no row."
        )
    several = [t for t, found in parts.items() if len(found) > 1]
    if several:
        said.append(
            f"Cells with several codes ({several[0]!r}): {_count(given, several)}; each code is a row."
        )
    single = [t for t, found in parts.items() if len(found) == 1]
    if single:
        said.append(f"Codes read out of a longer text ({single[0]!r}): {_count(given, single)}.")
    return tuple(said)


def _count(given: pl.DataFrame, texts: list[str]) -> int:
    return int(given["code"].is_in(texts).sum())
