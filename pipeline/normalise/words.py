"""Words of short lists (status, lamp, mark, relearn, state) from the many ways they are written."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files

import polars as pl

from pipeline import vocabulary
from pipeline.errors import nearest
from pipeline.normalise.distinct import part_distinct
from pipeline.normalise.faults import Faults
from pipeline.normalise.text import missing


@cache
def known_words(kind: str) -> dict[str, str]:
    """Return the tidy word for every folded spelling of one list (`status`, `lamp`, `mark`, `relearn`, `state`)."""
    if kind == "state":
        return {vocabulary.fold(w): s.key for s in vocabulary.states() for w in (s.key, s.name)}
    text = files("pipeline.normalise").joinpath("words.toml").read_text(encoding="utf-8")
    spellings = tomllib.loads(text)[kind]
    return {vocabulary.fold(s): word for word, found in spellings.items() for s in (word, *found)}


def normalise_words(given: pl.Series, kind: str, faults: Faults, *, instead: str | None = None) -> pl.Series:
    """Turn a column of words into tidy ones; an unknown word leaves the cell as `instead` and is noted.

    Parameters
    ----------
    given : pl.Series
        Text; empty cells and words for "no value" become null.
    kind : str
        Which list.
    faults : Faults
        Takes what is not known, with the nearest known word.
    instead : str, optional
        What an unknown word becomes.
    """
    if given.null_count() == len(given):
        return given.cast(pl.String)
    known = known_words(kind)
    different = part_distinct(given)
    texts = different.texts.cast(pl.String)
    gone = missing(texts)
    turned = {s: known.get(vocabulary.fold(s)) for s in texts.filter(~gone).to_list()}
    found = texts.replace_strict(turned, default=None, return_dtype=pl.String)
    wrong = ~gone & found.is_null()
    if wrong.any():
        tidy = list(dict.fromkeys(known.values()))
        hints = {s: nearest(s, tidy) for s, word in list(turned.items())[:1000] if word is None}
        remedy = {
            s: f"Did you mean {h}?" if h else f"Write one of {', '.join(tidy)}." for s, h in hints.items()
        }
        advice = texts.replace_strict(
            remedy, default=f"Write one of {', '.join(tidy)}.", return_dtype=pl.String
        )
        reason = f"The word is not known for {given.name}"
        rows, advices = different.spread(wrong), different.spread(advice)
        faults.add(rows, given.name, given, reason, advices, keeps_row=True)
        if instead is not None:
            found = pl.select(pl.when(wrong).then(pl.lit(instead)).otherwise(found)).to_series()
    return different.spread(found).alias(given.name)
