"""One row per code in place of a cell that holds several, or a code with something beside it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import polars as pl

_BESIDE = ("status", "module", "text")


@dataclass(frozen=True)
class CodePart:
    """One code of a cell: the code, and the status, module and text that stand by it (empty: nothing does)."""

    code: str
    status: str = ""
    module: str = ""
    text: str = ""


def spread_codes(
    given: pl.DataFrame, parts: Mapping[str, Iterable[CodePart]], *, overrides: bool = False
) -> pl.DataFrame:
    """Put the parts of their cells in place of rows, in the order of the file.

    Parameters
    ----------
    given : pl.DataFrame
        Rows of the tidy table `codes`, as text, with `line`.
    parts : mapping
        What each text of the column `code` holds; a text that is not named stays as it is, one without parts
        gives no row.
    overrides : bool
        Whether what stands by a code wins over what a column of the file says, or only fills its empty cells.

    Returns
    -------
    pl.DataFrame
        The columns of `given` and those of status, module and text.
    """
    rows = [(text, p.code, p.status, p.module, p.text) for text, found in parts.items() for p in found]
    schema = dict.fromkeys(("code", "_code", *(f"_{c}" for c in _BESIDE)), pl.String)
    spelled = pl.DataFrame(rows, schema=schema, orient="row")
    is_parted = pl.col("code").is_in(list(parts)).fill_null(value=False)
    kept = given.with_columns(pl.lit(None, pl.String).alias(c) for c in _BESIDE if c not in given.columns)
    made = kept.filter(is_parted).join(spelled, on="code", how="inner", maintain_order="left_right")
    made = made.with_columns(pl.col("_code").alias("code"), *(_fill(c, overrides=overrides) for c in _BESIDE))
    together = pl.concat([kept.filter(~is_parted), made.select(kept.columns)])
    return together.sort("line", maintain_order=True)


def _fill(column: str, *, overrides: bool) -> pl.Expr:
    """The column's own text, or what stands by the code."""
    own, beside = pl.col(column), pl.col(f"_{column}")
    said = beside != ""
    if not overrides:
        return (
            pl.when(own.fill_null("").str.strip_chars() == "")
            .then(pl.when(said).then(beside))
            .otherwise(own)
            .alias(column)
        )
    return pl.when(said).then(beside).otherwise(own).alias(column)
